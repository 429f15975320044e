"""An in-memory world for a session: disk, camera, board, solver and clock are values of this object.

It is an executor of the session's commands: each is carried out at once, unless its class is held back. Facts are kept
as JSON, as in a journal. A connection's next line is served when the line before has its reply.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, fields, is_dataclass, replace
from typing import Any, TypeVar

import numpy as np
from pydantic import BaseModel
from scipy.spatial.transform import Rotation

from eyebolt.boards.detection import Detection, NoDetection
from eyebolt.boards.exposure import ExposureStats
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.problem import RobotNoise
from eyebolt.calibration.solution import ExcludedPair, Refusal, RefusalCode, Solution
from eyebolt.calibration.uncertainty.prediction import PredictiveModel
from eyebolt.geometry import Array, Mount
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt.observations.board_pose import BoardPose
from eyebolt.observations.view_quality import View
from eyebolt.planning.next_view import NextView
from eyebolt.planning.stopping import Goal, stopping_factor
from eyebolt.protocol.codes import Code
from eyebolt.protocol.framing import LateLineFeed, Line, LineSplitter, OverlongLine, ReplyEndings
from eyebolt.protocol.replies import encode
from eyebolt.protocol.requests import VERBS, LineFault, Request, is_same_line, overlong_fault, parse
from eyebolt.protocol.status import LinkStatus, StatusMessage
from eyebolt.session import messages as msg
from eyebolt.session.executor import execute
from eyebolt.session.facts import Fact, ReplyFact, decode_facts, encode_fact
from eyebolt.session.session_log import fold
from eyebolt.session.state import SessionConfig, State
from eyebolt.session.status import status_message
from eyebolt.session.step import resume, step
from support.solutions import made_up_solution, result_format

SIZE_PX = (1280, 960)
CORNERS = 20
TOLERANCE_MM = 0.5
GOOD_LIGHT = ExposureStats(0.1, 0.7, 0.0, 0.0, 0.75)
# Replies to recorded verbs that leave the seq free: working, cannot record, and faults of the request.
NEVER_ON_DISK = (10, 31, 41, 43, 45, 47)

DiskCommand = msg.OpenSession | msg.StoreImage | msg.RecordFacts
FactKind = TypeVar("FactKind", bound=Fact)
CommandKind = TypeVar("CommandKind", bound=msg.Command)


def detection(
    light: ExposureStats = GOOD_LIGHT, corners: int = CORNERS, size_px: tuple[int, int] = SIZE_PX
) -> Detection:
    ids = np.arange(corners)
    return Detection(ids, np.stack([100.0 + 20 * (ids % 8), 100.0 + 20 * (ids // 8)], axis=-1), light, size_px, 0.6)


def pose_text(number: int) -> str:
    """A pose as a robot sends it; different numbers give poses that differ enough to be kept."""
    turn = Rotation.from_euler("xyz", [170 - 7 * (number % 5), 6 * (number % 7) - 18, 11 * (number % 3)], degrees=True)
    w, x, y, z = np.roll(turn.as_quat(), 1)
    return f"{420 + 15 * number} {100 - 20 * (number % 4)} 450 {w:.5f} {x:.5f} {y:.5f} {z:.5f}"


def capture(seq: int, number: int | None = None) -> str:
    """The line of a capture at waypoint ``number`` (that of its seq if not given)."""
    return f"capture {seq} {pose_text(seq if number is None else number)}"


def check(seq: int, number: int) -> str:
    """The line of a check at waypoint ``number``."""
    return f"check {seq} {pose_text(number)}"


def touch(seq: int, corner: int, number: int | None = None) -> str:
    """The line of a touch of ``corner`` with the flange at waypoint ``number`` (that of its seq if not given)."""
    return f"touch {seq} {corner} {pose_text(seq if number is None else number)}"


def config(**changes: Any) -> SessionConfig:
    chosen: dict[str, Any] = {
        "station": "bay-3",
        "mount": Mount.FIXED,
        "pose_format": PoseFormat("mm", "quaternion-wxyz", "deg"),
        "result_format": result_format(tolerance_mm=TOLERANCE_MM),
        "flange_T_tool": None,
        "lens_size_px": SIZE_PX,
        "lens_focal_px": 1450.0,
        "board_corner_count": CORNERS,
        "goal": Goal(TOLERANCE_MM, min_pairs=8, max_pairs=40),
        "settle_ns": 0,
        "accept_when_proven": False,
        "has_tip": True,
    }
    if "pose_format" in changes and "result_format" not in changes:
        changes["result_format"] = result_format(changes["pose_format"], TOLERANCE_MM)
    return SessionConfig(**(chosen | changes))


def solution(
    p95_mm: float,
    kept: int,
    excluded: Iterable[int] = (),
    findings: Iterable[Finding] = (),
) -> Solution:
    others = tuple(ExcludedPair(index, "inconsistent with the others") for index in excluded)
    changes: dict[str, Any] = {
        "pairs_used": kept,
        "excluded": others,
        "findings": tuple(findings),
    }
    return made_up_solution(p95_mm, 1.5 * p95_mm, **changes)


# Both transforms are the identity: the predicted board pose is the flange pose.
EXPECTATION = PredictiveModel(Mount.FIXED, np.eye(4), np.eye(4), np.zeros((12, 12)), RobotNoise(1e-4, 1e-4), 0.1, 1e9)


def plain(value: Any) -> Any:
    """Dataclasses and arrays as lists and dicts, which can be compared."""
    if isinstance(value, BaseModel):
        return value.model_dump()
    if is_dataclass(value):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    return [plain(item) for item in value] if isinstance(value, list | tuple) else value


@dataclass
class Connection:
    """One robot connection."""

    number: int
    splitter: LineSplitter = field(default_factory=LineSplitter)
    endings: ReplyEndings = field(default_factory=ReplyEndings)
    inbox: deque[Line | OverlongLine | LateLineFeed] = field(default_factory=deque)
    waiting: bool = False
    dropped: bool = False
    sent: bytes = b""


class World:
    """A daemon and its surroundings."""

    def __init__(self, given: SessionConfig | None = None) -> None:
        self.disk: list[list[bytes]] = []
        self.images: dict[tuple[int, str], Detection | NoDetection] = {}
        self.now_ns = 1_000_000_000
        self.sees: Detection | NoDetection = detection()
        self.measures: View | None = None
        # Offset of the newest board from its prediction, in sigmas; None: there is no prediction.
        self.departs_sigma: float | None = None
        self.findings: tuple[Finding, ...] = ()
        self.grab_fails: str | None = None
        # The camera repeats one image; else every image differs from those before it.
        self.is_frozen = False
        self.disk_full = False
        self.disk_fails_at: int | None = None
        self.disk_writes = 0
        self.failed_writes: list[DiskCommand] = []
        self.goal_met = False
        self.wanted: int | None = None
        self.excluded: tuple[int, ...] = ()
        self.outcome: Solution | Refusal | None = None
        self.breaks: tuple[type, ...] = ()
        self.holds: tuple[type, ...] = ()
        self.held: list[msg.Command] = []
        self.wakes: list[tuple[int, int]] = []
        self.accepted: msg.AcceptedResult | None = None
        self.done: list[msg.Command] = []
        self.answers: dict[msg.Caller, list[msg.SendReply]] = {}
        self.is_recorded: dict[msg.Caller, Request] = {}
        self.owed: set[msg.Caller] = set()
        self.connections: dict[int, Connection] = {}
        self.answer_operator: Callable[[msg.SendReply], None] = lambda command: None
        self.state = State(given or config())

    # The robot's side.

    def connect(self) -> Connection:
        connection = Connection(len(self.connections) + 1)
        self.connections[connection.number] = connection
        return connection

    def hang_up(self, connection: Connection) -> None:
        self._forget(connection)
        self.happens(msg.Disconnected(connection.number))

    def receive(self, connection: Connection, data: bytes, patiently: bool = True) -> None:
        """Bytes of the robot; with ``patiently`` the clock runs until every line of this robot is answered."""
        connection.inbox.extend(connection.splitter.feed(data))
        self.serve(connection)
        while patiently and connection.waiting and not connection.dropped:
            assert self.wakes, f"no reply can come for connection {connection.number}"
            self.time_passes()

    def status(self) -> StatusMessage:
        """What subscribers are sent now; robot and camera are connected."""
        connected = LinkStatus(is_connected=True)
        return status_message(self.state, connected, connected, session_folder=None, timestamp="")

    def say(self, connection: Connection, text: str, patiently: bool = True) -> str:
        """Sends one line; the replies to it and to anything before it."""
        before = len(connection.sent)
        self.receive(connection, text.encode("ascii") + b"\n", patiently)
        return connection.sent[before:].decode("ascii").removesuffix("\n")

    def operate(self, text: str, patiently: bool = True) -> str:
        """A request of the operator without its seq; the reply to it, empty if there is none yet."""
        verb, _, rest = text.partition(" ")
        request = parse(f"{verb} 0 {rest}".encode(), self.state.config.pose_format.field_count)
        assert isinstance(request, Request)
        caller = msg.Caller(msg.OPERATOR_CONNECTION, len(self.owed))
        self.owed.add(caller)
        self.happens(msg.RequestReceived(caller, request, self.now_ns, "2025-11-25T15:00:00Z"))
        while patiently and caller not in self.answers:
            assert self.wakes, "no reply can come for the operator"
            self.time_passes()
        replies = [command.reply for command in self.answers.get(caller, ())]
        return " ".join(f"{reply.code},{reply.seq},{reply.count},{reply.aux}" for reply in replies)

    def serve(self, connection: Connection) -> None:
        while connection.inbox and not connection.waiting and not connection.dropped:
            item = connection.inbox.popleft()
            if isinstance(item, LateLineFeed):
                connection.sent += connection.endings.late_line_feed()
                continue
            caller = msg.Caller(connection.number, connection.endings.register(item.terminator))
            fields_wanted = self.state.config.pose_format.field_count
            parsed: Request | LineFault
            if isinstance(item, OverlongLine):
                parsed = overlong_fault(item.prefix)
            else:
                parsed = parse(item.content, fields_wanted)
            event: msg.Event
            if isinstance(parsed, LineFault):
                answered, event = parsed.has_reply, msg.LineRejected(caller, parsed)
            else:
                answered = VERBS[parsed.verb].has_reply
                event = msg.RequestReceived(caller, parsed, self.now_ns, "2025-11-25T15:00:00Z")
                if VERBS[parsed.verb].is_recorded:
                    self.is_recorded[caller] = parsed
            if answered:
                connection.waiting = True
                self.owed.add(caller)
            else:
                connection.endings.discard(caller.line_id)
            self.happens(event)

    # Time and work.

    def time_passes(self) -> None:
        """The clock advances to the next timer."""
        self.wakes.sort()
        at_ns, task = self.wakes.pop(0)
        self.now_ns = max(self.now_ns, at_ns)
        self.happens(msg.TimerExpired(task))

    def work_done(self) -> None:
        """Carries out what was held back, and holds nothing more."""
        self.holds = ()
        while self.held:
            held, self.held = self.held, []
            for command in held:
                self.carry_out(command)

    def restart(self) -> None:
        """The daemon is killed and restarted from the disk."""
        for connection in self.connections.values():
            self._forget(connection)
        self.held, self.wakes = [], []
        self.owed -= {caller for caller in self.owed - set(self.answers) if caller.is_operator}
        self.state = State(self.state.config, log=fold(self.facts))
        self.state, commands = resume(self.state)
        for command in commands:
            self.carry_out(command)

    def happens(self, event: msg.Event) -> None:
        self.state, commands = step(self.state, event)
        for command in commands:
            self.carry_out(command)

    def carry_out(self, command: msg.Command) -> None:
        self.done.append(command)
        if isinstance(command, self.holds):
            self.held.append(command)
        else:
            execute(command, self)

    # The executor of the session's commands.

    def send_reply(self, command: msg.SendReply) -> None:
        self.answers.setdefault(command.caller, []).append(command)
        self._check_that_the_reply_is_on_record(command)
        if command.caller.is_operator:
            self.answer_operator(command)
            return
        connection = self.connections[command.caller.connection]
        if connection.dropped:
            return
        ending = connection.endings.ending_for(command.caller.line_id)
        connection.sent += encode(command.reply, command.bracketed, ending)
        connection.waiting = False
        self.serve(connection)

    def close_connection(self, command: msg.CloseConnection) -> None:
        self._forget(self.connections[command.connection])

    def start_timer(self, command: msg.StartTimer) -> None:
        self.wakes.append((command.at_ns, command.task))

    def read_accepted_result(self, command: msg.ReadAcceptedResult) -> None:
        self.happens(msg.AcceptedResultRead(command.number, self.accepted))

    def open_session(self, command: msg.OpenSession) -> None:
        self.happens(self._on_disk(command))

    def store_image(self, command: msg.StoreImage) -> None:
        self.happens(self._on_disk(command))

    def record_facts(self, command: msg.RecordFacts) -> None:
        self.happens(self._on_disk(command))

    def write_result(self, command: msg.WriteResult) -> None:
        self.happens(msg.ResultWritten(command.task))

    def grab(self, command: msg.Grab) -> None:
        if self.grab_fails:
            self.happens(msg.GrabFailed(command.task, self.grab_fails, "no image"))
            return
        exposed_ns = command.not_before_ns
        name = f"image {exposed_ns}"
        self.happens(msg.Grabbed(command.task, exposed_ns, exposed_ns + 1000, "request", name))

    def detect(self, command: msg.Detect) -> None:
        # The image is in memory, also if it could not be stored.
        seen = self.images.get((len(self.disk), command.name), self.sees)
        if isinstance(seen, Detection):
            seen = self.exposed(seen, int(command.name.split(".")[0]))
        self._worked(command, lambda: msg.Detected(command.task, seen, *self._view()))

    def solve(self, command: msg.Solve) -> None:
        self._worked(command, lambda: msg.Solved(command.task, self._solve(command)))

    def plan_next_view(self, command: msg.PlanNextView) -> None:
        self._worked(command, lambda: msg.NextViewPlanned(command.task, NextView("tilt it more")))

    def publish_status(self, command: msg.PublishStatus) -> None:
        """Nobody watches."""

    def _worked(self, command: msg.Detect | msg.Solve | msg.PlanNextView, work: Callable[[], msg.TaskEvent]) -> None:
        breaks_down = isinstance(command, self.breaks)
        self.happens(msg.WorkerFailed(command.task, "it failed") if breaks_down else work())

    @property
    def facts(self) -> list[Fact]:
        """The facts of the newest session on disk."""
        return decode_facts(self.disk[-1]) if self.disk else []

    def stored(self, seq: int) -> tuple[Code, int, int] | None:
        """The recorded reply to ``seq``: (code, count, aux), or None."""
        found = [f for f in self.facts_of(ReplyFact) if f.request.seq == seq]
        return (found[-1].code, found[-1].count, found[-1].aux) if found else None

    def facts_of(self, kind: type[FactKind]) -> list[FactKind]:
        """The facts of one class in the newest session."""
        return [fact for fact in self.facts if isinstance(fact, kind)]

    def commands(self, kind: type[CommandKind]) -> list[CommandKind]:
        """The commands of this class that were given."""
        return [command for command in self.done if isinstance(command, kind)]

    def _check_that_the_reply_is_on_record(self, command: msg.SendReply) -> None:
        request, reply = self.is_recorded.get(command.caller), command.reply
        if command.caller.is_operator and reply.seq:
            assert self.stored(reply.seq) == (reply.code, reply.count, reply.aux) or reply.code in NEVER_ON_DISK
        if request is None or reply.code in NEVER_ON_DISK:
            return
        told = (reply.code, reply.count, reply.aux)
        on_disk = [f for f in self.facts_of(ReplyFact) if f.request.seq == request.seq]
        recorded = [f for f in on_disk if is_same_line(f.request.line, request.text)]
        assert told in [(f.code, f.count, f.aux) for f in recorded], f"sent {told} before it was on record: {on_disk}"

    def _forget(self, connection: Connection) -> None:
        connection.dropped, connection.waiting = True, False
        connection.inbox.clear()

    def _on_disk(self, command: DiskCommand) -> msg.TaskEvent:
        self.disk_writes += 1
        if self.disk_full or self.disk_writes == self.disk_fails_at:
            self.failed_writes.append(command)
            return msg.WriteFailed(command.task, "no room on the disk")
        if isinstance(command, msg.StoreImage):
            self.images[len(self.disk), command.name] = self.sees
            return msg.ImageStored(command.task, "0" * 64)
        if isinstance(command, msg.OpenSession):
            fact = command.first_fact(f"session-{len(self.disk) + 1}")
            self.disk.append([encode_fact(fact)])
            return msg.SessionOpened(command.task, fact)
        self.disk[-1] += [encode_fact(fact) for fact in command.facts]
        return msg.FactsRecorded(command.task)

    def _solve(self, command: msg.Solve) -> Solution | Refusal:
        if self.outcome is not None:
            return self.outcome
        count = len(command.dataset.pairs)
        if count < 3:
            return Refusal(RefusalCode.TOO_FEW_PAIRS, f"{count} pairs", "capture more", count)
        used = {pair.index for pair in command.dataset.pairs}
        excluded = [index for index in self.excluded if index in used]
        if self.goal_met:
            ratio = 0.8
        elif self.wanted:
            # The error falls as 1 / sqrt(pairs - 4): this ratio needs the wanted number of further pairs.
            good = count - len(excluded)
            ratio = np.sqrt(1 + (self.wanted - 0.5) / max(good - 4, 1)) / stopping_factor(good + self.wanted, 0.0)
        else:
            ratio = 1 + 1e-6
        found = solution(float(TOLERANCE_MM * ratio), count - len(excluded), excluded, self.findings)
        return found if self.departs_sigma is None else replace(found, prediction=EXPECTATION)

    def exposed(self, seen: Detection, index: int) -> Detection:
        """The board in image ``index``: its corners lie elsewhere in each image, unless the camera is frozen."""
        return seen if self.is_frozen else replace(seen, corners_px=seen.corners_px + 0.5 * index)

    def _view(self) -> tuple[View | None, BoardPose | None]:
        """``measures``, or else a view of the board ``departs_sigma`` from its pose predicted by ``EXPECTATION``."""
        if self.measures is not None:
            return self.measures, None
        pose = self._reported_pose()
        if self.departs_sigma is None or pose is None:
            return None, None
        shift = np.eye(4)
        shift[0, 3] = self.departs_sigma * EXPECTATION.noise.translation_m
        return View(residual_px=0.05), BoardPose(pose @ shift, np.eye(6) * 1e-16, np.zeros((1, 3)))

    def _reported_pose(self) -> Array | None:
        """The flange pose of the request in progress; None without one."""
        pose = getattr(self.state.task, "pose", None)
        return None if pose is None else pose.base_T_flange
