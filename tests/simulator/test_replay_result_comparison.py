"""Comparison of the results of a replay and its recording."""

import pytest

from eyebolt.calibration import AcceptanceCause, Refusal, RefusalCode, ResultAcceptance
from eyebolt.calibration.solution import ExcludedPair
from eyebolt.geometry import Mount
from eyebolt.results import Provenance, ResultDocument
from eyebolt_sim.replay.result_comparison import RELATIVE_TOLERANCE, differences, renumber_pairs
from support.solutions import result_format

RESULT = {
    "session": "20261126-120000-01",
    "timestamp": "2026-11-26T12:00:00Z",
    "software": "eyebolt 0.1.0",
    "accepted": None,
    "acceptance": "accept",
    "transform": {"matrix": [[1.0, 0.0, 0.5], [0.0, 1e-7, 0.0]]},
    "covariance": [[4e-8, 1e-9], [1e-9, 4e-8]],
    "board_scale": {"deviation": 1e-5, "sigma": 2e-4},
    "findings": [{"code": "arm-limited", "evidence": {"share": 0.9}}],
    "pairs": {"used": 7, "excluded": [{"pair": 4, "reason": "too far off"}]},
    "inputs": {"station.toml": "aa", "camera.json": "bb"},
}


def test_keys_of_the_run_do_not_count():
    run = {"session": "another", "timestamp": "later", "software": "eyebolt 9", "accepted": {"by": "somebody"}}
    assert differences(RESULT, {**RESULT, **run, "inputs": {"station.toml": "cc", "camera.json": "bb"}}) == []


@pytest.mark.parametrize(
    ("change", "path", "relative"),
    [
        ({"acceptance": "reject"}, "acceptance", float("inf")),
        ({"transform": None}, "transform", float("inf")),
        ({"inputs": {"station.toml": "aa", "camera.json": "other"}}, "inputs.camera.json", float("inf")),
        ({"findings": []}, "findings", float("inf")),
        ({"findings": [{"code": "arm-limited", "evidence": {"share": 0.8}}]}, "findings[0].evidence.share", 0.1),
        # Numbers of a list relative to the largest one; a single small number relative to 1.
        ({"transform": {"matrix": [[1.0, 0.0, 0.5], [0.0, 3e-7, 0.0]]}}, "transform.matrix", 2e-7),
        ({"covariance": [[4e-8, 1e-9], [1e-9, 4.4e-8]]}, "covariance", 0.1),
        ({"board_scale": {"deviation": 1.1e-5, "sigma": 2e-4}}, "board_scale.deviation", 1e-6),
        ({"pairs": {**RESULT["pairs"], "used": 8}}, "pairs.used", 1 / 7),
    ],
)
def test_values_of_the_result_count(change, path, relative):
    (found,) = differences(RESULT, {**RESULT, **change})
    assert (found.path, found.relative) == (path, pytest.approx(relative, rel=1e-6))
    assert found.relative > RELATIVE_TOLERANCE


def test_a_rounding_error_is_a_difference_within_the_tolerance():
    matrix = [[1.0, 1e-12, 0.5], [0.0, 1e-7, 0.0]]
    (found,) = differences(RESULT, {**RESULT, "transform": {"matrix": matrix}})
    assert 0 < found.relative < RELATIVE_TOLERANCE


def test_pairs_are_renumbered_as_if_every_image_had_a_reply():
    refusal = Refusal(RefusalCode.NOT_CONVERGED, "no", "again", 7, excluded=(ExcludedPair(4, "too far off"),))
    provenance = Provenance("bay-3", "20261126-120000-01", Mount.FIXED, result_format(), {}, "2026-11-26T12:00:00Z")
    document = ResultDocument.of(provenance, refusal, ResultAcceptance(AcceptanceCause.ERROR_ABOVE_TOLERANCE, "no"))
    # Images 2 and 3 got no reply: image 4 is the third one.
    assert renumber_pairs(document, [0, 1, 4, 5])["pairs"] == {
        "used": 7,
        "excluded": [{"pair": 2, "reason": "too far off"}],
    }
    assert renumber_pairs(document, range(6)) == document.to_json()
