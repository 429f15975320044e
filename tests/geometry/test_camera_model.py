"""The camera model against OpenCV's own projection, its derivatives, and its inverse."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eyebolt.errors import InputFault
from eyebolt.geometry.camera_model import COEFFICIENT_NAMES, CameraModel

MATRIX = np.array([[1310.5, 0, 633.2], [0, 1302.25, 517.9], [0, 0, 1]])
COEFFICIENTS = [-0.21, 0.11, 0.0013, -0.0009, -0.03, 0.05, -0.02, 0.004, 0.0011, -0.0004, -0.0007, 0.0003]
COUNTS = [0, 4, 5, 8, 12]


def lens(count, skew=0.0):
    matrix = MATRIX.copy()
    matrix[0, 1] = skew
    return CameraModel(1280, 1024, matrix, np.array(COEFFICIENTS[:count]))


def points_in_view(seed=0, count=200):
    generator = np.random.default_rng(seed)
    depth = generator.uniform(0.3, 2.0, count)
    across = generator.uniform([-0.47, -0.39], [0.47, 0.39], (count, 2))
    return np.concatenate([across * depth[:, None], depth[:, None]], axis=1)


def opencv_projection(camera, points):
    coefficients = camera.distortion if camera.distortion.size else None
    pixels, jacobian = cv2.projectPoints(points, np.zeros(3), np.zeros(3), camera.matrix, coefficients)
    return pixels.reshape(-1, 2), jacobian


@pytest.mark.evidence
@pytest.mark.parametrize("count", COUNTS)
def test_projection_and_jacobian_against_opencv(count):
    camera, points = lens(count), points_in_view()
    # Source: cv2.projectPoints; with no turn its derivative by the translation is the one by the point.
    pixels, jacobian = opencv_projection(camera, points)
    assert camera.project(points) == pytest.approx(pixels, abs=1e-10)
    ours, by_point = camera.project_with_jacobian(points)
    assert ours == pytest.approx(pixels, abs=1e-10)
    assert by_point.reshape(-1, 3) == pytest.approx(jacobian[:, 3:6], rel=1e-10, abs=1e-8)


@pytest.mark.parametrize("count", COUNTS)
@pytest.mark.parametrize("skew", [0.0, 2.5])
def test_jacobian_by_finite_differences(count, skew):
    camera, points, step = lens(count, skew), points_in_view(1, 60), 1e-6
    _, jacobian = camera.project_with_jacobian(points)
    for k, unit in enumerate(np.eye(3)):
        slope = (camera.project(points + step * unit) - camera.project(points - step * unit)) / (2 * step)
        assert jacobian[..., k] == pytest.approx(slope, rel=1e-7, abs=2e-5)


@pytest.mark.parametrize("count", COUNTS)
@pytest.mark.parametrize("skew", [0.0, 2.5])
def test_rays_are_the_inverse_of_projection(count, skew):
    camera, points = lens(count, skew), points_in_view(2)
    rays = camera.rays(camera.project(points))
    assert rays[:, 2] == pytest.approx(np.ones(len(points)), abs=0)
    assert rays * points[:, 2:] == pytest.approx(points, abs=1e-11)


@pytest.mark.evidence
def test_rays_against_opencv():
    camera = lens(8)
    u, v = np.meshgrid(np.linspace(0, 1279, 9), np.linspace(0, 1023, 7))
    pixels = np.stack([u.ravel(), v.ravel()], axis=-1)
    # Source: cv2.undistortPointsIter with a criterion tight enough to compare.
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 500, 1e-14)
    flat = cv2.undistortPointsIter(
        pixels.reshape(-1, 1, 2), camera.matrix, camera.distortion, np.eye(3), np.eye(3), criteria
    )
    assert camera.rays(pixels)[:, :2] == pytest.approx(flat.reshape(-1, 2), abs=1e-10)


def test_the_principal_ray_meets_the_principal_point_and_pixel_centres_are_integers():
    camera = lens(12)
    assert camera.project([0.0, 0.0, 0.7]) == pytest.approx([633.2, 517.9], abs=1e-12)
    assert camera.rays([633.2, 517.9]) == pytest.approx([0, 0, 1], abs=1e-12)
    plain = CameraModel(3, 3, np.array([[1.0, 0, 1], [0, 1, 1], [0, 0, 1]]), np.zeros(0))
    assert plain.project([[1.0, -1.0, 1.0]]) == pytest.approx(np.array([[2.0, 0.0]]))


@pytest.mark.parametrize("depth", [0.0, -1e-12, -0.5, 1e-10])
def test_what_is_not_in_front_of_the_camera_has_no_pixel(depth):
    camera = lens(5)
    points = np.array([[0.1, 0.1, 0.9], [0.1, -0.2, depth], [0.0, 0.0, depth]])
    pixels, jacobian = camera.project_with_jacobian(points)
    assert np.isfinite(pixels[0]).all()
    assert np.isfinite(jacobian[0]).all()
    assert np.isnan(pixels[1:]).all()
    assert np.isnan(jacobian[1:]).all()
    assert np.isnan(camera.project(points)[1:]).all()


@given(st.floats(-1e7, 1e7), st.floats(-1e7, 1e7))
@settings(deadline=None, max_examples=100)
def test_a_ray_is_right_or_nan(u, v):
    """Far outside the image a distorted lens may have no ray; a wrong one must not come out."""
    camera = lens(5)
    ray = camera.rays([u, v])
    if np.isfinite(ray).all():
        assert camera.project(ray) == pytest.approx([u, v], abs=1e-6)
    else:
        assert np.isnan(ray).all()


def test_every_ray_of_the_image_exists_for_an_ordinary_lens():
    for count in COUNTS:
        u, v = np.meshgrid(np.linspace(0, 1279, 33), np.linspace(0, 1023, 27))
        assert np.isfinite(lens(count).rays(np.stack([u, v], axis=-1))).all()


def test_a_pixel_that_is_not_finite_has_no_ray():
    rays = lens(5).rays([[np.nan, 3.0], [np.inf, 3.0], [-1e300, 1e200], [100.0, 200.0]])
    assert np.isnan(rays[:3]).all()
    assert np.isfinite(rays[3]).all()


@pytest.mark.parametrize(
    ("matrix", "distortion", "message"),
    [
        (np.eye(2), [], "3 x 3"),
        (np.full((3, 3), np.nan), [], "3 x 3 finite"),
        (np.diag([-1300.0, 1300, 1]), [], "positive fx and fy"),
        (np.diag([1300.0, 0, 1]), [], "positive fx and fy"),
        (np.diag([1300.0, 1300, 2]), [], "cx"),
        (MATRIX.T, [], "cx"),
        (MATRIX, [0.1], "1 distortion numbers"),
        (MATRIX, [0.1] * 14, "14 distortion numbers"),
        (MATRIX, [0.1, np.inf, 0, 0], "4 distortion numbers"),
    ],
)
def test_what_is_no_lens_is_refused(matrix, distortion, message):
    with pytest.raises(InputFault, match=message) as caught:
        CameraModel(1280, 1024, matrix, np.array(distortion))
    assert caught.value.code == "lens-model"


def test_the_covariance_is_that_of_sigma_and_correlation():
    sigma = {"fx": 2.0, "k1": 0.01}
    independent = CameraModel(1280, 1024, MATRIX, np.zeros(4), sigma)
    assert independent.covariance.tolist() == [[4.0, 0], [0, 1e-4]]
    correlated = CameraModel(1280, 1024, MATRIX, np.zeros(4), sigma, [[1, -0.5], [-0.5, 1]])
    assert correlated.covariance == pytest.approx(np.array([[4.0, -0.01], [-0.01, 1e-4]]))
    assert lens(5).covariance.shape == (0, 0)
    assert correlated.perturbed({"fx": 1.0}).correlation is correlated.correlation


@pytest.mark.parametrize(
    "correlation",
    [
        np.eye(3),
        [[1, 0], [0, np.nan]],
        [[1, 0.2], [0.3, 1]],
        [[1, 1.2], [1.2, 1]],
        [[1, 0], [0, 1.1]],
        [1, 1],
    ],
)
def test_what_is_no_correlation_is_refused(correlation):
    with pytest.raises(InputFault, match="correlation") as caught:
        CameraModel(1280, 1024, MATRIX, np.zeros(4), {"fx": 2.0, "k1": 0.01}, np.array(correlation))
    assert caught.value.code == "lens-model"


FOLDING = [
    [-0.3, 0, 0, 0],
    [-0.3, 0.1, 0, 0, -0.02],
    [0.2, -0.3, 0, 0],
    [0.0, 0, 0, 0, 0, 0.4, 0.3, 0],
    # Grows again beyond its fold.
    [-0.5, 0.1, 0, 0],
]


def distorted_radius(coefficients, radius):
    k1, k2, _, _, k3, k4, k5, k6 = (*coefficients, *[0.0] * (8 - len(coefficients)))
    q = radius**2
    return radius * (1 + q * (k1 + q * (k2 + q * k3))) / (1 + q * (k4 + q * (k5 + q * k6)))


@pytest.mark.parametrize("coefficients", [*FOLDING, [0.5, 0.1, 0, 0, 0, -0.5, 0, 0], [-0.3, 0.1, 0, 0]])
def test_the_fold_is_where_the_distorted_radius_stops_growing(coefficients):
    """Against the finite differences of the radius itself."""
    camera = CameraModel(1280, 1024, MATRIX, np.array(coefficients))
    radius = np.linspace(0, 6, 600_001)
    falls = np.flatnonzero(np.diff(distorted_radius(coefficients, radius)) <= 0)
    if not len(falls):
        assert camera.max_radius == np.inf
    else:
        assert camera.max_radius == pytest.approx(radius[falls[0]], abs=3e-5)


@pytest.mark.parametrize("coefficients", FOLDING)
def test_beyond_the_fold_there_is_no_pixel_and_no_ray(coefficients):
    camera = CameraModel(1280, 1024, MATRIX, np.array(coefficients))
    assert np.isfinite(camera.max_radius)
    directions = np.linspace(0, 2 * np.pi, 25)
    for share, is_inside in ((0.2, True), (0.9, True), (0.999, True), (1.001, False), (1.5, False), (4.0, False)):
        radius = share * camera.max_radius
        points = np.stack([radius * np.cos(directions), radius * np.sin(directions), np.ones(25)], axis=-1)
        pixels, jacobian = camera.project_with_jacobian(points)
        assert np.isfinite(pixels).all() == is_inside
        assert np.isfinite(jacobian).all() == is_inside
        assert np.isnan(pixels).all() == np.isnan(jacobian).all() == (not is_inside)
        if is_inside:
            # Near the fold a small change of the pixel is a large one of the ray.
            assert camera.rays(pixels) == pytest.approx(points, abs=1e-9 if share < 0.99 else 1e-3)
    # Pixels farther out than any ray reaches, where the inverse of the model without its limit exists.
    reach = distorted_radius(coefficients, 0.9999999 * camera.max_radius)
    for share in (1.01, 1.1, 2.0):
        flat = np.stack([np.cos(directions), np.sin(directions)], axis=-1) * reach * share
        assert np.isnan(camera.rays(flat * np.diagonal(MATRIX)[:2] + MATRIX[:2, 2])).all()


def test_rays_of_the_whole_image_up_to_the_fold():
    """A strong wide-angle lens: the corners of the image lie beyond its fold."""
    matrix = np.array([[600.0, 0, 639.5], [0, 600.0, 511.5], [0, 0, 1]])
    camera = CameraModel(1280, 1024, matrix, np.array([-0.28, 0.02, 0, 0]))
    u, v = np.meshgrid(np.arange(0, 1280, 16.0), np.arange(0, 1024, 16.0))
    pixels = np.stack([u, v], axis=-1)
    rays = camera.rays(pixels)
    reach = distorted_radius([-0.28, 0.02, 0, 0], camera.max_radius) * 600
    distance = np.hypot(u - 639.5, v - 511.5)
    assert np.isfinite(rays[distance < 0.999 * reach]).all()
    assert np.isnan(rays[distance > reach]).all()
    assert (distance > reach).any()
    radius = np.linalg.norm(rays[..., :2], axis=-1)
    assert radius[np.isfinite(radius)].max() < camera.max_radius
    assert camera.project(rays)[distance < 0.999 * reach] == pytest.approx(pixels[distance < 0.999 * reach], abs=1e-6)


@pytest.mark.parametrize("size", [(0, 1024), (1280, -3)])
def test_an_image_without_size_is_refused(size):
    with pytest.raises(InputFault, match="width and height"):
        CameraModel(*size, MATRIX, np.zeros(0))  # type: ignore[call-arg]


@pytest.mark.parametrize("count", [0, 4, 5, 8, 12])
def test_the_derivative_by_each_parameter_is_that_of_a_small_change(count):
    camera = lens(count, skew=0.7)
    names = ("fx", "fy", "cx", "cy", *COEFFICIENT_NAMES)
    points = np.array([[0.1, -0.2, 0.8], [-0.3, 0.05, 1.1], [0.0, 0.0, 0.5]])
    found = camera.parameter_jacobian(names, points)
    for k, name in enumerate(names):
        step = 1e-4 if k < 4 else 1e-7
        ahead, behind = (camera.perturbed({name: sign * step}).project(points) for sign in (1, -1))
        np.testing.assert_allclose(found[..., k], (ahead - behind) / (2 * step), rtol=1e-5, atol=1e-5)
