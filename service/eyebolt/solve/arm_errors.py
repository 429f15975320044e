"""The error to be expected at the pick, through the same arm whose geometry is never quite what its controller thinks.

A real arm's error is not white: joint offsets and link errors vary slowly over its poses, so pairs near each other
share them, and averaging does not remove them. Beside the white part there is therefore a part that is correlated
over the distance between poses (a Gaussian process). How much of each there is, the pairs themselves say: restricted
likelihood over four variances. The transform stays the estimate for white noise; its error is computed under both.

Distances: the correlation falls to 0.6 over 2 m and stays above 0.85 for any turn: joint errors act as trends over the
whole workspace, not as bumps in it. Both lengths were chosen by simulation (``tests/bench/solve pick``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.geometry import rigid
from eyebolt.geometry.rigid import Array, Rows
from eyebolt.solve.expected_error import ErrorStatement, pooled_statement, standard_normal
from eyebolt.solve.joint import JointEstimate
from eyebolt.solve.linear_model import invert_information
from eyebolt.solve.noise import variance_of
from eyebolt.solve.problem import Problem

CORRELATION_M = 2.0
CORRELATION_CHORD = 4.0

# Enough to tell a trend from scatter; the cost grows with the cube.
_MOST_PAIRS = 40
_MOST_PLACES = 10
_POINTS_PER_LOOK = 12
_DRAWS = 256
_LOW, _HIGH = 2 * np.log(1e-7), 2 * np.log(0.05)
# Steps in the logarithm of the correlated variances over which their likelihood is integrated.
_OFFSETS = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])


@dataclass(frozen=True)
class _Pairs:
    """Pairs in the arm's own coordinates: offsets, design and camera share divided by the arm's influence."""

    poses: Array
    offset: Array
    design: Array
    camera_share: Array
    kernel: Array

    @property
    def count(self) -> int:
        return len(self.offset)


@dataclass(frozen=True)
class ArmErrors:
    """What the arm's errors do to a pick, and of what kind they are.

    ``pick``: the error of a pick. ``smooth_m``, ``smooth_rad``: the part that poses near each other share, per axis;
    ``evidence``: twice the log likelihood that this part gains over scatter alone, 0 where the noise is stated.
    """

    pick: ErrorStatement
    smooth_m: float
    smooth_rad: float
    evidence: float


def arm_errors(
    problem: Problem, joint: JointEstimate, reported: Array, closing: tuple[Array, Array] | None = None
) -> ArmErrors:
    """Error of a pick at a point seen by the camera; ``reported`` (n, 4, 4): base_T_flange of the pairs in ``joint``.

    ``closing``: for a height found by touch, what it makes (6, 6) of the error of X and what it adds (6, 6) to it.

    The tip is taken to be as far from the flange as the board is (camera fixed), or at the flange (camera on the arm,
    the pick straight ahead of the look with the orientation kept).
    """
    rows = np.unique(np.linspace(0, len(reported) - 1, min(len(reported), _MOST_PAIRS)).astype(int))
    pairs = _in_arm_coordinates(joint, reported, rows)
    variances, weights, evidence = _variance_choices(joint, pairs)
    looks, picks, points, tips = _picks(problem, joint, reported[rows])
    carried, added = (np.eye(6), np.zeros((6, 6))) if closing is None else closing
    gain = carried @ _gain(joint, pairs)
    parts = [_error_covariance(problem, joint, pairs, gain, added, u, looks, picks, points, tips) for u in variances]
    draws = standard_normal(_DRAWS, 3)
    # Each choice of variances gets its share of the draws.
    choice = np.searchsorted(np.cumsum(weights), (np.arange(_DRAWS) + 0.5) / _DRAWS).clip(0, len(parts) - 1)
    roots = np.array([_roots(part) for part in parts])
    vectors = np.einsum("sqij,sj->qsi", roots[choice], draws)
    smooth = np.exp(variances[len(variances) // 2, 2:] / 2)
    pick = pooled_statement(np.sqrt((vectors**2).sum(axis=-1)))
    return ArmErrors(pick, float(smooth[0]), float(smooth[1]), evidence)


def correlation(first: Array, second: Array) -> Array:
    """(n, m) between poses (n, 4, 4) and (m, 4, 4): Gaussian in distance and in the chord of the turn between them."""
    shift_m = np.linalg.norm(first[:, None, :3, 3] - second[None, :, :3, 3], axis=-1)
    chord = np.linalg.norm((first[:, None, :3, :3] - second[None, :, :3, :3]), axis=(-2, -1)) / np.sqrt(2)
    out: Array = np.exp(-0.5 * ((shift_m / CORRELATION_M) ** 2 + (chord / CORRELATION_CHORD) ** 2))
    return out


def _in_arm_coordinates(joint: JointEstimate, reported: Array, rows: Rows) -> _Pairs:
    model = joint.model
    poses = reported[rows]
    return _Pairs(
        poses,
        model.offset[rows],
        model.by_transforms[rows] @ model.free,
        joint.widening * joint.corner_px**2 * model.camera_share[rows],
        correlation(poses, poses),
    )


def _covariance(pairs: _Pairs, u: Array) -> Array:
    """(6n, 6n) of the offsets for u = log variances of (white shift, white turn, correlated shift, correlated turn)."""
    n = pairs.count
    white, correlated = np.repeat(np.exp(u[:2]), 3), np.repeat(np.exp(u[2:]), 3)
    full = np.einsum("nm,i,ij->nimj", pairs.kernel, correlated, np.eye(6))
    index = np.arange(n)
    full[index, :, index, :] += pairs.camera_share + np.diag(white)
    out: Array = full.reshape(6 * n, 6 * n)
    return out


def _likelihood(pairs: _Pairs, u: Array) -> tuple[float, Array, Array]:
    """Restricted log likelihood at u (4,), its gradient (4,), and its average information (4, 4)."""
    n = pairs.count
    C = _covariance(pairs, u)
    W = np.linalg.inv(C)
    G, e = pairs.design.reshape(6 * n, -1), pairs.offset.ravel()
    WG = W @ G
    normal = G.T @ WG
    P = W - WG @ invert_information(normal) @ WG.T
    pull = P @ e
    scale = np.sqrt(np.diagonal(normal))
    size = np.linalg.slogdet(C)[1] + np.linalg.slogdet(normal / scale[:, None] / scale)[1] + 2 * np.log(scale).sum()
    value = -0.5 * (size + e @ pull)
    blocks = P.reshape(n, 6, n, 6)
    pulled = pull.reshape(n, 6)
    gradient, working = np.zeros(4), []
    for k in range(4):
        part = slice(0, 3) if k % 2 == 0 else slice(3, 6)
        mixing = np.eye(n) if k < 2 else pairs.kernel
        trace = np.einsum("nimi,nm->", blocks[:, part, :, part], mixing)
        pushed = np.zeros((n, 6))
        pushed[:, part] = mixing @ pulled[:, part] * np.exp(u[k])
        gradient[k] = 0.5 * (float((pushed * pulled).sum()) - np.exp(u[k]) * float(trace))
        working.append(pushed.ravel())
    vectors = np.array(working)
    return float(value), gradient, 0.5 * vectors @ P @ vectors.T


def _variance_choices(joint: JointEstimate, pairs: _Pairs) -> tuple[Array, Array, float]:
    """Choices of the four log variances (m, 4), the most likely one in the middle, their weights (m,), the evidence."""
    best = joint.noise.best
    white = 2 * np.log(np.maximum([best.translation_m, best.rotation_rad], 1e-7))
    if joint.noise.stated:
        return np.concatenate([white + np.log(joint.widening), [_LOW, _LOW]])[None], np.ones(1), 0.0
    u = np.concatenate([white - 0.7, white - 0.3])
    value, gradient, information = _likelihood(pairs, u)
    for _ in range(30):
        step = np.clip(np.linalg.solve(information + 0.05 * np.eye(4), gradient), -1.5, 1.5)
        moved = False
        for shrink in (1.0, 0.4, 0.1):
            trial = np.clip(u + shrink * step, _LOW, _HIGH)
            result = _likelihood(pairs, trial)
            if result[0] >= value - 1e-9:
                moved = bool(result[0] > value + 1e-3)
                u, (value, gradient, information) = trial, result
                break
        if not moved:
            break
    scatter_alone = _likelihood(pairs, np.concatenate([white, [_LOW, _LOW]]))[0]
    choices = u + np.concatenate([np.zeros((len(_OFFSETS), 2)), np.repeat(_OFFSETS[:, None], 2, axis=1)], axis=1)
    choices = np.clip(choices, _LOW, _HIGH)
    heights = np.array([_likelihood(pairs, c)[0] for c in choices])
    weights = np.exp(heights - heights.max())
    return choices, weights / weights.sum(), max(2 * (value - scatter_alone), 0.0)


def _gain(joint: JointEstimate, pairs: _Pairs) -> Array:
    """(6, 6n): how the offsets move the white-noise estimate of X."""
    weight = np.linalg.inv(pairs.camera_share + np.diag(variance_of(joint.noise.best)))
    weighted = (weight @ pairs.design).reshape(6 * pairs.count, -1)
    normal = pairs.design.reshape(6 * pairs.count, -1).T @ weighted
    out: Array = joint.model.free[:6] @ invert_information(normal) @ weighted.T
    return out


def _picks(problem: Problem, joint: JointEstimate, reported: Array) -> tuple[Array, Array, Array, Array]:
    """Looks and picks (q, 4, 4), points in the camera frame (q, 3), tips in the flange frame (q, 3)."""
    places = reported[np.unique(np.linspace(0, len(reported) - 1, min(len(reported), _MOST_PLACES)).astype(int))]
    if problem.mount == "fixed":
        tips = np.broadcast_to(joint.Y[:3, 3], (len(places), 3))
        in_base = (places[:, :3, :3] @ tips[..., None])[..., 0] + places[:, :3, 3]
        return places, places, rigid.apply(rigid.inverse(joint.X), in_base), tips
    grid = problem.volume.grid(problem.camera)
    points = grid[np.linspace(0, len(grid) - 1, _POINTS_PER_LOOK).astype(int)]
    looks = np.repeat(places, len(points), axis=0)
    points = np.tile(points, (len(places), 1))
    picks = looks.copy()
    at_flange = points @ joint.X[:3, :3].T + joint.X[:3, 3]
    picks[:, :3, 3] += (looks[:, :3, :3] @ at_flange[..., None])[..., 0]
    return looks, picks, points, np.zeros_like(points)


def _error_covariance(
    problem: Problem,
    joint: JointEstimate,
    pairs: _Pairs,
    gain: Array,
    added: Array,
    u: Array,
    looks: Array,
    picks: Array,
    points: Array,
    tips: Array,
) -> Array:
    """(q, 3, 3), base axes, of tip minus object: error of X, the arm's at the look (camera on it) and at the pick."""
    correlated, white = np.repeat(np.exp(u[2:]), 3), np.repeat(np.exp(u[:2]), 3)
    R_X = joint.X[:3, :3]
    by_X = np.concatenate([np.broadcast_to(R_X, (len(points), 3, 3)), -R_X @ rigid.skew(points)], axis=-1)
    by_pick = picks[:, :3, :3] @ np.concatenate([np.broadcast_to(np.eye(3), (len(tips), 3, 3)), -rigid.skew(tips)], -1)
    actors = [(by_pick, picks)]
    if problem.mount == "arm":
        turned = looks[:, :3, :3]
        by_X = turned @ by_X
        at_flange = points @ R_X.T + joint.X[:3, 3]
        identity = np.broadcast_to(np.eye(3), (len(points), 3, 3))
        actors.append((-turned @ np.concatenate([identity, -rigid.skew(at_flange)], -1), looks))
    out: Array = by_X @ (gain @ _covariance(pairs, u) @ gain.T + added) @ np.swapaxes(by_X, -1, -2)
    spread_gain = gain.reshape(6, pairs.count, 6)
    for by_arm, poses in actors:
        # The same slow error moved the pairs, and with them X.
        shared = np.einsum("anb,qn->qab", spread_gain, correlation(poses, pairs.poses)) * correlated
        crossed = by_X @ shared @ np.swapaxes(by_arm, -1, -2)
        out = out + crossed + np.swapaxes(crossed, -1, -2)
        out = out + (by_arm * (correlated + white)) @ np.swapaxes(by_arm, -1, -2)
    if len(actors) == 2:
        # The orientation is kept.
        between = np.exp(-0.5 * (np.linalg.norm(picks[:, :3, 3] - looks[:, :3, 3], axis=-1) / CORRELATION_M) ** 2)
        crossed = (actors[0][0] * correlated) @ np.swapaxes(actors[1][0], -1, -2) * between[:, None, None]
        out = out + crossed + np.swapaxes(crossed, -1, -2)
    return out


def _roots(covariance: Array) -> Array:
    values, vectors = np.linalg.eigh(covariance)
    out: Array = vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :]
    return out
