"""``eyebolt plan``: waypoints in the robot's own format, from a rough guess or from an earlier session."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np

from eyebolt.calibration import Refusal, RobotNoise, solve
from eyebolt.cli.runner import write_text_file
from eyebolt.context import StationContext, load_context, load_session
from eyebolt.errors import InputFault
from eyebolt.geometry import Array, FlangeRotation, Mount, se3
from eyebolt.observations import Dataset, Pair
from eyebolt.planning import (
    BoardOutline,
    GuessUncertainty,
    Plan,
    SetupEstimate,
    pairs_of_solution,
    plan_waypoints,
    setup_estimate,
)
from eyebolt.results import csv_text, plan_lines
from eyebolt.store import SessionFolder

# Typical of industrial arms, and of corners in a sharp image, where the station file states nothing.
_DEFAULT_ROBOT_NOISE = RobotNoise(1e-4, float(np.deg2rad(0.02)))
_DEFAULT_CORNER_SIGMA_PX = 0.1


def plan_station(
    station_file: Path,
    camera: str | None,
    board: str | None,
    session: Path | None,
    out: Path | None,
    reach_mm: float | None = None,
) -> list[str]:
    """Plans the waypoints, writes them to ``out`` if given, and returns the lines to print.

    ``camera`` and ``board``: guessed poses in the robot's format, of the camera (in the base, or in the flange if it is
    on the arm) and of the board (in the flange, or in the base). ``reach_mm``: largest distance of the flange from the
    base. Raises InputFault ``plan-guess``, ``plan-session``, ``plan-view``, or what reading the station raises.
    """
    context = load_context(station_file)
    goal, pose_format = context.session_config.goal, context.pose_format
    if session is not None:
        if camera is not None or board is not None:
            raise _guess_fault("--session determines camera and board already", "omit --camera and --board.")
        setup, capture_pairs, is_scale_confirmed = _setup_from_session(context, session)
        guess = None
    else:
        setup, capture_pairs, is_scale_confirmed, guess = (
            _setup_from_guess(context, camera, board),
            [],
            False,
            GuessUncertainty(),
        )
    is_noise_stated = context.station.robot_noise_m_rad is not None
    reach_m = None if reach_mm is None else reach_mm / 1e3
    plan = plan_waypoints(setup, capture_pairs, goal, is_noise_stated, guess, not is_scale_confirmed, reach_m)
    if plan is None:
        raise InputFault(
            "plan-view",
            "no view of the whole board is usable: it does not fit into the image, or is out of reach",
            "check square_mm, near_mm, far_mm, the lens file and --reach; use a smaller board or a larger distance.",
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


def _setup_from_guess(context: StationContext, camera: str | None, board: str | None) -> SetupEstimate:
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
    # Without a guess the camera on the arm is assumed to look along the axis of the flange.
    X = np.eye(4) if camera is None else _parse_pose(context, camera, "--camera")
    Y = _board_on_flange(context) if board is None else _parse_pose(context, board, "--board")
    noise = problem.robot_noise or _DEFAULT_ROBOT_NOISE
    return SetupEstimate(problem, X, Y, noise, _DEFAULT_CORNER_SIGMA_PX)


def _board_on_flange(context: StationContext) -> Array:
    """Board centred on the flange and facing outward: along the flange's z, or downward for arms that stay vertical."""
    board_centre_m = BoardOutline.of(context.board.corners_m()).centre_m
    rotation = (
        se3.exp_rotation([np.pi, 0.0, 0.0]) if context.station.station.turns is FlangeRotation.FREE else np.eye(3)
    )
    return se3.compose_parts(rotation, -rotation @ board_centre_m)


def _parse_pose(context: StationContext, text: str, option: str) -> Array:
    fields = [f for f in re.split(r"[\s,;()\[\]]+", text) if f]
    try:
        return context.pose_format.to_matrix([float(f) for f in fields])
    except ValueError:
        raise _guess_fault(
            f"{option} {text!r} contains something that is not a number", "write plain numbers."
        ) from None
    except InputFault as fault:
        raise _guess_fault(f"{option}: {fault.message}", fault.remedy) from None


def _setup_from_session(context: StationContext, session: Path) -> tuple[SetupEstimate, list[Pair], bool]:
    """Estimate and pairs of a session, and whether board scale and focal length are confirmed already."""
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
    is_scale_confirmed = outcome.p95_with_nuisances_mm <= context.station.goal.tolerance_mm
    return setup_estimate(problem, outcome), pairs_of_solution(problem, outcome), is_scale_confirmed


def _guess_fault(what: str, remedy: str) -> InputFault:
    return InputFault("plan-guess", what, remedy)
