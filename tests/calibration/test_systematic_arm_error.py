"""Pairs of an arm with wrong geometry stay in; those that are mistakes stay out."""

from dataclasses import replace

import pytest

from eyebolt.calibration.solve import solve
from eyebolt_sim.problems import make_problem


@pytest.mark.parametrize("seed", [4, 9, 31])
def test_an_arm_with_wrong_geometry_keeps_pairs_that_look_strange_beside_quieter_ones(bench, seed):
    """Joint offsets of 0.03 deg and links wrong by 0.2 mm; without the second look these lose 5 to 7 of 20 pairs."""
    problem = bench.session("arm", 20, seed, bench.KINEMATIC).problem

    outcome = solve(problem)

    assert outcome.pairs_used == 20
    assert outcome.excluded == ()


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_a_board_that_slipped_now_and_then_stays_out(cases, mount):
    simulated = make_problem(mount, 20, 1)
    problem = cases.convert(simulated, include_robot_noise=False)
    for row in (3, 8, 14):
        problem = cases.with_slipped_board(simulated, problem, row, slip_mm=2.5, slip_deg=0.0)

    assert {pair.pair for pair in solve(problem).excluded} == {3, 8, 14}


def test_a_neighbours_picture_among_the_pairs_of_such_an_arm_stays_out(bench):
    problem = bench.session("arm", 20, 4, bench.KINEMATIC).problem
    pairs = list(problem.pairs)
    pairs[7] = replace(pairs[7], ids=pairs[8].ids, corners_px=pairs[8].corners_px)

    assert [pair.pair for pair in solve(replace(problem, pairs=pairs)).excluded] == [7]
