"""The state of a session between two events.

What a session takes as given from its station.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from eyebolt.boards import Detection, NoDetection
from eyebolt.calibration import PoseConvention
from eyebolt.geometry import Array, Mount, PoseFormat
from eyebolt.observations import View, ViewAcceptance
from eyebolt.planning import Goal
from eyebolt.protocol import Request, StepTimes
from eyebolt.session import messages as msg
from eyebolt.session.facts import Fact, FrameInfo, ImageFact
from eyebolt.session.messages import Caller, Solve, WriteResult
from eyebolt.session.session_log import SessionLog, apply_fact

Stage = Literal["open", "grab", "detect", "solve", "record-reply", "write-result"]


@dataclass(frozen=True)
class Task:
    """The one request in work, and what is known of it so far. ``caller`` None: taken up again after a restart.

    ``image_name``: name of its file. ``image_fact_pending``: a picture was taken, and its fact (``image_fact`` once the file
    is on disk) is not recorded yet; ``reply_decided``: ``facts`` end with the answer. ``result``: to be written once
    ``facts`` are on disk, of the ``solve`` that was waited for. ``p_value``: chance of the pair, see ``answering``.
    ``deferred_event``: an event that has to wait for the solve of the pairs before; so has a new session, ``open_deferred``.
    ``live_poses``: instants and poses (4, 4) that the robot streamed. ``timings_ms``: how long each step took, milliseconds; None
    where it cannot be known.
    """

    number: int
    seq: int
    text: str
    verb: str
    caller: Caller | None
    bracketed: bool
    at_ns: int
    timestamp: str
    stage: Stage
    base_T_flange: Array | None = None
    raw_pose: tuple[float, ...] | None = None
    index: int = 0
    working_sent: bool = False
    frame: FrameInfo | None = None
    detection: Detection | NoDetection | None = None
    view: View | None = None
    view_acceptance: ViewAcceptance | None = None
    facts: tuple[Fact, ...] = ()
    result: WriteResult | None = None
    solve: Solve | None = None
    p_value: float | None = None
    deferred_event: msg.Event | None = None
    open_deferred: bool = False
    image_name: str = ""
    image_fact: ImageFact | None = None
    image_fact_pending: bool = False
    reply_decided: bool = False
    live_poses: tuple[tuple[int, Array], ...] = ()
    timings_ms: StepTimes | None = None


@dataclass(frozen=True)
class BackgroundSolve:
    """A solve that follows its answer; ``kept``: pairs kept then. ``result`` is written once ``facts`` are on disk.

    ``restarted``: a daemon began with it, since no solve of these pairs is on disk.
    """

    solve: Solve
    kept: int
    restarted: bool = False
    facts: tuple[Fact, ...] = ()
    result: WriteResult | None = None

    @property
    def number(self) -> int:
        """As of a task: events with it belong here."""
        return self.solve.task


@dataclass(frozen=True)
class NextViewSearch:
    """What would help after ``solve`` is looked for, under ``number``, or on its way to disk as ``facts``."""

    number: int
    solve: Solve
    facts: tuple[Fact, ...] = ()


@dataclass(frozen=True)
class State:
    """``log``: the newest session, open or closed; ``robot``: the connection that holds the station.

    ``background``: until its fact is on disk, nothing that rests on it is decided. ``deferred_requests``: requests that want to know
    what it says.

    ``unrecorded_seq``: the last request, if it could not be recorded; no log knows of it.
    """

    config: SessionConfig
    log: SessionLog | None = None
    task: Task | None = None
    background: BackgroundSolve | None = None
    next_view_search: NextViewSearch | None = None
    deferred_requests: tuple[msg.RequestReceived, ...] = ()
    robot: int | None = None
    task_count: int = 0
    unrecorded_seq: int | None = None

    @property
    def kept(self) -> int:
        """Pairs kept."""
        return len(self.log.kept) if self.log else 0

    @property
    def wanted(self) -> int:
        """Pairs still wanted, an estimate."""
        return self.wanted_with(self.kept)

    def wanted_with(self, kept: int) -> int:
        """Pairs still wanted once so many are kept: as the last solve estimated it, each later pair one of them.

        By count alone where there was no solve, or one of more pairs than that.
        """
        goal, last_solve = self.config.goal, self.log.last_solve if self.log else None
        by_count = goal.pairs_wanted(kept, None)
        if last_solve is None or last_solve.kept > kept:
            return by_count
        if last_solve.kept == kept:
            return last_solve.pairs_wanted
        return min(max(last_solve.pairs_wanted - (kept - last_solve.kept), by_count), max(goal.max_pairs - kept, 1))

    @property
    def last_seq(self) -> int:
        """The newest seq on disk."""
        return self.log.last_seq if self.log else 0

    def with_facts(self, facts: tuple[Fact, ...]) -> State:
        """The state once these facts are on disk."""
        log = self.log
        for fact in facts:
            log = apply_fact(log, fact)
        return replace(self, log=log)

    def with_task(self, **changes: Any) -> State:
        """The state with these changes to its task."""
        return self if self.task is None else replace(self, task=replace(self.task, **changes))


def with_new_task(state: State, request: Request, caller: Caller, at_ns: int, timestamp: str, stage: Stage) -> State:
    """The state with a new task for a request."""
    task = Task(
        number=state.task_count + 1,
        seq=request.seq or 0,
        text=request.text,
        verb=request.verb,
        caller=caller,
        bracketed=request.bracketed,
        at_ns=at_ns,
        timestamp=timestamp,
        stage=stage,
        raw_pose=request.pose,
    )
    return replace(state, task=task, task_count=state.task_count + 1, unrecorded_seq=None)


@dataclass(frozen=True)
class SessionConfig:
    """``flange_T_tool`` (4, 4) if the robot sends tool poses; ``settle_ns`` between the word and the exposure.

    ``takes_preview``: a picture before the one that counts shows whether the board stands still; ``exposure_ns``: as
    the station file states it. ``has_tip``: the station says where the pointer's tip is, so that touches mean
    something.
    """

    station: str
    mount: Mount
    pose_format: PoseFormat
    flange_T_tool: Array | None
    lens_size_px: tuple[int, int]
    board_corner_count: int
    goal: Goal
    settle_ns: int
    accept_when_proven: bool
    has_tip: bool = False
    takes_preview: bool = False
    exposure_ns: int | None = None

    def pose_fields(self, base_T_flange: Array) -> list[float]:
        """The numbers that the robot would send for a flange pose (4, 4): the other way round."""
        tool = base_T_flange if self.flange_T_tool is None else base_T_flange @ self.flange_T_tool
        return self.pose_format.to_fields(tool)

    def base_T_flange(self, raw_pose: tuple[float, ...]) -> Array:
        """The flange pose (4, 4), metres, of one pose as the robot wrote it. Raises InputFault ``pose-numbers``."""
        return PoseConvention(self.pose_format, self.flange_T_tool).remove_tool(self.pose_format.to_matrix(raw_pose))


def reported_pose(task: Task) -> Array:
    """The reported pose (4, 4), or the identity where none was needed."""
    return np.eye(4) if task.base_T_flange is None else task.base_T_flange
