"""Expected error of a pick by the same arm, whose geometry differs from the model in its controller.

The error of X (``transform_error``) and that of the arm at the pick and at the image are propagated under the white
and the pose-correlated part of the arm's error, with their correlation; the size of both parts is uncertain, under a
prior that is flat in each standard deviation.

All picks with one result share the error of X and, nearly, the pose-correlated error; only the white part is another at
each pick. The upper bound of their p95 is that of their joint distribution, by simulation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import scipy
from numpy.typing import NDArray

from eyebolt.calibration.estimation import JointEstimate
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.robust import (
    CONSTANT_SHARE,
    arm_axes,
    evenly_spaced_rows,
    matching_pose_correlation,
    pose_correlation,
)
from eyebolt.calibration.uncertainty.expected_error import (
    ErrorSummary,
    p95_upper_m,
    pooled_summary,
    root_of,
    root_quantile,
    standard_normal,
)
from eyebolt.calibration.uncertainty.transform_error import ROTATION, TRANSLATION, TransformError, variance_classes
from eyebolt.geometry import Array, FlangeRotation, Mount, PickPose, PickPosture, se3

# Picks at up to ten of the waypoints; with the camera on the arm at 12 points of the working volume of each.
_MAX_PICK_POSES = 10
_POINTS_PER_VIEW = 12
# Picks straight down: points of the working volume, each with another rotation about the vertical.
_POINTS_OF_VOLUME = 48
# A point farther from the base than this multiple of the farthest waypoint counts as out of reach. Common practice, no
# source.
_REACH = 1.1
# Draws at each pick; all picks together are some ten thousand errors.
_DRAWS = 256
# Results, and white errors at each pick, of the simulation of p95_upper, which is within 2.4 % (RMS) of the bound by
# many draws; twice as many results would leave 1.6 %.
_RESULTS, _PICKS_PER_POSE = 512, 4
# Modes of the correlated error that the simulation includes; together 99.6 % of its variance.
_MODES = 16


@dataclass(frozen=True)
class PickError:
    """The expected error of a pick, and the pose-correlated error of the arm behind it."""

    summary: ErrorSummary
    """Error of the tip relative to the object."""
    remaining_mm: float
    """p95 that remains however many further pairs are taken, mm: that of the arm itself, its size being typical."""
    correlated_m: float
    """Standard deviation per axis of the pose-correlated error in translation, metres."""
    correlated_rad: float
    """Standard deviation per axis of the pose-correlated error in rotation, radians."""
    likelihood_ratio: float
    """Twice the log likelihood that the pose-correlated error gains over white noise alone."""
    tilt_rad: float
    """Smallest rotation from a waypoint to the posture of a pick, the median over the picks; radians."""


@dataclass(frozen=True)
class _PickGeometry:
    """q picks: where the camera observed a point, and where the arm goes for it."""

    views: Array
    """(q, 4, 4) base_T_flange at the image."""
    picks: Array
    """(q, 4, 4) base_T_flange at the pick."""
    points: Array
    """(q, 3) m: the observed points, camera frame."""
    tips: Array
    """(q, 3) m: the tip, flange frame."""

    def spread(self) -> _PickGeometry:
        """At most ``_POINTS_OF_VOLUME`` of the picks, evenly spaced."""
        rows = evenly_spaced_rows(len(self.tips), _POINTS_OF_VOLUME)
        return _PickGeometry(self.views[rows], self.picks[rows], self.points[rows], self.tips[rows])


@dataclass(frozen=True)
class _Components:
    """Covariances (q, 3, 3) m^2, base axes, of tip minus object: the sum of these by the variances of the arm's error.

    Variances in this order: white translation and rotation, correlated translation and rotation.
    """

    constant: Array
    """(q, 3, 3): by corner noise, by board and lens, and by the height of a vertical arm."""
    by_variance: Array
    """(4, q, 3, 3): per unit of each variance."""
    by_white_of_arm: Array
    """(2, q, 3, 3): per unit of each white variance, with an exact X."""

    def at(self, variances: Array) -> Array:
        """(m, q, 3, 3): the covariances for ``variances`` (m, 4)."""
        out: Array = self.constant + np.tensordot(variances, self.by_variance, axes=1)
        return out

    def remaining_at(self, variances: Array) -> Array:
        """(q, 3, 3): the same for ``variances`` (4,) with an exact X but for the correlated errors of the pairs, which
        further pairs do not reduce."""
        out: Array = np.tensordot(variances[:2], self.by_white_of_arm, axes=1)
        return out + np.tensordot(variances[2:], self.by_variance[2:], axes=1)


def pick_error(problem: Problem, joint: JointEstimate, reported: Array, X_error: TransformError) -> PickError:
    """Expected error of a pick, as ``problem.pick`` states it, at a point that the camera observed.

    ``reported`` (n, 4, 4): base_T_flange of the pairs in ``joint``; ``X_error``: that of its X.
    """
    variances = X_error.variances
    geometry = _pick_geometry(problem, joint, X_error.pairs.poses)
    components = _components(joint, X_error, geometry, problem.mount)
    classes = variance_classes(variances, np.trace(components.by_variance, axis1=-2, axis2=-1).mean(axis=-1))
    together = _picks_of_one_result(joint, X_error, geometry.spread(), problem.mount)
    # Pooled: where nothing but white noise remains, p95 and bound are the same.
    remaining = _squared_errors(components.remaining_at(classes[len(classes) // 2])[None])
    return PickError(
        summary=pooled_summary(
            _squared_errors(components.at(classes)), p95_upper_m(together.squared_errors(problem, classes))
        ),
        remaining_mm=1e3 * float(root_quantile(remaining.ravel(), 0.95)),
        correlated_m=variances.correlated_m,
        correlated_rad=variances.correlated_rad,
        likelihood_ratio=variances.likelihood_ratio,
        tilt_rad=_tilt_rad(problem, geometry, reported),
    )


def _squared_errors(covariances: Array) -> Array:
    """Squares (q, draws), m^2, of Gaussian errors with ``covariances`` (m, q, 3, 3), m^2, of m equally probable
    classes."""
    draws = standard_normal(_DRAWS, 4)
    m, q = covariances.shape[:2]
    # Equally many draws for each class.
    of_class = draws[draws[:, 3].argsort(), :3].reshape(m, 1, -1, 3)
    vectors = _roots(covariances) @ np.swapaxes(of_class, -1, -2)
    out: Array = np.swapaxes((vectors**2).sum(axis=-2), 0, 1).reshape(q, -1)
    return out


def _pick_geometry(problem: Problem, joint: JointEstimate, reported: Array) -> _PickGeometry:
    """The picks that ``problem.pick`` states; ``reported`` (n, 4, 4): the waypoints."""
    waypoints = reported[evenly_spaced_rows(len(reported), _MAX_PICK_POSES)]
    if problem.pick.pose is PickPose.DOWN:
        return _picks_down(problem, joint, reported, waypoints)
    pick = problem.pick
    if problem.mount is Mount.FIXED:
        # Without a stated tool the tip is as far from the flange as the board is.
        tips = np.broadcast_to(joint.Y[:3, 3] if pick.tool_m is None else pick.tool_m, (len(waypoints), 3))
        in_base = (waypoints[:, :3, :3] @ tips[..., None])[..., 0] + waypoints[:, :3, 3]
        return _PickGeometry(waypoints, waypoints, se3.apply(se3.inverse(joint.X), in_base), tips)
    views, points, in_base = _observed_from(problem, joint, waypoints)
    return _reaching(views, views[:, :3, :3], points, in_base, pick)


def _picks_down(problem: Problem, joint: JointEstimate, reported: Array, waypoints: Array) -> _PickGeometry:
    """Picks with the tool straight down, at points of the working volume within reach."""
    views: Array
    if problem.mount is Mount.FIXED:
        grid = problem.grid
        points = grid[np.linspace(0, len(grid) - 1, 4 * _POINTS_OF_VOLUME).astype(int)]
        views, in_base = np.broadcast_to(np.eye(4), (len(points), 4, 4)), se3.apply(joint.X, points)
    else:
        views, points, in_base = _observed_from(problem, joint, waypoints)
    within = np.linalg.norm(in_base, axis=-1) <= _REACH * np.linalg.norm(reported[:, :3, 3], axis=-1).max()
    chosen = np.flatnonzero(within) if within.any() else np.arange(len(points))
    if problem.mount is Mount.FIXED:
        chosen = chosen[np.linspace(0, len(chosen) - 1, min(len(chosen), _POINTS_OF_VOLUME)).astype(int)]
    if problem.flange_rotation is FlangeRotation.VERTICAL:
        upright = reported[0, :3, :3]
    else:
        upright = _rotation_onto(np.array(problem.pick.axis), np.array([0.0, 0.0, -1.0]))
    # Multiples of the golden angle spread any number of rotations evenly.
    about_vertical = np.pi * (3 - np.sqrt(5)) * np.arange(len(chosen))
    rotations = se3.exp_rotation(about_vertical[:, None] * [0.0, 0.0, 1.0]) @ upright
    return _reaching(views[chosen], rotations, points[chosen], in_base[chosen], problem.pick)


def _observed_from(problem: Problem, joint: JointEstimate, waypoints: Array) -> tuple[Array, Array, Array]:
    """Views (q, 4, 4), points (q, 3) of the working volume in the camera frame, and in the base frame (q, 3)."""
    grid = problem.grid
    points = grid[np.linspace(0, len(grid) - 1, _POINTS_PER_VIEW).astype(int)]
    views = np.repeat(waypoints, len(points), axis=0)
    points = np.tile(points, (len(waypoints), 1))
    at_flange = se3.apply(joint.X, points)
    return views, points, (views[:, :3, :3] @ at_flange[..., None])[..., 0] + views[:, :3, 3]


def _reaching(views: Array, rotations: Array, points: Array, in_base: Array, pick: PickPosture) -> _PickGeometry:
    """Picks with flange ``rotations`` (q, 3, 3) whose tip is at ``in_base`` (q, 3)."""
    tips = np.broadcast_to((0.0, 0.0, 0.0) if pick.tool_m is None else pick.tool_m, points.shape)
    picks = np.zeros((len(points), 4, 4))
    picks[:, 3, 3] = 1.0
    picks[:, :3, :3] = rotations
    picks[:, :3, 3] = in_base - (rotations @ tips[..., None])[..., 0]
    return _PickGeometry(views, picks, points, tips)


def _rotation_onto(start: Array, end: Array) -> Array:
    """The smallest rotation (3, 3) of unit vector ``start`` onto ``end``; of half a turn where they are opposite."""
    axis, cosine = np.cross(start, end), float(start @ end)
    if float(np.linalg.norm(axis)) < 1e-9:
        # A half turn about any axis across: the one farthest from ``start``.
        across = np.eye(3)[int(np.abs(start).argmin())]
        axis = np.cross(start, across)
        return np.eye(3) if cosine > 0 else se3.exp_rotation(np.pi * axis / np.linalg.norm(axis))
    return se3.exp_rotation(np.arctan2(np.linalg.norm(axis), cosine) * axis / np.linalg.norm(axis))


def _tilt_rad(problem: Problem, geometry: _PickGeometry, reported: Array) -> float:
    """Smallest angle between the tool axis at a waypoint and at a pick, the median over the picks."""
    axis = np.array(problem.pick.axis)
    cosines = (geometry.picks[:, :3, :3] @ axis) @ (reported[:, :3, :3] @ axis).T
    return float(np.median(np.arccos(np.clip(cosines.max(axis=1), -1.0, 1.0))))


def _jacobians(joint: JointEstimate, geometry: _PickGeometry, mount: Mount) -> tuple[Array, list[_ArmAt]]:
    """Tip minus object, base axes: (q, 3, 6) per error of X, and per error of the arm.

    The arm errs at the pick and, with the camera on it, at the image.
    """
    points, R_X = geometry.points, joint.X[:3, :3]
    by_X = np.concatenate([np.broadcast_to(R_X, (len(points), 3, 3)), -R_X @ se3.skew(points)], axis=-1)
    arms = [_ArmAt.of(geometry.picks, geometry.tips, 1.0)]
    if mount is Mount.ARM:
        by_X = geometry.views[:, :3, :3] @ by_X
        arms.append(_ArmAt.of(geometry.views, points @ R_X.T + joint.X[:3, 3], -1.0))
    return by_X, arms


def _components(joint: JointEstimate, X_error: TransformError, geometry: _PickGeometry, mount: Mount) -> _Components:
    """The covariances of tip minus object; the pose-correlated part makes the errors of X and arm correlated."""
    by_X, arms = _jacobians(joint, geometry, mount)

    def through_X(covariance: Array) -> Array:
        out: Array = by_X @ covariance @ np.swapaxes(by_X, -1, -2)
        return out

    white, white_of_arm, correlated = [], [], []
    between = matching_pose_correlation(geometry.picks, geometry.views) if len(arms) == 2 else None
    parts = zip((TRANSLATION, ROTATION), X_error.by_white, X_error.by_correlated, strict=True)
    for part, by_white, by_correlated in parts:
        white_of_arm.append(sum(arm.square(part) for arm in arms))
        white.append(through_X(by_white) + white_of_arm[-1])
        total = through_X(by_correlated) + white_of_arm[-1]
        in_axes = X_error.gain_in_axes(part)
        for arm in arms:
            shared = np.einsum("ani,qn->qai", in_axes, pose_correlation(arm.poses, X_error.pairs.poses), optimize=True)
            total = total + _symmetric(by_X @ shared @ np.swapaxes(arm.in_axes(part), -1, -2))
        if between is not None:
            across = arms[0].in_axes(part) @ np.swapaxes(arms[1].in_axes(part), -1, -2)
            total = total + _symmetric(across * between[:, None, None])
        # What an error that is constant in the flange frame adds to its square in X.
        of_X, of_arm = by_X @ X_error.by_constant(part), sum(arm.jacobian[..., part] for arm in arms)
        beside_X = of_arm @ np.swapaxes(of_arm, -1, -2) + _symmetric(of_X @ np.swapaxes(of_arm, -1, -2))
        correlated.append(total + CONSTANT_SHARE * beside_X)
    return _Components(through_X(X_error.constant), np.array([*white, *correlated]), np.array(white_of_arm))


@dataclass(frozen=True)
class _PicksOfOneResult:
    """The joint distribution of the errors of q picks with one result."""

    by_X: Array
    """(q, 3, 6): tip minus object, base axes, per error of X by the sources below."""
    X_error: TransformError
    """These sources; the correlated errors of the pairs are in ``correlated``."""
    correlated: tuple[Array, Array]
    """(3q, r): effect of independent unit errors that all picks share, for unit variance of translation, rotation."""
    of_arm: Array
    """(2, q, 3, 3): covariance by the white error of the arm, per unit of its variances, another at each pick; that of
    the translation is a multiple of the identity."""

    def squared_errors(self, problem: Problem, classes: Array) -> NDArray[np.float32]:
        """(results, picks) m^2: squared errors; ``classes`` (m, 4): equally probable variances.

        Each of the simulated results has a class and an error of its own; the white errors are the same for all.
        """
        m, q = len(classes), len(self.by_X)
        draws = _many_normals()
        # Equally many results for each class: (m, results of a class, ...).
        draws = draws[draws[:, -1].argsort(), :-1].reshape(m, -1, draws.shape[1] - 1)
        X_covariances = self.X_error.constant + np.tensordot(classes[:, :2], self.X_error.by_white, axes=1)
        of_X = draws[..., :6] @ np.swapaxes(root_of(problem, X_covariances), -1, -2)
        sigmas = np.sqrt(classes[:, 2:]).repeat([root.shape[1] for root in self.correlated], axis=1)
        effects = np.concatenate([self.by_X.reshape(3 * q, 6), *self.correlated], axis=1)
        shared = np.concatenate([of_X, sigmas[:, None] * draws[..., 6 : effects.shape[1]]], axis=-1) @ effects.T
        # (m, q, results of a class, 3). Single precision suffices for what is only sorted from here on.
        shared = np.swapaxes(shared.reshape(m, -1, q, 3), 1, 2).astype(np.float32)
        at_pick = standard_normal(_PICKS_PER_POSE * q, 3).reshape(_PICKS_PER_POSE, q, 3).transpose(1, 2, 0)
        own = self._white_roots(classes[:, :2]) @ at_pick
        own = own.astype(np.float32)
        # |s + R z|^2 = |s|^2 + |R z|^2 + 2 s (R z): far fewer numbers than the errors themselves.
        squares = 2 * (shared @ own) + (own**2).sum(axis=-2, keepdims=True) + (shared**2).sum(axis=-1, keepdims=True)
        out: NDArray[np.float32] = np.maximum(np.swapaxes(squares, 1, 2), 0.0).reshape(_RESULTS, -1)
        return out

    def _white_roots(self, variances: Array) -> Array:
        """Symmetric square roots (m, q, 3, 3) of the covariance by the white error for ``variances`` (m, 2).

        Where two principal axes are equally long, as for a rotation about a lever, rounding decides on these axes, but
        not on the symmetric root. An error in translation has no principal axes, so those of a rotation serve.
        """
        values, vectors = np.linalg.eigh(self.of_arm[1])
        of_translation = self.of_arm[0, :, 0, 0, None]
        sigmas = np.sqrt(variances[:, :1, None] * of_translation + variances[:, 1:, None] * np.maximum(values, 0.0))
        out: Array = (vectors * sigmas[..., None, :]) @ np.swapaxes(vectors, -1, -2)
        return out


def _picks_of_one_result(
    joint: JointEstimate, X_error: TransformError, geometry: _PickGeometry, mount: Mount
) -> _PicksOfOneResult:
    by_X, arms = _jacobians(joint, geometry, mount)
    q, pairs = len(by_X), X_error.pairs
    poses = np.concatenate([pairs.poses, *(arm.poses for arm in arms)])
    largest = (max(len(poses) - _MODES, 0), len(poses) - 1)
    values, vectors = scipy.linalg.eigh(pose_correlation(poses, poses), subset_by_index=largest)
    # Largest first: the first columns of the draws are spread best.
    modes = (vectors * np.sqrt(np.maximum(values, 0.0)))[:, ::-1]
    # The sign of an eigenvector is arbitrary, and the draws are not symmetric.
    modes = modes * np.sign(np.take_along_axis(modes, np.abs(modes).argmax(axis=0)[None], axis=0))
    correlated, of_arm = [], []
    for part in (TRANSLATION, ROTATION):
        root = by_X @ np.einsum("ani,nr->ari", X_error.gain_in_axes(part), modes[: pairs.count]).reshape(6, -1)
        for arm, at in zip(arms, np.split(modes[pairs.count :], len(arms)), strict=True):
            root += np.einsum("qai,qr->qari", arm.in_axes(part), at).reshape(q, 3, -1)
        constant = by_X @ X_error.by_constant(part) + sum(arm.jacobian[..., part] for arm in arms)
        root = np.concatenate([np.sqrt(CONSTANT_SHARE) * constant, root], axis=-1)
        correlated.append(root.reshape(3 * q, -1))
        of_arm.append(sum(arm.square(part) for arm in arms))
    return _PicksOfOneResult(by_X, X_error, (correlated[0], correlated[1]), np.array(of_arm))


@cache
def _many_normals() -> Array:
    """Quasi-random standard normal points, always the same ones: a row for each result, a column for each mode of both
    parts and its constant, in three directions, for six of X, and for the class.

    Multiples of the square roots of the primes modulo 1 (R. D. Richtmyer, Los Alamos report LA-1342, 1951): the powers
    of ``standard_normal`` are too close together for so many.
    """
    primes: list[int] = []
    number = 2
    while len(primes) < 6 + 2 * 3 * (_MODES + 1) + 1:
        if all(number % prime for prime in primes):
            primes.append(number)
        number += 1
    out: Array = scipy.special.ndtri((0.5 + np.arange(1, _RESULTS + 1)[:, None] * np.sqrt(primes)) % 1.0)
    return out


@dataclass(frozen=True)
class _ArmAt:
    """The arm at q poses."""

    poses: Array
    """(q, 4, 4): base_T_flange."""
    jacobian: Array
    """(q, 3, 6): tip minus object, base axes, per error of the flange."""
    axes: Array
    """(q, 3, 3): ``arm_axes``."""

    @classmethod
    def of(cls, poses: Array, points: Array, sign: float) -> _ArmAt:
        """The arm at ``poses`` displaces ``points`` (q, 3), flange frame."""
        identity = np.broadcast_to(np.eye(3), (len(points), 3, 3))
        jacobian = sign * poses[:, :3, :3] @ np.concatenate([identity, -se3.skew(points)], axis=-1)
        return cls(poses, jacobian, arm_axes(poses))

    def square(self, part: slice) -> Array:
        """(q, 3, 3): covariance by errors of unit variance in ``part``."""
        out: Array = self.jacobian[..., part] @ np.swapaxes(self.jacobian[..., part], -1, -2)
        return out

    def in_axes(self, part: slice) -> Array:
        """(q, 3, 3): the Jacobian by the errors in ``part``, in the axes of the arm."""
        out: Array = self.jacobian[..., part] @ self.axes
        return out


def _symmetric(covariance: Array) -> Array:
    out: Array = covariance + np.swapaxes(covariance, -1, -2)
    return out


def _roots(covariance: Array) -> Array:
    """Square roots R (..., 3, 3), R R^T = covariance, with its principal axes as columns."""
    values, vectors = np.linalg.eigh(covariance)
    out: Array = vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]
    return out
