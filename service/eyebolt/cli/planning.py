"""``eyebolt plan``: a waypoint list in the robot's own terms, from a rough guess or from a session so far."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np

from eyebolt.calibration import Refusal, RobotNoise, solve
from eyebolt.context import LENS_KEEPSAKE, STATION_KEEPSAKE, StationInputs, read_inputs
from eyebolt.errors import InputFault
from eyebolt.geometry import Array, se3
from eyebolt.observations import Pair
from eyebolt.planning import (
    Belief,
    Guess,
    Outline,
    Plan,
    belief_of,
    foreseen_mm,
    plan_waypoints,
    upright_of,
    used_pairs,
)
from eyebolt.results import csv_text, plan_lines
from eyebolt.session import Log, fold, pairs_of
from eyebolt.store import SessionFolder

# What arms and lenses of the trade do, where nobody states it (robot_noise of the station, corners of a good picture).
_USUAL_NOISE = RobotNoise(1e-4, float(np.deg2rad(0.02)))
_USUAL_CORNER_PX = 0.1


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
    inputs = read_inputs(station_file)
    goal, reading = inputs.terms.goal, inputs.station.reading
    if session is not None:
        if camera is not None or board is not None:
            raise _guess_fault("--session knows where camera and board are", "leave --camera and --board out.")
        belief, taken, proven = _of_session(inputs, session)
        guess = None
    else:
        belief, taken, proven, guess = _of_guess(inputs, camera, board), [], False, Guess()
    stated = inputs.station.robot_noise_m_rad is not None

    def foreseen(pairs: int, p95_mm: float) -> float:
        return foreseen_mm(pairs, p95_mm, stated)

    upright, limits = upright_of(belief.problem), (goal.tolerance_mm, goal.fewest, goal.most)
    reach_m = None if reach_mm is None else reach_mm / 1e3
    plan = plan_waypoints(belief, taken, upright, foreseen, *limits, guess, not proven, reach_m)
    if plan is None:
        raise InputFault(
            "plan-view",
            "the board fits into the picture nowhere that the camera could see it well",
            "check square_mm, near_mm, far_mm, the lens file and --reach; take a smaller board or a greater distance.",
        )
    if all(waypoint.kind in ("spare", "check") for waypoint in plan.waypoints):
        return [f"nothing to plan: {len(taken)} pairs reach the tolerance of {goal.tolerance_mm:g} mm already."]
    lines = plan_lines(plan, reading, inputs.station.flange_T_tool, goal.tolerance_mm)
    if out is not None:
        _write(out, csv_text(plan, reading, inputs.station.flange_T_tool))
        lines.append(f"{out} written")
    return [*_remarks(inputs, plan, guess), *lines]


def _remarks(inputs: StationInputs, plan: Plan, guess: Guess | None) -> list[str]:
    remarks = []
    if guess is not None and inputs.station.robot_noise_m_rad is None:
        remarks.append("The arm's scatter is not stated; 0.1 mm and 0.02 deg per axis are assumed for the plan.")
    if guess is not None and plan.allowed.off_m < guess.off_m:
        remarks.append(
            f"The board fills too much of the picture to allow for a guess that is {guess.off_m * 1e3:.0f} mm and"
            f" {guess.off_deg:.0f} deg off: look at the picture at each waypoint, or make a new plan with --session"
            " after the first few pairs."
        )
    return remarks


def _of_guess(inputs: StationInputs, camera: str | None, board: str | None) -> Belief:
    problem = inputs.problem(())
    on_arm = problem.mount == "arm"
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
    X = np.eye(4) if camera is None else _pose(inputs, camera, "--camera")
    Y = _board_on_flange(inputs) if board is None else _pose(inputs, board, "--board")
    noise = problem.robot_noise or _USUAL_NOISE
    return Belief(problem, X, Y, noise, _USUAL_CORNER_PX)


def _board_on_flange(inputs: StationInputs) -> Array:
    """A board centred on the flange, its face outward: along the flange's z, or below it for arms that stay upright."""
    middle = Outline.of(inputs.board.corners_m()).middle_m
    turned = se3.exp_rotation([np.pi, 0.0, 0.0]) if inputs.station.station.turns == "free" else np.eye(3)
    return se3.compose_parts(turned, -turned @ middle)


def _pose(inputs: StationInputs, text: str, option: str) -> Array:
    fields = [f for f in re.split(r"[\s,;()\[\]]+", text) if f]
    try:
        return inputs.station.reading.to_matrix([float(f) for f in fields])
    except ValueError:
        raise _guess_fault(f"{option} {text!r} holds something that is no number", "write plain numbers.") from None
    except InputFault as fault:
        raise _guess_fault(f"{option}: {fault.message}", fault.remedy) from None


def _of_session(inputs: StationInputs, session: Path) -> tuple[Belief, list[Pair], bool]:
    """What the session believes, its pairs, and whether board scale and focal length are borne out already."""
    then = read_inputs(session / STATION_KEEPSAKE, session / LENS_KEEPSAKE)
    log = fold(SessionFolder.view(session).records) or Log(name=session.name)
    pairs, _ = then.numbered_alike(pairs_of(log.solvable), ())
    problem = then.problem(pairs)
    # Where the camera is comes from that session, what is wanted of it from the station file as it is now.
    problem = replace(problem, volume=inputs.problem(()).volume)
    outcome = solve(problem)
    if isinstance(outcome, Refusal):
        raise InputFault(
            "plan-session",
            f"the session {session} cannot be solved yet: {outcome.says}",
            f"{outcome.remedy} Or give --camera and --board instead.",
        )
    proven = outcome.proof_p95_mm <= inputs.station.goal.tolerance_mm
    return belief_of(problem, outcome), used_pairs(problem, outcome), proven


def _guess_fault(what: str, remedy: str) -> InputFault:
    return InputFault("plan-guess", what, remedy)


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="ascii")
    except OSError as error:
        raise InputFault(
            "file-unwritable", f"{path} cannot be written: {error.strerror}", "name another place."
        ) from None
