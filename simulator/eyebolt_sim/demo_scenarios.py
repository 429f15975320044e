"""The scenarios of ``eyebolt-sim demo``: what happens in a cell, and what the tool has to answer.

Each plays with a real daemon over real sockets, and yields its runs of the robot program and statements: what a tool
that is right answers, what this one answered, and whether that is so. Waypoints count from 1, pairs from 0.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from eyebolt.calibration import AcceptanceStatus, Severity
from eyebolt.errors import MachineFault
from eyebolt.protocol import Code
from eyebolt_sim.cell import Cell
from eyebolt_sim.cell_faults import CELL_FAULTS, CellFault, FaultName, StartingFault
from eyebolt_sim.demo_stage import Cables, CellPlan, OnWaypoint, Run, Stage
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.scenario_names import ScenarioName
from eyebolt_sim.transforms import Array, inverse, transform_points

_CAMERA_CUT_AT, _ROBOT_CUT_AT = 4, 6
# A fault shows in the pairs that follow it, and it takes a few until it is certain.
_MOST_WAYPOINTS_LATER = 3
_TOUCHES = 4


class Statement(NamedTuple):
    """One thing that the tool has to answer."""

    wanted: str
    """what a tool that is right answers"""
    answered: str
    """what this one answered"""
    holds: bool
    """whether that is so"""


Scene = Iterator[Run | Statement]


@dataclass(frozen=True)
class Scenario:
    """A scenario of the demo."""

    play: Callable[[Stage], Scene]
    """plays it: each run of the robot program, and what has to be true of it"""
    plan: CellPlan
    """the cell"""
    in_a_real_cell: str = ""
    """what people beside the arm of a real cell do first; empty if nothing went wrong"""


def _play_good_session(stage: Stage) -> Scene:
    cell = stage.prepare()
    run = _ended(stage, cell)
    yield run
    yield from _good_result(stage, run, cell.scene.hand_eye)
    yield Statement(
        "the robot is not given a result that no person has accepted",
        "the robot was given one" if run.outcome.result else "the robot was given none",
        not run.outcome.result,
    )


def _play_four_axis_arm(stage: Stage) -> Scene:
    run = _ended(stage, stage.prepare())
    yield run
    gap = run.result.incomplete if run.result else None
    yield Statement(
        "solve is answered 36: no pair of a 4-axis arm shows the height, and that is named as what is missing",
        f"{run.outcome.message}; {gap.message if gap else 'nothing is missing'}",
        run.outcome.stop_code is Code.NOT_ACCEPTED and gap is not None and "height" in gap.message,
    )
    cell = stage.prepare(touches=_TOUCHES)
    run = _ended(stage, cell)
    yield run
    height = run.result.height if run.result else None
    source = height.determined_by if height else None
    yield Statement(
        f"{_TOUCHES} touched corners of the board give the height",
        f"the height is from {source}" if source else "the height is open",
        bool(source) and run.result is not None and run.result.incomplete is None,
    )
    yield from _good_result(stage, run, cell.scene.hand_eye)


def _play_slipped_board(stage: Stage) -> Scene:
    fault = CELL_FAULTS[FaultName.BOARD_MOVED]
    start = fault.start_waypoint if isinstance(fault, StartingFault) else 1
    cell = stage.prepare(fault)
    run = _ended(stage, cell)
    yield run
    refusals = [(r.verb, r.number, r.code) for r in run.outcome.rejected_requests]
    yield Statement(
        f"the first refusal is 27 (pose and image disagree), at waypoint {start} to {start + _MOST_WAYPOINTS_LATER}",
        _refusals(run),
        bool(refusals)
        and refusals[0] in [("capture", start + k, Code.OUTLIER) for k in range(_MOST_WAYPOINTS_LATER + 1)],
    )
    yield _first_finding(run, "board-moved", f"before pair {start - 1}")
    excluded = [pair.pair for pair in run.result.pairs.excluded] if run.result else []
    yield Statement(
        f"pairs 0 to {start - 2}, from before the slip, do not count",
        f"left out: {', '.join(map(str, excluded)) or 'none'}",
        excluded == list(range(start - 1)),
    )
    yield from _good_result(stage, run, cell.scene.hand_eye)


def _play_wrong_convention(stage: Stage) -> Scene:
    fault = CELL_FAULTS[FaultName.WRONG_ROTATION_FORMAT]
    run = _ended(stage, stage.prepare(fault))
    yield run
    min_pairs = stage.context.station.goal.min_pairs
    yield Statement(
        f"the robot program is stopped with 32 (pose format mismatch) before {min_pairs} pairs are in",
        f"{run.outcome.message}; {run.outcome.kept} pairs kept",
        run.outcome.stop_code is Code.POSE_FORMAT_MISMATCH and run.outcome.kept < min_pairs,
    )
    robot = stage.context.station.robot
    sent = fault.pose_format(PoseFormat(robot.length, robot.rotation, robot.angle)).rotation
    yield _first_finding(run, "pose-format", f'rotation = "{sent}"')
    acceptance = run.result.acceptance if run.result else None
    yield Statement(
        "no usable result comes of these pairs",
        f"result: {acceptance or 'none'}",
        acceptance in (None, AcceptanceStatus.REJECT) and not run.outcome.result,
    )


def _play_cut_cable(stage: Stage) -> Scene:
    def cut_camera(number: int, cables: Cables) -> None:
        if number == _CAMERA_CUT_AT:
            cables.cut_camera()

    def cut_robot(number: int, cables: Cables) -> None:
        if number == _ROBOT_CUT_AT:
            cables.cut_robot()

    cell = stage.prepare()
    run = _ended(stage, cell, on_waypoint=cut_camera)
    yield run
    yield Statement(
        f"without the camera the robot program is stopped with 30 (camera lost), at waypoint {_CAMERA_CUT_AT}",
        _refusals(run),
        [(r.number, r.code) for r in run.outcome.rejected_requests] == [(_CAMERA_CUT_AT, Code.CAMERA_LOST)],
    )
    is_shown = stage.status(lambda status: not status.camera.is_connected)
    yield Statement("the screen shows that the camera is away", _shown("camera", is_shown), is_shown)
    broken = stage.run(cell, _CAMERA_CUT_AT, cut_robot)
    is_shown = stage.status(lambda status: not status.robot.is_connected)
    yield Statement(
        "with the camera back the program goes on, until the robot's cable is cut: the screen shows that too",
        _shown("robot", is_shown),
        is_shown and broken is None,
    )
    run = _ended(stage, cell, _ROBOT_CUT_AT)
    yield run
    on_record = sum(answer.verb == "capture" and answer.code.keeps_pair for answer in run.answers)
    yield Statement(
        "no pair is lost: all are in one session, and those from before both cuts count",
        f"{len(stage.sessions)} session with {on_record} pairs on record, {run.outcome.kept} counted",
        len(stage.sessions) == 1 and run.outcome.kept == on_record >= _ROBOT_CUT_AT,
    )
    yield from _good_result(stage, run, cell.scene.hand_eye)


def _play_drifted_camera(stage: Stage) -> Scene:
    cell = stage.prepare()
    run = _ended(stage, cell)
    yield run
    yield from _good_result(stage, run, cell.scene.hand_eye)
    stage.accept(run.session)
    drifted = stage.prepare(_from_the_start(FaultName.CAMERA_MOVED))
    later = _ended(stage, drifted)
    yield later
    told = [answer.measured or 0.0 for answer in later.answers if answer.verb == "check"]
    true = _true_distances_mm(drifted)
    tolerance_mm = stage.context.station.goal.tolerance_mm
    yield Statement(
        f"with the camera knocked, each check contradicts the result in use: more than {tolerance_mm:g} mm off",
        next((a.message for a in later.answers if a.verb == "check"), "no check was answered"),
        len(told) == len(true) and min(told, default=0.0) > tolerance_mm,
    )
    is_shown = stage.status(lambda status: status.proof is not None and status.proof.consistent is False)
    yield Statement(
        "the screen shows that the result in use no longer fits what the camera sees",
        "the screen shows that" if is_shown else "the screen shows nothing of it",
        is_shown,
    )
    error = run.result.expected_pick_error_mm if run.result else None
    limit_mm = error.worst_p95 if error else 0.0
    differences_mm = np.abs(np.subtract(told, true)) if len(told) == len(true) else np.array([np.inf])
    yield Statement(
        f"the distances named are the true ones, {_millimetres(true)}, to {limit_mm:.2f} mm, the expected error",
        f"{_millimetres(told)}: wrong by at most {differences_mm.max():.2f} mm",
        bool(differences_mm.max() <= limit_mm),
    )
    yield Statement(
        "no new result takes the place of the accepted one by itself: the robot is still given that one",
        "the robot was given the accepted one" if _is_given(later, run) else f"it was given {later.outcome.result}",
        _is_given(later, run),
    )
    moved = inverse(drifted.active_fault.fault.view(np.eye(4), True))
    yield from _good_result(stage, later, drifted.scene.hand_eye @ moved, "calibrated again: ")


def _ended(stage: Stage, cell: Cell, first_waypoint: int = 1, on_waypoint: OnWaypoint = lambda *_: None) -> Run:
    """A run that no cut of the robot's cable ends."""
    run = stage.run(cell, first_waypoint, on_waypoint)
    if run is None:
        raise MachineFault("demo-failed", "the robot's connection broke", "read daemon.log in the demo's folder.")
    return run


def _from_the_start(name: FaultName) -> CellFault:
    fault = CELL_FAULTS[name]
    return replace(fault, start_waypoint=1) if isinstance(fault, StartingFault) else fault


def _good_result(stage: Stage, run: Run, hand_eye: Array, preface: str = "") -> Scene:
    """That ``run`` led to a proven result, true to what it states; ``hand_eye``: the true transform (4, 4)."""
    acceptance, reason = (run.result.acceptance, run.result.reason) if run.result else (None, "no result")
    yield Statement(
        f"{preface}solve is answered 0, and the result is proven on check pairs that the solve has not used",
        f"{run.outcome.message}; {acceptance}: {reason}",
        run.outcome.solved and acceptance is AcceptanceStatus.ACCEPT,
    )
    error = stage.true_error(run.result, hand_eye) if run.result else None
    yield Statement(
        "the true error, which the tool cannot know, is within the stated 95 % limit (in 19 of 20 sessions)",
        "no whole transform"
        if error is None
        else f"true {error.rms_mm:.3f} mm RMS over the working volume, stated {error.stated_mm:.3f} mm",
        error is not None and error.is_within,
    )


def _first_finding(run: Run, code: str, words: str) -> Statement:
    """That the gravest finding is ``code``, and that its message or remedy has ``words``."""
    findings = run.result.findings if run.result else ()
    first = next((finding for finding in findings if finding.severity is not Severity.NOTE), None)
    text = "nothing was found" if first is None else f"{first.code}: {first.message}. What to do: {first.remedy}"
    return Statement(
        f"the finding is {code}, with the words: {words}",
        text,
        first is not None and first.code == code and words in first.message + first.remedy,
    )


def _is_given(later: Run, accepted: Run) -> bool:
    """Whether the robot was given the result of ``accepted`` at the end of ``later``."""
    pose = accepted.result.transform.robot_pose if accepted.result and accepted.result.transform else None
    if pose is None or len(pose.values) != len(later.outcome.result):
        return False
    numbers = [np.nan if value is None else value for value in pose.values]
    return bool(np.allclose(numbers, later.outcome.result, rtol=0, atol=1e-3))


def _true_distances_mm(cell: Cell) -> list[float]:
    """By how much the fault of the cell displaces the board as seen from each check waypoint, RMS over corners, mm."""
    corners = cell.board.shape.corners_m
    distances = []
    for waypoint in cell.checks:
        view = cell.scene.view_from(waypoint.base_T_flange)
        seen = cell.active_fault.fault.view(view, True)
        apart_m = transform_points(seen, corners) - transform_points(view, corners)
        distances.append(float(np.sqrt((apart_m**2).sum(axis=-1).mean())) * 1e3)
    return distances


def _millimetres(values: Sequence[float]) -> str:
    return " and ".join(f"{value:.2f} mm" for value in values) or "none"


def _refusals(run: Run) -> str:
    return (
        ", ".join(f"{r.verb} {r.number}: {r.code} ({r.code.message})" for r in run.outcome.rejected_requests) or "none"
    )


def _shown(what: str, is_away: bool) -> str:
    return f"the screen shows {what} {'offline' if is_away else 'online'}"


SCENARIOS: Mapping[ScenarioName, Scenario] = {
    ScenarioName.CAMERA_FIXED: Scenario(_play_good_session, CellPlan()),
    ScenarioName.CAMERA_ON_ARM: Scenario(_play_good_session, CellPlan(mount="arm")),
    ScenarioName.FOUR_AXIS_ARM: Scenario(
        _play_four_axis_arm,
        CellPlan(
            mount="arm",
            turns="vertical",
            rotation="angle-z",
            robot_lines=(
                'result_rotation = "quaternion-wxyz"',
                "tip_mm = [3.0, -2.0, -150.0]",
                "tip_sigma_mm = 0.1",
            ),
        ),
        "Touching corners brings people near the arm: manual mode, reduced speed, the enabling device in hand.",
    ),
    ScenarioName.SLIPPED_BOARD: Scenario(
        _play_slipped_board,
        CellPlan(),
        "Before anybody enters to bolt the board down, the arm is stopped and secured by the rules of the site.",
    ),
    ScenarioName.WRONG_CONVENTION: Scenario(
        _play_wrong_convention,
        CellPlan(rotation="euler-ZYX"),
        "A transform in a wrong convention can send the arm anywhere: the first moves with any result are made at"
        " reduced speed, with a stop within reach.",
    ),
    ScenarioName.CUT_CABLE: Scenario(
        _play_cut_cable,
        CellPlan(),
        "Before anybody enters to mend a cable, the arm is stopped and secured by the rules of the site.",
    ),
    ScenarioName.DRIFTED_CAMERA: Scenario(
        _play_drifted_camera,
        CellPlan(),
        "The robot goes on using the old result: picking stops until the camera is fastened and calibrated again.",
    ),
}
"""All scenarios."""
