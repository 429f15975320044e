"""What a session tells the daemon to do.

Each command that names a task, or other work by its number, is answered by an event with that number. Solve and Advise
are carried out in the order in which they were given; so is what goes to disk.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from eyebolt.pairs.pair import Pair
from eyebolt.pairs.touch import PlacedBoard
from eyebolt.progress.judgement import Judgement
from eyebolt.progress.knowledge import Knowledge
from eyebolt.session.events import Caller
from eyebolt.solve.outcome import Refusal, Solution
from eyebolt.wire.replies import Reply
from eyebolt.wire.requests import Request


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
