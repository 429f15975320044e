"""A result whose evidence has no finite value is written, with null in its place."""

import json
from dataclasses import replace

import numpy as np
import pytest

from eyebolt.calibration import assess_result, solve
from eyebolt.calibration.result_format import ResultFormat
from eyebolt.geometry import PoseFormat
from eyebolt.results.document import Provenance, ResultDocument
from eyebolt_sim.problems import make_problem
from support.problems import convert, with_pair, with_stale_pose


def other_corners(problem):
    """Pair 1 is sent with the pose of pair 0, and none of its corners is among those of pair 0."""
    problem = with_stale_pose(problem, 1)
    for row, half in ((0, slice(None, 40)), (1, slice(40, None))):
        pair = problem.pairs[row]
        problem = with_pair(problem, row, ids=pair.ids[half], corners_px=pair.corners_px[half])
    return problem


def in_a_line(problem):
    ends = np.array([100.0, 100.0]), np.array([900.0, 500.0])
    pairs = [replace(pair, corners_px=np.linspace(*ends, len(pair.ids))) for pair in problem.pairs]
    return replace(problem, pairs=pairs)


def twice_the_same(problem):
    pairs = [replace(pair, corners_px=np.repeat(pair.corners_px[::2], 2, axis=0)) for pair in problem.pairs]
    return replace(problem, pairs=pairs)


@pytest.mark.parametrize("spoil", [other_corners, in_a_line, twice_the_same])
@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_degenerate_corners(spoil):
    problem = spoil(convert(make_problem("fixed", poses=8, seed=1)))
    outcome = solve(problem)
    provenance = Provenance("bay", "s", problem.mount, ResultFormat(PoseFormat(), problem.grid, 1.0), {}, "")
    document = ResultDocument.of(provenance, outcome, assess_result(outcome, 1.0))
    assert ResultDocument.from_text(document.to_text()) == document
    if spoil is other_corners:
        (stale,) = [f for f in json.loads(document.to_text())["findings"] if f["code"] == "stale-pose"]
        assert stale["evidence"]["corners_moved_px"] is None
        assert "inf" not in stale["message"]
