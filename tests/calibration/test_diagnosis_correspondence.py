"""Poses and images that do not correspond are found: shifted, swapped, stale, numbered from the opposite end."""

from dataclasses import replace

import numpy as np

from eyebolt.calibration.diagnosis.correspondence import find_stale_pairs
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve
from eyebolt.observations.pair import Pair
from eyebolt_sim.problems import make_problem
from eyebolt_sim.transforms import matrix
from support import long_forms

MOUNTS = ["fixed", "arm"]


def problem_of(cases, mount, poses, seed):
    return cases.convert(make_problem(mount, poses, seed), include_robot_noise=False, drift_sigma_m=None)


def shifted(problem, late):
    """Pose k with the image of waypoint k - late; poses without one are dropped."""
    pairs = problem.pairs
    rows = [(k, k - late) for k in range(len(pairs)) if 0 <= k - late < len(pairs)]
    return replace(
        problem,
        pairs=[
            replace(pairs[k], index=i, ids=pairs[j].ids, corners_px=pairs[j].corners_px)
            for i, (k, j) in enumerate(rows)
        ],
    )


@long_forms.crossed({"late, pairs": [(1, 4), (-1, 5), (2, 6), (-3, 10)], "mount": MOUNTS})
def test_images_of_the_waypoint_before_or_after(cases, mount, late, pairs):
    first = solve(shifted(problem_of(cases, mount, pairs + abs(late), 1), late)).findings[0]
    assert (first.code, first.severity, first.evidence["lag"]) == ("pairs-shifted", "stop", late)
    assert first.evidence["residual_mm"] < 3 < 12 < first.evidence["next_best_mm"]


@long_forms.crossed({"pairs, first, second": [(5, 0, 3), (6, 4, 5), (12, 2, 9)], "mount": MOUNTS})
def test_two_images_swapped(cases, mount, pairs, first, second):
    problem = problem_of(cases, mount, pairs, 2)
    a, b = problem.pairs[first], problem.pairs[second]
    spoilt = cases.with_pair(problem, first, ids=b.ids, corners_px=b.corners_px)
    spoilt = cases.with_pair(spoilt, second, ids=a.ids, corners_px=a.corners_px)
    finding = solve(spoilt).findings[0]
    assert finding.code == "pairs-swapped"
    assert (finding.evidence["pair"], finding.evidence["other_pair"]) == (first, second)


def test_three_images_in_a_circle_are_no_two_swapped(cases):
    problem = problem_of(cases, "fixed", 12, 2)
    spoilt = problem
    for row, other in ((2, 5), (5, 9), (9, 2)):
        pair = problem.pairs[other]
        spoilt = cases.with_pair(spoilt, row, ids=pair.ids, corners_px=pair.corners_px)
    outcome = solve(spoilt)
    assert {p.pair for p in outcome.excluded} == {2, 5, 9}
    assert "pairs-swapped" not in {f.code for f in outcome.findings}


@long_forms.seeds(2, 12)
@long_forms.first("mount", ["fixed", "arm"])
def test_two_images_swapped_with_a_noisy_arm(cases, mount, seeds):
    """Even the right pairs have residuals of millimetres: 0.3 mm and 0.05 deg per axis, corner noise of 0.3 px."""
    named = 0
    for seed in seeds:
        simulated = make_problem(mount, 10, seed, 0.3, 0.3, 0.05)
        problem = cases.convert(simulated, include_robot_noise=False, drift_sigma_m=None)
        a, b = problem.pairs[3], problem.pairs[7]
        spoilt = cases.with_pair(problem, 3, ids=b.ids, corners_px=b.corners_px)
        spoilt = cases.with_pair(spoilt, 7, ids=a.ids, corners_px=a.corners_px)
        evidence = [f.evidence for f in solve(spoilt).findings[:1] if f.code == "pairs-swapped"]
        named += bool(evidence) and (evidence[0]["pair"], evidence[0]["other_pair"]) == (3, 7)
    assert named >= len(seeds) * 11 / 12


@long_forms.crossed({"pairs": [5, 12], "mount": MOUNTS})
def test_a_stale_pose_and_a_stale_image(cases, mount, pairs):
    problem = problem_of(cases, mount, pairs, 3)
    pose = solve(cases.with_stale_pose(problem, 3)).findings[0]
    assert (pose.code, pose.evidence["pair"]) == ("stale-pose", 3)
    before = problem.pairs[1]
    image = solve(cases.with_pair(problem, 2, ids=before.ids, corners_px=before.corners_px)).findings[0]
    assert (image.code, image.evidence["pair"]) == ("stale-image", 2)
    assert image.evidence["pose_moved_mm"] > 1


def pair_at(index, shift_mm, corners_px):
    return Pair(index, matrix(np.eye(3), [shift_mm * 1e-3, 0, 0]), np.arange(len(corners_px)), corners_px)


def test_a_waypoint_taken_twice_is_no_stale_pair():
    corners = np.random.default_rng(1).uniform(0, 1000, (20, 2))
    again = corners + np.random.default_rng(2).normal(size=(20, 2)) * 0.1
    assert not find_stale_pairs([pair_at(0, 100.0, corners), pair_at(1, 100.0, again)])
    assert [f.code for f in find_stale_pairs([pair_at(0, 100.0, corners), pair_at(1, 100.0, corners + 5)])] == [
        "stale-pose"
    ]
    assert [f.code for f in find_stale_pairs([pair_at(0, 100.0, corners), pair_at(1, 105.0, corners)])] == [
        "stale-image"
    ]
    assert not find_stale_pairs([pair_at(0, 100.0, corners), pair_at(1, 105.0, corners + 20)])


@long_forms.crossed({"turned": [(1,), (0, 2, 5)], "mount": MOUNTS})
def test_views_numbered_from_the_opposite_end(cases, mount, turned):
    problem = problem_of(cases, mount, 9, 4)
    last = len(problem.board_corners_m) - 1
    for row in turned:
        problem = cases.with_pair(problem, row, ids=last - problem.pairs[row].ids)
    finding = solve(problem).findings[0]
    assert finding.code == "half-turned"
    assert (finding.evidence["pairs"], finding.evidence["first"]) == (len(turned), turned[0])


@long_forms.first("mount", ["arm", "fixed"])
def test_a_single_outlier_is_no_swap(cases, mount):
    problem = problem_of(cases, mount, 12, 5)
    outcome = solve(cases.with_neighbours_image(problem, 4))
    assert isinstance(outcome, Solution)
    assert not {"pairs-swapped", "pairs-shifted", "half-turned"} & {f.code for f in outcome.findings}
