"""The daemon in a thread of this process, its camera and detection replaced by prepared corners, its solves memoised.

Sockets, loop, threads, session, record and solver are the product's. No image is rendered or searched, and a data set
that was solved before is not solved again, so that a session of a dozen requests takes a tenth of a second.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import json
import logging
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, cast
from unittest import mock

import numpy as np
import structlog

from eyebolt.boards.detection import Detection
from eyebolt.cameras import Pixels
from eyebolt.cameras.camera import Frame, FreshnessMethod
from eyebolt.config.template import station_template
from eyebolt.context import SolvedDataset, StationContext, load_context
from eyebolt.daemon.daemon import Daemon
from eyebolt.daemon.dialler import Dialler
from eyebolt.daemon.startup import recover
from eyebolt.observations import Dataset, Pair
from eyebolt.observations.board_pose import fit_board_pose
from eyebolt.planning import find_next_view
from eyebolt.protocol import LinkStatus
from eyebolt.session import ImageFact, decode_facts
from eyebolt.session import messages as msg
from eyebolt.store import SessionFolder, list_sessions
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.problems import DEFAULT_LENS, Problem, make_problem
from support.daemon_process import LONGEST_S, free_ports
from support.processes import until
from support.session_world import GOOD_LIGHT

_DIAL_PAUSE_S = 0.01
BOARD_LINES = (
    'kind = "charuco"',
    "columns = 12",
    "rows = 9",
    "square_mm = 20.0",
    "marker_mm = 15.0",
    'dictionary = "5X5_100"',
)


@dataclass(frozen=True)
class PreparedCell:
    """A simulated cell whose corners are known at each of n poses."""

    problem: Problem
    """corners and poses, with their truth"""
    seed: int
    """seed of the problem"""

    @classmethod
    def draw(cls, mount: str, poses: int, seed: int) -> PreparedCell:
        """A cell of ordinary noise."""
        return cls(make_problem(mount, poses, seed, 0.05, 0.05, 0.01), seed)

    def station(self, place: Path, min_pairs: int = 8, **changes: Any) -> Path:
        """A station file in the folder ``place``; ``changes`` are arguments of the template."""
        (place / "camera.json").write_text(json.dumps(DEFAULT_LENS.to_json()))
        robot_port, status_port = free_ports(2)
        chosen: dict[str, Any] = {
            "mount": str(self.problem.mount),
            "connection": f'listen = "127.0.0.1:{robot_port}"',
            "status": f"tcp://127.0.0.1:{status_port}",
            "control": None,
            "board_lines": BOARD_LINES,
            "tolerance_mm": 2.0,
            "near_mm": self.problem.near_m * 1e3,
            "far_mm": self.problem.far_m * 1e3,
            "accept": "when-proven",
        }
        text = station_template(**(chosen | changes)).replace("settle_ms = 300", "settle_ms = 0")
        text = text.replace("min_pairs = 8", f"min_pairs = {min_pairs}")
        path = place / "station.toml"
        path.write_text(text)
        return path

    def pose(self, index: int, pose_format: PoseFormat | None = None) -> str:
        """The reported pose ``index`` as text of the robot."""
        return (pose_format or PoseFormat()).format_pose(self.problem.base_T_flange_reported[index])

    def detection(self, index: int) -> Detection:
        """What is detected at the pose ``index``."""
        size = (DEFAULT_LENS.width_px, DEFAULT_LENS.height_px)
        return Detection(self.problem.corner_ids[index], self.problem.corners_px[index], GOOD_LIGHT, size, 0.6)


Solves = dict[tuple[object, ...], SolvedDataset]


class _PreparedContext(StationContext):
    """A station whose solves are looked up in ``solves``, if the same data set was solved before."""

    solves: Solves
    delay: Callable[[], None]

    def solve(self, dataset: Dataset, refine_lens: bool = False) -> SolvedDataset:
        """See ``StationContext``."""
        self.delay()
        key = (*_key(dataset.pairs), "checks", *_key(dataset.checks), len(dataset.placed_boards), refine_lens)
        if key not in self.solves:
            self.solves[key] = super().solve(dataset, refine_lens)
        return self.solves[key]


def _key(pairs: tuple[Pair, ...]) -> Iterator[object]:
    for pair in pairs:
        yield (pair.index, pair.base_T_flange.tobytes(), pair.ids.tobytes(), pair.corners_px.tobytes())


class _NoCamera:
    """The daemon asks it for its state only."""

    def grab(self, not_before_ns: int, timeout_s: float) -> Frame:
        raise AssertionError("images are prepared")

    def health(self) -> LinkStatus:
        return LinkStatus(is_connected=True)

    def close(self) -> None:
        """Nothing to close."""


class _PreparedAcquisition:
    """Instead of ``ImageAcquisition``: an image is one pixel with the number of the pose where the robot stands."""

    def __init__(self, context: _PreparedContext, cell: PreparedCell, stands_at: Callable[[], int]) -> None:
        self._context, self._cell, self._stands_at = context, cell, stands_at
        self._frames: dict[int, Frame] = {}
        self._count = 0
        self.newest_searched = None

    def frame(self, task: int) -> Frame | None:
        return self._frames.get(task)

    def grab(self, command: msg.Grab) -> msg.Event:
        time.sleep(max(0.0, (command.not_before_ns - time.monotonic_ns()) / 1e9))
        self._context.delay()
        self._count += 1
        now_ns = time.monotonic_ns()
        pixels = np.full((1, 1), self._stands_at(), np.uint8)
        frame = Frame(pixels, now_ns, now_ns, FreshnessMethod.TIMESTAMP, f"{now_ns}-{self._count}")
        self._frames = {command.task: frame}
        return msg.Grabbed(command.task, now_ns, now_ns, frame.method, frame.name)

    def detect(self, command: msg.Detect, load: Callable[[str], Pixels]) -> msg.Event:
        self._context.delay()
        frame = self.frame(command.task)
        pixels = frame.pixels if frame is not None else load(command.name)
        found = self._cell.detection(int(pixels[0, 0]))
        fitted = fit_board_pose(self._context.lens, found.ids, found.corners_px, self._context.board.corners_m())
        return msg.Detected(command.task, found, None, None if fitted is None else fitted[0])


class PreparedDaemon:
    """A daemon of ``station_file``. ``stands_at`` is the number of the pose where the robot stands.

    ``delay`` is called in the worker threads before an image, a detection and a solve, and takes as long as it likes.
    """

    def __init__(
        self, cell: PreparedCell, station_file: Path, solves: Solves, delay: Callable[[], None] = lambda: None
    ) -> None:
        loaded = load_context(station_file)
        self.context = _PreparedContext(**{field.name: getattr(loaded, field.name) for field in fields(loaded)})
        for name, value in (("solves", solves), ("delay", delay)):
            object.__setattr__(self.context, name, value)
        self.stands_at = 0
        self._cell = cell
        self._thread: threading.Thread | None = None

    @property
    def port(self) -> int:
        """Where the robot connects to, or waits."""
        robot = self.context.station.robot
        return int(str(robot.listen or robot.dial).rsplit(":", 1)[1])

    def stand_at(self, index: int) -> None:
        """The robot stands at the pose ``index``."""
        self.stands_at = index

    def captures(self) -> list[tuple[float, ...]]:
        """The numbers of the pose of every image of the newest session."""
        session = list_sessions(self.context.record_folder)[-1]
        facts = decode_facts(SessionFolder.open_read_only(session).records)
        return [fact.raw_pose or () for fact in facts if isinstance(fact, ImageFact)]

    def start(self) -> None:
        """Recovers the record and serves, as ``eyebolt serve`` does; returns when the robot's port is open."""
        folder, state, _ = recover(self.context)
        self._daemon = Daemon(self.context, _NoCamera(), folder, state)
        acquisition = _PreparedAcquisition(self.context, self._cell, lambda: self.stands_at)
        self._daemon._executor._acquisition = cast(Any, acquisition)
        self._ready = threading.Event()
        self._fault: BaseException | None = None
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()
        until(lambda: self._ready.is_set() or not self._is_running(), "the daemon is ready")
        if self._fault is not None:
            raise self._fault

    def stop(self) -> None:
        """As by SIGTERM: the events that are queued are taken."""
        self._end(self._daemon.stop)

    def kill(self) -> None:
        """At once: the events that are queued are lost. What the disk thread was given is still written."""
        self._end(lambda: self._task.cancel())

    def _is_running(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def _end(self, order: Callable[[], object]) -> None:
        if self._thread is not None:
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(order)
            self._thread.join(LONGEST_S)
            assert not self._thread.is_alive(), "the daemon does not end"
            self._thread = None

    def _serve(self) -> None:
        try:
            asyncio.run(self._run())
        except BaseException as fault:
            self._fault = fault

    async def _run(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._task = asyncio.create_task(self._daemon.run(lambda where: self._ready.set()))
        with contextlib.suppress(asyncio.CancelledError):
            await self._task

    def __enter__(self) -> PreparedDaemon:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()


@contextlib.contextmanager
def prepared_daemons() -> Iterator[list[str]]:
    """For the time of these daemons: plans of a next view are memoised too, dialling does not pause, the log is silent.

    Yields the errors that the daemons log.
    """
    errors: list[str] = []
    plans: dict[tuple[object, ...], Any] = {}

    def plan(problem: Any, *arguments: Any) -> Any:
        key = tuple(_key(problem.pairs))
        if key not in plans:
            plans[key] = find_next_view(problem, *arguments)
        return plans[key]

    def note(logger: Any, method: str, event: Any) -> Any:
        errors.append(repr({name: value for name, value in event.items() if name != "exc_info"}))
        raise structlog.DropEvent

    structlog.configure([note], wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    try:
        impatient = functools.partial(Dialler, min_pause_s=_DIAL_PAUSE_S)
        with (
            mock.patch("eyebolt.daemon.executor.find_next_view", plan),
            mock.patch("eyebolt.daemon.robot_server.Dialler", impatient),
        ):
            yield errors
    finally:
        structlog.reset_defaults()
