"""``eyebolt plan``: a waypoint list in the robot's own terms, from a rough guess or from a session so far."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np

from eyebolt.calibration import Refusal, RobotNoise, solve
from eyebolt.context import LENS_SNAPSHOT, STATION_SNAPSHOT, StationContext, load_context
from eyebolt.errors import InputFault
from eyebolt.geometry import Array, FlangeRotation, Mount, se3
from eyebolt.observations import Pair
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
from eyebolt.session import SessionLog, decode_facts, fold, pairs_of
from eyebolt.store import SessionFolder

# What arms and lenses of the trade do, where nobody states it (robot_noise of the station, corners of a good picture).
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
    """Makes the plan, writes it to ``out`` if that is given, and returns the lines to show.

    ``camera`` and ``board``: poses as the robot writes them, of the camera (in the base, or in the flange if it is on
    the arm) and of the board (in the flange, or in the base). ``reach_mm``: how far the flange may be from the base.
    Raises InputFault ``plan-guess``, ``plan-session``,
    ``plan-view``, or what reading the station raises.
    """
    context = load_context(station_file)
    goal, pose_format = context.terms.goal, context.station.pose_format
    if session is not None:
        if camera is not None or board is not None:
            raise _guess_fault("--session knows where camera and board are", "leave --camera and --board out.")
        setup, capture_pairs, is_scale_confirmed = _belief_from_session(context, session)
        guess = None
    else:
        setup, capture_pairs, is_scale_confirmed, guess = (
            _belief_from_guess(context, camera, board),
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
            "the board fits into the picture nowhere that the camera could see it well",
            "check square_mm, near_mm, far_mm, the lens file and --reach; take a smaller board or a greater distance.",
        )
    if all(waypoint.kind in ("spare", "check") for waypoint in plan.waypoints):
        return [f"nothing to plan: {len(capture_pairs)} pairs reach the tolerance of {goal.tolerance_mm:g} mm already."]
    lines = plan_lines(plan, pose_format, context.station.flange_T_tool, goal.tolerance_mm)
    if out is not None:
        _write_text(out, csv_text(plan, pose_format, context.station.flange_T_tool))
        lines.append(f"{out} written")
    return [*_notes(context, plan, guess), *lines]


def _notes(context: StationContext, plan: Plan, guess: GuessUncertainty | None) -> list[str]:
    notes = []
    if guess is not None and context.station.robot_noise_m_rad is None:
        notes.append("The arm's scatter is not stated; 0.1 mm and 0.02 deg per axis are assumed for the plan.")
    if guess is not None and plan.tolerated.translation_m < guess.translation_m:
        notes.append(
            f"The board fills too much of the picture to allow for a guess that is {guess.translation_m * 1e3:.0f} mm and"
            f" {guess.rotation_deg:.0f} deg off: look at the picture at each waypoint, or make a new plan with --session"
            " after the first few pairs."
        )
    return notes


def _belief_from_guess(context: StationContext, camera: str | None, board: str | None) -> SetupEstimate:
    problem = context.problem(())
    on_arm = problem.mount is Mount.ARM
    if on_arm and board is None:
        raise _guess_fault(
            "where the board lies is not known",
            'give --board "..." with its pose in the base, as the robot writes a pose (or --session FOLDER).',
        )
    if not on_arm and camera is None:
        raise _guess_fault(
            "where the camera is is not known",
            'give --camera "..." with its pose in the base, as the robot writes a pose (or --session FOLDER).',
        )
    # The camera on the arm looks along the flange's axis unless somebody says otherwise.
    X = np.eye(4) if camera is None else _parse_pose(context, camera, "--camera")
    Y = _board_on_flange(context) if board is None else _parse_pose(context, board, "--board")
    noise = problem.robot_noise or _DEFAULT_ROBOT_NOISE
    return SetupEstimate(problem, X, Y, noise, _DEFAULT_CORNER_SIGMA_PX)


def _board_on_flange(context: StationContext) -> Array:
    """A board centred on the flange, its face outward: along the flange's z, or below it for arms that stay upright."""
    board_centre_m = BoardOutline.of(context.board.corners_m()).centre_m
    rotation = (
        se3.exp_rotation([np.pi, 0.0, 0.0]) if context.station.station.turns is FlangeRotation.FREE else np.eye(3)
    )
    return se3.compose_parts(rotation, -rotation @ board_centre_m)


def _parse_pose(context: StationContext, text: str, option: str) -> Array:
    fields = [f for f in re.split(r"[\s,;()\[\]]+", text) if f]
    try:
        return context.station.pose_format.to_matrix([float(f) for f in fields])
    except ValueError:
        raise _guess_fault(f"{option} {text!r} holds something that is no number", "write plain numbers.") from None
    except InputFault as fault:
        raise _guess_fault(f"{option}: {fault.message}", fault.remedy) from None


def _belief_from_session(context: StationContext, session: Path) -> tuple[SetupEstimate, list[Pair], bool]:
    """What the session believes, its pairs, and whether board scale and focal length are borne out already."""
    session_inputs = load_context(session / STATION_SNAPSHOT, session / LENS_SNAPSHOT)
    log = fold(decode_facts(SessionFolder.open_read_only(session).records)) or SessionLog(name=session.name)
    pairs, _ = session_inputs.resolve_half_turns(pairs_of(log.usable), ())
    problem = session_inputs.problem(pairs)
    # Where the camera is comes from that session, what is wanted of it from the station file as it is now.
    problem = replace(problem, volume=context.problem(()).volume)
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


def _write_text(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="ascii")
    except OSError as error:
        raise InputFault(
            "file-unwritable", f"{path} cannot be written: {error.strerror}", "name another place."
        ) from None
