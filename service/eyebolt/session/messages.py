"""What happens to a session: requests, and what came back of the work it commanded.

Instants are monotonic nanoseconds read by the daemon alone; ``wall`` and how long a step ``took_ns`` are recorded and
never decided on.

What a session tells the daemon to do.

Each command that names a task, or other work by its number, is answered by an event with that number. Solve and Advise
are carried out in the order in which they were given; so is what goes to disk.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from eyebolt.boards import NoSighting, Sighting
from eyebolt.calibration import Judgement, Refusal, Solution
from eyebolt.geometry import Array
from eyebolt.observations import Pair, PlacedBoard, View
from eyebolt.planning import Advice, Knowledge
from eyebolt.protocol import LineFault, Reply, Request


@dataclass(frozen=True)
class Caller:
    """Who asked: the robot's connection, and which line of it."""

    connection: int
    ticket: int


@dataclass(frozen=True)
class Asked:
    """A well-formed line came in."""

    caller: Caller
    request: Request
    at_ns: int
    wall: str


@dataclass(frozen=True)
class LineFailed:
    """A line came in that cannot be served."""

    caller: Caller
    fault: LineFault


@dataclass(frozen=True)
class Left:
    """A connection ended."""

    connection: int


@dataclass(frozen=True)
class Opened:
    """A new session's folder is on disk, and with it this first fact, which names the session."""

    task: int
    fact: dict[str, Any]


@dataclass(frozen=True)
class Grabbed:
    """A picture arrived; the daemon holds its pixels. Instants as in ``cameras.interface.Frame``."""

    task: int
    exposed_ns: int
    arrived_ns: int
    method: str
    source_name: str


@dataclass(frozen=True)
class GrabFailed:
    """No picture: ``code`` and ``says`` of the camera's fault."""

    task: int
    code: str
    says: str


@dataclass(frozen=True)
class Stored:
    """The picture is on disk."""

    task: int
    digest_sha256: str
    took_ns: int = 0


@dataclass(frozen=True)
class Detected:
    """The board was looked for, which ``took_ns``; what else the verdict rests on was measured in ``measured_ns``."""

    task: int
    seen: Sighting | NoSighting
    view: View | None = None
    took_ns: int = 0
    measured_ns: int = 0


@dataclass(frozen=True)
class Solved:
    """A solve ended; ``knowledge``: what its pairs know."""

    task: int
    outcome: Solution | Refusal
    took_ns: int = 0
    knowledge: Knowledge | None = None


@dataclass(frozen=True)
class Advised:
    """What would help next was looked for."""

    task: int
    advice: Advice


@dataclass(frozen=True)
class Recorded:
    """The facts of the last ``Record`` are on disk."""

    task: int
    took_ns: int = 0


@dataclass(frozen=True)
class ResultWritten:
    """The result is on disk, or could not be written, which the log says: it can be solved again from the record."""

    task: int


@dataclass(frozen=True)
class RecordFailed:
    """Something could not be written."""

    task: int
    says: str


@dataclass(frozen=True)
class WorkFailed:
    """Detection or solving broke down."""

    task: int
    says: str


@dataclass(frozen=True)
class AcceptedFound:
    """The station's accepted transform (4, 4) in metres, or None, for the caller who asked."""

    caller: Caller
    request: Request
    transform: Array | None


@dataclass(frozen=True)
class Woke:
    """An instant that was asked for has come."""

    task: int


Event = (
    Asked
    | LineFailed
    | Left
    | Opened
    | Grabbed
    | GrabFailed
    | Stored
    | Detected
    | Solved
    | Advised
    | Recorded
    | ResultWritten
    | RecordFailed
    | WorkFailed
    | AcceptedFound
    | Woke
)


@dataclass(frozen=True)
class Answer:
    """Write this reply. ``says`` goes to the log beside it."""

    caller: Caller
    reply: Reply
    bracketed: bool
    says: str = ""


@dataclass(frozen=True)
class DropConnection:
    """Close an older robot connection."""

    connection: int


@dataclass(frozen=True)
class OpenSession:
    """Make a new session's folder and write ``fact`` there, with its name: Opened or RecordFailed."""

    task: int
    fact: dict[str, Any]


@dataclass(frozen=True)
class Grab:
    """Take a picture exposed at or after ``not_before_ns``: Grabbed or GrabFailed.

    ``glance_ns``: before it, take one exposed at or after this instant, to compare with; None: take none.
    """

    task: int
    not_before_ns: int
    glance_ns: int | None = None


@dataclass(frozen=True)
class StorePicture:
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
    """Solve ``pairs``, testing on ``checks`` and on what was touched of ``placed``: Solved or WorkFailed."""

    task: int
    pairs: tuple[Pair, ...]
    checks: tuple[Pair, ...]
    placed: tuple[PlacedBoard, ...]


@dataclass(frozen=True)
class Advise:
    """Look for what would help after the solve of ``pairs`` that ended with ``outcome``: Advised or WorkFailed."""

    task: int
    pairs: tuple[Pair, ...]
    outcome: Solution


@dataclass(frozen=True)
class WriteResult:
    """Write result.json: ResultWritten. ``accept``: the station's own rule accepts it; ``knowledge`` of its pairs."""

    task: int
    outcome: Solution | Refusal
    judgement: Judgement
    accept: bool
    knowledge: Knowledge | None = None


@dataclass(frozen=True)
class Record:
    """Append facts and sync: Recorded or RecordFailed."""

    task: int
    facts: tuple[dict[str, Any], ...]


@dataclass(frozen=True)
class FindAccepted:
    """Look up the station's accepted result: AcceptedFound."""

    caller: Caller
    request: Request


@dataclass(frozen=True)
class WakeAt:
    """Say Woke at this instant."""

    task: int
    at_ns: int


@dataclass(frozen=True)
class Publish:
    """The status changed: tell those who watch."""


Command = (
    Answer
    | DropConnection
    | OpenSession
    | Grab
    | StorePicture
    | Detect
    | Solve
    | Advise
    | WriteResult
    | Record
    | FindAccepted
    | WakeAt
    | Publish
)
