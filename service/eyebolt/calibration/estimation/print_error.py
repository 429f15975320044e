"""Errors of the printed corners, common to all views: how large they are, and what the images show of them.

A printed board differs from its drawing. Corner k is displaced by delta_k (2, in the plane of the board) from its
stated place, in all views alike: a random field, delta ~ N(0, t^2 R), R exponential in the distance of two corners, or
the identity. Without it, residuals that all views share would count as evidence about the lens.

*Size.* t and the length of R are estimated by restricted maximum likelihood (H. D. Patterson, R. Thompson, Biometrika
58(3), 1971), the pose of every view, the bow and all lens parameters being free without a prior. With the information L
about delta, for corner noise of 1 px, and the gradient g: g ~ N(0, s^2 L + t^2 L R L), which is diagonal in the
eigenvectors of L in the metric of R. There are such errors only if the views agree beyond chance: with the signs of
whole views drawn at random, which leaves all structure within a view as it is (E. J. G. Pitman, Suppl. J. R. Stat. Soc.
4(1), 1937), the products of the fields of different views have a sum with mean 0 and known variance.

*Effect.* A change of the pose moves the corners, seen in the plane of the board, by a field of the Lie algebra of its
homographies: eight parameters, of which translation and rotation are part of Y, and scale, aspect, shear and two
projective terms are nuisance parameters (``NuisancePrior.with_print_error``). The rest of delta hardly moves a pose,
and the images determine it. It is eliminated: given the nuisances u its mean is ``mean - following @ u``. So the
corners are displaced by ``mean``, and the derivatives by u have those by ``following`` subtracted. What this costs
under the prior of delta is added to information and gradient, so that they are those of the Schur complement.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import scipy
from numpy.typing import NDArray

from eyebolt.calibration.estimation.corner_noise import CornerNoise
from eyebolt.calibration.problem import PrintError
from eyebolt.geometry import COEFFICIENT_NAMES, MATRIX_NAMES, Array, CameraModel, RowSelection, se3
from eyebolt.observations import PRINT_PARAMETERS, CornerField, CornerLinearization, CornerObservations

PRINT_ERROR_ITERATIONS = 2
"""Errors of the print and corner noise depend on each other: the fixed-point iteration converges as fast as that of the
corner noise."""
# Probability that views without common errors are taken to have them.
_FALSE_ALARM_RATE = 0.001
# Lengths of the correlation tried, as fractions of the longer side of the field of corners; 0: independent corners.
_LENGTHS = (0.0, 0.1, 0.2, 0.4, 0.8)
# Ratios of the variances t^2 and s^2 tried, relative to the inverse of the largest information.
_RATIOS = np.geomspace(1e-2, 1e8, 101)
# Directions with less of the information of the best one are left out: it is rounding.
_MIN_INFORMATION_RATIO = 1e-8
# Coordinates that agree to this are those of one corner, metres.
_SAME_CORNER_M = 1e-7


@dataclass(frozen=True)
class CornerDisplacement:
    """The errors of the printed corners as the images of n views show them, given the r nuisance parameters."""

    mean_m: Array
    """(n, K, 2), metres, board frame: displacement of each corner without nuisances."""
    following_m: Array
    """(n, K, 2, r), metres: its decrease per unit of each nuisance."""
    information: Array
    """(n, r, r): share of each view in the information about the nuisances that the prior of the displacement adds."""
    gradient: Array
    """(n, r): the gradient for ``information``."""
    dof: float
    """Degrees of freedom of the residuals that the displacement takes up."""

    def __getitem__(self, rows: RowSelection) -> CornerDisplacement:
        return CornerDisplacement(
            self.mean_m[rows], self.following_m[rows], self.information[rows], self.gradient[rows], self.dof
        )

    def applied_to(self, corners: CornerObservations) -> CornerObservations:
        """The ``corners`` at their estimated places on the board."""
        points = corners.points_m.copy()
        points[..., :2] += self.mean_m
        return replace(corners, points_m=points)

    def followed(self, derivatives: Array, fit: CornerLinearization) -> Array:
        """``derivatives`` (n, 2 K, r) of the corners by the nuisances, the displacement following them."""
        moved = fit.jacobian[..., :2] @ self.following_m
        out: Array = derivatives - moved.reshape(derivatives.shape)
        return out


@dataclass(frozen=True)
class _CommonField:
    """The normal equations of the displacements of all M corners and of r nuisances, the pose of every view free.

    For a corner noise of 1 px.
    """

    points_m: Array
    """(M, 2), metres: stated places of the corners."""
    number: NDArray[np.intp]
    """(n, K): number of each corner among them."""
    by_place: Array
    """(n, K, 2, 2): derivatives of the corners by their places."""
    own: Array
    """(n, 2 K): the inverse covariance of the corners, the poses free, is this diagonal less ``factor @ factor.T``."""
    factor: Array
    """(n, 2 K, b): see ``own``."""
    cross_information: Array
    """(2 M, r): between displacements and nuisances."""
    gradient: Array
    """(n, 2 M): of each view, for the displacements."""
    view_cross_information: Array
    """(n, 2 M, r): contribution of each view to ``cross_information``."""
    nuisance_information: Array
    """(r, r): about the nuisances."""
    nuisance_gradient: Array
    """(r,): for the nuisances."""
    rss_px2: float
    """Sum of squares about the pose fits."""

    @staticmethod
    def of(
        corners: CornerObservations, fit: CornerLinearization, derivatives: Array, noise: CornerNoise
    ) -> _CommonField:
        """``derivatives`` (n, 2 K, r): of the corners by the nuisances."""
        n, k = corners.weights.shape
        # As complex numbers, whose order is that of the coordinates: unique rows take ten times as long.
        places, number = np.unique(np.round(corners.points_m[..., :2] / _SAME_CORNER_M) @ [1, 1j], return_inverse=True)
        places, number = np.stack([places.real, places.imag], axis=-1), number.reshape(n, k).astype(np.intp)
        m = len(places)
        by_place = fit.jacobian[..., :2]
        flat = fit.jacobian.reshape(n, 2 * k, 6)
        columns = np.concatenate([derivatives, fit.residual_px.reshape(n, 2 * k, 1)], axis=-1)
        own, factor = noise.inverse_covariance(corners)
        # inverse covariance = diag(own) - factor factor^T; the pose is eliminated by a further factor.
        weighted_pose = _noise_weighted(own, factor, flat)
        factor = np.concatenate(
            [factor, weighted_pose @ _inverse_root(np.swapaxes(flat, 1, 2) @ weighted_pose)], axis=-1
        )
        weighted = _noise_weighted(own, factor, columns)
        of_view = _gathered(number, m, np.swapaxes(by_place, -1, -2) @ weighted.reshape(n, k, 2, -1))
        products = (np.swapaxes(columns, 1, 2) @ weighted).sum(axis=0)
        return _CommonField(
            places * _SAME_CORNER_M,
            number,
            by_place,
            own,
            factor,
            of_view[..., :-1].sum(axis=0),
            of_view[..., -1],
            of_view[..., :-1],
            products[:-1, :-1],
            products[:-1, -1],
            float(products[-1, -1]),
        )

    @cached_property
    def information(self) -> Array:
        """(2 M, 2 M): about the displacements."""
        m, (n, k) = len(self.points_m), self.number.shape
        transposed = np.swapaxes(self.by_place, -1, -2)
        low_rank = _gathered(self.number, m, transposed @ self.factor.reshape(n, k, 2, -1))
        low_rank = np.moveaxis(low_rank, 1, 0).reshape(2 * m, -1)
        single = np.zeros((m, 2, 2))
        np.add.at(single, self.number, transposed @ (self.own.reshape(n, k, 2, 1) * self.by_place))
        out: Array = -low_rank @ low_rank.T
        for a in range(2):
            for b in range(2):
                out[np.arange(a, 2 * m, 2), np.arange(b, 2 * m, 2)] += single[:, a, b]
        return out

    def without_nuisances(self) -> tuple[Array, Array]:
        """(n, 2 M): gradients of the views with the nuisances estimated, and (r, r): the covariance of these."""
        inverse = np.linalg.pinv(self.nuisance_information, rcond=1e-12, hermitian=True)
        estimate = inverse @ self.nuisance_gradient
        return self.gradient - self.view_cross_information @ estimate, inverse


def _inverse_root(information: Array) -> Array:
    """Square roots (n, 6, 6) of the inverses of informations (n, 6, 6), scaled to a unit diagonal in between."""
    scale = 1 / np.sqrt(np.maximum(np.diagonal(information, axis1=1, axis2=2), 1e-300))
    values, vectors = np.linalg.eigh(information * scale[:, :, None] * scale[:, None, :])
    out: Array = scale[:, :, None] * vectors / np.sqrt(np.maximum(values, 1e-15))[:, None, :]
    return out


def _noise_weighted(own: Array, factor: Array, columns: Array) -> Array:
    """Inverse covariance ``diag(own) - factor factor^T`` (n, 2 K and n, 2 K, b) times ``columns`` (n, 2 K, c)."""
    out: Array = own[..., None] * columns - factor @ (np.swapaxes(factor, 1, 2) @ columns)
    return out


def _gathered(number: NDArray[np.intp], count: int, of_corners: Array) -> Array:
    """(n, 2 M, c): what the corners (n, K, 2, c) with this ``number`` (n, K) contribute to each of M = ``count``."""
    n = len(number)
    out = np.zeros((n, count, *of_corners.shape[2:]))
    np.add.at(out, (np.arange(n)[:, None], number), of_corners)
    return out.reshape(n, 2 * count, -1)


def views_agree(
    camera: CameraModel, field: CornerField, corners: CornerObservations, fit: CornerLinearization, noise: CornerNoise
) -> bool:
    """Whether the residuals of the ``corners``, linearised at their pose fits, are alike in all views beyond chance."""
    common = _CommonField.of(corners, fit, _free_derivatives(camera, field, corners, fit), noise)
    of_views, _ = common.without_nuisances()
    products = of_views @ of_views.T
    apart = products - np.diag(np.diagonal(products))
    deviation = float(apart.sum()) / max(float(np.sqrt(2 * (apart**2).sum())), 1e-300)
    return bool(scipy.special.ndtr(-deviation) < _FALSE_ALARM_RATE)


def estimate_print_error(
    camera: CameraModel,
    field: CornerField,
    corners: CornerObservations,
    fit: CornerLinearization,
    noise: CornerNoise,
    lengths_m: Sequence[float] | None = None,
) -> PrintError:
    """The size of the errors that all views share, by restricted maximum likelihood under the ``noise``.

    ``fit``: the ``corners`` linearised at their pose fits; ``lengths_m``: lengths of the correlation tried.
    """
    n = len(corners.weights)
    common = _CommonField.of(corners, fit, _free_derivatives(camera, field, corners, fit), noise)
    of_views, inverse = common.without_nuisances()
    gradient = of_views.sum(axis=0)
    information = common.information - common.cross_information @ inverse @ common.cross_information.T
    rank = np.linalg.matrix_rank(inverse, hermitian=True)
    total_dof = 2 * float(corners.weights.sum()) - 6 * n - rank
    rss = common.rss_px2 - float(common.nuisance_gradient @ inverse @ common.nuisance_gradient)
    if lengths_m is None:
        lengths_m = [fraction * 2 * float(field.half_sides_m.max()) for fraction in _LENGTHS]
    best = (-np.inf, 0.0, 0.0)
    for length in lengths_m:
        root = np.kron(np.linalg.cholesky(_correlation(common.points_m, length)), np.eye(2))
        values, vectors = np.linalg.eigh(root.T @ information @ root)
        known = values > _MIN_INFORMATION_RATIO * values[-1]
        values, squares = values[known], (vectors[:, known].T @ (root.T @ gradient)) ** 2 / values[known]
        ratios = _RATIOS / values[-1]
        spread = 1 + ratios[:, None] * values
        variance = (rss - float(squares.sum()) + (squares / spread).sum(axis=1)) / total_dof
        log_likelihood = -0.5 * (np.log(spread).sum(axis=1) + total_dof * np.log(variance))
        at = int(np.argmax(log_likelihood))
        best = max(best, (float(log_likelihood[at]), float(np.sqrt(ratios[at] * variance[at])), length))
    _, sigma, length = best
    return PrintError(sigma, length, _pose_like(field, common.points_m, sigma, length))


def _free_derivatives(
    camera: CameraModel, field: CornerField, corners: CornerObservations, fit: CornerLinearization
) -> Array:
    """(n, 2 K, q): of the corners by the whole lens and the bow, each scaled to a sum of squares of 1."""
    n, k = corners.weights.shape
    names = (*MATRIX_NAMES, *COEFFICIENT_NAMES[: max(camera.distortion.size, 5)])
    by_lens = camera.parameter_jacobian(names, se3.apply(fit.camera_T_board, corners.points_m))
    by_bow = fit.jacobian[..., 2, None] * field.basis(corners.points_m)[..., None, :]
    out = np.nan_to_num(np.concatenate([by_lens, by_bow], axis=-1)) * (corners.weights > 0)[..., None, None]
    out = out.reshape(n, 2 * k, -1)
    scaled: Array = out / np.sqrt(np.maximum((out**2).sum(axis=(0, 1)), 1e-300))
    return scaled


def _correlation(points_m: Array, length_m: float) -> Array:
    """R (M, M) of corners at ``points_m`` (M, 2)."""
    if length_m == 0:
        return np.eye(len(points_m))
    distance = np.linalg.norm(points_m[:, None] - points_m[None], axis=-1)
    out: Array = np.exp(-distance / length_m) + 1e-9 * np.eye(len(points_m))
    return out


def _homography_fields(field: CornerField, points_m: Array) -> Array:
    """(2 M, 8): translations, rotation, then what PRINT_PARAMETERS describe."""
    m = len(points_m)
    x, y = (points_m - field.centre_m).T
    rigid = np.zeros((m, 2, 3))
    rigid[:, 0, 0] = rigid[:, 1, 1] = 1.0
    rigid[:, 0, 2], rigid[:, 1, 2] = -y, x
    return np.concatenate([rigid, field.in_plane_basis(points_m)], axis=-1).reshape(2 * m, -1)


def _pose_like(field: CornerField, points_m: Array, sigma_m: float, length_m: float) -> dict[str, float]:
    """Prior standard deviations of PRINT_PARAMETERS: of the homography that fits delta best by least squares."""
    inverse = np.linalg.pinv(_homography_fields(field, points_m))
    spread = sigma_m**2 * np.kron(_correlation(points_m, length_m), np.eye(2))
    variances = np.diagonal(inverse @ spread @ inverse.T)[3:]
    return dict(zip(PRINT_PARAMETERS, np.sqrt(variances).tolist(), strict=True))


def eliminate_displacement(
    error: PrintError,
    field: CornerField,
    corners: CornerObservations,
    fit: CornerLinearization,
    derivatives: Array,
    noise: CornerNoise,
) -> CornerDisplacement:
    """The displacement of the ``corners``, homographies apart, given the nuisances.

    ``fit``: the corners linearised at their pose fits; ``derivatives`` (n, 2 K, r): by the nuisances.
    """
    n = len(corners.weights)
    common = _CommonField.of(corners, fit, derivatives, noise)
    root = np.kron(np.linalg.cholesky(_correlation(common.points_m, error.length_m)), np.eye(2))
    absorbed, _ = np.linalg.qr(_homography_fields(field, common.points_m))
    root = error.sigma_m * (root - absorbed @ (absorbed.T @ root))
    noise_px2 = noise.sigma_px**2
    seen = root.T @ common.information @ root
    posterior = np.linalg.inv(seen + noise_px2 * np.eye(len(root)))
    mean = posterior @ (root.T @ common.gradient.sum(axis=0))
    following = posterior @ (root.T @ common.cross_information)
    displaced = np.concatenate([root @ mean[:, None], root @ following], axis=1)
    displaced = displaced.reshape(len(common.points_m), 2, -1)[common.number]
    r = following.shape[1]
    return CornerDisplacement(
        displaced[..., 0],
        displaced[..., 1:],
        np.broadcast_to(noise_px2 / n * following.T @ following, (n, r, r)),
        np.broadcast_to(noise_px2 / n * following.T @ mean, (n, r)),
        # The trace of posterior @ seen.
        len(root) - noise_px2 * float(np.trace(posterior)),
    )
