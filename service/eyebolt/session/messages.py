"""The messages of a session: events that happen to it, and commands that it gives.

A command that carries the number of a task is answered by one event with that number (``ANSWERS``). Commands for the
disk are carried out in the order in which they were given; so are Solve and PlanNextView.

Instants are monotonic nanoseconds, read by the daemon alone. Timestamps and durations (``duration_ns``) are recorded;
no decision depends on them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from eyebolt.boards import Detection, NoDetection
from eyebolt.calibration import PredictiveModel, Refusal, ResultAcceptance, ResultGap, Solution
from eyebolt.geometry import Array, Mount
from eyebolt.observations import BoardPose, Dataset, Pair, View
from eyebolt.planning import Coverage, NextView
from eyebolt.protocol import LineFault, Reply, Request
from eyebolt.session.facts import Fact, GuidedRecord, SessionFact

# The operator as a peer of its own: no robot connection has this number.
OPERATOR_CONNECTION = 0


@dataclass(frozen=True)
class Caller:
    """Where a line came from."""

    connection: int
    """Number of the robot connection, or OPERATOR_CONNECTION."""
    line_id: int
    """Number of the line on that connection."""

    @property
    def is_operator(self) -> bool:
        """Whether it is a request of the operator."""
        return self.connection == OPERATOR_CONNECTION


@dataclass(frozen=True)
class AcceptedResult:
    """The result that a person, or the station's rule, made the station's."""

    session: str
    """Name of its session; empty if the file cannot be read."""
    by: str
    """Who accepted it."""
    transform: Array | None
    """(4, 4), metres; None if the file cannot be read."""
    board_transform: Array | None
    """(4, 4), metres: the board's, when the result was solved."""
    gap: ResultGap | None
    """Why the robot is not given it; None if it is."""
    is_newest: bool
    """The newest result of its session is this transform."""
    board_corners_m: Array
    """(k, n, 3), metres, board frame: the board's corners by number; k = 2 numberings if it looks the same after half a
    turn, else 1."""
    prediction: PredictiveModel | None = None
    """What it predicts for a further view; None if the file cannot be read, or is of before this was written."""


# Events without a task's number.


@dataclass(frozen=True)
class RequestReceived:
    """A well-formed line was received, or a request of the operator."""

    caller: Caller
    request: Request
    """The operator's has no seq: the session numbers it."""
    at_ns: int
    """When it was received."""
    timestamp: str
    """The same in UTC, ISO 8601."""
    guided: GuidedRecord | None = None
    """The image to use, of a capture that the daemon requests by itself."""


@dataclass(frozen=True)
class LineRejected:
    """A line was received that is not well-formed."""

    caller: Caller
    fault: LineFault


@dataclass(frozen=True)
class Disconnected:
    """A connection was closed, by either side."""

    connection: int


@dataclass(frozen=True)
class AcceptedResultRead:
    """The accepted result of the station was looked up for a request."""

    number: int
    """That of the ReadAcceptedResult."""
    accepted: AcceptedResult | None
    """None if no result is accepted."""


@dataclass(frozen=True)
class AcceptedResultChanged:
    """The accepted result of the station is another one, or is read for the first time."""

    accepted: AcceptedResult | None
    """None if no result is accepted."""


# Events with the number of the task whose command they answer.


@dataclass(frozen=True)
class SessionOpened:
    """The folder of a new session is on disk, with its first fact."""

    task: int
    fact: SessionFact


@dataclass(frozen=True)
class Grabbed:
    """A frame arrived; the daemon keeps its pixels."""

    task: int
    exposed_ns: int
    """When the exposure began, or the earliest instant at which it can have begun."""
    arrived_ns: int
    """When the daemon had the pixels."""
    method: str
    """How freshness was established; see the frame of a camera."""
    frame_name: str
    """The source's own name of the frame."""
    source_path: str | None = None
    """Absolute path of the folder or video file that it is from; None of a live camera."""


@dataclass(frozen=True)
class GrabFailed:
    """No frame; ``code`` and ``message`` are those of the camera fault."""

    task: int
    code: str
    message: str


@dataclass(frozen=True)
class ImageStored:
    """The image file is on disk."""

    task: int
    digest_sha256: str
    """Hexadecimal."""
    duration_ns: int = 0


@dataclass(frozen=True)
class Detected:
    """The board was searched in the image."""

    task: int
    detection: Detection | NoDetection
    view: View | None = None
    """Measures for the acceptance of the view."""
    board_pose: BoardPose | None = None
    """Best pose of the board; None where the corners allow none."""
    duration_ns: int = 0
    """Of the detection."""
    view_duration_ns: int = 0
    """Of measuring the view."""


@dataclass(frozen=True)
class Solved:
    """A solve ended, with a solution or a refusal."""

    task: int
    outcome: Solution | Refusal
    duration_ns: int = 0
    coverage: Coverage | None = None
    """Of the pairs; None after a refusal."""


@dataclass(frozen=True)
class NextViewPlanned:
    """The next view was planned."""

    task: int
    next_view: NextView | None
    """None where nothing more is wanted."""


@dataclass(frozen=True)
class FactsRecorded:
    """The facts of the last RecordFacts of this task are on disk."""

    task: int
    duration_ns: int = 0


@dataclass(frozen=True)
class ResultWritten:
    """The attempt to write the result has ended.

    A failure is logged and does not matter to the session: the result can be computed from the record again.
    """

    task: int


@dataclass(frozen=True)
class WriteFailed:
    """A session folder, an image or facts could not be written."""

    task: int
    message: str


@dataclass(frozen=True)
class WorkerFailed:
    """Detection, a solve or planning failed unexpectedly: a defect of the program."""

    task: int
    message: str


@dataclass(frozen=True)
class TimerExpired:
    """The instant of a StartTimer has come."""

    task: int


TaskEvent = (
    SessionOpened
    | Grabbed
    | GrabFailed
    | ImageStored
    | Detected
    | Solved
    | NextViewPlanned
    | FactsRecorded
    | ResultWritten
    | WriteFailed
    | WorkerFailed
    | TimerExpired
)
Event = RequestReceived | LineRejected | Disconnected | AcceptedResultRead | AcceptedResultChanged | TaskEvent


# Commands.


@dataclass(frozen=True)
class SendReply:
    """Write a reply to the line of ``caller``."""

    caller: Caller
    reply: Reply
    bracketed: bool
    """The line was in brackets, and so is its reply."""
    message: str = ""
    """The reply in words, for the log; empty: the text of its code."""
    is_recorded: bool = False
    """The reply is on record."""


@dataclass(frozen=True)
class CloseConnection:
    """Close a robot connection that another one takes over from."""

    connection: int


@dataclass(frozen=True)
class OpenSession:
    """Create a session folder that begins with ``first_fact``."""

    task: int
    station: str
    mount: Mount
    timestamp: str
    """UTC, ISO 8601."""
    inputs: Mapping[str, str] = field(default_factory=dict)
    """SHA-256 digests of the configuration files, by file name."""
    is_guided: bool = False
    """The arm is guided by hand."""

    def first_fact(self, session: str) -> SessionFact:
        """The first fact of a session of this name."""
        return SessionFact(
            session=session,
            station=self.station,
            mount=self.mount,
            timestamp=self.timestamp,
            inputs=dict(self.inputs),
            is_guided=self.is_guided,
        )


@dataclass(frozen=True)
class Grab:
    """Take a frame that is exposed at or after ``not_before_ns``."""

    task: int
    not_before_ns: int
    preview_not_before_ns: int | None = None
    """Before it, take a preview frame exposed at or after this instant, to detect motion; None: take none."""
    followed_image: int | None = None
    """Number of the followed image that is the frame, instead of a new one; its predecessor is the preview frame."""


@dataclass(frozen=True)
class StoreImage:
    """Write the frame just taken as the image file ``name``."""

    task: int
    name: str


@dataclass(frozen=True)
class Detect:
    """Search the board in the image ``name``, which may still be on its way to the disk."""

    task: int
    name: str


@dataclass(frozen=True)
class Solve:
    """Solve ``dataset``."""

    task: int
    dataset: Dataset


@dataclass(frozen=True)
class PlanNextView:
    """Plan the next view after the solve of ``pairs`` that ended with ``outcome``."""

    task: int
    pairs: tuple[Pair, ...]
    outcome: Solution


@dataclass(frozen=True)
class WriteResult:
    """Write the result document of the session."""

    task: int
    dataset: Dataset
    """What was solved."""
    outcome: Solution | Refusal
    acceptance: ResultAcceptance
    accept: bool
    """The station's rule accepts it at once."""
    coverage: Coverage | None = None
    """Of the pairs; None after a refusal."""


@dataclass(frozen=True)
class RecordFacts:
    """Append facts to the journal, in one write, and sync."""

    task: int
    facts: tuple[Fact, ...]


@dataclass(frozen=True)
class ReadAcceptedResult:
    """Look up the station's accepted result for a deferred request: AcceptedResultRead."""

    number: int
    """Number of the deferred request."""


@dataclass(frozen=True)
class StartTimer:
    """Wait until ``at_ns``."""

    task: int
    at_ns: int


@dataclass(frozen=True)
class PublishStatus:
    """Publish the status message: the state has changed."""


Command = (
    SendReply
    | CloseConnection
    | OpenSession
    | Grab
    | StoreImage
    | Detect
    | Solve
    | PlanNextView
    | WriteResult
    | RecordFacts
    | ReadAcceptedResult
    | StartTimer
    | PublishStatus
)

# The events that may answer a command, of which exactly one does.
ANSWERS: Mapping[type[Command], tuple[type[TaskEvent], ...]] = MappingProxyType(
    {
        OpenSession: (SessionOpened, WriteFailed),
        Grab: (Grabbed, GrabFailed),
        StoreImage: (ImageStored, WriteFailed),
        RecordFacts: (FactsRecorded, WriteFailed),
        Detect: (Detected, WorkerFailed),
        Solve: (Solved, WorkerFailed),
        PlanNextView: (NextViewPlanned, WorkerFailed),
        WriteResult: (ResultWritten,),
        StartTimer: (TimerExpired,),
    }
)
