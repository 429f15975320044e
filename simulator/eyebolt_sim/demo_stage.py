"""The cell of a demo scenario: an invented cell, its daemon as a process, and what the tool answered in each run."""

from __future__ import annotations

import contextlib
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from eyebolt.calibration import WorkingVolume
from eyebolt.context import StationContext, load_context, load_session
from eyebolt.deadline import Deadline
from eyebolt.errors import EyeboltError, MachineFault
from eyebolt.monitor import StatusSubscriber
from eyebolt.protocol import Code, StatusMessage
from eyebolt.results import ResultDocument, accept_session, read_result
from eyebolt.store import SessionFolder, list_sessions
from eyebolt_sim.cell import Cell, CellOptions, prepare_cell
from eyebolt_sim.cell_faults import NO_FAULT, CellFault
from eyebolt_sim.demo_cell import write_demo_cell
from eyebolt_sim.processes import log_tail, run_daemon, terminate
from eyebolt_sim.robot_link import RobotLink
from eyebolt_sim.robot_program import ProgramOutcome
from eyebolt_sim.transforms import Array, transform_points

# The monitor stays for a moment after the last reply, so that it can be read.
_LINGER_S = 1.0
_STATUS_TIMEOUT_S = 10.0


@dataclass(frozen=True)
class Pace:
    """How a scenario is played."""

    speed: float = 20.0
    """times the reduced speed of the arm"""
    waypoints: int = 15
    """captures of the robot program"""
    has_screen: bool = True
    """whether ``eyebolt watch`` runs in this terminal meanwhile"""
    settle_ms: int = 300
    """[camera] settle_ms of the station file"""
    min_pairs: int = 8
    """[goal] min_pairs of the station file"""
    camera_lines: Sequence[str] = ()
    """further lines of [camera]"""


@dataclass(frozen=True)
class CellPlan:
    """What is particular about the cell of a scenario."""

    mount: str = "fixed"
    """where the camera is: "fixed" or "arm" """
    turns: str = "free"
    """[station] turns"""
    rotation: str = "quaternion-wxyz"
    """[robot] rotation"""
    robot_lines: Sequence[str] = ()
    """further lines of [robot]"""


@dataclass(frozen=True)
class Answer:
    """The reply to a request that took an image, as it is on record."""

    verb: str
    """capture or check"""
    code: Code
    """its code"""
    message: str
    """the reply in words, for the screen"""
    measured: float | None
    """the measured value that it names; None if it names none"""


@dataclass(frozen=True)
class TrueError:
    """A result compared with the truth, over the working volume."""

    rms_mm: float
    """RMS of the true error"""
    largest_mm: float
    """largest true error"""
    stated_mm: float
    """95th percentile of the error of the transform as it is stated"""

    @property
    def is_within(self) -> bool:
        """Whether the RMS error is within the stated limit."""
        return self.rms_mm <= self.stated_mm


@dataclass(frozen=True)
class Run:
    """A run of the robot program and what the tool answered."""

    outcome: ProgramOutcome
    """how the program ended"""
    session: Path
    """folder of its session"""
    answers: tuple[Answer, ...]
    """replies to captures and checks that took an image, in order"""
    result: ResultDocument | None
    """the session's newest result; None without one"""


class Cables:
    """The cables of a running cell, to be cut."""

    def __init__(self, cut_camera: Callable[[], None], cut_robot: Callable[[], None]) -> None:
        self.cut_camera = cut_camera
        """the camera answers nothing any more"""
        self.cut_robot = cut_robot
        """the connection between robot and daemon breaks"""


OnWaypoint = Callable[[int, Cables], None]
"""Called before the move to each waypoint of a capture with its number, counted from 1."""


class Stage:
    """An invented cell with its daemon; a context manager. Raises InputFault ``folder-unwritable``."""

    def __init__(self, folder: Path, seed: int, pace: Pace, plan: CellPlan) -> None:
        self._seed, self._pace = seed, pace
        self.station_file = write_demo_cell(
            folder,
            plan.mount,
            turns=plan.turns,
            rotation=plan.rotation,
            robot_lines=plan.robot_lines,
            camera_lines=pace.camera_lines,
            settle_ms=pace.settle_ms,
            min_pairs=pace.min_pairs,
        )
        self.context: StationContext = load_context(self.station_file)
        self._daemon_log = folder / "daemon.log"

    def __enter__(self) -> Self:
        with contextlib.ExitStack() as stack:
            self._daemon = stack.enter_context(run_daemon(self.station_file, self._daemon_log))
            self._subscriber = StatusSubscriber(self.context.station.station.status)
            stack.callback(self._subscriber.close)
            if self._pace.has_screen:
                stack.enter_context(_monitor(self.station_file))
            self._stack = stack.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None and self._pace.has_screen:
            time.sleep(_LINGER_S)
        self._stack.close()

    @property
    def sessions(self) -> list[Path]:
        """Folders of all sessions, oldest first."""
        return list_sessions(self.context.record_folder)

    def prepare(self, fault: CellFault = NO_FAULT, touches: int = 0) -> Cell:
        """The cell; every one of a stage has the same truth and waypoints, but for the fault.

        The truth is written beside the station file. Raises what `prepare_cell` raises.
        """
        pace = self._pace
        options = CellOptions(seed=self._seed, speed=pace.speed, waypoints=pace.waypoints, fault=fault, touches=touches)
        cell = prepare_cell(self.station_file, options)
        cell.write_truth(self.station_file.parent / "truth.json")
        return cell

    def run(self, cell: Cell, first_waypoint: int = 1, on_waypoint: OnWaypoint = lambda *_: None) -> Run | None:
        """Run the robot program of ``cell``; None if the robot's cable was cut, which ends the program.

        Raises what the robot program raises; MachineFault ``demo-failed`` if the daemon has ended.
        """
        arm, camera, is_cut = cell.moving_arm(), contextlib.ExitStack(), False

        def before_waypoint(number: int, link: RobotLink) -> None:
            def cut_robot() -> None:
                nonlocal is_cut
                is_cut = True
                link.close()

            on_waypoint(number, Cables(camera.close, cut_robot))

        with camera:
            camera.enter_context(cell.camera_server(arm))
            try:
                outcome = cell.run_robot(arm, lambda _: None, first_waypoint, before_waypoint)
            except EyeboltError:
                if is_cut:
                    return None
                self._require_daemon()
                raise
        return self._recorded(outcome)

    def status(self, wanted: Callable[[StatusMessage], bool]) -> bool:
        """Whether a status for which ``wanted`` holds is published within 10 s."""
        deadline = Deadline.after(_STATUS_TIMEOUT_S)
        while not deadline.has_passed:
            self._subscriber.wait(deadline.at_most(0.1).remaining_s)
            if self._subscriber.status is not None and wanted(self._subscriber.status):
                return True
        return False

    def accept(self, session: Path) -> None:
        """What ``eyebolt accept`` does."""
        accept_session(session, "the demo")

    def true_error(self, result: ResultDocument, hand_eye: Array) -> TrueError | None:
        """The error of a result against the true transform (4, 4); None without a whole transform."""
        if result.transform is None or result.expected_error_mm is None:
            return None
        goal, estimated = self.context.station.goal, result.transform.to_array()
        grid = WorkingVolume(goal.near_mm / 1e3, goal.far_mm / 1e3).grid(self.context.lens)
        errors_mm = np.linalg.norm(transform_points(estimated, grid) - transform_points(hand_eye, grid), axis=1) * 1e3
        return TrueError(float(np.sqrt((errors_mm**2).mean())), float(errors_mm.max()), result.expected_error_mm.p95)

    def _recorded(self, outcome: ProgramOutcome) -> Run:
        session = self.sessions[-1]
        log = load_session(SessionFolder.open_read_only(session)).log
        replies = ((capture.verb, log.replies.get(capture.request.seq)) for capture in log.captures)
        answers = tuple(
            Answer(verb, reply.code, reply.message, reply.measure.value if reply.measure else None)
            for verb, reply in replies
            if reply is not None
        )
        result = None
        with contextlib.suppress(EyeboltError):
            result = read_result(session)
        return Run(outcome, session, answers, result)

    def _require_daemon(self) -> None:
        if self._daemon.poll() is not None:
            message = f"the daemon ended early: {log_tail(self._daemon_log)}"
            raise MachineFault("demo-failed", message, f"read {self._daemon_log}.")


@contextlib.contextmanager
def _monitor(station_file: Path) -> Iterator[None]:
    """``eyebolt watch`` in this terminal."""
    process = subprocess.Popen([sys.executable, "-m", "eyebolt.cli.main", "watch", str(station_file)])
    try:
        yield
    finally:
        terminate(process, signal.SIGINT)
