"""What happens to a session: requests, and what came back of the work it commanded.

Instants are monotonic nanoseconds read by the daemon alone; ``wall`` and how long a step ``took_ns`` are recorded and
never decided on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from eyebolt.board.sighting import NoSighting, Sighting
from eyebolt.geometry.rigid import Array
from eyebolt.pairs.view import View
from eyebolt.progress.insight import Advice
from eyebolt.progress.knowledge import Knowledge
from eyebolt.solve.outcome import Refusal, Solution
from eyebolt.wire.requests import LineFault, Request


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
