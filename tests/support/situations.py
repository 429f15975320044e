"""Situations of a station as its daemon publishes them, to be looked at on the screen and on the page.

``python -m support.situations FOLDER [NAME...]`` plays them in simulated cells with real daemons, which takes a minute,
and keeps in FOLDER what was published: the status, and the view where there was one. The table has, for each, what has
to be found out from one look, within five seconds.
"""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from eyebolt.cli.main import main as eyebolt_main
from eyebolt.monitor import ReceivedView, StatusSubscriber
from eyebolt.protocol import Phase, StatusMessage, ViewMessage
from eyebolt_sim.camera_server import CameraServer
from eyebolt_sim.cell import Cell, CellOptions, prepare_cell
from eyebolt_sim.cell_faults import NO_FAULT, CellFault, parse_cell_fault
from eyebolt_sim.demo_cell import write_demo_cell
from eyebolt_sim.pose_format import PoseFormat
from support.daemon_process import DaemonProcess, Robot, until

# Joints that turn the board of the fixed camera's cell out of view.
_ASIDE_RAD = np.array([1.6, 0.0, 0.0, 0.0, 0.0, 0.0])
_DISK_BYTES = 3_000_000


@dataclass(frozen=True)
class Answers:
    """What has to be clear from one look."""

    count: str
    """How many are in."""
    now: str
    """What is to be done now."""
    good: str
    """Whether it is good."""
    wrong: str
    """What went wrong."""


SITUATIONS = {
    "first-pair": Answers("one", "move on to the next waypoint", "not known yet", "nothing"),
    "refused": Answers("one", "bring the whole board into view", "not known yet", "no board in the image"),
    "nearly-done": Answers("all but one or two", "move on", "not yet: the error is above the tolerance", "nothing"),
    "done": Answers("enough", "let the robot program finish", "yes, the goal is met", "nothing"),
    "slipped": Answers("some", "fasten the board, begin again", "no", "the board moved"),
    "wrong-terms": Answers("some", "correct the pose format", "no", "the poses are written in another format"),
    "camera-lost": Answers("some, safe", "check cable and power of the camera", "not yet", "the camera"),
    "camera-back": Answers("some, safe", "start the robot program again", "not yet", "the camera was lost"),
    "disk-full": Answers("some", "free disk space", "not yet", "the disk is full"),
    "robot-gone": Answers("some, safe", "start the robot program again", "not yet", "the robot is offline"),
    "unread-line": Answers("some", "correct the robot program", "not yet", "a line with decimal commas"),
    "height-open": Answers("enough", "touch corners, or state the height", "not yet: the height is open", "nothing"),
    "to-accept": Answers("all", "the engineer accepts it", "yes", "nothing"),
    "accepted": Answers("all", "nothing", "yes, in use", "nothing"),
    "holds": Answers("checks only", "move on", "yes: the result in use holds", "nothing"),
    "drifted": Answers("checks only", "look at camera and board", "no", "the board is not where expected"),
}
"""Camera and result have two each: what it is at first, and what it is then. The last two are of the result in use."""


@dataclass(frozen=True)
class Published:
    """What a daemon published in a situation."""

    status: StatusMessage
    """The status."""
    view: ReceivedView | None
    """The view at the same time; None without one."""


class StagedCell:
    """A simulated cell with its daemon; the robot says what it is told to. A context manager."""

    def __init__(
        self,
        place: Path,
        *,
        fault: CellFault = NO_FAULT,
        waypoints: int = 20,
        before: tuple[str, ...] = (),
        station_file: Path | None = None,
    ) -> None:
        self.station_file = station_file or write_demo_cell(place, "fixed")
        self._cell: Cell = prepare_cell(self.station_file, CellOptions(waypoints=waypoints, fault=fault))
        self._arm = self._cell.moving_arm()
        robot = self._cell.station.robot
        self._format = fault.pose_format(PoseFormat(robot.length, robot.rotation, robot.angle))
        self._before, self._seq = before, 0
        self.is_faulty = False
        """Whether a fault that begins at a waypoint has begun."""
        self._camera: CameraServer | None = None
        self._status: StatusMessage | None = None
        self._view: ReceivedView | None = None

    def __enter__(self) -> Self:
        with contextlib.ExitStack() as stack:
            self.start_camera()
            stack.callback(self.stop_camera)
            self.daemon = stack.enter_context(DaemonProcess(self.station_file, before=self._before))
            self.connect_robot()
            stack.callback(lambda: self.robot.close())
            subscriber = StatusSubscriber(self._cell.station.station.status, with_view=True)
            stack.callback(subscriber.close)
            self._subscriber = subscriber
            self._stack = stack.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stack.close()

    def connect_robot(self) -> None:
        """The robot's program has started."""
        self.robot = Robot(self.daemon.port)
        self.robot.say("hello 0")

    def start_camera(self) -> None:
        """The camera delivers."""
        self._camera = self._cell.camera_server(self._arm)
        self._camera.__enter__()

    def stop_camera(self) -> None:
        """The camera delivers nothing any more."""
        if self._camera is not None:
            self._camera.__exit__(None, None, None)
            self._camera = None

    def say(self, verb: str, rest: str = "") -> int:
        """The code that the robot's next request gets."""
        self._seq += 1
        return int(self.robot.final(f"{verb} {self._seq} {rest}".rstrip())[0])

    def take(self, number: int, verb: str = "capture") -> int:
        """The code for a pair at a waypoint, from 1 on; those after the last are the checks."""
        waypoint = (*self._cell.captures, *self._cell.checks)[number - 1]
        self._cell.active_fault.advance_to(len(self._cell.captures) if self.is_faulty else 1)
        self._arm.move_to(waypoint.joints_rad, 1e-3, time.monotonic())
        time.sleep(0.05)
        return self.say(verb, self._format.format_pose(waypoint.base_T_flange))

    def take_until(self, condition: Callable[[StatusMessage], bool], first: int = 1) -> int:
        """Takes pairs from the waypoint ``first`` on until the status is as wanted; the next waypoint."""
        for number in range(first, len(self._cell.captures) + 1):
            self.take(number)
            time.sleep(0.3)
            self._read()
            if self._status is not None and condition(self._status):
                return number + 1
        raise AssertionError(f"not reached with {len(self._cell.captures)} waypoints: {self._status}")

    def aside(self) -> None:
        """The arm stands where the camera does not see the board."""
        self._arm.move_to(_ASIDE_RAD, 1e-3, time.monotonic())

    def published(self, condition: Callable[[StatusMessage], bool]) -> Published:
        """What is published once the status is as wanted, with the newest view after it."""

        def is_there() -> bool:
            self._read()
            return self._status is not None and condition(self._status)

        until(is_there, "the status that was wanted", process=self.daemon.process)
        self._subscriber.view = None
        end = time.monotonic() + 1.5
        while time.monotonic() < end:
            self._read()
        assert self._status is not None
        return Published(self._status, self._view)

    def _read(self) -> None:
        self._subscriber.wait(0.05)
        self._status, self._view = self._subscriber.status, self._subscriber.view


def _is_recorded(code: int) -> Callable[[StatusMessage], bool]:
    return lambda status: status.last_reply is not None and status.last_reply.code == code and status.phase != "working"


def _play_good_session(place: Path) -> Iterator[tuple[str, Published]]:
    with StagedCell(place / "good", fault=parse_cell_fault("camera-moved")) as cell:
        cell.say("begin")
        cell.take(1)
        yield "first-pair", cell.published(lambda status: status.kept == 1 and status.phase is Phase.OPEN)
        cell.aside()
        time.sleep(0.1)
        cell.say("capture", "300 0 300 1 0 0 0")
        yield "refused", cell.published(_is_recorded(20))
        following = cell.take_until(lambda status: status.kept >= 4, first=2)
        cell.robot.close()
        yield "robot-gone", cell.published(lambda status: not status.robot.is_connected)
        cell.connect_robot()
        cell.robot.send("capture 90 366,613 8,393 166,663 0,321827 0,690211 -0,068842 0,644436")
        cell.robot.reply()
        yield "unread-line", cell.published(_is_recorded(41))
        cell.stop_camera()
        yield "camera-lost", cell.published(lambda status: not status.camera.is_connected)
        cell.take(following)
        cell.start_camera()
        yield "camera-back", cell.published(lambda status: status.camera.is_connected)
        cell.take(following)
        following = cell.take_until(lambda status: status.wanted <= 2, first=following + 1)
        yield "nearly-done", cell.published(lambda status: status.phase is Phase.OPEN)
        cell.take_until(lambda status: status.wanted == 0, first=following)
        yield "done", cell.published(lambda status: status.phase is Phase.GOAL_MET)
        cell.take(21, "check")
        cell.take(22, "check")
        cell.say("solve")
        cell.say("bye")
        ended = cell.published(lambda status: status.phase is Phase.CLOSED)
        yield "to-accept", ended
        assert ended.status.session_folder is not None
        _run("accept", ended.status.session_folder, "--by", "R. Ode")
        yield "accepted", cell.published(lambda status: status.is_accepted)
        cell.say("begin")
        for number in (2, 5, 21):
            cell.take(number, "check")
        yield "holds", cell.published(lambda status: status.proof is not None and status.proof.views >= 3)
        cell.is_faulty = True
        for number in (3, 6, 22):
            cell.take(number, "check")
        yield "drifted", cell.published(lambda status: status.proof is not None and not status.proof.consistent)


def _play_slipped(place: Path) -> Iterator[tuple[str, Published]]:
    with StagedCell(place / "slipped", fault=parse_cell_fault("board-moved")) as cell:
        cell.say("begin")
        following = cell.take_until(lambda status: status.kept == 4)
        cell.is_faulty = True
        cell.take_until(
            lambda status: any(finding.code == "board-moved" for finding in status.findings), first=following
        )
        yield "slipped", cell.published(lambda status: status.phase is not Phase.WORKING)


def _play_wrong_terms(place: Path) -> Iterator[tuple[str, Published]]:
    station_file = write_demo_cell(place / "terms", "fixed")
    text = station_file.read_text()
    station_file.write_text(_replaced(text, '\nrotation = "quaternion-wxyz"', '\nrotation = "euler-ZYX"'))
    fault = parse_cell_fault("wrong-rotation-format")
    with StagedCell(place / "terms", fault=fault, station_file=station_file) as cell:
        cell.say("begin")
        for number in range(1, 15):
            if 30 <= cell.take(number) < 40:
                break
        yield "wrong-terms", cell.published(lambda status: status.phase is Phase.STOPPED)


def _play_disk_full(place: Path) -> Iterator[tuple[str, Published]]:
    sessions = place / "disk" / "sessions"
    sessions.mkdir(parents=True)
    # A small disk of its own, which only this daemon sees.
    mount = f"mount -t tmpfs -o size={_DISK_BYTES} none {sessions}"
    with StagedCell(place / "disk", before=("unshare", "-rm", "sh", "-c", f'{mount} && exec "$0" "$@"')) as cell:
        cell.say("begin")
        for number in range(1, 21):
            if cell.take(number) == 31:
                break
        yield "disk-full", cell.published(_is_recorded(31))


def _play_height_open(place: Path) -> Iterator[tuple[str, Published]]:
    folder = place / "height"
    station_file = write_demo_cell(folder, "arm")
    text = station_file.read_text()
    for old, new in (
        ('turns = "free"', 'turns = "vertical"'),
        ('\nrotation = "quaternion-wxyz"', '\nrotation = "angle-z"\nresult_rotation = "quaternion-wxyz"'),
    ):
        text = _replaced(text, old, new)
    station_file.write_text(text)
    with StagedCell(folder, station_file=station_file) as cell:
        cell.say("begin")
        cell.take_until(lambda status: status.phase is Phase.GOAL_MET)
        yield "height-open", cell.published(lambda status: status.phase is Phase.GOAL_MET)


_PLAYS = {
    _play_good_session: (
        *("first-pair", "refused", "unread-line", "camera-lost", "camera-back", "robot-gone"),
        *("nearly-done", "done", "to-accept", "accepted", "holds", "drifted"),
    ),
    _play_slipped: ("slipped",),
    _play_wrong_terms: ("wrong-terms",),
    _play_disk_full: ("disk-full",),
    _play_height_open: ("height-open",),
}


def play(folder: Path, names: tuple[str, ...] = ()) -> None:
    """Plays all situations, or the sessions of those named, and keeps what was published in ``folder``."""
    for session, its_names in _PLAYS.items():
        if names and not set(names) & set(its_names):
            continue
        for name, published in session(folder):
            _keep(folder, name, published)
            print(f"{name}: {published.status.kept} kept, {'with' if published.view else 'without'} a view")


def _keep(folder: Path, name: str, published: Published) -> None:
    (folder / f"{name}.status.json").write_bytes(published.status.to_json())
    if published.view is not None:
        (folder / f"{name}.view.json").write_text(published.view.message.model_dump_json(by_alias=True))
        (folder / f"{name}.view.jpg").write_bytes(published.view.jpeg)


def kept(folder: Path, name: str) -> Published:
    """What ``play`` kept of a situation."""
    status = StatusMessage.model_validate_json((folder / f"{name}.status.json").read_bytes())
    view_file = folder / f"{name}.view.json"
    if not view_file.exists():
        return Published(status, None)
    message = ViewMessage.model_validate_json(view_file.read_bytes())
    return Published(status, ReceivedView(message, (folder / f"{name}.view.jpg").read_bytes()))


def _replaced(text: str, old: str, new: str) -> str:
    if text.count(old) != 1:
        raise AssertionError(f"the station file has no line with {old}")
    return text.replace(old, new)


def _run(*words: str) -> None:
    before, sys.argv = sys.argv, ["eyebolt", *words]
    try:
        eyebolt_main()
    except SystemExit as ended:
        assert not ended.code, words
    finally:
        sys.argv = before


if __name__ == "__main__":
    play(Path(sys.argv[1]), tuple(sys.argv[2:]))
