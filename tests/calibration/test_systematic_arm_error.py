"""Pairs of an arm with a wrong geometry remain inliers; faulty pairs remain outliers."""

from dataclasses import replace

import pytest

from eyebolt.calibration.solve import solve
from eyebolt_sim.problems import make_problem


@pytest.mark.parametrize("seed", [4, 9, 31])
def test_an_arm_with_wrong_geometry_loses_no_pair(bench, seed):
    """Joint offsets of 0.03 deg and link errors of 0.2 mm; without readmission these lose 5 to 7 of 20 pairs."""
    problem = bench.session("arm", 20, seed, bench.KINEMATIC).problem

    outcome = solve(problem)

    assert outcome.pairs_used == 20
    assert outcome.excluded == ()


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_pairs_of_a_slipped_board_stay_excluded(cases, mount):
    simulated = make_problem(mount, 20, 1)
    problem = cases.convert(simulated, include_robot_noise=False)
    for row in (3, 8, 14):
        problem = cases.with_slipped_board(simulated, problem, row, slip_mm=2.5, slip_deg=0.0)

    assert {pair.pair for pair in solve(problem).excluded} == {3, 8, 14}


def test_a_neighbours_image_among_the_pairs_of_such_an_arm_stays_excluded(bench):
    problem = bench.session("arm", 20, 4, bench.KINEMATIC).problem
    pairs = list(problem.pairs)
    pairs[7] = replace(pairs[7], ids=pairs[8].ids, corners_px=pairs[8].corners_px)

    assert [pair.pair for pair in solve(replace(problem, pairs=pairs)).excluded] == [7]
