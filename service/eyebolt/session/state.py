"""The state of a session between two events: its log, and a stage for each thing that is in progress.

- A *region* is a line of work that runs beside the others. There are three: the task, the background solve (it runs
  after the reply has been sent), and the planning of the next view (it never delays a reply).
- A *stage* is how far a region has come: a class that holds exactly what is known at that point. ``step`` has the table
  of the transitions.
- The *task* is the region of the one request in progress; ``State.task`` is its stage.
- A *job* is what all stages of a task share: the request, and the line that waits for the reply.
- A *number* is the correlation ID of a command and its answer: each region gets a new one when its work begins, and so
  does a request that is deferred, for its timer. The field ``task`` of the messages is such a number.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import Enum, auto
from typing import ClassVar, get_args

import numpy as np

from eyebolt.boards import Detection, NoDetection
from eyebolt.calibration import PoseConvention, ResultFormat
from eyebolt.geometry import Array, Mount, PoseFormat
from eyebolt.observations import ArmMotion, View, ViewAcceptance
from eyebolt.planning import Goal
from eyebolt.protocol import Code, StepTimes
from eyebolt.session import messages as msg
from eyebolt.session.facts import (
    Fact,
    FrameInfo,
    GuidedRecord,
    ImageFact,
    NextViewFact,
    ReplyFact,
    RequestRef,
    TouchFact,
)
from eyebolt.session.session_log import SessionLog, apply_fact
from eyebolt.session.solve_report import SolveReport

# The most impatient controllers wait two seconds for a reply: 10 is sent in time for them.
WORKING_REPLY_AFTER_NS = 1_400_000_000


@dataclass(frozen=True)
class SessionConfig:
    """What a session takes as given from its station."""

    station: str
    """Name of the station."""
    mount: Mount
    """Of the camera."""
    pose_format: PoseFormat
    """How the controller writes a pose."""
    result_format: ResultFormat
    """How the robot is given the transform."""
    flange_T_tool: Array | None
    """(4, 4), metres, if the robot sends tool poses; None if it sends flange poses."""
    lens_size_px: tuple[int, int]
    """Image size (width, height) that the lens file is for."""
    lens_focal_px: float | None
    """Focal length of the lens file, mean of both axes; None: not known."""
    board_corner_count: int
    """Corners of the board."""
    goal: Goal
    """When to stop capturing."""
    settle_ns: int
    """From receiving a request to the earliest exposure."""
    accept_when_proven: bool
    """A proven result is accepted without a person."""
    has_tip: bool = False
    """The station file states the pointer's tip, so that touches can be used."""
    takes_preview: bool = False
    """A preview frame before each image shows whether the board stands still."""
    exposure_ns: int | None = None
    """Exposure time stated in the station file."""
    reply_wait_ns: int = WORKING_REPLY_AFTER_NS
    """From receiving a recorded request to the reply 10, if its work is not done by then."""
    guided: bool = False
    """A session that the operator begins is a guided one."""
    inputs: Mapping[str, str] = field(default_factory=dict)
    """SHA-256 digests of station file and lens file, by the names of their copies in a session's folder."""

    def pose_fields(self, base_T_flange: Array) -> list[float]:
        """The numbers that the robot would send for a flange pose (4, 4): the inverse of ``base_T_flange``."""
        tool = base_T_flange if self.flange_T_tool is None else base_T_flange @ self.flange_T_tool
        return self.pose_format.to_fields(tool)

    def base_T_flange(self, raw_pose: tuple[float, ...]) -> Array:
        """The flange pose (4, 4), metres, of a pose as the robot sent it. Raises InputFault ``pose-numbers``."""
        return PoseConvention(self.pose_format, self.flange_T_tool).remove_tool(self.pose_format.to_matrix(raw_pose))


@dataclass(frozen=True)
class UnrecordedReply:
    """A failure that the robot was told of and that is not on record: the line was at fault, or the disk was."""

    seq: int
    """Sequence number in the reply; 0 where the line had none."""
    code: Code
    """Reply code."""
    message: str
    """Reason, for the screen."""
    task: int
    """Number of the task that was in progress; 0 for none."""


# Parts of stages.


@dataclass(frozen=True)
class Origin:
    """The line that waits for a reply."""

    caller: msg.Caller
    bracketed: bool
    """The line was in brackets, and so is its reply."""


@dataclass(frozen=True)
class Job:
    """A request in progress."""

    number: int
    """Number of the task, which its commands and their answers carry."""
    request: RequestRef
    origin: Origin | None
    """None: resumed after a restart, no line waits for the reply."""
    received_ns: int
    """When the line was received."""
    timestamp: str
    """The same in UTC, ISO 8601."""
    is_working_sent: bool = False
    """The line was answered 10; the robot polls for the final reply."""
    guided: GuidedRecord | None = None
    """How the pair was chosen, where the daemon requested it by itself."""


@dataclass(frozen=True)
class ReportedPose:
    """The pose that came with a request."""

    raw: tuple[float, ...] | None
    """As the robot sent it."""
    base_T_flange: Array
    """(4, 4), metres."""
    joints: tuple[float, ...] | None = None
    """Joint angles as the robot sent them; None if it sent none."""
    motion: ArmMotion = field(default_factory=ArmMotion)
    """That of the poses that the robot has streamed since the request."""

    def with_live(self, at_ns: int, base_T_live: Array) -> ReportedPose:
        """With one live flange pose (4, 4) more."""
        return replace(self, motion=self.motion.with_pose(at_ns, base_T_live, self.base_T_flange))


class ImageWrite(Enum):
    """Progress of an image to the disk, beside detection and solve."""

    WRITING = auto()
    """The file is being written."""
    RECORDING = auto()
    """The file is on disk; its fact is being recorded."""
    DONE = auto()
    """The fact is on disk."""


@dataclass(frozen=True)
class Capture:
    """An image that was taken for a request."""

    index: int
    """Capture index."""
    file: str
    """Name of the image file."""
    pose: ReportedPose | None
    """None for a ``place`` without one."""
    write: ImageWrite
    frame: FrameInfo | None
    """None: the image was taken before a restart."""
    times: StepTimes | None
    """Durations known so far; None before the first one."""
    fact: ImageFact | None = None
    """Being recorded, or on disk."""

    @property
    def base_T_flange(self) -> Array:
        """The reported pose (4, 4), or the identity where none was needed."""
        return np.eye(4) if self.pose is None else self.pose.base_T_flange

    def timed(self, **steps_ms: float) -> Capture:
        """With the durations (ms) of further steps."""
        return replace(self, times=(self.times or StepTimes()).model_copy(update=steps_ms))


@dataclass(frozen=True)
class AssessedView:
    """What was found in an image, and whether the view is good enough."""

    detection: Detection | NoDetection
    view: View | None
    acceptance: ViewAcceptance
    p_value: float | None
    """Of the pair under the last solution's prediction; None where no prediction was tested."""


# Stages of the task.


@dataclass(frozen=True)
class DeferringStage:
    """A stage in which an event that decides something waits while a background solve is not on record."""

    deferred: msg.TaskEvent | None = field(default=None, kw_only=True)
    """The event that waits."""


@dataclass(frozen=True)
class AwaitingBackground:
    """A request for a new session waits until the background solve of the open one is recorded."""

    OUTSTANDING: ClassVar = (msg.StartTimer,)
    job: Job
    pose: ReportedPose | None


@dataclass(frozen=True)
class OpeningSession:
    """The folder of a new session is being created."""

    OUTSTANDING: ClassVar = (msg.OpenSession, msg.StartTimer)
    job: Job
    pose: ReportedPose | None


@dataclass(frozen=True)
class Grabbing(DeferringStage):
    """The camera is taking the image."""

    OUTSTANDING: ClassVar = (msg.Grab, msg.StartTimer)
    job: Job
    index: int
    """Capture index of the image to be."""
    file: str
    """Name of its file."""
    pose: ReportedPose | None


@dataclass(frozen=True)
class Detecting(DeferringStage):
    """The board is searched in the image, which is written to the disk meanwhile."""

    OUTSTANDING: ClassVar = (msg.StoreImage, msg.RecordFacts, msg.Detect, msg.StartTimer)
    job: Job
    capture: Capture

    @property
    def pose(self) -> ReportedPose | None:
        """The pose that came with the request."""
        return self.capture.pose


@dataclass(frozen=True)
class SolvingPair(DeferringStage):
    """The reply to a capture waits for a solve with its own pair; the image may still be on its way to the disk."""

    OUTSTANDING: ClassVar = (msg.StoreImage, msg.RecordFacts, msg.Solve, msg.StartTimer)
    job: Job
    capture: Capture
    assessed: AssessedView
    command: msg.Solve


@dataclass(frozen=True)
class SolvingSession(DeferringStage):
    """``solve``, ``undo``, ``touch`` or ``bye`` waits for a solve of the recorded pairs."""

    OUTSTANDING: ClassVar = (msg.Solve, msg.StartTimer)
    job: Job
    command: msg.Solve
    touch: TouchFact | None = None
    """The touch that is to be recorded with the reply."""


@dataclass(frozen=True)
class AwaitingImageFact:
    """The reply is decided, but its image is not on record yet."""

    OUTSTANDING: ClassVar = (msg.StoreImage, msg.RecordFacts, msg.StartTimer)
    job: Job
    capture: Capture
    facts: tuple[Fact, ...]
    """To be recorded before the reply."""
    reply: ReplyFact
    report: SolveReport | None
    """Of the solve that the reply waited for."""


@dataclass(frozen=True)
class RecordingReply:
    """The reply is being recorded, with all facts that led to it."""

    OUTSTANDING: ClassVar = (msg.RecordFacts, msg.StartTimer)
    job: Job
    facts: tuple[Fact, ...]
    """Being recorded; the reply is the last of them."""
    reply: ReplyFact
    report: SolveReport | None
    """Of the solve that the reply waited for."""


@dataclass(frozen=True)
class WritingResult:
    """The reply ends the robot program: the result is on disk before it is sent."""

    OUTSTANDING: ClassVar = (msg.WriteResult, msg.StartTimer)
    job: Job
    reply: ReplyFact
    report: SolveReport


# Stages of the background solve.


@dataclass(frozen=True)
class BackgroundSolving:
    """Pairs that are already answered are being solved."""

    OUTSTANDING: ClassVar = (msg.Solve,)
    command: msg.Solve
    kept: int
    """Pairs kept when it began."""
    is_after_restart: bool
    """A restarted daemon began with it, since no solve of these pairs is on record."""

    @property
    def number(self) -> int:
        """Number of the region."""
        return self.command.task


@dataclass(frozen=True)
class BackgroundRecording:
    """The fact of the background solve is being recorded."""

    OUTSTANDING: ClassVar = (msg.RecordFacts,)
    report: SolveReport
    is_after_restart: bool
    """As in BackgroundSolving."""

    @property
    def number(self) -> int:
        """Number of the region."""
        return self.report.command.task


# Stages of planning the next view.


@dataclass(frozen=True)
class PlanningNextView:
    """The next view after ``solve`` is being planned."""

    OUTSTANDING: ClassVar = (msg.PlanNextView,)
    number: int
    """Number of the region."""
    solve: msg.Solve


@dataclass(frozen=True)
class RecordingNextView:
    """The fact of the next view is being recorded."""

    OUTSTANDING: ClassVar = (msg.RecordFacts,)
    number: int
    """Number of the region."""
    fact: NextViewFact


TaskStage = (
    AwaitingBackground
    | OpeningSession
    | Grabbing
    | Detecting
    | SolvingPair
    | SolvingSession
    | AwaitingImageFact
    | RecordingReply
    | WritingResult
)
BackgroundStage = BackgroundSolving | BackgroundRecording
NextViewStage = PlanningNextView | RecordingNextView
Stage = TaskStage | BackgroundStage | NextViewStage
STAGES: tuple[type[Stage], ...] = get_args(Stage)


@dataclass(frozen=True)
class DeferredRequest:
    """A request whose reply waits for work in progress, or for the disk, no longer than a robot does."""

    number: int
    """Number of its timer, and of its ReadAcceptedResult."""
    event: msg.RequestReceived
    is_reading: bool = False
    """The accepted result is being read for it."""
    is_working_sent: bool = False
    """The line was answered 10 while a request of the operator was in progress; the robot polls for the reply."""


@dataclass(frozen=True)
class State:
    """Everything that a decision rests on."""

    config: SessionConfig
    log: SessionLog | None = None
    """The newest session, open or closed."""
    task: TaskStage | None = None
    """The request in progress."""
    background: BackgroundStage | None = None
    """Until its fact is on record, nothing is decided that rests on its pairs."""
    next_view: NextViewStage | None = None
    """Planning of the next view."""
    deferred_requests: tuple[DeferredRequest, ...] = ()
    """Oldest first; each of a connection that is open."""
    robot_connection: int | None = None
    """The connection that holds the station."""
    last_number: int = 0
    """The newest number of a region; 0 before the first."""
    accepted: msg.AcceptedResult | None = None
    """The result that the station uses, as last read; None if no result is accepted."""
    unrecorded_seq: int | None = None
    """Seq of the last request if it could not be recorded: the log does not have it."""
    unrecorded_reply: UnrecordedReply | None = None
    """The last reply, where it is a failure that is not on record: shown until a recorded reply follows."""
    ended_stop: Code | None = None
    """The unrecorded stop whose cause is over with the newest recorded reply."""

    @property
    def is_open(self) -> bool:
        """Whether a session is open."""
        return self.log is not None and not self.log.is_closed

    @property
    def next_number(self) -> int:
        """The number of a region that begins now; numbers are unique, gaps do not matter."""
        return self.last_number + 1

    @property
    def kept(self) -> int:
        """Pairs kept."""
        return len(self.log.kept) if self.log else 0

    @property
    def pairs_wanted(self) -> int:
        """Pairs still wanted, an estimate."""
        return self.pairs_wanted_with(self.kept)

    def pairs_wanted_with(self, kept: int) -> int:
        """Pairs still wanted once ``kept`` pairs are kept: the last solve's estimate, less the pairs kept since.

        By count alone where there was no solve, or where it had more pairs than that.
        """
        goal, last_solve = self.config.goal, self.log.last_solve if self.log else None
        by_count = goal.pairs_wanted(kept, None)
        if last_solve is None or last_solve.kept > kept:
            return by_count
        if last_solve.kept == kept or last_solve.is_settled:
            return last_solve.pairs_wanted
        return min(max(last_solve.pairs_wanted - (kept - last_solve.kept), by_count), max(goal.max_pairs - kept, 1))

    @property
    def last_seq(self) -> int:
        """The newest seq in use: that of the request in progress, otherwise the newest recorded one; 0 without one.

        Those of the operator are not counted: a robot goes on after its own.
        """
        if self.task is not None and not self.task.job.request.is_operators:
            return self.task.job.request.seq
        return self.log.last_seq if self.log else 0

    def with_unrecorded_reply(self, seq: int, code: Code, message: str) -> State:
        """The state once the robot was told of a failure that is not on record."""
        task = 0 if self.task is None else self.task.job.number
        return replace(self, unrecorded_reply=UnrecordedReply(seq, code, message or code.message, task))

    def with_recorded_reply(self, reply: ReplyFact, task: int) -> State:
        """The state once the reply of a task is on record.

        It takes the place of an unrecorded failure, unless that was told during the task: the robot heard it last.
        """
        before = self.unrecorded_reply
        if before is not None and before.task == task:
            return replace(self, ended_stop=None)
        is_over = before is not None and before.code is Code.CANNOT_RECORD and reply.code.is_success
        return replace(self, unrecorded_reply=None, ended_stop=Code.CANNOT_RECORD if is_over else None)

    def with_facts(self, facts: tuple[Fact, ...]) -> State:
        """The state once these facts are on record."""
        log = self.log
        for fact in facts:
            log = apply_fact(log, fact)
        return replace(self, log=log)


# What follows from an event: the state after it, and the commands to carry out, in this order.
Transition = tuple[State, list[msg.Command]]


def new_job(state: State, event: msg.RequestReceived) -> tuple[State, Job]:
    """The job of a request, and the state in which its number is used."""
    number, request = state.next_number, event.request
    origin = Origin(event.caller, request.bracketed)
    job = Job(number, RequestRef.of(request), origin, event.at_ns, event.timestamp, guided=event.guided)
    return replace(state, last_number=number, unrecorded_seq=None), job
