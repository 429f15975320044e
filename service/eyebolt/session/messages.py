"""What happens to a session: requests, and what came back of the work it commanded.

Instants are monotonic nanoseconds read by the daemon alone; ``timestamp`` and how long a step ``duration_ns`` are recorded and
never decided on.

What a session tells the daemon to do.

Each command that names a task, or other work by its number, is answered by an event with that number. Solve and Advise
are carried out in the order in which they were given; so is what goes to disk.
"""

from __future__ import annotations

from dataclasses import dataclass

from eyebolt.boards import Detection, NoDetection
from eyebolt.calibration import Refusal, ResultAcceptance, Solution
from eyebolt.geometry import Array, Mount
from eyebolt.observations import BoardPose, Dataset, Pair, View
from eyebolt.planning import Coverage, NextView
from eyebolt.protocol import LineFault, Reply, Request
from eyebolt.session.facts import Fact, SessionFact


@dataclass(frozen=True)
class Caller:
    """Who asked: the robot's connection, and which line of it."""

    connection: int
    line_id: int


@dataclass(frozen=True)
class RequestReceived:
    """A well-formed line came in."""

    caller: Caller
    request: Request
    at_ns: int
    timestamp: str


@dataclass(frozen=True)
class LineRejected:
    """A line came in that cannot be served."""

    caller: Caller
    fault: LineFault


@dataclass(frozen=True)
class Disconnected:
    """A connection ended."""

    connection: int


@dataclass(frozen=True)
class SessionOpened:
    """A new session's folder is on disk, and with it this first fact, which names the session."""

    task: int
    fact: SessionFact


@dataclass(frozen=True)
class Grabbed:
    """A picture arrived; the daemon holds its pixels. Instants as in ``cameras.interface.Frame``."""

    task: int
    exposed_ns: int
    arrived_ns: int
    method: str
    frame_name: str


@dataclass(frozen=True)
class GrabFailed:
    """No picture: ``code`` and ``message`` of the camera's fault."""

    task: int
    code: str
    message: str


@dataclass(frozen=True)
class ImageStored:
    """The picture is on disk."""

    task: int
    digest_sha256: str
    duration_ns: int = 0


@dataclass(frozen=True)
class Detected:
    """The board was looked for, which ``duration_ns``; what else the verdict rests on was measured in ``view_duration_ns``."""

    task: int
    detection: Detection | NoDetection
    view: View | None = None
    board_pose: BoardPose | None = None
    duration_ns: int = 0
    view_duration_ns: int = 0


@dataclass(frozen=True)
class Solved:
    """A solve ended; ``coverage``: what its pairs know."""

    task: int
    outcome: Solution | Refusal
    duration_ns: int = 0
    coverage: Coverage | None = None


@dataclass(frozen=True)
class NextViewPlanned:
    """What would help next was looked for."""

    task: int
    next_view: NextView | None


@dataclass(frozen=True)
class FactsRecorded:
    """The facts of the last ``RecordFacts`` are on disk."""

    task: int
    duration_ns: int = 0


@dataclass(frozen=True)
class ResultWritten:
    """The result is on disk, or could not be written, which the log says: it can be solved again from the record."""

    task: int


@dataclass(frozen=True)
class WriteFailed:
    """Something could not be written."""

    task: int
    message: str


@dataclass(frozen=True)
class WorkerFailed:
    """Detection or solving broke down."""

    task: int
    message: str


@dataclass(frozen=True)
class AcceptedResultRead:
    """The station's accepted transform (4, 4) in metres, or None, for the caller who asked."""

    caller: Caller
    request: Request
    transform: Array | None


@dataclass(frozen=True)
class TimerExpired:
    """An instant that was asked for has come."""

    task: int


Event = (
    RequestReceived
    | LineRejected
    | Disconnected
    | SessionOpened
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
    | AcceptedResultRead
    | TimerExpired
)


@dataclass(frozen=True)
class SendReply:
    """Write this reply. ``message`` goes to the log beside it."""

    caller: Caller
    reply: Reply
    bracketed: bool
    message: str = ""


@dataclass(frozen=True)
class CloseConnection:
    """Close an older robot connection."""

    connection: int


@dataclass(frozen=True)
class OpenSession:
    """Create a session folder that begins with ``first_fact``: SessionOpened or WriteFailed."""

    task: int
    station: str
    mount: Mount
    timestamp: str

    def first_fact(self, session: str) -> SessionFact:
        """The first fact of a session of this name."""
        return SessionFact(session=session, station=self.station, mount=self.mount, timestamp=self.timestamp)


@dataclass(frozen=True)
class Grab:
    """Take a picture exposed at or after ``not_before_ns``: Grabbed or GrabFailed.

    ``preview_not_before_ns``: before it, take one exposed at or after this instant, to compare with; None: take none.
    """

    task: int
    not_before_ns: int
    preview_not_before_ns: int | None = None


@dataclass(frozen=True)
class StoreImage:
    """Write the picture just taken as ``name``: Stored or RecordFailed."""

    task: int
    name: str


@dataclass(frozen=True)
class Detect:
    """Find and measure the board in the picture ``name``, while that is being stored: Detected or WorkFailed."""

    task: int
    name: str


@dataclass(frozen=True)
class Solve:
    """Solve ``dataset``: Solved or WorkerFailed."""

    task: int
    dataset: Dataset


@dataclass(frozen=True)
class PlanNextView:
    """Look for what would help after the solve of ``pairs`` that ended with ``outcome``: Advised or WorkFailed."""

    task: int
    pairs: tuple[Pair, ...]
    outcome: Solution


@dataclass(frozen=True)
class WriteResult:
    """Write result.json: ResultWritten. ``accept``: the station's own rule accepts it; ``coverage`` of its pairs."""

    task: int
    outcome: Solution | Refusal
    acceptance: ResultAcceptance
    accept: bool
    coverage: Coverage | None = None


@dataclass(frozen=True)
class RecordFacts:
    """Append facts and sync: Recorded or RecordFailed."""

    task: int
    facts: tuple[Fact, ...]


@dataclass(frozen=True)
class ReadAcceptedResult:
    """Look up the station's accepted result: AcceptedFound."""

    caller: Caller
    request: Request


@dataclass(frozen=True)
class StartTimer:
    """Say Woke at this instant."""

    task: int
    at_ns: int


@dataclass(frozen=True)
class PublishStatus:
    """The status changed: tell those who watch."""


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
