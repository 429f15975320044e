"""Where the arm rotates too little, the refusal names the unobservable direction."""

from dataclasses import replace

import numpy as np
import pytest

from eyebolt.calibration import WorkingVolume, weakest_direction
from eyebolt.calibration.estimation import joint_estimate
from eyebolt.calibration.estimation.observability import weak_directions
from eyebolt.calibration.solution import Refusal, Solution
from eyebolt.calibration.solve import solve
from eyebolt.geometry import FlangeRotation
from eyebolt_sim.problems import make_problem
from eyebolt_sim.views import ViewRange
from support import long_forms

OBLIQUE = np.array([0.36, -0.48, 0.8])


def named_axis(text):
    """The axis numbers in "(x, y, z) in base axes" of a refusal."""
    return np.array([float(v) for v in text.split("(")[-1].split(")")[0].split(",")])


@long_forms.crossed_with_noise({"mount": ["fixed", "arm"]})
def test_vertical_arms_leave_the_height_unobservable(cases, mount, stated):
    for seed, poses in enumerate((15, 40) if stated else (6, 15)):
        problem = cases.convert(make_problem(mount, poses, seed, turns="vertical"), stated)
        outcome = solve(replace(problem, flange_rotation=FlangeRotation.FREE))
        assert isinstance(outcome, Refusal), f"seed {seed}"
        assert outcome.code == "insufficient-rotation"
        assert len(outcome.unobservable) == 1
        assert outcome.unobservable[0].startswith("translation along")
        name = "the arm's vertical (base z)" if mount == "fixed" else "the flange's axis (z)"
        assert name in outcome.unobservable[0]
        assert name in outcome.message
        assert "tilt" in outcome.remedy
        assert abs(named_axis(outcome.unobservable[0])[2]) > 0.99


@long_forms.seeds(1, 2)
@pytest.mark.parametrize("stated", [True, False], ids=["noise-stated", "noise-estimated"])
def test_the_named_direction_is_the_axis_of_rotation(cases, stated, seeds):
    for seed in seeds:
        problem, _ = cases.rotating_only_about("fixed", OBLIQUE, 25.0, 15, seed, stated)
        outcome = solve(problem)
        assert isinstance(outcome, Refusal), f"seed {seed}"
        assert outcome.code == "insufficient-rotation"
        axis = named_axis(outcome.unobservable[0])
        assert abs(axis @ OBLIQUE) == pytest.approx(1.0, abs=0.02), outcome.unobservable


@long_forms.seeds(1, 3)
def test_the_named_direction_is_the_axis_in_flange_coordinates(cases, seeds):
    for seed in seeds:
        problem, _ = cases.rotating_only_about("arm", OBLIQUE, 25.0, 15, seed)
        outcome = solve(problem)
        assert isinstance(outcome, Refusal), f"seed {seed}"
        # An axis that the flange rotates about has the same coordinates at every waypoint.
        at_flange = problem.pairs[0].base_T_flange[:3, :3].T @ OBLIQUE
        assert abs(named_axis(outcome.unobservable[0]) @ at_flange) == pytest.approx(1.0, abs=0.02), (
            outcome.unobservable
        )


@long_forms.crossed_with_noise({"mount": ["fixed", "arm"]})
def test_pure_shifts_are_refused(cases, mount, stated):
    for seed, poses in enumerate((12, 40) if stated else (12,)):
        problem, _ = cases.rotating_only_about(mount, OBLIQUE, 0.0, poses, seed, stated)
        outcome = solve(problem)
        assert isinstance(outcome, Refusal), f"seed {seed}"
        assert outcome.code == "insufficient-rotation"
        assert len(outcome.unobservable) >= 2
        assert outcome.pairs_used >= 0.8 * poses


@pytest.mark.parametrize("count", [0, 1, 2])
def test_too_few_pairs_are_refused_with_their_number(cases, count):
    problem = cases.convert(make_problem("fixed", 5, 0))
    outcome = solve(replace(problem, pairs=problem.pairs[:count]))
    assert isinstance(outcome, Refusal)
    assert outcome.code == "too-few-pairs"
    assert outcome.pairs_used == count
    assert f"{count} usable pairs, at least 3 are needed" in outcome.message
    assert outcome.remedy


def test_pairs_with_too_few_corners_do_not_count(cases):
    problem = cases.convert(make_problem("arm", 5, 0))
    for row in (1, 3, 4):
        pair = problem.pairs[row]
        problem = cases.with_pair(problem, row, ids=pair.ids[:5], corners_px=pair.corners_px[:5])
    outcome = solve(problem)
    assert isinstance(outcome, Refusal)
    assert outcome.code == "too-few-pairs"
    assert [p.pair for p in outcome.excluded] == [1, 3, 4]
    assert all("only 5 corners, 6 are needed" in p.reason for p in outcome.excluded)


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_ordinary_turning_is_not_refused(cases, mount):
    for tilt, poses in ((25.0, 5), (8.0, 10)):
        limits = ViewRange(tilt_deg=(0.0, tilt))
        assert isinstance(solve(cases.convert(make_problem(mount, poses, 3, limits=limits))), Solution)


@long_forms.first("mount", ["arm", "fixed"])
def test_what_is_observable_does_not_depend_on_the_size_of_the_cell(cases, mount):
    """The same cell ten times larger, the arm's noise with it: its weakest direction is then 30 mm and more."""
    small = cases.convert(make_problem(mount, 6, 2, 1.0, 2.0, 0.4))
    pairs = []
    for pair in small.pairs:
        pose = pair.base_T_flange.copy()
        pose[:3, 3] *= 10
        pairs.append(replace(pair, base_T_flange=pose))
    noise = replace(small.robot_noise, translation_m=10 * small.robot_noise.translation_m)
    volume = WorkingVolume(10 * small.volume.near_m, 10 * small.volume.far_m)
    large = replace(small, pairs=pairs, board_corners_m=10 * small.board_corners_m, robot_noise=noise, volume=volume)
    outcomes = [solve(problem) for problem in (small, large)]
    assert all(isinstance(outcome, Solution) for outcome in outcomes)
    sigmas_m = [
        weakest_direction(problem, outcome.X, outcome.covariance).sigma_m
        for problem, outcome in zip((small, large), outcomes, strict=True)
    ]
    assert sigmas_m[1] == pytest.approx(10 * sigmas_m[0], rel=1e-3)
    assert sigmas_m[1] > 0.03


def test_sigmas_of_directions_are_displacements_at_the_middle_of_the_working_distance(cases):
    """A rotation by 1 rad counts as a displacement by the distance, about each of the three axes."""
    made = make_problem("arm", 12, 0)
    problem = replace(cases.convert(made), volume=WorkingVolume(2.0, 4.0))
    joint = joint_estimate(problem, cases.observations_of(problem), made.hand_eye_true, made.nuisance_true)
    to_displacement = np.diag([1.0, 1.0, 1.0, 3.0, 3.0, 3.0])
    covariance = to_displacement @ np.linalg.inv(joint.normal)[:6, :6] @ to_displacement
    expected = np.sqrt(np.linalg.eigvalsh(covariance))[::-1]
    assert [found.sigma_m for found in weak_directions(problem, joint)] == pytest.approx(expected, rel=1e-6)
