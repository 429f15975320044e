"""A stated lens against pictures: false alarms, detections, and the defaults where nothing is stated."""

import functools
from dataclasses import replace

import numpy as np
import pytest

from eyebolt.lens import calibrate_lens, compare_with_stated
from eyebolt.lens.comparison import stated_covariance
from support import long_forms
from support.lens_views import BOARD_M, SIZE_PX, make_views


@functools.cache
def calibrated(seed, count=8):
    truth = make_views(seed, count)
    return truth.camera, calibrate_lens(truth.views, SIZE_PX, BOARD_M, 5)


@long_forms.seeds(4, 300)
def test_a_lens_with_its_own_covariance_is_confirmed_by_other_pictures(seeds):
    p_values = []
    for seed in seeds:
        _, earlier = calibrated(2 * seed)
        comparison = compare_with_stated(earlier.camera, calibrated(2 * seed + 1)[1])
        assert comparison.degrees_of_freedom == 9
        p_values.append(comparison.p_value)
    # Uniform, or larger because the covariance is never understated.
    assert np.mean(np.array(p_values) < 0.1) < 0.1 + 3 * np.sqrt(0.09 / len(p_values))
    assert min(p_values) > 1e-4


@pytest.mark.parametrize(
    ("change", "name"), [({"fx": 8.0, "fy": 8.0}, ("fx", "fy")), ({"cx": 9.0}, ("cx",)), ({"k1": 0.03}, ("k1",))]
)
@pytest.mark.parametrize("is_stated", [True, False])
def test_a_lens_that_is_off_is_named_and_sized(change, name, is_stated):
    truth, found = calibrated(1)
    stated = replace(truth.perturbed(change), sigma=dict.fromkeys(found.camera.sigma, 1e-6) if is_stated else {})
    comparison = compare_with_stated(stated, found)
    assert not comparison.is_confirmed
    worst = min(comparison.parameters, key=lambda parameter: parameter.p_value)
    assert worst.name in name
    assert worst.estimated - worst.stated == pytest.approx(-change[worst.name], abs=4 * worst.sigma)
    assert all(parameter.is_default_sigma != is_stated for parameter in comparison.parameters)
    assert 0.5 < comparison.rms_px < comparison.largest_px
    u, v = comparison.largest_at_px
    assert 0 <= u <= 1279 and 0 <= v <= 1023


def test_a_shift_of_the_principal_point_is_mostly_a_rotation_of_the_camera():
    truth, found = calibrated(2)
    exact = replace(truth, sigma=dict.fromkeys(found.camera.sigma, 1e-6))
    comparison = compare_with_stated(replace(exact.perturbed({"cx": 5.0})), found)
    assert comparison.largest_px < 2.5


def test_defaults_of_a_lens_without_standard_deviations():
    """0.1 % of the focal length, in fx and fy together; 2 px; five coefficients, and k1 alone if any is stated."""
    camera, _ = calibrated(3)
    covariance, is_default = stated_covariance(camera)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([1.21, 1.206, 2, 2, 0.005, 0.02, 3e-4, 3e-4, 0.05])
    assert covariance[0, 1] == pytest.approx(1.21 * 1.206)
    assert all(is_default)
    partly, is_default = stated_covariance(replace(camera, sigma={"fy": 0.5, "k3": 0.1}))
    assert np.sqrt(np.diag(partly)) == pytest.approx([1.21, 0.5, 2, 2, 0.005, 0, 0, 0, 0.1])
    assert partly[0, 1] == 0
    assert is_default == (True, False, True, True, True, True, True, True, False)
