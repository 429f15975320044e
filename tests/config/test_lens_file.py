"""The lens file: exact in both directions, and all faults of an invalid one at once."""

from __future__ import annotations

import json
import sys

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eyebolt.config.lens_file import lens_text, parse_lens
from eyebolt.errors import InputFault
from eyebolt.geometry.camera_model import CameraModel

GOOD = {
    "width": 2448,
    "height": 2048,
    "matrix": [[3500.25, 0, 1223.5], [0, 3499.75, 1023.5], [0, 0, 1]],
    "distortion": [-0.11, 0.08, 0.0002, -0.0003, 0.01],
    "sigma": {"fx": 1.5, "cy": 0.7, "k3": 0.02},
}


def faults_of(text: str) -> dict[str, str]:
    with pytest.raises(InputFault) as caught:
        parse_lens(text, "camera.json")
    assert caught.value.code == "lens-file"
    assert "camera.json" in caught.value.message
    for fault in caught.value.data["faults"]:  # type: ignore[attr-defined]
        assert str(fault) in caught.value.message and fault.allowed
    return {fault.key: fault.found for fault in caught.value.data["faults"]}  # type: ignore[attr-defined]


def test_a_good_lens() -> None:
    lens = parse_lens(json.dumps(GOOD), "camera.json")
    assert (lens.width_px, lens.height_px) == (2448, 2048)
    assert lens.matrix.tolist() == GOOD["matrix"]
    assert lens.distortion.tolist() == GOOD["distortion"]
    assert lens.sigma == GOOD["sigma"]
    assert parse_lens(json.dumps({k: v for k, v in GOOD.items() if k != "sigma"}), "x").sigma == {}


finite = st.floats(allow_nan=False, allow_infinity=False)


@settings(max_examples=100, deadline=None)
@given(
    st.floats(1e-3, 1e6),
    st.floats(1e-3, 1e6),
    finite,
    finite,
    st.sampled_from([0, 4, 5, 8, 12]).flatmap(lambda n: st.lists(finite, min_size=n, max_size=n)),
    st.dictionaries(st.sampled_from(["fx", "fy", "cx", "cy"]), st.floats(1e-12, 1e3)),
)
def test_text_and_back_is_exact(
    fx: float, fy: float, cx: float, cy: float, distortion: list[float], sigma: dict[str, float]
) -> None:
    lens = CameraModel(640, 480, np.array([[fx, 0.5, cx], [0, fy, cy], [0, 0, 1]]), np.array(distortion), sigma)
    back = parse_lens(lens_text(lens), "camera.json")
    assert (back.width_px, back.height_px, back.sigma) == (640, 480, sigma)
    assert back.matrix.tolist() == lens.matrix.tolist()
    assert back.distortion.tolist() == lens.distortion.tolist()


def calibrated_by_opencv():
    """Matrix and distortion of a made-up camera as OpenCV's calibrateCamera returns them."""
    truth = np.array([[900.0, 0, 320], [0, 905, 240], [0, 0, 1]])
    board = np.array([[x, y, 0] for y in range(5) for x in range(7)], dtype=np.float32) * 0.03
    turns = [[0.4, 0.1, 0.0], [-0.4, 0.2, 0.3], [0.1, 0.5, -0.2], [0.2, -0.5, 0.1]]
    seen = [cv2.projectPoints(board, np.array(t), np.array([-0.1, -0.06, 0.7]), truth, None)[0] for t in turns]
    points = [corners.astype(np.float32) for corners in seen]
    _, matrix, distortion, *_ = cv2.calibrateCamera([board] * len(turns), points, (640, 480), None, None)
    return matrix, distortion


@pytest.mark.parametrize("as_returned", [lambda d: d, lambda d: d.reshape(-1, 1), lambda d: d.reshape(1, -1)])
def test_what_opencv_returns_is_taken_as_it_is(as_returned):
    """Reference: OpenCV's own shapes of ``calibrateCamera``; older versions give a column."""
    matrix, distortion = calibrated_by_opencv()
    content = {"width": 640, "height": 480, "matrix": matrix.tolist(), "distortion": as_returned(distortion).tolist()}
    lens = parse_lens(json.dumps(content), "camera.json")
    assert lens.matrix.tolist() == matrix.tolist()
    assert lens.distortion.tolist() == distortion.ravel().tolist()


@pytest.mark.parametrize(
    "distortion", [[[0.1] * 3], [[0.1, 0.2], [0.3, 0.4]], [[[0.1] * 5]], [[0.1], 0.2, 0.3, 0.4], [["a"] * 5]]
)
def test_other_lists_in_lists_are_refused(distortion):
    with pytest.raises(InputFault) as caught:
        parse_lens(json.dumps({**GOOD, "distortion": distortion, "sigma": {}}), "camera.json")
    faults = caught.value.data["faults"]
    assert isinstance(faults, tuple)
    assert [fault.key for fault in faults] == ["distortion"]


def test_all_faults_at_once() -> None:
    bad = {
        "width": 0,
        "hight": 2048,
        "matrix": np.array(GOOD["matrix"]).T.tolist(),
        "distortion": [0.1, 0.2, 0.3],
        "sigma": {"fx": -1, "f": 1},
    }
    faults = faults_of(json.dumps(bad))
    assert set(faults) == {"width", "hight", "height", "matrix", "distortion", "sigma.fx", "sigma.f"}
    assert faults["height"] == "nothing"


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("width", 2448.0),
        ("width", True),
        ("width", 10**30),
        ("matrix", [[3500, 0, 1], [0.1, 3500, 1], [0, 0, 1]]),
        ("matrix", [[-3500, 0, 1], [0, 3500, 1], [0, 0, 1]]),
        ("matrix", [[3500, 0, 1], [0, 3500, 1]]),
        ("matrix", [[3500, 0, "1"], [0, 3500, 1], [0, 0, 1]]),
        ("matrix", [[10**400, 0, 1], [0, 3500, 1], [0, 0, 1]]),
        ("matrix", [[float("inf"), 0, 1], [0, 3500, 1], [0, 0, 1]]),
        ("distortion", [0.1, float("nan"), 0, 0]),
        ("distortion", None),
        ("sigma", [1, 2]),
    ],
)
def test_one_wrong_value(key: str, value: object) -> None:
    assert set(faults_of(json.dumps({**GOOD, key: value}))) == {key}


def test_a_deviation_for_a_coefficient_that_the_lens_does_not_have() -> None:
    assert set(faults_of(json.dumps({**GOOD, "sigma": {"k4": 0.1}}))) == {"sigma.k4"}


@pytest.mark.parametrize("text", ["", "{", "[]", "5", '{"width": 1,}', "[" * 100_000, "9" * 5000, "\x00"])
def test_no_json_object(text: str) -> None:
    assert set(faults_of(text)) == {""}


def test_faults_have_the_line_of_their_key() -> None:
    text = json.dumps({**GOOD, "height": 0, "matrx": 1, "sigma": {"fx": 1, "k9": 2}}, indent=1)
    with pytest.raises(InputFault) as caught:
        parse_lens(text, "camera.json")
    lines = text.split("\n")
    for fault in caught.value.data["faults"]:  # type: ignore[attr-defined]
        assert f'"{fault.key.rpartition(".")[2]}"' in lines[fault.line - 1]
    with pytest.raises(InputFault) as caught:
        parse_lens('{\n"width": 5,\n}', "camera.json")
    # Since Python 3.13 the comma is what is wrong, before it the brace that follows.
    line = 2 if sys.version_info >= (3, 13) else 3
    assert [fault.line for fault in caught.value.data["faults"]] == [line]  # type: ignore[attr-defined]


def test_a_lens_that_no_file_can_state_is_a_fault() -> None:
    with pytest.raises(InputFault) as caught:
        lens_text(CameraModel(640, 480, np.array([[1.0, 0, 0], [0.1, 1, 0], [0, 0, 1]]), np.zeros(5)))
    assert caught.value.code == "lens-model"


def test_the_text_of_a_lens_file() -> None:
    lens = CameraModel(640, 480, np.array([[500.0, 0, 320], [0, 500, 240], [0, 0, 1]]), np.zeros(4), {"fx": 1.5})
    assert (
        lens_text(lens)
        == """\
{
  "width": 640,
  "height": 480,
  "matrix": [[500.0, 0.0, 320.0],
             [0.0, 500.0, 240.0],
             [0.0, 0.0, 1.0]],
  "distortion": [0.0, 0.0, 0.0, 0.0],
  "sigma": {"fx": 1.5}
}
"""
    )


COVARIANCE = {"parameters": ["fx", "cy", "k1"], "matrix": [[2.25, 0.3, 0.01], [0.3, 0.49, 0], [0.01, 0, 0.0004]]}


def with_covariance(**changes: object) -> str:
    return json.dumps({**{k: v for k, v in GOOD.items() if k != "sigma"}, "covariance": {**COVARIANCE, **changes}})


def test_a_covariance_is_read_as_sigmas_and_correlation() -> None:
    lens = parse_lens(with_covariance(), "camera.json")
    assert lens.sigma == pytest.approx({"fx": 1.5, "cy": 0.7, "k1": 0.02})
    assert list(lens.sigma) == COVARIANCE["parameters"]
    assert lens.covariance == pytest.approx(np.array(COVARIANCE["matrix"]), rel=1e-14)
    assert parse_lens(json.dumps(GOOD), "camera.json").covariance == pytest.approx(np.diag([1.5, 0.7, 0.02]) ** 2)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 9), st.integers(0, 2**32 - 1))
def test_a_covariance_is_written_and_read_again(count: int, seed: int) -> None:
    generator = np.random.default_rng(seed)
    names = generator.permutation(["fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"])[:count].tolist()
    root = generator.normal(size=(count, count + 1))
    correlation = np.corrcoef(root) if count > 1 else np.ones((count, count))
    sigma = dict(zip(names, (10.0 ** generator.uniform(-6, 2, count)).tolist(), strict=True))
    lens = CameraModel(640, 480, np.array(GOOD["matrix"]), np.zeros(5), sigma, correlation)
    back = parse_lens(lens_text(lens), "camera.json")
    assert list(back.sigma) == names
    assert back.correlation is not None
    assert back.covariance == pytest.approx(lens.covariance, rel=1e-12, abs=0)
    assert "sigma" not in json.loads(lens_text(lens))


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"parameters": ["fx", "cy"]}, "covariance"),
        ({"parameters": ["fx", "cy", "cy"]}, "covariance"),
        ({"parameters": ["fx", "cy", "k4"]}, "covariance"),
        ({"matrix": [[2.25, 0.3, 0.01], [0.3, 0.49], [0.01, 0, 0.0004]]}, "covariance"),
        ({"matrix": [[2.25, 0.3, 0.01], [0.3, 0, 0], [0.01, 0, 0.0004]]}, "covariance"),
        ({"matrix": [[2.25, 0.3, 0.01], [0.2, 0.49, 0], [0.01, 0, 0.0004]]}, "covariance"),
        ({"matrix": [[2.25, 0.3, 0.04], [0.3, 0.49, 0], [0.04, 0, 0.0004]]}, "covariance"),
        ({"matrix": [["2.25"]]}, "covariance.matrix"),
        ({"matrix": [[float("nan")]]}, "covariance.matrix"),
        ({"parameters": "fx"}, "covariance.parameters"),
        ({"names": ["fx"]}, "covariance.names"),
    ],
)
def test_a_matrix_that_is_no_covariance_is_a_fault(changes: dict[str, object], key: str) -> None:
    assert set(faults_of(with_covariance(**changes))) == {key}


@pytest.mark.parametrize("value", [None, 5, [], {}])
def test_no_covariance_but_something_else(value: object) -> None:
    content = {k: v for k, v in GOOD.items() if k != "sigma"}
    keys = {"covariance.parameters", "covariance.matrix"} if value == {} else {"covariance"}
    assert set(faults_of(json.dumps({**content, "covariance": value}))) == keys


def test_sigma_and_covariance_together_are_a_fault() -> None:
    assert set(faults_of(json.dumps({**GOOD, "covariance": COVARIANCE}))) == {"covariance"}
    assert parse_lens(json.dumps({**json.loads(with_covariance()), "sigma": {}}), "x").correlation is not None


def test_the_text_of_a_covariance() -> None:
    lens = CameraModel(
        640, 480, np.array(GOOD["matrix"]), np.zeros(0), {"fx": 1.5, "cx": 2.0}, np.array([[1, 0.5], [0.5, 1]])
    )
    assert lens_text(lens).endswith("""\
  "distortion": [],
  "covariance": {"parameters": ["fx", "cx"],
    "matrix": [[2.25, 1.5],
               [1.5, 4.0]]}
}
""")


def test_a_key_twice_is_a_fault() -> None:
    assert set(faults_of(json.dumps(GOOD)[:-1] + ', "width": 2448}')) == {"width"}


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_no_damage_raises_anything_but_a_fault(data: st.DataObject) -> None:
    text = json.dumps(GOOD)
    start = data.draw(st.integers(0, len(text)))
    end = min(len(text), start + data.draw(st.integers(0, 10)))
    values = ["-1", "NaN", "1e999", "null", "[]", "{}", "9" * 400]
    patch = data.draw(st.one_of(st.sampled_from(values), st.text(max_size=5)))
    try:
        lens = parse_lens(text[:start] + patch + text[end:], "camera.json")
    except InputFault as fault:
        assert fault.code == "lens-file"
    else:
        assert np.isfinite(lens.matrix).all() and np.isfinite(lens.distortion).all()
