"""The arm's errors as two parts: scatter, and a smooth part that poses near each other share.

A real arm's error is not white: joint offsets and link errors vary slowly over its poses. The smooth part is a Gaussian
process over the poses. How much of each there is, the pairs themselves say: restricted likelihood over four variances.

Distances: the correlation falls to 0.6 over 2 m and stays above 0.85 for any turn: joint errors act as trends over the
whole workspace, not as bumps in it. Both lengths were chosen by simulation (``tests/bench/solve pick``).

Pairs that look strange only because the arm's geometry is not what its controller thinks.

The errors of such an arm depend on where it stands: some waypoints agree with each other far better than with the
rest, which then seem not to belong. To leave those out would hide the very error that the pick will meet. So what
explains the pairs better is asked of them: strangers beside a quiet arm, or one arm with more scatter and with errors
that grow with the distance between poses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.estimation import JointEstimate, LinearModel, Views, joint_estimate, linearise, squares_beyond
from eyebolt.calibration.problem import Problem, chain_of
from eyebolt.geometry import Array, Rows

CORRELATION_M = 2.0
CORRELATION_CHORD = 4.0
# The cost grows with the cube.
_MOST_PAIRS = 40
# Log variances are looked for between these; at the least one a part is as good as absent.
LEAST, MOST = 2 * np.log(1e-7), 2 * np.log(0.05)


@dataclass(frozen=True)
class ArmOffsets:
    """n pairs in the arm's coordinates, as a linear model has them, and how near each other their poses are.

    ``poses`` (n, 4, 4) reported base_T_flange; ``offset`` (n, 6); ``design`` (n, 6, p); ``camera_share`` (n, 6, 6);
    ``kernel`` (n, n).
    """

    poses: Array
    offset: Array
    design: Array
    camera_share: Array
    kernel: Array

    @property
    def count(self) -> int:
        """How many pairs."""
        return len(self.offset)


def correlation(first: Array, second: Array) -> Array:
    """(n, m) between poses (n, 4, 4) and (m, 4, 4): Gaussian in distance and in the chord of the turn between them."""
    shift_m = np.linalg.norm(first[:, None, :3, 3] - second[None, :, :3, 3], axis=-1)
    chord = np.linalg.norm((first[:, None, :3, :3] - second[None, :, :3, :3]), axis=(-2, -1)) / np.sqrt(2)
    out: Array = np.exp(-0.5 * ((shift_m / CORRELATION_M) ** 2 + (chord / CORRELATION_CHORD) ** 2))
    return out


def spread_rows(count: int) -> Rows:
    """Rows of ``count`` pairs, evenly spread, that are enough to tell a trend from scatter."""
    return np.unique(np.linspace(0, count - 1, min(count, _MOST_PAIRS)).astype(int))


def arm_offsets(joint: JointEstimate, model: LinearModel, reported: Array, rows: Rows) -> ArmOffsets:
    """The pairs at ``rows`` of ``model``, linearised about ``joint``; ``reported`` (n, 4, 4) base_T_flange of all."""
    return ArmOffsets(
        reported[rows],
        model.offset[rows],
        model.by_transforms[rows] @ joint.model.free,
        joint.widening * joint.corner_px**2 * model.camera_share[rows],
        correlation(reported[rows], reported[rows]),
    )


def covariance_of(pairs: ArmOffsets, u: Array) -> Array:
    """(6n, 6n) of the offsets for u = log variances of (white shift, white turn, correlated shift, correlated turn)."""
    n = pairs.count
    white, correlated = np.repeat(np.exp(u[:2]), 3), np.repeat(np.exp(u[2:]), 3)
    full = np.einsum("nm,i,ij->nimj", pairs.kernel, correlated, np.eye(6))
    index = np.arange(n)
    full[index, :, index, :] += pairs.camera_share + np.diag(white)
    out: Array = full.reshape(6 * n, 6 * n)
    return out


@dataclass(frozen=True)
class Contrasts:
    """What n pairs say of the arm's errors whatever the transforms are: r = 6n - p combinations of their offsets.

    ``offset`` (r,); ``fixed`` (r, r) its covariance by the camera, ``parts`` (4, r, r) by each of the four variances,
    for a variance of 1, in the order of ``covariance_of``; ``size``: log determinant of the information about the
    transforms, for offsets of unit covariance.
    """

    offset: Array
    fixed: Array
    parts: Array
    size: float

    @staticmethod
    def of(pairs: ArmOffsets) -> Contrasts:
        """Those of ``pairs``, by an orthogonal basis of what the transforms cannot reach."""
        n = pairs.count
        Q, R = np.linalg.qr(pairs.design.reshape(6 * n, -1), mode="complete")
        p = R.shape[1]
        basis = Q[:, p:].reshape(n, 6, -1)
        flat = basis.reshape(6 * n, -1)
        parts = [
            np.tensordot(basis[:, part], mixed[:, part], axes=((0, 1), (0, 1)))
            for mixed in (basis, np.tensordot(pairs.kernel, basis, axes=1))
            for part in (slice(0, 3), slice(3, 6))
        ]
        return Contrasts(
            pairs.offset.ravel() @ flat,
            flat.T @ (pairs.camera_share @ basis).reshape(6 * n, -1),
            np.array(parts),
            2 * float(np.log(np.abs(np.diagonal(R))).sum()),
        )

    def log_likelihood(self, u: Array) -> float:
        """Restricted log likelihood at u (4,), up to a constant."""
        return self._fitted(u)[0]

    def with_slope(self, u: Array) -> tuple[float, Array, Array]:
        """Restricted log likelihood at u (4,), its gradient (4,), and its average information (4, 4)."""
        value, weight, pull = self._fitted(u)
        by_u = np.exp(u)[:, None, None] * self.parts
        pushed = by_u @ pull
        gradient = 0.5 * (pushed @ pull - np.tensordot(by_u, weight, axes=2))
        return value, gradient, 0.5 * pushed @ weight @ pushed.T

    def _fitted(self, u: Array) -> tuple[float, Array, Array]:
        C = self.fixed + np.tensordot(np.exp(u), self.parts, axes=1)
        weight = np.linalg.inv(C)
        pull = weight @ self.offset
        return float(-0.5 * (np.linalg.slogdet(C)[1] + self.size + self.offset @ pull)), weight, pull


def most_likely_parts(joint: JointEstimate, contrasts: Contrasts) -> tuple[Array, float]:
    """The most likely log variances (4,) and the evidence for a smooth part: twice the log likelihood it gains."""
    alone = white_alone(joint)
    u = np.concatenate([alone[:2] - 0.7, alone[:2] - 0.3])
    value, gradient, information = contrasts.with_slope(u)
    for _ in range(30):
        step = np.clip(np.linalg.solve(information + 0.05 * np.eye(4), gradient), -1.5, 1.5)
        moved = False
        for shrink in (1.0, 0.4, 0.1):
            trial = np.clip(u + shrink * step, LEAST, MOST)
            result = contrasts.with_slope(trial)
            if result[0] >= value - 1e-9:
                moved = bool(result[0] > value + 1e-3)
                u, (value, gradient, information) = trial, result
                break
        if not moved:
            break
    return u, max(2 * (value - contrasts.log_likelihood(alone)), 0.0)


def white_alone(joint: JointEstimate) -> Array:
    """Log variances (4,) of the scatter of ``joint`` without a smooth part."""
    best = joint.noise.best
    white = 2 * np.log(np.maximum([best.translation_m, best.rotation_rad], 1e-7))
    return np.concatenate([white, [LEAST, LEAST]])


Mask = NDArray[np.bool_]

# How far off strangers may lie and still be an arm's doing, standard deviation per axis: 3 mm, 0.3 deg.
_STRANGER_VARIANCE = np.repeat([3e-3, float(np.deg2rad(0.3))], 3) ** 2
# Chance that such a one lies farther off than that.
_BY_CHANCE = 1e-3
# Natural log of the odds that one stranger may cost, so that a board that slipped by 1.5 mm in a quarter of the pairs
# is still named (``tests/bench/solve outliers pick``).
_ODDS = 4.0
_FEWEST = 8


def taken_back(problem: Problem, views: Views, joint: JointEstimate, used: Mask) -> Mask:
    """``used`` (n,), with those outside it that were no mistakes; the arm's noise must be unknown for that."""
    if problem.robot_noise is not None or used.all() or used.sum() < _FEWEST:
        return used
    model = linearise(problem, views.seen, views.A, joint.X, joint.Y)
    covariance = joint.corner_px**2 * model.camera_share + np.diag(_STRANGER_VARIANCE)
    squared = np.einsum("ni,ni->n", model.offset, np.linalg.solve(covariance, model.offset[..., None])[..., 0])
    doubted = ~used & (squared < squares_beyond(6, _BY_CHANCE))
    if not doubted.any():
        return used
    rows = np.flatnonzero(used)
    rows = rows[spread_rows(len(rows))]
    strangers = _log_likelihood(problem, joint, model, views, rows)
    strangers -= 0.5 * float((np.linalg.slogdet(covariance)[1] + squared)[doubted].sum())
    together = used | doubted
    all_views = views.subset(np.flatnonzero(together))
    of_all = joint_estimate(problem, all_views, joint.X, joint.Y, joint.noise.best, posterior=False)
    model = linearise(problem, views.seen, views.A, of_all.X, of_all.Y)
    crooked = _log_likelihood(problem, of_all, model, views, np.append(rows, np.flatnonzero(doubted)))
    return together if crooked - strangers > _ODDS * doubted.sum() else used


def _log_likelihood(problem: Problem, joint: JointEstimate, model: LinearModel, views: Views, rows: Rows) -> float:
    contrasts = Contrasts.of(arm_offsets(joint, model, chain_of(problem.mount, views.A), rows))
    return contrasts.log_likelihood(most_likely_parts(joint, contrasts)[0])
