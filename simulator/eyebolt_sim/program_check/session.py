"""The session of the daemon with a made-up cell: every board is found and every solve is good, as scripted.

What a line means, which reply is stored and which number is refused is decided by ``eyebolt.session``, as in the
daemon.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from eyebolt.boards import Detection, ExposureStats, NoDetection
from eyebolt.calibration import (
    BoardBow,
    ErrorContributions,
    ErrorMap,
    ParameterDeviation,
    PriorSource,
    Refusal,
    RefusalCode,
    ResultFormat,
    Solution,
)
from eyebolt.calibration.uncertainty import ErrorSummary
from eyebolt.config import Station
from eyebolt.planning import Goal
from eyebolt.protocol import Request
from eyebolt.results import utc_timestamp
from eyebolt.session import Fact, SessionConfig, State, execute_all, fold, resume, step
from eyebolt.session import messages as msg
from eyebolt_sim.program_check.script import Times, Trouble

_SIZE_PX = (1280, 1024)
_MAX_PAIRS = 200
_GOOD_LIGHT = ExposureStats(0.1, 0.7, 0.0, 0.0, 0.75)
_MARGINAL_LIGHT = ExposureStats(0.1, 1.0, 0.1, 0.0, 0.8)
_MIN_PAIRS_TO_SOLVE = 3


def session_config(station: Station, pairs: int) -> SessionConfig:
    """The configuration of a session on this station that meets its goal with ``pairs`` pairs; no lens is needed."""
    goal, robot = station.goal, station.robot
    distance_m = (goal.near_mm + goal.far_mm) / 2e3
    points_m = np.array([[x, y, distance_m] for x in (-0.2, 0.2) for y in (-0.15, 0.15)])
    rotation = robot.result_rotation or robot.rotation
    return SessionConfig(
        station=station.station.name,
        mount=station.station.mount,
        pose_format=station.pose_format,
        result_format=ResultFormat(replace(station.pose_format, rotation=rotation), points_m, goal.tolerance_mm),
        flange_T_tool=station.flange_T_tool,
        lens_size_px=_SIZE_PX,
        lens_focal_px=None,
        board_corner_count=station.board.to_board().corner_count,
        goal=Goal(goal.tolerance_mm, pairs, _MAX_PAIRS, goal.tolerance_of),
        settle_ns=0,
        accept_when_proven=False,
        has_tip=robot.tip_mm is not None,
        reply_wait_ns=round(robot.reply_wait_s * 1e9),
    )


class ScriptedSession:
    """The session, and the executor of its commands, on the running event loop.

    ``trouble_of(request)`` chooses what happens to a new capture; ``send_reply`` and ``close_connection`` are those of
    the server.
    """

    def __init__(
        self,
        config: SessionConfig,
        times: Times,
        trouble_of: Callable[[int], Trouble],
        on_reply: Callable[[msg.SendReply], None],
        on_close: Callable[[int], None],
    ) -> None:
        self._config = config
        self._times = times
        self._trouble_of = trouble_of
        self._on_reply = on_reply
        self._on_close = on_close
        self._state = State(config)
        self._facts: list[Fact] = []
        self._run = 0
        self._images = 0
        self._loop = asyncio.get_running_loop()

    def happens(self, event: msg.Event) -> None:
        """One event."""
        self._state, commands = step(self._state, event)
        execute_all(commands, self)

    def request(self, caller: msg.Caller, request: Request) -> None:
        """A well-formed line."""
        self.happens(msg.RequestReceived(caller, request, time.monotonic_ns(), utc_timestamp()))

    def restart(self) -> None:
        """The daemon is started again: everything but its record is lost."""
        self._run += 1
        self._state, commands = resume(State(self._config, log=fold(self._facts)))
        execute_all(commands, self)

    @property
    def kept(self) -> int:
        """Pairs kept."""
        return self._state.kept

    @property
    def pairs_wanted(self) -> int:
        """Pairs still wanted."""
        return self._state.pairs_wanted

    # The executor of the session's commands.

    def send_reply(self, command: msg.SendReply) -> None:
        """To the server."""
        self._on_reply(command)

    def close_connection(self, command: msg.CloseConnection) -> None:
        """To the server."""
        self._on_close(command.connection)

    def open_session(self, command: msg.OpenSession) -> None:
        """The record is a list."""
        fact = command.first_fact("stand-in")
        self._facts = [fact]
        self._later(0.0, msg.SessionOpened(command.task, fact))

    def grab(self, command: msg.Grab) -> None:
        """An image, or none."""
        if self._trouble is Trouble.STOP:
            self._later(
                self._times.work_s, msg.GrabFailed(command.task, "camera-lost", "the camera is gone, as scripted")
            )
            return
        exposed_ns = command.not_before_ns
        self._later(0.0, msg.Grabbed(command.task, exposed_ns, exposed_ns, "stand-in", "none"))

    def store_image(self, command: msg.StoreImage) -> None:
        """There is none."""
        self._later(0.0, msg.ImageStored(command.task, "0" * 64))

    def detect(self, command: msg.Detect) -> None:
        """The board at another place in each image, unless it is scripted to be out of view."""
        trouble, seconds = self._trouble, self._times.work_s
        if trouble is Trouble.SLOW:
            seconds = self._config.reply_wait_ns / 1e9 + self._times.slow_s
        self._images += 1
        ids = np.arange(self._config.board_corner_count)
        corners_px = np.stack([100.0 + 20 * (ids % 10), 100.0 + 20 * (ids // 10)], axis=-1) + 0.5 * self._images
        light = _MARGINAL_LIGHT if trouble is Trouble.ADVICE else _GOOD_LIGHT
        seen: Detection | NoDetection = Detection(ids, corners_px, light, _SIZE_PX, 0.6)
        if trouble is Trouble.REFUSED:
            seen = NoDetection("no-board", _GOOD_LIGHT, _SIZE_PX)
        self._later(seconds, msg.Detected(command.task, seen))

    def solve(self, command: msg.Solve) -> None:
        """Good, from the third pair on."""
        count = len(command.dataset.pairs)
        outcome: Solution | Refusal = _good_solution(self._config, count)
        if count < _MIN_PAIRS_TO_SOLVE:
            outcome = Refusal(RefusalCode.TOO_FEW_PAIRS, f"{count} pairs", "capture more", count)
        self._later(0.0, msg.Solved(command.task, outcome))

    def plan_next_view(self, command: msg.PlanNextView) -> None:
        """None is wanted."""
        self._later(0.0, msg.NextViewPlanned(command.task, None))

    def write_result(self, command: msg.WriteResult) -> None:
        """Nothing is written."""
        self._later(0.0, msg.ResultWritten(command.task))

    def record_facts(self, command: msg.RecordFacts) -> None:
        """The record is a list."""
        self._facts += command.facts
        self._later(0.0, msg.FactsRecorded(command.task))

    def read_accepted_result(self, command: msg.ReadAcceptedResult) -> None:
        """A result is accepted, so that a program's reading of it can be seen."""
        corners_m = np.zeros((1, self._config.board_corner_count, 3))
        transform = np.array([[1.0, 0, 0, 1.15], [0, 0, 1, 0.04], [0, -1, 0, 0.42], [0, 0, 0, 1]])
        accepted = msg.AcceptedResult("stand-in", "nobody", transform, np.eye(4), None, True, corners_m)
        self._later(0.0, msg.AcceptedResultRead(command.number, accepted))

    def start_timer(self, command: msg.StartTimer) -> None:
        """On the loop's clock."""
        self._later(max(0.0, (command.at_ns - time.monotonic_ns()) / 1e9), msg.TimerExpired(command.task))

    def publish_status(self, command: msg.PublishStatus) -> None:
        """Nobody watches."""

    @property
    def _trouble(self) -> Trouble:
        """That of the request in progress."""
        task = self._state.task
        if task is None or task.job.request.verb != "capture":
            return Trouble.NONE
        return self._trouble_of(task.job.request.seq)

    def _later(self, seconds: float, event: msg.Event) -> None:
        run = self._run

        def happens() -> None:
            # Work of a daemon that was killed meanwhile ends with it.
            if run == self._run:
                self.happens(event)

        self._loop.call_later(seconds, happens)


def _good_solution(config: SessionConfig, pairs: int) -> Solution:
    """A solution far within the tolerance; its numbers are nobody's."""
    p95_mm = config.goal.tolerance_mm / 20
    error = ErrorSummary(p95_mm / 2, p95_mm, p95_mm, p95_mm)
    exact = ParameterDeviation(0.0, 0.001, 0.001, PriorSource.DEFAULT)
    return Solution(
        mount=config.mount,
        X=np.eye(4),
        Y=np.eye(4),
        covariance=np.eye(6) * 1e-10,
        expected_error_mm=error,
        error_map=ErrorMap(np.zeros(9), np.zeros(9), np.ones(5), np.full((5, 9, 9), p95_mm)),
        error_contributions_mm=ErrorContributions(p95_mm / 2, p95_mm / 8, p95_mm / 8, p95_mm / 16, 0.0),
        expected_pick_error_mm=error,
        remaining_pick_error_mm=0.0,
        held_out=None,
        checks=None,
        corner_rms_px=0.1,
        robot_noise_mm=0.05,
        robot_noise_deg=0.01,
        robot_noise_prior_dof=0.0,
        board_scale=exact,
        focal_length=exact,
        board_bow=BoardBow(exact, exact, exact, 0.02, 0.02, 0.01, 0.9),
        pairs_used=pairs,
        excluded=(),
        findings=(),
    )
