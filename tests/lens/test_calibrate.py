"""A lens from views of a board: against OpenCV's own calibration, and against the truth of many made-up sets."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.stats import chi2

from eyebolt.lens import LensRefusal, LensView, calibrate_lens
from support import long_forms
from support.lens_views import BOARD_M, SIZE_PX, make_views, true_values


def calibrated(views, coefficients=None, board_m=BOARD_M):
    found = calibrate_lens(views, SIZE_PX, board_m, coefficients)
    assert not isinstance(found, LensRefusal), found
    return found


def values(camera):
    return true_values(camera, camera.distortion.size)


@pytest.mark.evidence
@pytest.mark.parametrize("coefficients", [4, 5])
def test_estimate_and_standard_deviations_are_those_of_opencv(coefficients):
    """Source: cv2.calibrateCameraExtended on the same corners, whose noise is alike in all views."""
    views = make_views(1, 10).views
    flags = cv2.CALIB_FIX_K3 if coefficients == 4 else 0
    objects = [BOARD_M[v.ids].astype(np.float32) for v in views]
    corners = [v.corners_px.astype(np.float32).reshape(-1, 1, 2) for v in views]
    until = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-12)
    rms, matrix, distortion, _, _, sigma, _, _ = cv2.calibrateCameraExtended(
        objects, corners, SIZE_PX, None, None, flags=flags, criteria=until
    )
    theirs = np.concatenate([matrix[[0, 1, 0, 1], [0, 1, 2, 2]], distortion.ravel()[:coefficients]])
    ours = calibrated(views, coefficients)
    assert ours.rms_px == pytest.approx(rms, abs=2e-4)
    sigma = sigma.ravel()[: 4 + coefficients]
    assert (np.abs(values(ours.camera) - theirs) < 0.15 * sigma).all()
    assert np.array(list(ours.camera.sigma.values())) / np.sqrt(ours.dispersion) == pytest.approx(sigma, rel=0.05)


@long_forms.seeds(6, 300)
def test_the_covariance_covers_the_error(seeds):
    """Monte Carlo: the squared Mahalanobis distance of the error is chi-squared; and so is each parameter's."""
    distances, deviations = [], []
    for seed in seeds:
        truth = make_views(seed, 10)
        found = calibrated(truth.views, 5)
        error = values(found.camera) - true_values(truth.camera, 5)
        covariance = found.camera.covariance
        distances.append(error @ np.linalg.solve(covariance, error))
        deviations.append(error / np.sqrt(np.diag(covariance)))
    count = len(distances)
    # The covariance is never below that of independent corner errors, and is 5 % above it on average.
    assert chi2.cdf(sum(distances) * 1.1, 9 * count) > 1e-3
    assert chi2.sf(sum(distances), 9 * count) > 1e-3
    assert 0.6 < np.sqrt(np.mean(np.square(deviations))) < 1.3


def test_the_scale_of_the_board_does_not_matter():
    views, larger = make_views(2, 6).views, make_views(2, 6, scale=1.01).views
    assert np.allclose([v.corners_px for v in views[:1]], [v.corners_px for v in larger[:1]], atol=1e-9)
    ours, scaled = calibrated(views, 5), calibrated(views, 5, BOARD_M * 1.01)
    assert values(scaled.camera) == pytest.approx(values(ours.camera), rel=1e-6)
    assert scaled.camera.covariance == pytest.approx(ours.camera.covariance, rel=1e-3)


@pytest.mark.parametrize(
    ("distortion", "expected"),
    [((), (0,)), ((-0.21, 0.11, 0.0006, -0.0004), (4,)), ((-0.4, 0.5, 0.0006, -0.0004, -0.5), (5,))],
)
def test_the_simplest_model_that_predicts_views_as_well_is_chosen(distortion, expected):
    truth = make_views(3, 12, distortion)
    found = calibrated(truth.views)
    assert found.coefficients in expected
    assert [model.coefficients for model in found.models] == [0, 4, 5, 8, 12]
    chosen = next(model for model in found.models if model.coefficients == found.coefficients)
    assert chosen.is_as_good
    # The noise of a corner, and what the fitted lens and the held-out pose add and take.
    assert chosen.rms_px == pytest.approx(0.1, rel=0.1)
    simpler = [model for model in found.models if model.coefficients < found.coefficients]
    assert all(model.difference > model.standard_error for model in simpler)
    error = values(found.camera) - true_values(truth.camera, found.coefficients)
    assert error @ np.linalg.solve(found.camera.covariance, error) < chi2.isf(1e-3, len(error))


@pytest.mark.parametrize(
    ("shortened", "distortion", "count"),
    [
        (0.4, (-0.3, 0.1, 0.0005, -0.0003, -0.01), 5),
        (0.35, (-0.28, 0.09, 0.0005, -0.0003, -0.012), 5),
    ],
)
@pytest.mark.parametrize("seed", [0, 1])
def test_a_wide_angle_lens_is_found_without_a_start(shortened, distortion, count, seed):
    """Fields of view of 106 and 113 degrees across; the first fits must not end in a local minimum."""
    truth = make_views(seed, 14, distortion, shortened=shortened)
    found = calibrated(truth.views, count)
    assert found.rms_px == pytest.approx(0.14, abs=0.01)
    error = values(found.camera) - true_values(truth.camera, count)
    assert error @ np.linalg.solve(found.camera.covariance, error) < chi2.isf(1e-4, len(error))


def test_a_model_that_the_pictures_leave_open_is_not_chosen():
    """Numerator and denominator of the rational model cancel where the distortion is ordinary."""
    found = calibrated(make_views(3, 8).views)
    rational = found.models[3]
    assert not rational.is_determined
    assert not rational.is_as_good
    refused = calibrate_lens(make_views(3, 8).views, SIZE_PX, BOARD_M, 8)
    assert isinstance(refused, LensRefusal)
    assert "8" in refused.message


def test_outlier_corners_lose_their_weight():
    truth = make_views(4, 10)
    generator = np.random.default_rng(4)
    views = []
    for k, view in enumerate(truth.views):
        corners = view.corners_px.copy()
        if k % 2:
            corners[generator.choice(len(corners), 4, replace=False)] += generator.choice([-5.0, 5.0], (4, 2))
        views.append(replace(view, corners_px=corners))
    clean, spoilt = calibrated(truth.views, 5), calibrated(views, 5)
    assert spoilt.outlier_corners == 20
    assert clean.outlier_corners == 0
    sigma = np.array(list(clean.camera.sigma.values()))
    assert (np.abs(values(spoilt.camera) - values(clean.camera)) < 0.7 * sigma).all()


def test_each_view_has_its_own_noise_where_views_differ():
    noise = np.array([0.05] * 6 + [0.25] * 6)
    found = calibrated(make_views(5, 12, noise_px=noise).views, 5)
    assert found.view_sigma_px == pytest.approx(noise, rel=0.25)
    same = calibrated(make_views(5, 12).views, 5)
    assert np.ptp(same.view_sigma_px) < 0.02
    assert same.view_sigma_px == pytest.approx(0.1, rel=0.1)


def test_errors_with_a_common_cause_in_each_view_widen_the_covariance():
    """A board bowed by 0.5 mm, which the fit takes as flat: the corners of a view err together."""
    x, y = BOARD_M[:, 0] - BOARD_M[:, 0].mean(), BOARD_M[:, 1] - BOARD_M[:, 1].mean()
    bowed = BOARD_M.copy()
    bowed[:, 2] = 0.5e-3 * (x / x.max()) ** 2 - 0.2e-3 * x * y / (x.max() * y.max())
    truth = make_views(6, 12, board_m=bowed)
    found = calibrated(truth.views, 5)
    flat = calibrated(make_views(6, 12).views, 5)
    assert flat.dispersion < 1.6
    assert found.dispersion > 3
    assert found.camera.sigma["fx"] > 1.5 * flat.camera.sigma["fx"]


def test_too_few_views_are_refused():
    views = make_views(7, 4).views
    for few in (
        views[:0],
        views[:2],
        [*views[:2], replace(views[2], ids=views[2].ids[:5], corners_px=np.zeros((5, 2)))],
    ):
        refused = calibrate_lens(few, SIZE_PX, BOARD_M)
        assert isinstance(refused, LensRefusal)
        assert refused.remedy


def test_views_without_tilt_do_not_determine_the_focal_length():
    refused = calibrate_lens(make_views(8, 4, (), largest_tilt_deg=0.0).views, SIZE_PX, BOARD_M, 0)
    assert isinstance(refused, LensRefusal)
    assert "focal length" in refused.message


def test_noiseless_views_give_the_true_lens():
    truth = make_views(9, 6, noise_px=0.0)
    found = calibrated(truth.views, 5)
    assert values(found.camera) == pytest.approx(true_values(truth.camera, 5), rel=1e-5, abs=1e-5)


def test_corners_that_are_no_board_are_refused_or_have_a_large_residual():
    generator = np.random.default_rng(10)
    views = [LensView(str(k), np.arange(88), generator.uniform(0, 1000, (88, 2))) for k in range(6)]
    found = calibrate_lens(views, SIZE_PX, BOARD_M)
    assert isinstance(found, LensRefusal) or found.rms_px > 50
