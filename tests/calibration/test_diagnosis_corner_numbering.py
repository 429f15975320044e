"""Corner numbers that run in rows of another length are found from one image."""

from dataclasses import replace

import numpy as np
import pytest

from eyebolt.calibration.diagnosis.corner_numbering import find_wrong_row_length
from eyebolt.calibration.solution import Refusal
from eyebolt.calibration.solve import solve
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.problems import make_problem
from eyebolt_sim.views import chessboard_shape

BARREL = simple_lens(2448, 2048, 2400.0, (-0.2, 0.05, 0, 0, 0))


@pytest.mark.parametrize("pairs", [1, 4, 8])
def test_columns_and_rows_exchanged_in_the_station_file(cases, pairs):
    problem = cases.convert(make_problem("fixed", pairs, 1), drift_sigma_m=None)
    outcome = solve(replace(problem, board_corners_m=chessboard_shape(9, 12, 0.020).corners_m))
    assert isinstance(outcome, Refusal)
    assert (outcome.findings[0].code, outcome.findings[0].severity) == ("corner-numbering", "stop")
    assert "columns = 12" in outcome.findings[0].remedy


@pytest.mark.parametrize("stated", [11, 13])
def test_a_column_miscounted(cases, stated):
    problem = cases.convert(make_problem("arm", 3, 2), drift_sigma_m=None)
    finding = find_wrong_row_length(chessboard_shape(stated, 9, 0.020).corners_m, problem.pairs)
    assert finding.evidence["corners_per_row"] == 11
    assert "columns = 12" in finding.remedy


def test_corners_numbered_column_by_column(cases):
    problem = cases.convert(make_problem("fixed", 5, 3), drift_sigma_m=None)
    pairs = [replace(p, ids=p.ids % 11 * 8 + p.ids // 11) for p in problem.pairs]
    assert solve(replace(problem, pairs=pairs)).findings[0].code == "corner-numbering"


def test_a_distorted_image_and_a_board_that_is_no_grid_raise_no_finding(cases):
    problem = cases.convert(make_problem("fixed", 5, 4, camera=BARREL), drift_sigma_m=None)
    assert find_wrong_row_length(problem.board_corners_m, problem.pairs) is None
    scattered = problem.board_corners_m + np.random.default_rng(1).normal(size=(88, 3)) * [0.003, 0.003, 0]
    assert find_wrong_row_length(scattered, problem.pairs) is None
