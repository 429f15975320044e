"""The state of a session as a fold over its facts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from eyebolt.boards import Detection, NoDetection
from eyebolt.geometry import Array
from eyebolt.observations import Dataset, Pair, PlacedBoard, Touch
from eyebolt.protocol import MAX_SEQ, Code
from eyebolt.session.facts import (
    IMAGE_VERBS,
    DetectionFact,
    Fact,
    FrameInfo,
    ImageFact,
    ImageVerb,
    NextViewFact,
    ReplyFact,
    RequestRef,
    SessionFact,
    SolveFact,
    TimingsFact,
    TouchFact,
)

# Directions in the image in which the outermost corner is taken for a view's outline.
_OUTLINE_DIRECTIONS = 16

# Replies to a capture that is refused because of what all pairs together show, not because of its own view. Such
# pairs stay in later solves: they are evidence for the diagnosis.
REFUSED_BY_SOLVE = (Code.OUTLIER, Code.POSE_FORMAT_MISMATCH, Code.WRONG_MOUNT, Code.SETUP_MOVED)


@dataclass(frozen=True)
class CaptureRecord:
    """One image that was taken for a request, and what is known of it."""

    image: ImageFact
    """The fact of the image."""
    detection_fact: DetectionFact | None = None
    """What was found in it; None until that is recorded."""
    code: Code | None = None
    """Code of the reply; None while there is none."""
    is_undone: bool = False
    """``undo`` took the pair back."""
    is_refused_by_solve: bool = False
    """Refused because of what all pairs together show."""

    @property
    def index(self) -> int:
        """Capture index, 0-based."""
        return self.image.index

    @property
    def verb(self) -> ImageVerb:
        """What the image was taken for."""
        return self.image.verb

    @property
    def request(self) -> RequestRef:
        """The request that it was taken for."""
        return self.image.request

    @cached_property
    def base_T_flange(self) -> Array | None:
        """The flange pose (4, 4), metres; None for a board placed in front of a fixed camera without a pose."""
        return None if self.image.base_T_flange is None else np.array(self.image.base_T_flange)

    @cached_property
    def detection(self) -> Detection | NoDetection | None:
        """What was found in the image; None until that is recorded."""
        return None if self.detection_fact is None else self.detection_fact.detection.to_detection()

    @cached_property
    def outline(self) -> tuple[tuple[float, float], ...]:
        """The outermost corners, clockwise, as fractions of the image's width and height; empty without a board."""
        if not isinstance(self.detection, Detection) or not len(self.detection.ids):
            return ()
        angles = np.arange(_OUTLINE_DIRECTIONS) * 2 * np.pi / _OUTLINE_DIRECTIONS
        corners_px = self.detection.corners_px
        outermost = np.argmax(corners_px @ np.array([np.cos(angles), np.sin(angles)]), axis=0)
        rows = list(dict.fromkeys(outermost.tolist()))
        fractions = (corners_px[rows] + 0.5) / self.detection.image_size_px
        return tuple((round(float(x), 3), round(float(y), 3)) for x, y in fractions)

    @property
    def residual_px(self) -> float | None:
        """RMS residual of the corners about the best board pose, per coordinate."""
        view = None if self.detection_fact is None else self.detection_fact.view
        return None if view is None else view.residual_px

    @property
    def is_kept(self) -> bool:
        """Counts as a pair, and was not undone."""
        return self.code is not None and self.code.keeps_pair and not self.is_undone

    @property
    def is_usable(self) -> bool:
        """The solver gets it: a board was found, and the pair is kept, or refused only because of all pairs."""
        return (
            isinstance(self.detection, Detection) and not self.is_undone and (self.is_kept or self.is_refused_by_solve)
        )

    @property
    def pair(self) -> Pair | None:
        """The pair for the solver; None without a board or a pose."""
        if not isinstance(self.detection, Detection) or self.base_T_flange is None:
            return None
        return Pair(
            self.index,
            self.base_T_flange,
            self.detection.ids,
            self.detection.corners_px,
            self.image.raw_pose,
            self.image.frame.exposed_s,
            self.image.joints,
        )


@dataclass(frozen=True)
class SessionLog:
    """What the facts of a session add up to."""

    name: str
    """Name of the session."""
    station: str = ""
    """Name of its station."""
    is_guided: bool = False
    """The arm is guided by hand, and pairs are taken by the daemon."""
    replies: Mapping[int, ReplyFact] = field(default_factory=dict)
    """The recorded reply to each seq."""
    captures: tuple[CaptureRecord, ...] = ()
    """Images in the order in which they were taken."""
    touches: tuple[TouchFact, ...] = ()
    """Touches whose request was answered 0."""
    pending_touch: TouchFact | None = None
    """A touch whose request has no reply yet."""
    placed_board: int | None = None
    """Capture index of the placed board that touches refer to; None if there is none."""
    last_solve: SolveFact | None = None
    """The newest solve, with the next view that was planned after it."""
    last_timings: TimingsFact | None = None
    """Durations of the newest capture."""
    last_reply: ReplyFact | None = None
    """The newest reply."""
    ended_stop: Code | None = None
    """The stop before the newest reply whose cause is over with it: an image request failed, and the next did not."""
    p95_upper_history_mm: tuple[float | None, ...] = ()
    """Upper confidence bound of the p95 after each kept pair, mm; None where none was solved with exactly these."""
    is_closed: bool = False
    """``bye`` was answered 0."""

    @property
    def settled_solve(self) -> SolveFact | None:
        """The newest solve if it is settled: further inliers are answered 3 at once."""
        return self.last_solve if self.last_solve is not None and self.last_solve.is_settled else None

    @property
    def last_seq(self) -> int:
        """The newest recorded seq, the operator's numbers left out; 0 without one."""
        return next(
            (reply.request.seq for reply in reversed(tuple(self.replies.values())) if not reply.request.is_operators), 0
        )

    @property
    def next_operator_seq(self) -> int:
        """The number of the operator's next request."""
        return max((MAX_SEQ + 1, *self.replies)) + 1

    @property
    def is_empty(self) -> bool:
        """Nothing but ``begin`` was requested."""
        return not self.captures and all(reply.request.verb == "begin" for reply in self.replies.values())

    @property
    def kept(self) -> list[CaptureRecord]:
        """Kept pairs for solving, oldest first."""
        return [c for c in self.captures if c.is_kept and c.verb == "capture"]

    @property
    def checks(self) -> list[CaptureRecord]:
        """Kept pairs that only test the result."""
        return [c for c in self.captures if c.is_kept and c.verb == "check"]

    @property
    def usable(self) -> list[CaptureRecord]:
        """Pairs that the solver gets: kept, or refused only because they disagreed with the majority."""
        return [c for c in self.captures if c.is_usable and c.verb == "capture"]

    @property
    def dataset(self) -> Dataset:
        """Everything that a solve takes."""
        return Dataset(_pairs_of(self.usable), _pairs_of(self.checks), self.placed_boards)

    @property
    def placed_boards(self) -> tuple[PlacedBoard, ...]:
        """Boards that were placed in the cell and touched."""
        return self.placed_boards_with(())

    def placed_boards_with(self, further: tuple[TouchFact, ...]) -> tuple[PlacedBoard, ...]:
        """The same with touches that are not recorded yet."""
        all_touches = (*self.touches, *further)
        boards = []
        for capture in self.captures:
            touches = tuple(
                Touch(t.corner, np.array(t.base_T_flange)) for t in all_touches if t.placed_board == capture.index
            )
            if touches and isinstance(capture.detection, Detection):
                detection = capture.detection
                boards.append(
                    PlacedBoard(capture.index, capture.base_T_flange, detection.ids, detection.corners_px, touches)
                )
        return tuple(boards)

    @property
    def refused_count(self) -> int:
        """Captures and checks answered 20-29."""
        return sum(1 for reply in self.replies.values() if _is_refused_view(reply))

    @property
    def last_refusal(self) -> ReplyFact | None:
        """The newest reply to a capture or check that is 20-29; None without one."""
        return next((r for r in reversed(tuple(self.replies.values())) if _is_refused_view(r)), None)

    @property
    def unanswered(self) -> CaptureRecord | None:
        """An image whose request has no reply: a restart takes its work up again."""
        last = self.captures[-1] if self.captures else None
        return last if last is not None and last.code is None else None

    @property
    def last_frame(self) -> FrameInfo | None:
        """The newest image; None without one."""
        return self.captures[-1].image.frame if self.captures else None


def _is_refused_view(reply: ReplyFact) -> bool:
    return reply.code.is_refusal and reply.request.verb in ("capture", "check")


def _pairs_of(captures: Iterable[CaptureRecord]) -> tuple[Pair, ...]:
    """The pairs for the solver."""
    return tuple(c.pair for c in captures if c.pair is not None)


def fold(facts: Iterable[Fact]) -> SessionLog | None:
    """The log of a session from its facts; None without any."""
    log: SessionLog | None = None
    for fact in facts:
        log = apply_fact(log, fact)
    return log


def apply_fact(log: SessionLog | None, fact: Fact) -> SessionLog:
    """The log with one fact more."""
    if isinstance(fact, SessionFact):
        return SessionLog(name=fact.session, station=fact.station, is_guided=fact.is_guided)
    apply: Callable[[SessionLog, Any], SessionLog] = _APPLY[type(fact)]
    return apply(SessionLog(name="") if log is None else log, fact)


def _apply_image(log: SessionLog, fact: ImageFact) -> SessionLog:
    # An image whose reply could not be recorded counts for nothing once another one is taken.
    answered = tuple(c for c in log.captures if c.code is not None)
    return replace(log, captures=(*answered, CaptureRecord(fact)))


def _apply_detection(log: SessionLog, fact: DetectionFact) -> SessionLog:
    captures = tuple(replace(c, detection_fact=fact) if c.index == fact.index else c for c in log.captures)
    return replace(log, captures=captures)


def _apply_timings(log: SessionLog, fact: TimingsFact) -> SessionLog:
    return replace(log, last_timings=fact)


def _apply_touch(log: SessionLog, fact: TouchFact) -> SessionLog:
    # It counts once its request is answered: a power cut between the two must not count it twice.
    return replace(log, pending_touch=fact)


def _apply_solve(log: SessionLog, fact: SolveFact) -> SessionLog:
    history = log.p95_upper_history_mm
    if fact.is_background and history:
        # The reply to the newest pair was recorded before its solve.
        history = (*history[:-1], fact.p95_upper_mm)
    return replace(log, last_solve=fact, p95_upper_history_mm=history)


def _apply_next_view(log: SessionLog, fact: NextViewFact) -> SessionLog:
    solve = log.last_solve
    if solve is None or solve.based_on != fact.based_on:
        return log
    progress = replace(solve.progress, next_view=fact.next_view)
    return replace(log, last_solve=solve.model_copy(update={"progress": progress}))


def _apply_reply(log: SessionLog, fact: ReplyFact) -> SessionLog:
    code, verb = fact.code, fact.request.verb
    captures, history, solve = log.captures, log.p95_upper_history_mm, log.last_solve
    placed_board, touches = log.placed_board, log.touches
    newest = log.unanswered
    if newest is not None and newest.request == fact.request:
        # 38 is also the reply to an image of the wrong size, with which nothing is solved: the basis of the solve
        # decides.
        is_refused_by_solve = code in REFUSED_BY_SOLVE or (solve is not None and newest.index in solve.based_on)
        captures = (*captures[:-1], replace(newest, code=code, is_refused_by_solve=is_refused_by_solve))
        if verb == "capture" and code.keeps_pair:
            is_solved = solve is not None and solve.kept == fact.count
            history = (*history, solve.p95_upper_mm if solve is not None and is_solved else None)
    elif newest is not None:
        # This capture was answered 31, and the robot went on: no restart may resume it.
        captures = (*captures[:-1], replace(newest, code=Code.CANNOT_RECORD))
    if verb == "undo" and code == Code.OK:
        undone = max(c.index for c in log.kept)
        captures = tuple(replace(c, is_undone=True) if c.index == undone else c for c in captures)
        history = history[:-1]
    if verb == "place":
        # Where the newest ``place`` failed, the board may lie anywhere now.
        placed_board = captures[-1].index if code.keeps_pair else None
    if (
        verb == "touch"
        and code == Code.OK
        and log.pending_touch is not None
        and log.pending_touch.request == fact.request
    ):
        touches = (*touches, log.pending_touch)
    before = log.last_reply
    is_over = (
        before is not None and before.code.is_stop and code.is_success and {before.request.verb, verb} <= {*IMAGE_VERBS}
    )
    return replace(
        log,
        ended_stop=before.code if before is not None and is_over else None,
        replies={**log.replies, fact.request.seq: fact},
        captures=captures,
        p95_upper_history_mm=history,
        placed_board=placed_board,
        touches=touches,
        pending_touch=None,
        last_reply=fact,
        is_closed=log.is_closed or (verb == "bye" and code == Code.OK),
    )


_APPLY: dict[type, Callable[[SessionLog, Any], SessionLog]] = {
    ImageFact: _apply_image,
    DetectionFact: _apply_detection,
    TimingsFact: _apply_timings,
    TouchFact: _apply_touch,
    SolveFact: _apply_solve,
    NextViewFact: _apply_next_view,
    ReplyFact: _apply_reply,
}
