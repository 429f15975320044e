"""The camera model: pinhole with radial, tangential and thin-prism distortion, and its derivatives.

Camera frame: z forward, x right, y down; pixel centres at integers. Coefficient order k1 k2 p1 p2 k3 k4 k5 k6
s1 s2 s3 s4, as OpenCV documents it (module calib3d, "detailed description"). Decentring
and thin-prism terms: J. Weng, P. Cohen, M. Herniou, IEEE PAMI 14(10), 1992.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from eyebolt.errors import InputFault
from eyebolt.geometry.se3 import Array

COEFFICIENT_COUNTS = (0, 4, 5, 8, 12)
"""Allowed numbers of distortion coefficients; those that are absent are 0."""
MATRIX_NAMES = ("fx", "fy", "cx", "cy")
"""Names of the parameters of the camera matrix, pixels."""
COEFFICIENT_NAMES = ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6", "s1", "s2", "s3", "s4")
"""Names of the distortion coefficients, in order."""
_MATRIX_INDICES = {"fx": (0, 0), "fy": (1, 1), "cx": (0, 2), "cy": (1, 2)}
# Rounding that a correlation matrix may have suffered: files are written with six digits at least.
_CORRELATION_ROUNDING = 1e-5
# Imaginary part of a root, relative to its size, up to which a root that the eigenvalue method returns is a real one.
_REAL_ROOT_TOLERANCE = 1e-9


@dataclass(frozen=True)
class CameraModel:
    """Intrinsics of one lens at one image size.

    Raises InputFault ``lens-model`` if the matrix or the number of coefficients is not that of a camera.
    """

    width_px: int
    """Image width, pixels."""
    height_px: int
    """Image height, pixels."""
    matrix: Array
    """(3, 3), pixels: [[fx, skew, cx], [0, fy, cy], [0, 0, 1]]."""
    distortion: Array
    """(0, 4, 5, 8 or 12,), dimensionless, in the order of COEFFICIENT_NAMES."""
    sigma: dict[str, float] = field(default_factory=dict)
    """Standard deviations of fx, fy, cx, cy (pixels) and of coefficients, by name, where they are known."""
    correlation: Array | None = None
    """(k, k), dimensionless: correlation of the k parameters of ``sigma``, in its order; None: they are independent."""

    def __post_init__(self) -> None:
        matrix = np.asarray(self.matrix, dtype=float)
        distortion = np.asarray(self.distortion, dtype=float).ravel()
        problem = ""
        if matrix.shape != (3, 3) or not np.isfinite(matrix).all():
            problem = "the camera matrix must be 3 x 3 finite numbers"
        elif matrix[0, 0] <= 0 or matrix[1, 1] <= 0 or matrix[2].tolist() != [0, 0, 1]:
            problem = "the camera matrix must be [[fx, s, cx], [0, fy, cy], [0, 0, 1]] with positive fx and fy"
        elif distortion.size not in COEFFICIENT_COUNTS or not np.isfinite(distortion).all():
            problem = f"{distortion.size} distortion numbers; allowed counts are {COEFFICIENT_COUNTS}"
        elif self.width_px <= 0 or self.height_px <= 0:
            problem = "width and height must be positive"
        elif self.correlation is not None:
            problem = correlation_problem(np.asarray(self.correlation, dtype=float), len(self.sigma))
        if problem:
            raise InputFault("lens-model", problem, "correct the intrinsics file or calibrate the lens again.")
        object.__setattr__(self, "matrix", matrix)
        object.__setattr__(self, "distortion", distortion)
        if self.correlation is not None:
            object.__setattr__(self, "correlation", np.asarray(self.correlation, dtype=float))

    @property
    def covariance(self) -> Array:
        """(k, k): covariance of the k parameters of ``sigma``, in its order; pixels for fx, fy, cx and cy."""
        sigma = np.array(list(self.sigma.values()), dtype=float)
        correlation = np.eye(len(sigma)) if self.correlation is None else self.correlation
        out: Array = sigma[:, None] * correlation * sigma
        return out

    @cached_property
    def max_radius(self) -> float:
        """Radius sqrt(x^2 + y^2) / z, dimensionless, below which the radial distortion is invertible; inf: everywhere.

        The smallest positive root of the derivative of the distorted radius by the radius, or a pole of it. Beyond, the
        model has folded: two points share a pixel, and no real lens behaves like that.
        """
        largest = max(_largest_inverse_root(polynomial) for polynomial in self._fold_polynomials())
        return float(largest**-0.5) if largest > 0 else float("inf")

    @cached_property
    def _safe_r2(self) -> float:
        """A lower bound of the square of ``max_radius`` that costs next to nothing: Fujiwara's bound of the roots.

        (M. Fujiwara, Tohoku Mathematical Journal 10, 1916.)
        """
        powers = [
            (abs(coefficient), 1 / n) for p in self._fold_polynomials() for n, coefficient in enumerate(p) if n > 0
        ]
        largest = max(size**exponent for size, exponent in powers)
        return 1 / (2 * largest) if largest > 0 else float("inf")

    def _fold_polynomials(self) -> tuple[list[float], list[float]]:
        """Numerator of the slope of the distorted radius, and its denominator's root, in r^2, the constant 1 first."""
        k1, k2, _, _, k3, k4, k5, k6, *_ = self._coefficients()
        top, bottom = (1.0, k1, k2, k3), (1.0, k4, k5, k6)
        # The distorted radius is r * top / bottom, and r times the derivative of r^(2 i) is 2 i r^(2 i).
        slope = [0.0] * 7
        for i, above in enumerate(top):
            for j, below in enumerate(bottom):
                slope[i + j] += (1 + 2 * i - 2 * j) * above * below
        return slope, list(bottom)

    def _has_folded(self, r2: Array) -> NDArray[np.bool_] | None:
        """Where the square of the radius, (...), is that of no ray; None if nowhere."""
        if not (r2 >= self._safe_r2).any() or self.max_radius == np.inf:
            return None
        out: NDArray[np.bool_] = r2 >= self.max_radius**2
        return out if out.any() else None

    def projects_as(self, other: CameraModel) -> bool:
        """Whether both have the same pixel for every point: coefficients that one has not are 0."""
        return np.array_equal(self.matrix, other.matrix) and self._coefficients() == other._coefficients()

    def perturbed(self, changes: Mapping[str, float]) -> CameraModel:
        """The camera with these amounts added to its parameters (fx, fy, cx, cy in pixels; k1, ...)."""
        matrix, distortion = self.matrix.copy(), self.distortion.copy()
        for name, amount in changes.items():
            if name in _MATRIX_INDICES:
                matrix[_MATRIX_INDICES[name]] += amount
            else:
                index = COEFFICIENT_NAMES.index(name)
                if index >= distortion.size:
                    count = next(c for c in COEFFICIENT_COUNTS if c > index)
                    distortion = np.pad(distortion, (0, count - distortion.size))
                distortion[index] += amount
        return replace(self, matrix=matrix, distortion=distortion)

    def parameter_jacobian(self, names: Sequence[str], points_m: ArrayLike) -> Array:
        """Derivative (..., 2, k) of the pixels of points (..., 3) by the k parameters ``names``; NaN behind the camera.

        Per pixel for fx, fy, cx and cy, per unit for the coefficients; analytic, so that no step enters.
        """
        points = np.asarray(points_m, dtype=float)
        z = np.where(points[..., 2] > 1e-9, points[..., 2], np.nan)
        x, y = points[..., 0] / z, points[..., 1] / z
        k1, k2, p1, p2, k3, k4, k5, k6, s1, s2, s3, s4 = self._coefficients()
        r2 = x * x + y * y
        bottom = 1 + r2 * (k4 + r2 * (k5 + r2 * k6))
        radial = (1 + r2 * (k1 + r2 * (k2 + r2 * k3))) / bottom
        (fx, skew, _), (_, fy, _), _ = self.matrix
        out = np.zeros((*x.shape, 2, len(names)))
        for k, name in enumerate(names):
            if name == "fx":
                out[..., 0, k] = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x) + r2 * (s1 + s2 * r2)
                continue
            if name == "fy":
                out[..., 1, k] = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y + r2 * (s3 + s4 * r2)
                continue
            if name in ("cx", "cy"):
                out[..., 0 if name == "cx" else 1, k] = 1.0
                continue
            # Derivative of the distorted ray (xd, yd), then of the pixel.
            xd, yd = _distortion_derivative(name, x, y, r2, radial, bottom)
            out[..., 0, k], out[..., 1, k] = fx * xd + skew * yd, fy * yd
        return out

    def project(self, points_m: ArrayLike) -> Array:
        """Pixels (..., 2) of points (..., 3) in the camera frame.

        NaN where a point is not in front of the camera, or so far aside that the radial distortion has folded
        (``max_radius``).
        """
        return self._project(np.asarray(points_m, dtype=float), derivative=False)[0]

    def project_with_jacobian(self, points_m: ArrayLike) -> tuple[Array, Array]:
        """Pixels (..., 2) and their derivative (..., 2, 3) in pixels per metre; NaN as in ``project``."""
        pixels, jacobian = self._project(np.asarray(points_m, dtype=float), derivative=True)
        return pixels, jacobian

    def _project(self, points_m: Array, derivative: bool) -> tuple[Array, Array]:
        depth = points_m[..., 2]
        # NaN rather than a mirrored projection: a point behind the camera has none.
        z = np.where(depth > 1e-9, depth, np.nan)
        x, y = points_m[..., 0] / z, points_m[..., 1] / z
        k1, k2, p1, p2, k3, k4, k5, k6, s1, s2, s3, s4 = self._coefficients()
        r2 = x * x + y * y
        folded = self._has_folded(r2)
        if folded is not None:
            r2 = np.where(folded, np.nan, r2)
        top = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        bottom = 1 + r2 * (k4 + r2 * (k5 + r2 * k6))
        radial = top / bottom
        xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x) + r2 * (s1 + s2 * r2)
        yd = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y + r2 * (s3 + s4 * r2)
        (fx, skew, cx), (_, fy, cy), _ = self.matrix
        pixels = np.stack([fx * xd + skew * yd + cx, fy * yd + cy], axis=-1)
        if not derivative:
            return pixels, pixels
        slope = ((k1 + r2 * (2 * k2 + 3 * r2 * k3)) - radial * (k4 + r2 * (2 * k5 + 3 * r2 * k6))) / bottom
        # d(xd, yd) / d(x, y), with d(r2) = (2x, 2y)
        xd_x = radial + 2 * x * x * slope + 2 * p1 * y + 6 * p2 * x + 2 * x * (s1 + 2 * s2 * r2)
        xd_y = 2 * x * y * slope + 2 * p1 * x + 2 * p2 * y + 2 * y * (s1 + 2 * s2 * r2)
        yd_x = 2 * x * y * slope + 2 * p1 * x + 2 * p2 * y + 2 * x * (s3 + 2 * s4 * r2)
        yd_y = radial + 2 * y * y * slope + 6 * p1 * y + 2 * p2 * x + 2 * y * (s3 + 2 * s4 * r2)
        u_x, u_y = fx * xd_x + skew * yd_x, fx * xd_y + skew * yd_y
        v_x, v_y = fy * yd_x, fy * yd_y
        jacobian = np.empty((*points_m.shape[:-1], 2, 3))
        jacobian[..., 0, 0], jacobian[..., 0, 1] = u_x / z, u_y / z
        jacobian[..., 1, 0], jacobian[..., 1, 1] = v_x / z, v_y / z
        jacobian[..., 0, 2] = -(u_x * x + u_y * y) / z
        jacobian[..., 1, 2] = -(v_x * x + v_y * y) / z
        return pixels, jacobian

    def rays(self, pixels: ArrayLike, iterations: int = 30) -> Array:
        """Directions (..., 3) with z = 1, in the camera frame, of pixels (..., 2): the inverse of ``project``.

        Newton's method, started as if there were no distortion; NaN where it does not converge: at pixels that no ray
        within ``max_radius`` reaches.
        """
        # The iteration for a pixel far outside that range overflows before it ends in NaN.
        with np.errstate(all="ignore"):
            return self._rays(np.asarray(pixels, dtype=float), iterations)

    def _rays(self, target_px: Array, iterations: int) -> Array:
        flat = np.concatenate([target_px, np.ones((*target_px.shape[:-1], 1))], -1) @ np.linalg.inv(self.matrix).T
        direction = self._pulled_inside(flat, np.zeros(target_px.shape))
        for _ in range(iterations):
            projected, jacobian = self.project_with_jacobian(direction)
            (a, b), (c, d) = np.moveaxis(jacobian[..., :2], (-2, -1), (0, 1))
            determinant = a * d - b * c
            usable = np.isfinite(projected).all(-1) & (np.abs(determinant) > 1e-9)
            residual_u, residual_v = np.moveaxis(target_px - projected, -1, 0)
            change = (
                np.stack([d * residual_u - b * residual_v, a * residual_v - c * residual_u], axis=-1)
                / determinant[..., None]
            )
            change = np.where(usable[..., None], change, 0.0)
            before = direction[..., :2].copy()
            direction[..., :2] += change
            direction = self._pulled_inside(direction, before)
            # Convergence is quadratic: after a step this small the error is below rounding.
            if np.abs(change).max(initial=0.0) < 1e-8:
                break
        converged = np.abs(self.project(direction) - target_px).max(-1) < 1e-6
        out: Array = np.where(converged[..., None], direction, np.nan)
        return out

    def _pulled_inside(self, direction: Array, before: Array) -> Array:
        """``direction`` (..., 3) with every ray beyond ``max_radius`` pulled back to half the way from ``before``.

        ``before`` (..., 2): a ray inside, in the same notation. The way is measured up to ``max_radius``.
        """
        radius = np.linalg.norm(direction[..., :2], axis=-1, keepdims=True)
        folded = self._has_folded(radius**2)
        if folded is not None:
            at_limit = direction[..., :2] * (self.max_radius / np.maximum(radius, 1e-300))
            direction[..., :2] = np.where(folded, (before + at_limit) / 2, direction[..., :2])
        return direction

    def _coefficients(self) -> list[float]:
        out = [0.0] * 12
        out[: self.distortion.size] = [float(v) for v in self.distortion]
        return out


def _distortion_derivative(
    name: str, x: Array, y: Array, r2: Array, radial: Array, bottom: Array
) -> tuple[Array, Array]:
    """Derivative of the distorted ray by the coefficient ``name``, at the undistorted ray (x, y)."""
    zero = np.zeros_like(x)
    if name in ("k1", "k2", "k3"):
        factor = r2 ** int(name[1]) / bottom
        return x * factor, y * factor
    if name in ("k4", "k5", "k6"):
        factor = -radial * r2 ** (int(name[1]) - 3) / bottom
        return x * factor, y * factor
    if name == "p1":
        return 2 * x * y, r2 + 2 * y * y
    if name == "p2":
        return r2 + 2 * x * x, 2 * x * y
    power = r2 ** (1 if name in ("s1", "s3") else 2)
    return (power, zero) if name in ("s1", "s2") else (zero, power)


def parameter_names(coefficients: int) -> tuple[str, ...]:
    """Names of the parameters of a lens with this many distortion coefficients: fx, fy, cx, cy, k1, ..."""
    return (*MATRIX_NAMES, *COEFFICIENT_NAMES[:coefficients])


def correlation_problem(correlation: Array, count: int) -> str:
    """What is wrong with the correlation matrix of ``count`` parameters; empty if nothing is."""
    if correlation.shape != (count, count) or not np.isfinite(correlation).all():
        return f"the correlation must be {count} x {count} finite numbers, one row for each parameter with a sigma"
    if np.abs(np.diagonal(correlation) - 1).max(initial=0.0) > _CORRELATION_ROUNDING:
        return "the diagonal of the correlation must be 1"
    if np.abs(correlation - correlation.T).max(initial=0.0) > _CORRELATION_ROUNDING:
        return "the correlation must be symmetric"
    if np.linalg.eigvalsh(correlation).min(initial=1.0) < -_CORRELATION_ROUNDING:
        return "the correlation must be positive semidefinite"
    return ""


def _largest_inverse_root(polynomial: Sequence[float]) -> float:
    """The largest real positive 1 / root of a polynomial, the constant term first, which is 1; 0 if there is none."""
    if not any(polynomial[1:]) or not np.isfinite(polynomial).all():
        return 0.0
    # Read backwards, the polynomial has the inverse roots, and no division by a leading coefficient that may be tiny.
    inverse = np.roots(polynomial)
    is_real = np.abs(inverse.imag) <= _REAL_ROOT_TOLERANCE * np.abs(inverse)
    return float(inverse.real[is_real].max(initial=0.0))
