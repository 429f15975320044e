"""``eyebolt plan``: waypoints in the robot's own format, from a rough guess or from an earlier session."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from eyebolt.calibration import STATED_NOISE_DOF, Refusal, RobotNoise, solve
from eyebolt.cli.runner import write_text_file
from eyebolt.context import StationContext, load_context, load_session
from eyebolt.errors import InputFault
from eyebolt.geometry import Array, FlangeRotation, Mount, PoseFormat, se3
from eyebolt.observations import Dataset, Pair
from eyebolt.planning import (
    BoardOutline,
    GuessUncertainty,
    Plan,
    SetupEstimate,
    pairs_of_solution,
    pick_scatter_p95_mm,
    plan_waypoints,
    setup_estimate,
)
from eyebolt.protocol import ToleranceOf
from eyebolt.results import csv_text, plan_lines
from eyebolt.store import SessionFolder

# Typical of industrial arms, and of corners in a sharp image, where the station file states nothing.
_DEFAULT_ROBOT_NOISE = RobotNoise(1e-4, float(np.deg2rad(0.02)))
_DEFAULT_CORNER_SIGMA_PX = 0.1
# Half a turn about x: the z axis of an upright camera or board points down.
_DOWN = np.diag([1.0, -1.0, -1.0])


def plan_station(
    station_file: Path,
    camera: str | None,
    board: str | None,
    session: Path | None,
    out: Path | None,
    reach_mm: float | None = None,
    poses: Sequence[str] = (),
) -> list[str]:
    """Plans the waypoints, writes them to ``out`` if given, and returns the lines to print.

    ``camera`` and ``board``: guessed poses in the robot's format, of the camera (in the base, or in the flange if it is
    on the arm) and of the board (in the flange, or in the base). ``reach_mm``: largest distance of the flange from the
    base. ``poses``: flange poses that the arm can take, in the robot's format.

    Raises InputFault ``plan-guess``, ``plan-session``, ``plan-view``, or what reading the station raises.
    """
    context = load_context(station_file)
    goal, pose_format = context.session_config.goal, context.pose_format
    known_flanges = [context.pose_convention.remove_tool(_parse_pose(context, text, "--pose")) for text in poses]
    if session is not None:
        if camera is not None or board is not None:
            raise _guess_fault("--session determines camera and board already", "omit --camera and --board.")
        setup, capture_pairs, arm_p95_mm = _setup_from_session(context, session)
        guess = None
    else:
        setup, capture_pairs = _setup_from_guess(context, camera, board, known_flanges), []
        guess = GuessUncertainty()
        arm_p95_mm = pick_scatter_p95_mm(setup)
    noise_prior_dof = 0.0 if context.station.robot_noise_m_rad is None else STATED_NOISE_DOF
    reach_m = None if reach_mm is None else reach_mm / 1e3
    # The forecast knows how much the pairs of a session show about board and lens; a guess gets translations, with
    # which an operator sees at once that the arm goes where it is sent.
    plan = plan_waypoints(
        setup,
        capture_pairs,
        goal,
        noise_prior_dof,
        guess,
        guess is not None,
        reach_m,
        known_flanges,
        arm_p95_mm if goal.tolerance_of is ToleranceOf.PICK else 0.0,
    )
    if plan is None:
        raise InputFault(
            "plan-view",
            "no view of the whole board is usable: it does not fit into the image, or is out of reach",
            "check square_mm, near_mm, far_mm, the lens file, --reach and --pose; use a smaller board or a larger"
            " distance.",
        )
    if all(waypoint.kind in ("spare", "check") for waypoint in plan.waypoints):
        return [f"nothing to plan: {len(capture_pairs)} pairs reach the tolerance of {goal.tolerance_mm:g} mm already."]
    lines = plan_lines(plan, pose_format, context.station.flange_T_tool, goal.tolerance_mm)
    if out is not None:
        write_text_file(out, csv_text(plan, pose_format, context.station.flange_T_tool))
        lines.append(f"{out} written")
    return [*_notes(context, plan, guess), *lines]


def _notes(context: StationContext, plan: Plan, guess: GuessUncertainty | None) -> list[str]:
    notes = []
    if guess is not None and context.station.robot_noise_m_rad is None:
        notes.append("The arm's repeatability is not stated; 0.1 mm and 0.02 deg per axis are assumed for the plan.")
    if guess is not None and plan.tolerated.translation_m < guess.translation_m:
        notes.append(
            "The board fills too much of the image to allow for guesses that are wrong by"
            f" {guess.translation_m * 1e3:.0f} mm and {guess.rotation_deg:.0f} deg: check the image at each waypoint,"
            " or plan again with --session after the first few pairs."
        )
    return notes


def _setup_from_guess(
    context: StationContext, camera: str | None, board: str | None, known_flanges: Sequence[Array]
) -> SetupEstimate:
    problem = context.problem(())
    on_arm = problem.mount is Mount.ARM
    if on_arm and board is None:
        raise _guess_fault(
            "the position of the board is not known",
            'give --board "..." with its pose in the base, in the robot\'s format (or --session FOLDER).',
        )
    if not on_arm and camera is None:
        raise _guess_fault(
            "the position of the camera is not known",
            'give --camera "..." with its pose in the base, in the robot\'s format (or --session FOLDER).',
        )
    of_camera = None if camera is None else _parse_guess(context, camera, "--camera")
    of_board = None if board is None else _parse_guess(context, board, "--board")
    if problem.flange_rotation is FlangeRotation.VERTICAL:
        X, Y = _upright_setup(context, of_camera, of_board, known_flanges)
    else:
        # Without a guess the camera on the arm is assumed to look along the axis of the flange.
        X = np.eye(4) if of_camera is None else of_camera.pose
        Y = _board_on_flange(context, se3.exp_rotation([np.pi, 0.0, 0.0])) if of_board is None else of_board.pose
    noise = problem.robot_noise or _DEFAULT_ROBOT_NOISE
    return SetupEstimate(problem, X, Y, noise, _DEFAULT_CORNER_SIGMA_PX)


def typical_setup(context: StationContext) -> SetupEstimate:
    """A setup for a forecast before anything is known: the board faces the camera, in the middle of what it sees."""
    problem = context.problem(())
    down = se3.compose_parts(_DOWN, np.array([0.5, 0.0, problem.volume.far_m]))
    X: Array
    Y: Array
    if problem.mount is Mount.ARM:
        X, Y = np.eye(4), down
    else:
        X, Y = down, _board_on_flange(context, se3.exp_rotation([np.pi, 0.0, 0.0]))
    if problem.flange_rotation is FlangeRotation.VERTICAL:
        guess = _Guess(down, False)
        of_camera, of_board = (None, guess) if problem.mount is Mount.ARM else (guess, None)
        X, Y = _upright_setup(context, of_camera, of_board, ())
    return SetupEstimate(problem, X, Y, problem.robot_noise or _DEFAULT_ROBOT_NOISE, _DEFAULT_CORNER_SIGMA_PX)


@dataclass(frozen=True)
class _Guess:
    """A guessed pose of camera or board."""

    pose: Array
    """(4, 4), metres; its z axis is up where ``is_one_angle``."""
    is_one_angle: bool
    """Whether its orientation is written as one angle about the vertical, which cannot express what points down."""

    def pointing(self, down: bool) -> Array:
        """The pose (4, 4); one written as one angle with its z axis ``down`` or up."""
        return self.pose @ se3.compose_parts(_DOWN, np.zeros(3)) if self.is_one_angle and down else self.pose


def _upright_setup(
    context: StationContext, of_camera: _Guess | None, of_board: _Guess | None, known_flanges: Sequence[Array]
) -> tuple[Array, Array]:
    """X and Y of an arm with a vertical axis only, whose line of sight is vertical.

    Where no guess states it: a board in the cell faces up, and the camera on the arm looks down at it; a fixed camera
    looks to where the arm works, the height of the known poses or, without any, of the base. The part on the flange
    faces the other one.
    """
    flange_is_down = bool(known_flanges) and bool(known_flanges[0][2, 2] < 0)
    on_arm = context.station.station.mount is Mount.ARM
    of_fixed_part, of_flange_part = (of_board, of_camera) if on_arm else (of_camera, of_board)
    if of_fixed_part is None:
        raise ValueError("the part that does not move must be guessed")
    if not of_fixed_part.is_one_angle:
        looks_down = bool(of_fixed_part.pose[2, 2] < 0)
    elif on_arm:
        looks_down = True
    else:
        work_height_m = float(np.mean([flange[2, 3] for flange in known_flanges])) if known_flanges else 0.0
        looks_down = bool(of_fixed_part.pose[2, 3] > work_height_m)
    fixed_part = of_fixed_part.pointing(looks_down)
    # The z axis of a board points into it, so camera and board point the same way.
    points_down_in_flange = looks_down != flange_is_down
    if of_flange_part is not None:
        flange_part = of_flange_part.pointing(points_down_in_flange)
    elif on_arm:
        flange_part = _Guess(np.eye(4), is_one_angle=True).pointing(points_down_in_flange)
    else:
        flange_part = _board_on_flange(context, _DOWN if points_down_in_flange else np.eye(3))
    return (flange_part, fixed_part) if on_arm else (fixed_part, flange_part)


def _board_on_flange(context: StationContext, rotation: Array) -> Array:
    """Board with ``rotation`` (3, 3), centred on the flange."""
    board_centre_m = BoardOutline.of(context.board.corners_m()).centre_m
    return se3.compose_parts(rotation, -rotation @ board_centre_m)


def _parse_guess(context: StationContext, text: str, option: str) -> _Guess:
    """A guess in the robot's format; for ``angle-z`` also with a full orientation, as w x y z of a quaternion."""
    pose_format = context.pose_format
    if pose_format.rotation != "angle-z":
        return _Guess(_parse_pose(context, text, option), is_one_angle=False)
    quaternion = replace(pose_format, rotation="quaternion-wxyz")
    if len(_fields_of(text)) == quaternion.field_count:
        return _Guess(_pose_of(quaternion, text, option), is_one_angle=False)
    return _Guess(_parse_pose(context, text, option), is_one_angle=True)


def _parse_pose(context: StationContext, text: str, option: str) -> Array:
    return _pose_of(context.pose_format, text, option)


def _pose_of(pose_format: PoseFormat, text: str, option: str) -> Array:
    try:
        return pose_format.to_matrix([float(f) for f in _fields_of(text)])
    except ValueError:
        raise _guess_fault(
            f"{option} {text!r} contains something that is not a number",
            "write plain numbers with a point, in the robot's format.",
        ) from None
    except InputFault as fault:
        remedy = (
            "write the pose in the robot's format, which [robot] length, rotation and angle of the station file state."
        )
        raise _guess_fault(f"{option}: {fault.message}", remedy) from None


def _fields_of(text: str) -> list[str]:
    return [f for f in re.split(r"[\s,;()\[\]]+", text) if f]


def _setup_from_session(context: StationContext, session: Path) -> tuple[SetupEstimate, list[Pair], float]:
    """Estimate and pairs of a session, and the p95, mm, of the arm's own error at a pick."""
    recorded = load_session(SessionFolder.open_read_only(session))
    pairs = recorded.context.resolve_half_turns(Dataset(recorded.log.dataset.pairs)).pairs
    # The setup is that of the session; the working volume is that of the station file as it is now.
    problem = replace(recorded.context.problem(pairs), volume=context.problem(()).volume)
    outcome = solve(problem)
    if isinstance(outcome, Refusal):
        raise InputFault(
            "plan-session",
            f"the session {session} cannot be solved yet: {outcome.message}",
            f"{outcome.remedy} Or give --camera and --board instead.",
        )
    used = pairs_of_solution(problem, outcome)
    return setup_estimate(problem, outcome), used, outcome.remaining_pick_error_mm


def _guess_fault(what: str, remedy: str) -> InputFault:
    return InputFault("plan-guess", what, remedy)
