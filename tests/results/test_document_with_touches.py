"""Touches and the height that they determine, in the result document."""

import json
from dataclasses import replace

import pytest

from eyebolt.calibration.acceptance import assess_result
from eyebolt.calibration.problem_file import read_problem
from eyebolt.calibration.solve import solve
from eyebolt.calibration.uncertainty.touch_test import Height, TouchCheck
from eyebolt.geometry import Mount
from eyebolt.results.document import Provenance, ResultDocument
from eyebolt_sim.problems import make_problem
from support.solutions import result_format

CHECK = TouchCheck(4, 0.21, 0.35, 0.9, 11, 17)


@pytest.fixture(scope="module")
def outcome():
    text = json.dumps(make_problem(Mount.FIXED, poses=9, seed=0).to_json())
    return solve(read_problem(text, "made up")[0])


def content_of(outcome):
    provenance = Provenance("bay-3", "20260314-091500-01", Mount.FIXED, result_format(), {}, "2026-03-14T09:15:00Z")
    return json.loads(ResultDocument.of(provenance, outcome, assess_result(outcome, 1.0)).to_text())


def test_touches_have_four_numbers(outcome):
    content = content_of(replace(outcome, touches=CHECK))
    assert content["touches"] == {"count": 4, "rms_mm": 0.21, "worst_mm": 0.35, "reduced_chi2": 0.9}


def test_an_arm_that_rotates_freely_has_no_height_to_determine(outcome):
    content = content_of(outcome)
    assert content["touches"] == {"count": 0, "rms_mm": None, "worst_mm": None, "reduced_chi2": None}
    assert content["height"] is None


@pytest.mark.parametrize("height", [Height("touch", 612.5, 0.31), Height("board_height_mm", 612.5, 0.31), Height()])
def test_the_height_of_a_vertical_arm(outcome, height):
    content = content_of(replace(outcome, height=height))
    assert content["height"] == {"determined_by": height.determined_by, "mm": height.mm, "sigma_mm": height.sigma_mm}
