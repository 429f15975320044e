"""A recorded session as lines of the robot, images of the camera and replies."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from eyebolt.context import LENS_SNAPSHOT, STATION_SNAPSHOT, StationContext, load_context
from eyebolt.errors import EyeboltError, InputFault
from eyebolt.protocol import MAX_SEQ, Code
from eyebolt.results import ResultDocument, read_result
from eyebolt.session import IMAGE_VERBS, DetectionFact, Fact, ImageFact, ReplyFact, RequestRef, decode_facts
from eyebolt.store import SessionFolder

# Wall-clock times are recorded in whole seconds.
_WALL_RESOLUTION_S = 1.5


@dataclass(frozen=True)
class RecordedReply:
    """The final reply to a line."""

    code: Code
    """reply code"""
    count: int
    """the field ``count``: pairs kept"""
    aux: int
    """the field ``aux``: pairs still wanted, unless the verb gives it another meaning"""

    def __str__(self) -> str:
        return f"{self.code}, {self.count}, {self.aux}"


@dataclass(frozen=True)
class RecordedLine:
    """A recorded request with its reply."""

    number: int
    """position in the record, counted from 1"""
    text: str
    """the line without its ending"""
    reply: RecordedReply
    """the final reply"""
    timestamp: str
    """UTC of the reply"""
    at_s: float
    """time of the request, seconds after the first one"""
    image: ImageFact | None
    """the image of the request; None without one"""
    detection: DetectionFact | None
    """the detection in the image; None without one"""

    @property
    def encoded(self) -> bytes:
        """The line as sent."""
        return self.text.encode("ascii") + b"\n"

    @property
    def verb(self) -> str:
        """The first field."""
        return self.text.split(" ")[0]

    @property
    def seq(self) -> int:
        """The sequence number."""
        return int(float(self.text.split(" ")[1]))

    @property
    def needs_image(self) -> bool:
        """Whether the daemon grabs an image for the request."""
        return self.verb in IMAGE_VERBS

    @property
    def shift_px(self) -> float | None:
        """Shift of the board since the image before; None where the images were not compared."""
        view = None if self.detection is None else self.detection.view
        motion_check = None if view is None else view.motion_check
        return None if motion_check is None else motion_check.shift_px


@dataclass(frozen=True)
class RecordedSession:
    """A session as recorded."""

    folder: SessionFolder
    """the record on disk"""
    context: StationContext
    """station, lens and board of the session"""
    facts: Sequence[Fact]
    """all facts, in order"""
    lines: Sequence[RecordedLine]
    """all requests with a reply, in order"""
    result: ResultDocument | None
    """the last result; None without one"""

    @property
    def name(self) -> str:
        """Name of the session."""
        return self.folder.path.name

    @property
    def image_indices(self) -> list[int]:
        """Index of each image whose request has a reply, in order; there may be gaps."""
        return [line.image.index for line in self.lines if line.image is not None]


def read_recorded(path: Path) -> RecordedSession:
    """The session in the folder ``path``, opened read-only.

    Raises RecordFault without a journal, InputFault ``replay-empty`` without a reply and for an invalid station file.
    """
    folder = SessionFolder.open_read_only(path)
    context = load_context(path / STATION_SNAPSHOT, path / LENS_SNAPSHOT)
    facts = decode_facts(folder.records)
    lines = _lines(facts)
    if not lines:
        raise InputFault("replay-empty", f"the session {path} contains no reply", "name a session with captures.")
    return RecordedSession(folder, context, facts, lines, recorded_result(path))


def recorded_result(session: Path) -> ResultDocument | None:
    """The result of a session; None without a readable one."""
    try:
        return read_result(session)
    except EyeboltError:
        return None


def _lines(facts: Sequence[Fact]) -> list[RecordedLine]:
    detections: dict[int, DetectionFact] = {}
    replied: list[tuple[ReplyFact, ImageFact | None]] = []
    pending_image: ImageFact | None = None
    for fact in facts:
        if isinstance(fact, ImageFact):
            pending_image = fact
        elif isinstance(fact, DetectionFact):
            detections[fact.index] = fact
        elif isinstance(fact, ReplyFact):
            # An image whose reply could not be recorded is followed by the reply to another request.
            is_of_request = pending_image is not None and pending_image.request == fact.request
            replied.append((fact, pending_image if is_of_request else None))
            pending_image = None
    free_seqs = _free_seqs({reply.request.seq for reply, _ in replied})
    return [
        RecordedLine(
            number,
            _line_of_robot(reply.request, free_seqs),
            RecordedReply(reply.code, reply.count, reply.aux),
            reply.timestamp,
            at_s,
            image,
            None if image is None else detections.get(image.index),
        )
        for number, ((reply, image), at_s) in enumerate(zip(replied, _request_times_s(replied), strict=True), 1)
    ]


def _free_seqs(used: set[int]) -> Iterator[int]:
    """Sequence numbers that no request of the robot has, after its last one first."""
    last = max((seq for seq in used if seq <= MAX_SEQ), default=0)
    return (seq for seq in (*range(last + 1, MAX_SEQ + 1), *range(last)) if seq not in used)


def _line_of_robot(request: RequestRef, free_seqs: Iterator[int]) -> str:
    """The line as a robot can send it: a request of the operator has a number that no line can have."""
    if not request.is_operators:
        return request.line
    verb, _, *fields = request.line.split(" ")
    return " ".join([verb, str(next(free_seqs)), *fields])


def _request_times_s(replied: Sequence[tuple[ReplyFact, ImageFact | None]]) -> list[float]:
    """Time of each request, seconds after the first.

    The monotonic clock of the images is finer than the wall clock and used as long as the two agree.
    """
    instants_s: list[float] = []
    wall_ahead_s: float | None = None
    for reply, image in replied:
        at_s = datetime.fromisoformat(reply.timestamp).timestamp()
        if image is not None:
            monotonic_s = image.frame.received_ns / 1e9
            # The monotonic clock restarts when the computer does.
            if wall_ahead_s is None or abs(monotonic_s + wall_ahead_s - at_s) > _WALL_RESOLUTION_S:
                wall_ahead_s = at_s - monotonic_s
            at_s = monotonic_s + wall_ahead_s
        # The wall clock may have been set back.
        instants_s.append(max([at_s, *instants_s[-1:]]))
    return [at_s - instants_s[0] for at_s in instants_s]
