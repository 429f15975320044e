"""Whether pictures confirm a lens that is stated: chi-squared of the difference, per parameter, and in pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from eyebolt.calibration import DEFAULT_CENTRE_SIGMA_PX, DEFAULT_FOCAL_SIGMA, default_coefficient_sigma
from eyebolt.geometry import Array, CameraModel, parameter_names, se3
from eyebolt.lens.bundle_adjustment import invert_information
from eyebolt.lens.calibrate import LensCalibration, picture_grid, refit_from

# A lens that is right is called wrong at most once in a hundred times. Common practice, no source.
SIGNIFICANCE = 0.01


@dataclass(frozen=True)
class ParameterComparison:
    """One parameter of the stated lens against the pictures."""

    name: str
    """Name of the parameter."""
    stated: float
    """Stated value, pixels or dimensionless."""
    stated_sigma: float
    """Its standard deviation; 0 where it is taken as exact."""
    is_default_sigma: bool
    """Whether that is the default, since the lens file states none."""
    estimated: float
    """Estimate from the pictures, under the stated model."""
    sigma: float
    """Standard deviation of the estimate."""
    p_value: float
    """Probability of a difference at least as large if the stated lens is right."""


@dataclass(frozen=True)
class LensComparison:
    """A stated lens against the pictures."""

    parameters: tuple[ParameterComparison, ...]
    """Every parameter of the stated model."""
    chi_squared: float
    """Squared Mahalanobis distance between stated lens and estimate, with the covariance of both."""
    degrees_of_freedom: int
    """Number of parameters."""
    p_value: float
    """Probability of a chi-squared at least as large if the stated lens is right."""
    rms_px: float
    """RMS difference of the two lenses over the picture, px, after the rotation of the camera that lessens it most."""
    largest_px: float
    """Largest such difference, px."""
    largest_at_px: tuple[float, float]
    """Where it is, px."""

    @property
    def is_confirmed(self) -> bool:
        """Whether the pictures confirm the stated lens: by all parameters together, and by each (Bonferroni)."""
        single = len(self.parameters) * min(parameter.p_value for parameter in self.parameters)
        return 2 * min(self.p_value, single) >= SIGNIFICANCE


def compare_with_stated(stated: CameraModel, calibration: LensCalibration) -> LensComparison | None:
    """The stated lens against the pictures of ``calibration``; None if it cannot explain them at all."""
    fit = refit_from(stated, calibration)
    if fit is None:
        return None
    names = fit.names
    prior, is_default = stated_covariance(stated)
    covariance = fit.covariance * calibration.dispersion
    before, after = parameter_values(stated), parameter_values(fit.camera)
    difference = after - before
    chi_squared = float(difference @ invert_information(prior + covariance) @ difference)
    sigma, stated_sigma = np.sqrt(np.diagonal(covariance)), np.sqrt(np.diagonal(prior))
    p_values = 2 * scipy.special.ndtr(-np.abs(difference) / np.hypot(sigma, stated_sigma))
    rms_px, largest_px, largest_at_px = _picture_difference(stated, fit.camera)
    columns = [column.tolist() for column in (before, stated_sigma, np.array(is_default), after, sigma, p_values)]
    return LensComparison(
        tuple(ParameterComparison(*row) for row in zip(names, *columns, strict=True)),
        chi_squared,
        len(names),
        float(scipy.special.chdtrc(len(names), chi_squared)),
        rms_px,
        largest_px,
        largest_at_px,
    )


def parameter_values(camera: CameraModel) -> Array:
    """(4 + coefficients,): fx, fy, cx, cy and the coefficients."""
    return np.concatenate([camera.matrix[[0, 1, 0, 1], [0, 1, 2, 2]], camera.distortion])


def stated_covariance(camera: CameraModel) -> tuple[Array, tuple[bool, ...]]:
    """Covariance (q, q) of all parameters of a lens as its file states it, with the defaults of a solve for the rest.

    And for each parameter whether it is a default.
    """
    names = parameter_names(camera.distortion.size)
    out = np.zeros((len(names), len(names)))
    stated = [names.index(name) for name in camera.sigma]
    out[np.ix_(stated, stated)] = camera.covariance
    focal = np.array([DEFAULT_FOCAL_SIGMA * camera.matrix[0, 0], DEFAULT_FOCAL_SIGMA * camera.matrix[1, 1]])
    free = [k for k in (0, 1) if k not in stated]
    out[np.ix_(free, free)] = np.outer(focal, focal)[np.ix_(free, free)]
    defaults = {"cx": DEFAULT_CENTRE_SIGMA_PX, "cy": DEFAULT_CENTRE_SIGMA_PX, **default_coefficient_sigma(camera)}
    is_default = [name not in camera.sigma for name in names]
    for k, name in enumerate(names):
        if is_default[k] and name in defaults:
            out[k, k] = defaults[name] ** 2
    return out, tuple(is_default)


def _picture_difference(first: CameraModel, second: CameraModel) -> tuple[float, float, tuple[float, float]]:
    """RMS and largest distance, px, of the pixels that two lenses give the same rays, and where it is largest."""
    pixels = picture_grid(first)
    rays = first.rays(pixels)
    inside = np.isfinite(rays).all(axis=-1)
    pixels, rays = pixels[inside], rays[inside]
    rotation = np.eye(3)
    for _ in range(3):
        turned = rays @ rotation.T
        projected, jacobian = second.project_with_jacobian(turned)
        seen = np.isfinite(projected).all(axis=-1)
        # A small rotation w moves a ray p by w x p = -[p]x w.
        by_rotation = (jacobian @ -se3.skew(turned))[seen].reshape(-1, 3)
        step = np.linalg.lstsq(by_rotation, (pixels - projected)[seen].ravel(), rcond=None)[0]
        rotation = se3.exp_rotation(step) @ rotation
    distance = np.linalg.norm(second.project(rays @ rotation.T) - pixels, axis=-1)
    worst = int(np.nanargmax(distance))
    rms = float(np.sqrt(np.nanmean(distance**2)))
    return rms, float(distance[worst]), (float(pixels[worst, 0]), float(pixels[worst, 1]))
