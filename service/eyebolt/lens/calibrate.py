"""Calibration of a lens from views of a board: outlier corners, noise of the views, choice of the model, covariance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from eyebolt.calibration import shrunk_variances
from eyebolt.errors import InputFault
from eyebolt.geometry import COEFFICIENT_COUNTS, Array, CameraModel, parameter_names, se3
from eyebolt.lens.bundle_adjustment import (
    LensFit,
    LensView,
    adjust,
    initial_lens,
    invert_information,
    stack_views,
)
from eyebolt.observations import (
    MIN_CORNERS,
    CornerField,
    CornerObservations,
    PoseFits,
    downweight_outlier_corners,
    fit_board_poses,
    refine_board_poses,
)

MIN_VIEWS = 3
"""Views that a calibration needs: each gives two equations, and there are four parameters without the distortion."""
# Outlier corners are looked for about a model that fits any ordinary lens.
_OUTLIER_MODEL = 5
# Unless the rational model leaves less than 70 % of its residuals, half of the variance: a strong wide-angle lens.
_RATIONAL_MODEL, _RATIONAL_GAIN = 8, 0.7
# Parameters of the first fits: with all at once, a strong distortion ends in a local minimum.
_STAGES = (("fx", "fy", "k1"), ("fx", "fy", "cx", "cy", "k1", "k2"), parameter_names(_OUTLIER_MODEL))
_ROUNDS = 3
# A focal length known worse than this is as good as unknown: the views are too much alike. Common practice, no source.
_MAX_FOCAL_SIGMA = 0.1
_OUTLIER_WEIGHT = 0.5
# The corner noise of a perfect image; keeps weights finite where residuals are only rounding.
_MIN_SIGMA_PX = 0.003
# Curvature within two standard deviations, as a share of the lens's standard error in the picture: the second-order
# error of a linear propagation is then within a quarter of what it states. Common practice, no source.
_MAX_CURVATURE = 0.5


@dataclass(frozen=True)
class HeldOutModel:
    """How well one model of the distortion predicts views that it was not fitted to."""

    coefficients: int
    """Number of distortion coefficients."""
    rms_px: float
    """RMS residual per coordinate of a view predicted by the lens fitted to all others, its pose refitted, px."""
    difference: float
    """Mean over the views of the squared residual less that of the best model, in units of the noise variance."""
    standard_error: float
    """Standard error of ``difference``; 0 for the best model."""
    is_determined: bool
    """Whether the pictures determine the parameters well enough for a covariance (``is_linear``)."""

    @property
    def is_as_good(self) -> bool:
        """Whether the model is determined and within one standard error of the best determined one."""
        return self.is_determined and self.difference <= self.standard_error


@dataclass(frozen=True)
class LensRefusal:
    """Why no lens was determined."""

    message: str
    """Reason in one sentence; no full stop."""
    remedy: str
    """What to do about it."""


@dataclass(frozen=True)
class LensCalibration:
    """A lens with its covariance, and what it rests on."""

    camera: CameraModel
    """The lens, with standard deviations and correlation of all its parameters."""
    fit: LensFit
    """The fit behind it."""
    views: tuple[LensView, ...]
    """The n views used, in order."""
    models: tuple[HeldOutModel, ...]
    """Held-out error of each model, the simplest first; empty where the model was prescribed."""
    dispersion: float
    """Factor of the covariance, at least 1: scatter between the views over what independent corner errors explain."""

    @property
    def coefficients(self) -> int:
        """Number of distortion coefficients of the chosen model."""
        return int(self.camera.distortion.size)

    @property
    def rms_px(self) -> float:
        """RMS distance of the corners from their predicted places, px."""
        return self.fit.rms_px

    @property
    def view_sigma_px(self) -> Array:
        """(n,): noise of the corners of each view per coordinate, px."""
        out: Array = self.fit.view_weights**-0.5
        return out

    @property
    def better_undetermined_model(self) -> HeldOutModel | None:
        """A model that predicts held-out views far better than the chosen one, but that the pictures leave open."""
        chosen = [model.rms_px for model in self.models if model.coefficients == self.coefficients]
        better = [
            model for model in self.models if not model.is_determined and model.rms_px < _RATIONAL_GAIN * min(chosen)
        ]
        return better[0] if better else None

    @cached_property
    def outlier_corners(self) -> int:
        """Number of corners that were down-weighted to less than a half."""
        observed = sum(len(view.ids) for view in self.views)
        return observed - int((self.fit.stack.weights > _OUTLIER_WEIGHT).sum())


def calibrate_lens(
    views: Sequence[LensView],
    size_px: tuple[int, int],
    board_corners_m: Array,
    coefficients: int | None = None,
) -> LensCalibration | LensRefusal:
    """The lens that the views determine.

    ``size_px``: (width, height) of the pictures. ``coefficients``: number of distortion coefficients, one of
    COEFFICIENT_COUNTS; chosen by held-out error without it.
    """
    usable = tuple(view for view in views if len(view.ids) >= MIN_CORNERS)
    if len(usable) < MIN_VIEWS:
        return LensRefusal(
            f"{len(usable)} of them show enough of the board, and a lens needs {MIN_VIEWS} at least",
            "take more pictures: 10 to 20, tilted by 30 to 45 degrees in different directions, all over the image.",
        )
    stack = stack_views(usable, board_corners_m)
    counts = COEFFICIENT_COUNTS if coefficients is None else (coefficients,)
    fits = _first_fits(size_px, stack, CornerField.of(board_corners_m), counts)
    if fits is None:
        return LensRefusal(
            "no lens explains where the corners are",
            "check that [board] of the station file is the board in the pictures, and that all are of one camera.",
        )
    models: tuple[HeldOutModel, ...] = ()
    if coefficients is None:
        models = _compare_models(list(fits.values()))
        coefficients = next(model.coefficients for model in models if model.is_as_good)
    fit = fits.get(coefficients)
    if fit is not None:
        fit = _with_noise_of_views(fit)
        dispersion = _dispersion(fit)
        covariance = fit.covariance * dispersion
        if not covariance[0, 0] < (_MAX_FOCAL_SIGMA * fit.camera.matrix[0, 0]) ** 2:
            return LensRefusal(
                "the pictures do not determine the focal length: the board is seen from too much the same direction",
                "take more pictures with the board tilted by 30 to 45 degrees in different directions.",
            )
    if fit is None or not (models or coefficients == 0 or is_linear(fit)):
        return LensRefusal(
            f"the pictures do not determine a lens with {coefficients} distortion coefficients",
            "take more pictures with the board near the edges and corners of the image, or use fewer coefficients.",
        )
    return LensCalibration(with_covariance(fit.camera, fit.names, covariance), fit, usable, models, dispersion)


def with_covariance(camera: CameraModel, names: Sequence[str], covariance: Array) -> CameraModel:
    """``camera`` with the covariance (q, q) of its parameters ``names``."""
    sigma = np.sqrt(np.diagonal(covariance))
    correlation = covariance / sigma[:, None] / sigma
    correlation = np.clip((correlation + correlation.T) / 2, -1.0, 1.0)
    np.fill_diagonal(correlation, 1.0)
    return replace(camera, sigma=dict(zip(names, sigma.tolist(), strict=True)), correlation=correlation)


def refit_from(camera: CameraModel, calibration: LensCalibration) -> LensFit | None:
    """The fit of the parameters of ``camera`` to the same corners with the same weights, started from ``camera``."""
    fit = calibration.fit
    poses, rss = refine_board_poses(camera, fit.stack, fit.camera_T_board)
    if not np.isfinite(rss).all():
        return None
    names = parameter_names(camera.distortion.size)
    return adjust(replace(camera, sigma={}, correlation=None), names, fit.stack, poses, fit.view_weights)


def _first_fits(
    size_px: tuple[int, int], stack: CornerObservations, field: CornerField, counts: Sequence[int]
) -> dict[int, LensFit] | None:
    """A fit of each model by its number of coefficients, all with the same weights of corners and views."""
    camera, board_fits = initial_lens(size_px, stack)
    # Without distortion a view near the edge of a wide-angle lens may have no pose.
    rows = np.flatnonzero(np.isfinite(board_fits.rss_px2))
    if len(rows) < MIN_VIEWS:
        return None
    poses, weights = board_fits.camera_T_board[rows], np.ones(len(rows))
    plain = adjust(camera, parameter_names(0), stack[rows], poses, weights)
    camera = _with_coefficients(camera, _OUTLIER_MODEL)
    for names in _STAGES:
        staged = adjust(camera, names, stack[rows], poses, weights)
        if staged is None:
            return None
        camera, poses = staged.camera, staged.camera_T_board
    poses, weights = fit_board_poses(camera, stack).camera_T_board, np.ones(len(stack.weights))
    simple = adjust(camera, parameter_names(_OUTLIER_MODEL), stack, poses, weights)
    if simple is None:
        return None
    base, poses = simple, simple.camera_T_board
    rational = adjust(
        _with_coefficients(camera, _RATIONAL_MODEL), parameter_names(_RATIONAL_MODEL), stack, poses, weights
    )
    if rational is not None and rational.rms_px < _RATIONAL_GAIN * base.rms_px:
        base = rational
    for _ in range(_ROUNDS):
        poses, rss = base.camera_T_board, base.equations.corners.rss_px2
        stack, refined = downweight_outlier_corners(
            base.camera, stack, PoseFits(poses, rss, poses, np.full(len(poses), np.inf)), field
        )
        again = adjust(base.camera, base.names, stack, refined.camera_T_board, weights)
        if again is None:
            return None
        base = again
    if base.camera.distortion.size == _OUTLIER_MODEL:
        simple = base
    base = _with_noise_of_views(base)
    fits: dict[int, LensFit] = {}
    for count in counts:
        # From the nearest models that are fitted: with more coefficients, each means something else.
        starts = [simple] if count <= _OUTLIER_MODEL else [fits.get(_RATIONAL_MODEL, rational or simple)]
        if count < _OUTLIER_MODEL and plain is not None and len(rows) == len(weights):
            starts.append(plain)
        found = [_refitted(start, count, base) for start in starts]
        reached = [fit for fit in found if fit is not None]
        if reached:
            fits[count] = min(reached, key=lambda fit: float(fit.view_weights @ fit.equations.corners.rss_px2))
    return fits


def _refitted(start: LensFit, count: int, base: LensFit) -> LensFit | None:
    """The fit with ``count`` coefficients to the corners of ``base`` with its weights, started from ``start``."""
    camera = _with_coefficients(start.camera, count)
    return adjust(camera, parameter_names(count), base.stack, start.camera_T_board, base.view_weights)


def is_linear(fit: LensFit) -> bool:
    """Whether the pixels are a linear function of the lens parameters within two standard deviations of the estimate.

    If not, the covariance does not describe the error: the pictures leave some combination of the parameters open, as
    the numerator and the denominator of the rational model where the distortion is weak. Measured as in D. M. Bates,
    D. G. Watts, "Relative curvature measures of nonlinearity", J. R. Stat. Soc. B 42, 1980: along each principal axis
    of the covariance, the part of the change that is even in the step, against the lens's error in the picture.
    """
    rays = fit.camera.rays(picture_grid(fit.camera))
    rays = rays[np.isfinite(rays).all(axis=-1)]
    sigma = np.sqrt(np.diagonal(fit.covariance))
    values, vectors = np.linalg.eigh(fit.covariance / sigma[:, None] / sigma)
    axes = sigma[:, None] * vectors * np.sqrt(np.maximum(values, 0.0))
    at_estimate = fit.camera.project(rays)
    for step in 2 * axes.T:
        try:
            plus, minus = (
                fit.camera.perturbed(dict(zip(fit.names, (sign * step).tolist(), strict=True))).project(rays)
                for sign in (1, -1)
            )
        except InputFault:
            return False
        even = (plus + minus) / 2 - at_estimate
        # NaN: within two standard deviations the model folds inside the picture.
        if not np.mean(even**2) <= _MAX_CURVATURE**2 * picture_variance(fit.camera, fit.names, fit.covariance, rays):
            return False
    return True


def picture_grid(camera: CameraModel) -> Array:
    """(81, 2), pixels: 9 x 9 places all over the image."""
    u, v = np.meshgrid(np.linspace(0, camera.width_px - 1, 9), np.linspace(0, camera.height_px - 1, 9))
    return np.stack([u.ravel(), v.ravel()], axis=-1)


def picture_variance(camera: CameraModel, names: tuple[str, ...], covariance: Array, rays: Array) -> float:
    """Mean variance per coordinate, px^2, of the pixels of ``rays`` (g, 3) by the covariance (q, q) of the lens."""
    jacobian = camera.parameter_jacobian(names, rays).reshape(-1, len(names))
    return float(np.einsum("gi,ij,gj->", jacobian, covariance, jacobian) / len(jacobian))


def _with_coefficients(camera: CameraModel, count: int) -> CameraModel:
    return replace(camera, distortion=np.pad(camera.distortion[:count], (0, max(0, count - camera.distortion.size))))


def _with_noise_of_views(fit: LensFit) -> LensFit:
    """The fit with every view weighted by its own noise."""
    for _ in range(_ROUNDS):
        dof = fit.degrees_of_freedom
        variances = shrunk_variances(np.maximum(fit.equations.corners.rss_px2 / dof, _MIN_SIGMA_PX**2), dof)
        again = adjust(fit.camera, fit.names, fit.stack, fit.camera_T_board, 1 / variances)
        if again is None:
            break
        fit = again
    return fit


def _dispersion(fit: LensFit) -> float:
    """How much more the views scatter than independent corner errors explain; at least 1.

    The errors of one view may have a common cause (a bowed board, blur by motion). The gradient of each view is then
    larger than its information states. Summed over the views in the metric of the estimate, it is the mean ratio of the
    cluster-robust covariance (K.-Y. Liang, S. L. Zeger, Biometrika 73, 1986) to the one for independent errors.
    """
    information = fit.view_weights[:, None, None] * fit.equations.information
    gradient = fit.view_weights[:, None] * fit.equations.gradient
    share = fit.covariance @ information
    found = np.einsum("ni,ij,nj->", gradient, fit.covariance, gradient)
    expected = np.trace(share.sum(axis=0)) - np.einsum("nij,nji->", share, share)
    return max(1.0, float(found / expected)) if expected > 0 else 1.0


def _compare_models(fits: Sequence[LensFit]) -> tuple[HeldOutModel, ...]:
    """The held-out error of each fit; all have the same corners and weights.

    Each view is left out in turn. The differences to the best model are taken view by view, since views differ more
    among themselves than models do. The simplest model within one standard error of the best is chosen (L. Breiman et
    al., "Classification and Regression Trees", 1984, section 3.4.3).
    """
    errors = np.array([_held_out_errors(fit) for fit in fits])
    weights = fits[0].view_weights
    # A lens without distortion is determined where its focal length is.
    is_determined = [fit.camera.distortion.size == 0 or is_linear(fit) for fit in fits]
    best = int(np.argmin(np.where(is_determined, errors.mean(axis=1), np.inf)))
    with np.errstate(invalid="ignore"):
        differences = errors - errors[best]
    models = []
    for fit, error, difference, determined in zip(fits, errors, differences, is_determined, strict=True):
        is_finite = np.isfinite(error).all()
        models.append(
            HeldOutModel(
                coefficients=int(fit.camera.distortion.size),
                rms_px=float(np.sqrt(error.mean() / weights.mean())),
                difference=float(difference.mean()) if is_finite else np.inf,
                standard_error=float(difference.std(ddof=1) / np.sqrt(len(difference))) if is_finite else 0.0,
                is_determined=determined,
            )
        )
    return tuple(models)


def _held_out_errors(fit: LensFit) -> Array:
    """(n,): mean squared residual of each view, times its weight, under the lens that all others determine.

    That lens follows from the normal equations without the view, in closed form; the pose of the view is fitted to it.
    """
    weights, equations = fit.view_weights, fit.equations
    others = fit.information - weights[:, None, None] * equations.information
    changes = -(invert_information(others) @ (weights[:, None] * equations.gradient)[..., None])[..., 0]
    out = np.full(len(weights), np.inf)
    for row, change in enumerate(changes):
        try:
            camera = fit.camera.perturbed(dict(zip(fit.names, change.tolist(), strict=True)))
        except InputFault:
            continue
        view = fit.stack[np.array([row])]
        start = fit.camera_T_board[row] @ se3.exp(equations.pose_by_lens[row] @ change)
        rss = refine_board_poses(camera, view, start[None])[1][0]
        out[row] = weights[row] * rss / max(2 * view.weights.sum() - 6, 1.0)
    return out
