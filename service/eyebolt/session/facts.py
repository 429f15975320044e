"""What a session remembers: facts as they stand in the journal, and the log that they add up to.

Results of work (a picture taken, a board seen, a solve) are facts; answers are decisions, written down so that a
restart, the counter and a replay cannot disagree with what the robot was told. Everything shown is a fold over these.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from eyebolt.boards import NoSighting, Sighting, sighting_from_json
from eyebolt.geometry import Array
from eyebolt.observations import Pair, PlacedBoard, Touch

Fact = Mapping[str, Any]


# Refused not for what they are, but for what the pairs together say: they stay for the diagnosis.
JUDGED_TOGETHER = (27, 32, 33, 34)


def counts(code: int) -> bool:
    """Whether a capture answered with ``code`` is a kept pair: 0-9, and 37, which keeps it and stops."""
    return code < 10 or code == 37


@dataclass(frozen=True)
class Answer:
    """What a remembered request was told; ``text`` is the line it was told for."""

    text: str
    code: int
    count: int
    aux: int


@dataclass(frozen=True)
class Taken:
    """One picture taken for a request. ``index``: 0-based capture index; ``kind``: "capture", "check" or "place".

    ``fields``: the pose as the robot sent it. ``base_T_flange`` is None for a board placed before a fixed camera,
    where no pose is needed.
    """

    index: int
    kind: str
    seq: int
    text: str
    picture: str
    source_name: str
    base_T_flange: Array | None
    fields: tuple[float, ...] | None = None
    seen: Sighting | NoSighting | None = None
    code: int | None = None
    undone: bool = False
    misfit_px: float | None = None
    judged_together: bool = False

    @property
    def kept(self) -> bool:
        """Counted, and not taken back."""
        return self.code is not None and counts(self.code) and not self.undone

    @property
    def solvable(self) -> bool:
        """A board was seen, and the pair was kept, or refused only for what all pairs together say."""
        return isinstance(self.seen, Sighting) and not self.undone and (self.kept or self.judged_together)

    @property
    def pair(self) -> Pair | None:
        """What the solver takes; None if no board was seen."""
        if not isinstance(self.seen, Sighting) or self.base_T_flange is None:
            return None
        return Pair(self.index, self.base_T_flange, self.seen.ids, self.seen.corners_px, self.fields)


@dataclass(frozen=True)
class Touched:
    """The pointer's tip on corner ``corner`` of the board in picture ``board``, for the request ``seq``, ``text``."""

    board: int
    corner: int
    seq: int
    text: str
    base_T_flange: Array


@dataclass(frozen=True)
class Log:
    """The fold of a session's facts. ``board``: capture index of the placed board that touches go to, if there is one.

    ``solved``: the newest solve, with the advice that followed it. ``timed``: how long the steps of the newest picture
    took. ``touching``: a touch on disk whose request has no answer yet.
    """

    name: str
    answers: Mapping[int, Answer] = field(default_factory=dict)
    taken: tuple[Taken, ...] = ()
    last_seq: int = 0
    closed: bool = False
    last_words: Mapping[str, Any] | None = None
    history_p95_mm: tuple[float | None, ...] = ()
    solved: Mapping[str, Any] | None = None
    timed: Mapping[str, Any] | None = None
    board: int | None = None
    touched: tuple[Touched, ...] = ()
    touching: Touched | None = None

    @property
    def empty(self) -> bool:
        """Nothing was asked of this session but to begin."""
        return not self.taken and all(a.text.split(" ")[0] == "begin" for a in self.answers.values())

    @property
    def kept(self) -> list[Taken]:
        """Kept pairs for solving, oldest first."""
        return [t for t in self.taken if t.kept and t.kind == "capture"]

    @property
    def checks(self) -> list[Taken]:
        """Kept pairs that only test the result."""
        return [t for t in self.taken if t.kept and t.kind == "check"]

    @property
    def solvable(self) -> list[Taken]:
        """Pairs that the solver gets: kept, or refused only because they disagreed with the majority."""
        return [t for t in self.taken if t.solvable and t.kind == "capture"]

    @property
    def placed(self) -> tuple[PlacedBoard, ...]:
        """Boards that lay still in the cell and were touched."""
        boards = []
        for taken in self.taken:
            touches = tuple(Touch(t.corner, t.base_T_flange) for t in self.touched if t.board == taken.index)
            if touches and isinstance(taken.seen, Sighting):
                seen = taken.seen
                boards.append(PlacedBoard(taken.index, taken.base_T_flange, seen.ids, seen.corners_px, touches))
        return tuple(boards)

    @property
    def refused(self) -> int:
        """Captures and checks answered 20-29."""
        return sum(1 for t in self.answers.values() if 20 <= t.code < 30 and t.text.startswith(("capture", "check")))

    @property
    def pending(self) -> Taken | None:
        """A picture on disk whose request got no answer: work that a restart takes up again."""
        last = self.taken[-1] if self.taken else None
        return last if last is not None and last.code is None else None

    @property
    def last_source_name(self) -> str | None:
        """The source's own name of the last picture taken."""
        return self.taken[-1].source_name if self.taken else None


def pairs_of(taken: Iterable[Taken]) -> tuple[Pair, ...]:
    """What the solver takes of these."""
    return tuple(t.pair for t in taken if t.pair is not None)


def touch_of(fact: Fact) -> Touched:
    """The touch that a fact of this kind tells of."""
    pose = np.array(fact["base_T_flange"])
    return Touched(fact["board"], fact["corner"], fact["seq"], fact["text"], pose)


def fold(facts: Iterable[Fact]) -> Log | None:
    """The log of a session from its facts; None without any."""
    log: Log | None = None
    for fact in facts:
        log = apply_fact(log, fact)
    return log


def apply_fact(log: Log | None, fact: Fact) -> Log:
    """The log with one fact more. Facts of an unknown kind change nothing: a later version may write more kinds."""
    if fact["fact"] == "opened":
        return Log(name=fact["session"])
    if log is None:
        log = Log(name="")
    change = _CHANGES.get(fact["fact"])
    return log if change is None else change(log, fact)


def _picture(log: Log, fact: Fact) -> Log:
    taken = Taken(
        index=fact["index"],
        kind=fact["kind"],
        seq=fact["seq"],
        text=fact["text"],
        picture=fact["picture"],
        source_name=fact["source_name"],
        base_T_flange=_pose(fact),
        # Sessions of older versions do not have it.
        fields=tuple(fact["fields"]) if fact.get("fields") else None,
    )
    # A picture whose answer could not be recorded counts for nothing once another one is taken.
    earlier = tuple(t for t in log.taken if t.code is not None)
    return replace(log, taken=(*earlier, taken))


def _pose(fact: Fact) -> Array | None:
    return None if fact["base_T_flange"] is None else np.array(fact["base_T_flange"])


def _touch(log: Log, fact: Fact) -> Log:
    # It counts once its request is answered: a power cut between the two must not count it twice.
    return replace(log, touching=touch_of(fact))


def _seen(log: Log, fact: Fact) -> Log:
    seen = sighting_from_json(fact["seen"])
    # Earlier versions wrote no view.
    misfit_px = (fact.get("view") or {}).get("misfit_px")
    of_fact = fact["index"]
    taken = tuple(replace(t, seen=seen, misfit_px=misfit_px) if t.index == of_fact else t for t in log.taken)
    return replace(log, taken=taken)


def _timed(log: Log, fact: Fact) -> Log:
    return replace(log, timed=fact)


def _solved(log: Log, fact: Fact) -> Log:
    history = log.history_p95_mm
    if fact.get("behind") and history:
        # The answer of the newest pair was on disk before its solve.
        history = (*history[:-1], fact["p95_mm"])
    return replace(log, solved=fact, history_p95_mm=history)


def _advice(log: Log, fact: Fact) -> Log:
    if log.solved is None or log.solved.get("of") != fact["of"]:
        return log
    progress = {**log.solved["progress"], "next": fact["next"]}
    return replace(log, solved={**log.solved, "progress": progress})


def _answer(log: Log, fact: Fact) -> Log:
    seq, code = fact["seq"], fact["code"]
    answers = {**log.answers, seq: Answer(fact["text"], code, fact["count"], fact["aux"])}
    taken, history, board, touched = log.taken, log.history_p95_mm, log.board, log.touched
    verb = fact["text"].split(" ")[0]
    if log.pending is not None and log.pending.text == fact["text"]:
        # 38 is told of a picture's size too, and then there is nothing to solve; a solve tells what it rests on.
        together = code in JUDGED_TOGETHER or log.taken[-1].index in (log.solved or {}).get("of", ())
        taken = (*log.taken[:-1], replace(log.taken[-1], code=code, judged_together=together))
        if verb == "capture" and counts(code):
            own = log.solved is not None and log.solved["kept"] == fact["count"]
            history = (*history, log.solved["p95_mm"] if own and log.solved is not None else None)
    elif log.pending is not None:
        # The robot was told that it could not be recorded, and went on: no restart may take it up again.
        taken = (*log.taken[:-1], replace(log.taken[-1], code=31))
    if verb == "undo" and code == 0:
        newest = max(t.index for t in log.kept)
        taken = tuple(replace(t, undone=True) if t.index == newest else t for t in taken)
        history = history[:-1]
    if verb == "place":
        # Where the newest place failed, nobody knows how the board lies now.
        board = taken[-1].index if counts(code) else None
    if verb == "touch" and code == 0 and log.touching is not None and log.touching.text == fact["text"]:
        touched = (*touched, log.touching)
    return replace(
        log,
        answers=answers,
        taken=taken,
        history_p95_mm=history,
        board=board,
        touched=touched,
        touching=None,
        last_seq=seq,
        closed=log.closed or (verb == "bye" and code == 0),
        last_words={**{key: fact[key] for key in ("seq", "code", "says", "advice")}, "ground": fact.get("ground")},
    )


_CHANGES = {
    "picture": _picture,
    "seen": _seen,
    "timed": _timed,
    "solved": _solved,
    "advice": _advice,
    "touch": _touch,
    "answer": _answer,
}
