"""A recorded session as what a robot said, what the camera saw and what was answered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from eyebolt.context import LENS_SNAPSHOT, STATION_SNAPSHOT, StationContext, load_context
from eyebolt.errors import EyeboltError, InputFault
from eyebolt.protocol import Code
from eyebolt.results import ResultDocument, read_result
from eyebolt.session import IMAGE_VERBS, DetectionFact, Fact, ImageFact, ReplyFact, decode_facts
from eyebolt.store import SessionFolder

# Wall time is recorded in whole seconds.
_WALL_RESOLUTION_S = 1.5


@dataclass(frozen=True)
class RecordedReply:
    """What the robot was told."""

    code: Code
    count: int
    aux: int

    def __str__(self) -> str:
        return f"{self.code}, {self.count}, {self.aux}"


@dataclass(frozen=True)
class RecordedLine:
    """A request that was answered. ``number``: from 1; ``at_s``: seconds after the first; ``timestamp``: UTC.

    ``picture``: the fact of its picture, ``detection``: what was found in it; None where there was none.
    """

    number: int
    text: str
    reply: RecordedReply
    timestamp: str
    at_s: float
    picture: ImageFact | None
    detection: DetectionFact | None

    @property
    def verb(self) -> str:
        """Its first field."""
        return self.text.split(" ")[0]

    @property
    def seq(self) -> int:
        """Its sequence number."""
        return int(float(self.text.split(" ")[1]))

    @property
    def wants_picture(self) -> bool:
        """Whether the daemon takes a picture for it."""
        return self.verb in IMAGE_VERBS

    @property
    def shift_px(self) -> float | None:
        """How far the board had moved since a picture just before; None where nothing was compared."""
        view = None if self.detection is None else self.detection.view
        motion_check = None if view is None else view.motion_check
        return None if motion_check is None else motion_check.shift_px


@dataclass(frozen=True)
class RecordedSession:
    """``folder`` and ``context`` of the session, its ``facts`` and ``lines`` in order; ``result`` None if there is none."""

    folder: SessionFolder
    context: StationContext
    facts: Sequence[Fact]
    lines: Sequence[RecordedLine]
    result: ResultDocument | None

    @property
    def name(self) -> str:
        """Name of the session."""
        return self.folder.path.name

    @property
    def pictures(self) -> list[int]:
        """The capture index of each picture whose request was answered, in order; there may be gaps."""
        return [line.picture.index for line in self.lines if line.picture is not None]


def read_recorded(path: Path) -> RecordedSession:
    """The session in the folder ``path``, which is not changed.

    Raises RecordFault if there is none, InputFault if its station file cannot be read or it holds no answer.
    """
    folder = SessionFolder.open_read_only(path)
    context = load_context(path / STATION_SNAPSHOT, path / LENS_SNAPSHOT)
    facts = decode_facts(folder.records)
    lines = _lines(facts)
    if not lines:
        raise InputFault("replay-empty", f"the session {path} holds no answer", "name a session with captures in it.")
    return RecordedSession(folder, context, facts, lines, recorded_result(path))


def recorded_result(session: Path) -> ResultDocument | None:
    """The result of a session; None without one that can be read."""
    try:
        return read_result(session)
    except EyeboltError:
        return None


def _lines(facts: Sequence[Fact]) -> list[RecordedLine]:
    detection: dict[int, DetectionFact] = {}
    answered: list[tuple[ReplyFact, ImageFact | None]] = []
    pending_picture: ImageFact | None = None
    for fact in facts:
        if isinstance(fact, ImageFact):
            pending_picture = fact
        elif isinstance(fact, DetectionFact):
            detection[fact.index] = fact
        elif isinstance(fact, ReplyFact):
            # A picture whose answer could not be recorded belongs to nothing.
            answered.append(
                (
                    fact,
                    pending_picture
                    if pending_picture is not None and pending_picture.request == fact.request
                    else None,
                )
            )
            pending_picture = None
    return [
        RecordedLine(
            number,
            answer.request.line,
            RecordedReply(answer.code, answer.count, answer.aux),
            answer.timestamp,
            at_s,
            picture,
            None if picture is None else detection.get(picture.index),
        )
        for number, ((answer, picture), at_s) in enumerate(zip(answered, _request_times_s(answered), strict=True), 1)
    ]


def _request_times_s(answered: Sequence[tuple[ReplyFact, ImageFact | None]]) -> list[float]:
    """When each was asked, seconds after the first: by the finer clock of the pictures as far as the two agree."""
    instants_s: list[float] = []
    wall_ahead_s: float | None = None
    for answer, picture in answered:
        at_s = datetime.fromisoformat(answer.timestamp).timestamp()
        if picture is not None:
            monotonic_s = picture.frame.received_ns / 1e9
            # That clock begins anew with each start of the computer.
            if wall_ahead_s is None or abs(monotonic_s + wall_ahead_s - at_s) > _WALL_RESOLUTION_S:
                wall_ahead_s = at_s - monotonic_s
            at_s = monotonic_s + wall_ahead_s
        # Somebody may have set the wall clock back.
        instants_s.append(max([at_s, *instants_s[-1:]]))
    return [at_s - instants_s[0] for at_s in instants_s]
