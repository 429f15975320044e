"""Results of a replay and of its record compared: what counts, what does not, and how near is the same."""

import pytest

from eyebolt.calibration import AcceptanceCause, Refusal, RefusalCode, ResultAcceptance
from eyebolt.calibration.solution import ExcludedPair
from eyebolt.geometry import Mount, PoseFormat
from eyebolt.results import Provenance, ResultDocument
from eyebolt_sim.replay.result_comparison import RELATIVE_TOLERANCE, differences, renumber_pairs

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


def test_when_and_where_it_was_solved_does_not_count():
    occasion = {"session": "another", "timestamp": "later", "software": "eyebolt 9", "accepted": {"by": "somebody"}}
    assert differences(RESULT, {**RESULT, **occasion, "inputs": {"station.toml": "cc", "camera.json": "bb"}}) == []


@pytest.mark.parametrize(
    ("change", "path", "relative"),
    [
        ({"acceptance": "reject"}, "acceptance", float("inf")),
        ({"transform": None}, "transform", float("inf")),
        ({"inputs": {"station.toml": "aa", "camera.json": "other"}}, "inputs.camera.json", float("inf")),
        ({"findings": []}, "findings", float("inf")),
        ({"findings": [{"code": "arm-limited", "evidence": {"share": 0.8}}]}, "findings[0].evidence.share", 0.1),
        # Of a list, over its largest number; of a single small number, over 1.
        ({"transform": {"matrix": [[1.0, 0.0, 0.5], [0.0, 3e-7, 0.0]]}}, "transform.matrix", 2e-7),
        ({"covariance": [[4e-8, 1e-9], [1e-9, 4.4e-8]]}, "covariance", 0.1),
        ({"board_scale": {"deviation": 1.1e-5, "sigma": 2e-4}}, "board_scale.deviation", 1e-6),
        ({"pairs": {**RESULT["pairs"], "used": 8}}, "pairs.used", 1 / 7),
    ],
)
def test_what_was_found_counts(change, path, relative):
    (found,) = differences(RESULT, {**RESULT, **change})
    assert (found.path, found.relative) == (path, pytest.approx(relative, rel=1e-6))
    assert found.relative > RELATIVE_TOLERANCE


def test_another_order_of_adding_up_is_the_same_and_is_told():
    matrix = [[1.0, 1e-12, 0.5], [0.0, 1e-7, 0.0]]
    (found,) = differences(RESULT, {**RESULT, "transform": {"matrix": matrix}})
    assert 0 < found.relative < RELATIVE_TOLERANCE


def test_pairs_are_numbered_as_if_no_image_had_gone_unanswered():
    refusal = Refusal(RefusalCode.NOT_CONVERGED, "no", "again", 7, excluded=(ExcludedPair(4, "too far off"),))
    provenance = Provenance("bay-3", "20261126-120000-01", Mount.FIXED, PoseFormat(), {}, "2026-11-26T12:00:00Z")
    document = ResultDocument.of(provenance, refusal, ResultAcceptance(AcceptanceCause.ERROR_ABOVE_TOLERANCE, "no"))
    # Images 2 and 3 got no reply: image 4 is the third one.
    assert renumber_pairs(document, [0, 1, 4, 5])["pairs"] == {
        "used": 7,
        "excluded": [{"pair": 2, "reason": "too far off"}],
    }
    assert renumber_pairs(document, range(6)) == document.to_json()
