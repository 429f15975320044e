"""The recorded facts fed to ``session.step``: no daemon, no socket, no clock; only the solves are done again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from eyebolt.boards import Sighting, sighting_from_json
from eyebolt.observations import BoardSeen, Pair, View, ViewStack, fit_board_poses, linearise_corners
from eyebolt.protocol import LineFault, parse
from eyebolt.results import result_of
from eyebolt.session import State, step
from eyebolt.session import messages as msg
from eyebolt_sim.replay.recording import RecordedLine, RecordedSession, Told

_NS = 1_000_000_000


class InProcessReplay:
    """A session's requests once more, one after the other.

    ``late``: a solve that no answer waits for ends only when the next line has come. ``answers`` and ``facts``: what
    was answered and what would have been written, in order.
    """

    def __init__(self, session: RecordedSession, late: bool = False) -> None:
        self.answers: list[Told] = []
        self.facts: list[Mapping[str, Any]] = []
        self._written: msg.WriteResult | None = None
        self._session = session
        self._inputs = session.inputs
        self._late = late
        self._state = State(session.inputs.terms)
        self._solves: list[msg.Solve] = []
        self._line = session.lines[0]

    def run(self) -> list[Told]:
        """Plays every line; what each was answered."""
        for line in self._session.lines:
            self._line = line
            self._ask(line)
            while len(self.answers) < line.number or (self._solves and not self._late):
                if not self._solves:
                    raise RuntimeError(f"nothing will ever answer {line.text!r}")
                self._solve(self._solves.pop(0))
        while self._solves:
            self._solve(self._solves.pop(0))
        return self.answers

    @property
    def result(self) -> dict[str, Any] | None:
        """The last result that would have been written, a document as in ``result.json``; None without one."""
        last = self._written
        if last is None:
            return None
        return result_of(self._inputs, self._session.name, last.outcome, last.judgement, last.knowledge)

    def _ask(self, line: RecordedLine) -> None:
        caller = msg.Caller(1, line.number)
        request = parse(line.text.encode("ascii"), self._inputs.station.reading.field_count)
        if isinstance(request, LineFault):
            self._happens(msg.LineFailed(caller, request))
        else:
            self._happens(msg.Asked(caller, request, _NS * line.number, line.wall))

    def _happens(self, event: msg.Event) -> None:
        self._state, commands = step(self._state, event)
        for command in commands:
            self._carry_out(command)

    def _carry_out(self, command: msg.Command) -> None:
        match command:
            case msg.OpenSession():
                self._happens(msg.Opened(command.task, {**command.fact, "session": self._session.name}))
            case msg.Grab():
                self._happens(self._grabbed(command))
            case msg.StorePicture():
                self._happens(msg.Stored(command.task, ""))
            case msg.Record():
                self.facts += command.facts
                self._happens(msg.Recorded(command.task))
            case msg.Detect():
                self._happens(self._detected(command))
            case msg.WriteResult():
                self._written = command
                self._happens(msg.ResultWritten(command.task))
            case msg.Solve():
                self._solves.append(command)
            case msg.Answer():
                self.answers.append(Told(command.reply.code, command.reply.count, command.reply.aux))

    def _grabbed(self, command: msg.Grab) -> msg.Event:
        at_ns = command.not_before_ns
        if self._line.picture is None:
            code = "camera-lost" if self._line.told.code == 30 else "no-fresh-frame"
            return msg.GrabFailed(command.task, code, "no picture, as recorded")
        return msg.Grabbed(command.task, at_ns, at_ns, "replay", "")

    def _detected(self, command: msg.Detect) -> msg.Event:
        fact = self._line.seen
        if fact is None:
            return msg.WorkFailed(command.task, "finding the board broke down, as recorded")
        seen = sighting_from_json(fact["seen"])
        view = View.from_json(fact["view"]) if fact.get("view") else None
        if view is not None and isinstance(seen, Sighting):
            view = self._with_pose(view, seen)
        return msg.Detected(command.task, seen, view)

    def _with_pose(self, view: View, seen: Sighting) -> View:
        """What is not recorded because the corners tell it: the board's pose, or that they allow none."""
        if view.tilt_rad is None:
            return replace(view, no_pose=True)
        stack = ViewStack.of([Pair(0, np.eye(4), seen.ids, seen.corners_px)], self._inputs.board.corners_m())
        poses = fit_board_poses(self._inputs.lens, stack).camera_T_board
        information = linearise_corners(self._inputs.lens, stack, poses).information[0]
        return replace(view, board=BoardSeen(poses[0], np.linalg.inv(information)))

    def _solve(self, command: msg.Solve) -> None:
        outcome, knowledge = self._inputs.solved(command.pairs, command.checks, command.placed)
        self._happens(msg.Solved(command.task, outcome, knowledge=knowledge))
