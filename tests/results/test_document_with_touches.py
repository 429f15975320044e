"""Touches and the height they close, as the result document and its summary tell them."""

import json
from dataclasses import replace

import numpy as np
import pytest

from eyebolt.calibration.acceptance import assess_result
from eyebolt.calibration.problem_file import read_problem
from eyebolt.calibration.solve import solve
from eyebolt.calibration.uncertainty.touch_test import Height, TouchCheck
from eyebolt.geometry import Mount
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt.results.document import Provenance, result_document, to_text
from eyebolt.results.summary import summary
from eyebolt_sim.problems import make_problem

CHECK = TouchCheck(4, 0.21, 0.35, 0.9, 11, 17, True, 0.6)


@pytest.fixture(scope="module")
def outcome():
    text = json.dumps(make_problem(Mount.FIXED, poses=9, seed=0).as_json())
    return solve(read_problem(text, "made up")[0])


def document_of(outcome):
    provenance = Provenance("bay-3", "20260314-091500-01", Mount.FIXED, PoseFormat(), {}, "2026-03-14T09:15:00Z")
    document = result_document(provenance, outcome, assess_result(outcome, 1.0))
    assert json.loads(to_text(document)) == document
    return document


def test_touches_have_the_four_numbers_of_the_contract(outcome):
    document = document_of(replace(outcome, touches=CHECK))
    assert document["touches"] == {"count": 4, "rms_mm": 0.21, "worst_mm": 0.35, "reduced_chi2": 0.9}
    assert any(line.startswith("touches: 4, rms 0.210 mm, worst 0.350 mm") for line in summary(document))


def test_without_touches_there_are_none_and_a_free_arm_has_no_height_to_close(outcome):
    document = document_of(outcome)
    assert document["touches"] == {"count": 0, "rms_mm": None, "worst_mm": None, "reduced_chi2": None}
    assert document["height"] is None
    assert not any(line.startswith(("touches", "height")) for line in summary(document))


@pytest.mark.parametrize(
    ("height", "told"),
    [
        (Height("touch", 612.5, 0.31), ["height of the camera: 612.500 mm (sigma 0.310 mm), known by touch"]),
        (
            Height("board_height_mm", 612.5, 0.31),
            ["height of the camera: 612.500 mm (sigma 0.310 mm), known by board_height_mm"],
        ),
        (Height(), []),
    ],
)
def test_the_height_of_a_vertical_arm(outcome, height, told):
    document = document_of(replace(outcome, height=height))
    assert document["height"] == {"determined_by": height.determined_by, "mm": height.mm, "sigma_mm": height.sigma_mm}
    assert [line for line in summary(document) if line.startswith("height")] == told


def test_a_summary_of_an_older_result_without_a_height_is_no_fault(outcome):
    document = document_of(outcome)
    document.pop("height")
    assert summary(document)
    assert np.isfinite(document["expected_error_mm"]["p95"])
