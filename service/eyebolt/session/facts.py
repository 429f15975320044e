"""What a session remembers: facts as they stand in the journal, and the log that they add up to.

Results of work (a picture taken, a board seen, a solve) are facts; answers are decisions, written down so that a
restart, the counter and a replay cannot disagree with what the robot was told. Everything shown is a fold over these.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from eyebolt.boards import Detection, NoDetection, parse_detection
from eyebolt.geometry import Array
from eyebolt.observations import Pair, PlacedBoard, Touch
from eyebolt.protocol import Code

Fact = Mapping[str, Any]


# Refused not for what they are, but for what the pairs together say: they stay for the diagnosis.
REFUSED_BY_SOLVE = (Code.OUTLIER, Code.POSE_FORMAT_MISMATCH, Code.WRONG_MOUNT, Code.SETUP_MOVED)


@dataclass(frozen=True)
class StoredReply:
    """What a remembered request was told; ``text`` is the line it was told for."""

    text: str
    code: Code
    count: int
    aux: int


@dataclass(frozen=True)
class CaptureRecord:
    """One picture taken for a request. ``index``: 0-based capture index; ``kind``: "capture", "check" or "place".

    ``raw_pose``: the pose as the robot sent it. ``base_T_flange`` is None for a board placed before a fixed camera,
    where no pose is needed.
    """

    index: int
    kind: str
    seq: int
    text: str
    image_name: str
    frame_name: str
    base_T_flange: Array | None
    raw_pose: tuple[float, ...] | None = None
    detection: Detection | NoDetection | None = None
    code: Code | None = None
    undone: bool = False
    residual_px: float | None = None
    refused_by_solve: bool = False

    @property
    def kept(self) -> bool:
        """Counted, and not taken back."""
        return self.code is not None and self.code.keeps_pair and not self.undone

    @property
    def solvable(self) -> bool:
        """A board was seen, and the pair was kept, or refused only for what all pairs together say."""
        return isinstance(self.detection, Detection) and not self.undone and (self.kept or self.refused_by_solve)

    @property
    def pair(self) -> Pair | None:
        """What the solver takes; None if no board was seen."""
        if not isinstance(self.detection, Detection) or self.base_T_flange is None:
            return None
        return Pair(self.index, self.base_T_flange, self.detection.ids, self.detection.corners_px, self.raw_pose)


@dataclass(frozen=True)
class TouchRecord:
    """The pointer's tip on corner ``corner`` of the board in picture ``placed_board``, for the request ``seq``, ``text``."""

    placed_board: int
    corner: int
    seq: int
    text: str
    base_T_flange: Array


@dataclass(frozen=True)
class SessionLog:
    """The fold of a session's facts. ``placed_board``: capture index of the placed board that touches go to, if there is one.

    ``last_solve``: the newest solve, with the advice that followed it. ``timings``: how long the steps of the newest picture
    took. ``pending_touch``: a touch on disk whose request has no answer yet.
    """

    name: str
    answers: Mapping[int, StoredReply] = field(default_factory=dict)
    captures: tuple[CaptureRecord, ...] = ()
    last_seq: int = 0
    closed: bool = False
    last_reply: Mapping[str, Any] | None = None
    history_p95_mm: tuple[float | None, ...] = ()
    last_solve: Mapping[str, Any] | None = None
    timings: Mapping[str, Any] | None = None
    placed_board: int | None = None
    touch_records: tuple[TouchRecord, ...] = ()
    pending_touch: TouchRecord | None = None

    @property
    def is_empty(self) -> bool:
        """Nothing was asked of this session but to begin."""
        return not self.captures and all(a.text.split(" ")[0] == "begin" for a in self.answers.values())

    @property
    def kept(self) -> list[CaptureRecord]:
        """Kept pairs for solving, oldest first."""
        return [t for t in self.captures if t.kept and t.kind == "capture"]

    @property
    def checks(self) -> list[CaptureRecord]:
        """Kept pairs that only test the result."""
        return [t for t in self.captures if t.kept and t.kind == "check"]

    @property
    def solvable(self) -> list[CaptureRecord]:
        """Pairs that the solver gets: kept, or refused only because they disagreed with the majority."""
        return [t for t in self.captures if t.solvable and t.kind == "capture"]

    @property
    def placed(self) -> tuple[PlacedBoard, ...]:
        """Boards that lay still in the cell and were touched."""
        boards = []
        for captures in self.captures:
            touches = tuple(
                Touch(t.corner, t.base_T_flange) for t in self.touch_records if t.placed_board == captures.index
            )
            if touches and isinstance(captures.detection, Detection):
                detection = captures.detection
                boards.append(
                    PlacedBoard(captures.index, captures.base_T_flange, detection.ids, detection.corners_px, touches)
                )
        return tuple(boards)

    @property
    def refused(self) -> int:
        """Captures and checks answered 20-29."""
        return sum(1 for t in self.answers.values() if t.code.is_refusal and t.text.startswith(("capture", "check")))

    @property
    def pending(self) -> CaptureRecord | None:
        """A picture on disk whose request got no answer: work that a restart takes up again."""
        last = self.captures[-1] if self.captures else None
        return last if last is not None and last.code is None else None

    @property
    def last_frame_name(self) -> str | None:
        """The source's own name of the last picture taken."""
        return self.captures[-1].frame_name if self.captures else None


def pairs_of(captures: Iterable[CaptureRecord]) -> tuple[Pair, ...]:
    """What the solver takes of these."""
    return tuple(t.pair for t in captures if t.pair is not None)


def touch_from_fact(fact: Fact) -> TouchRecord:
    """The touch that a fact of this kind tells of."""
    pose = np.array(fact["base_T_flange"])
    return TouchRecord(fact["placed_board"], fact["corner"], fact["seq"], fact["text"], pose)


def fold(facts: Iterable[Fact]) -> SessionLog | None:
    """The log of a session from its facts; None without any."""
    log: SessionLog | None = None
    for fact in facts:
        log = apply_fact(log, fact)
    return log


def apply_fact(log: SessionLog | None, fact: Fact) -> SessionLog:
    """The log with one fact more. Facts of an unknown kind change nothing: a later version may write more kinds."""
    if fact["type"] == "opened":
        return SessionLog(name=fact["session"])
    if log is None:
        log = SessionLog(name="")
    change = _APPLY.get(fact["type"])
    return log if change is None else change(log, fact)


def _apply_image(log: SessionLog, fact: Fact) -> SessionLog:
    captures = CaptureRecord(
        index=fact["index"],
        kind=fact["verb"],
        seq=fact["seq"],
        text=fact["text"],
        image_name=fact["image"],
        frame_name=fact["frame_name"],
        base_T_flange=_pose(fact),
        # Sessions of older versions do not have it.
        raw_pose=tuple(fact["raw_pose"]) if fact.get("raw_pose") else None,
    )
    # A picture whose answer could not be recorded counts for nothing once another one is taken.
    earlier = tuple(t for t in log.captures if t.code is not None)
    return replace(log, captures=(*earlier, captures))


def _pose(fact: Fact) -> Array | None:
    return None if fact["base_T_flange"] is None else np.array(fact["base_T_flange"])


def _apply_touch(log: SessionLog, fact: Fact) -> SessionLog:
    # It counts once its request is answered: a power cut between the two must not count it twice.
    return replace(log, pending_touch=touch_from_fact(fact))


def _apply_detection(log: SessionLog, fact: Fact) -> SessionLog:
    detection = parse_detection(fact["detection"])
    # Earlier versions wrote no view.
    residual_px = (fact.get("view") or {}).get("residual_px")
    of_fact = fact["index"]
    captures = tuple(
        replace(t, detection=detection, residual_px=residual_px) if t.index == of_fact else t for t in log.captures
    )
    return replace(log, captures=captures)


def _apply_timings(log: SessionLog, fact: Fact) -> SessionLog:
    return replace(log, timings=fact)


def _apply_solve(log: SessionLog, fact: Fact) -> SessionLog:
    history = log.history_p95_mm
    if fact.get("background") and history:
        # The answer of the newest pair was on disk before its solve.
        history = (*history[:-1], fact["p95_mm"])
    return replace(log, last_solve=fact, history_p95_mm=history)


def _apply_next_view(log: SessionLog, fact: Fact) -> SessionLog:
    if log.last_solve is None or log.last_solve.get("based_on") != fact["based_on"]:
        return log
    progress = {**log.last_solve["progress"], "next_view": fact["next_view"]}
    return replace(log, last_solve={**log.last_solve, "progress": progress})


def _apply_reply(log: SessionLog, fact: Fact) -> SessionLog:
    seq, code = fact["seq"], Code(fact["code"])
    answers = {**log.answers, seq: StoredReply(fact["text"], code, fact["count"], fact["aux"])}
    captures, history, placed_board, touch_records = (
        log.captures,
        log.history_p95_mm,
        log.placed_board,
        log.touch_records,
    )
    verb = fact["text"].split(" ")[0]
    if log.pending is not None and log.pending.text == fact["text"]:
        # 38 is told of a picture's size too, and then there is nothing to solve; a solve tells what it rests on.
        together = code in REFUSED_BY_SOLVE or log.captures[-1].index in (log.last_solve or {}).get("based_on", ())
        captures = (*log.captures[:-1], replace(log.captures[-1], code=code, refused_by_solve=together))
        if verb == "capture" and code.keeps_pair:
            own = log.last_solve is not None and log.last_solve["kept"] == fact["count"]
            history = (*history, log.last_solve["p95_mm"] if own and log.last_solve is not None else None)
    elif log.pending is not None:
        # The robot was told that it could not be recorded, and went on: no restart may take it up again.
        captures = (*log.captures[:-1], replace(log.captures[-1], code=Code.CANNOT_RECORD))
    if verb == "undo" and code is Code.OK:
        newest = max(t.index for t in log.kept)
        captures = tuple(replace(t, undone=True) if t.index == newest else t for t in captures)
        history = history[:-1]
    if verb == "place":
        # Where the newest place failed, nobody knows how the board lies now.
        placed_board = captures[-1].index if code.keeps_pair else None
    if verb == "touch" and code is Code.OK and log.pending_touch is not None and log.pending_touch.text == fact["text"]:
        touch_records = (*touch_records, log.pending_touch)
    return replace(
        log,
        answers=answers,
        captures=captures,
        history_p95_mm=history,
        placed_board=placed_board,
        touch_records=touch_records,
        pending_touch=None,
        last_seq=seq,
        closed=log.closed or (verb == "bye" and code is Code.OK),
        last_reply={**{key: fact[key] for key in ("seq", "code", "message", "remedy")}, "measure": fact.get("measure")},
    )


_APPLY = {
    "image": _apply_image,
    "detection": _apply_detection,
    "timings": _apply_timings,
    "solve": _apply_solve,
    "next_view": _apply_next_view,
    "touch": _apply_touch,
    "reply": _apply_reply,
}
