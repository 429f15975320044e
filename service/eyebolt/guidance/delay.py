"""The delay of the pose stream behind the camera, from the motion itself; and the board's motion that a pose predicts.

Model. Camera and board are rigidly mounted, so that over any motion the twist of the board in the image and the twist
of the flange are conjugate: with C = camera_T_board, A = base_T_flange and a reference frame r,

    log(C_r^-1 C_j) = Ad(Y^-1) log(A_r^-1 A_j)   (fixed camera),   log(C_r C_j^-1) = Ad(X^-1) log(A_r^-1 A_j)   (on arm)

exactly and for motions of any size (Murray, Li, Sastry 1994, section 2.3: the logarithm under a change of frame). The
mounting is one constant 6 x 6 matrix M; nothing of the calibration need be known. With the delay d of the stream, frame
j of a segment obeys y_j = c + M x_j(d) + e_j with x_j(d) the flange's twist of the poses at t_j + d, an intercept for
the noise of the reference, and e_j of unknown covariance S.

Estimate. Maximum likelihood: M, c and S are concentrated out (multivariate regression, Anderson 2003, section 8.2), and
d minimises (n - 7) log det S(d). Its curvature gives the variance within one segment.

Variance. Residuals of neighbouring frames are not independent (errors of an arm vary slowly, poses are dated by
neighbours), so that the curvature is optimistic. Segments of 2 s are: their scatter beyond their own variances is a
variance component tau^2 (random-effects model, Cochran 1954), with a prior of 2 degrees of freedom at 2 ms for the
first few. The stated interval is Student's, 95 %.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from eyebolt.geometry import Array, Mount, se3
from eyebolt.guidance.pose_stream import PoseStream

MAX_DELAY_S = 0.25
"""Largest delay that is searched for, seconds."""
MIN_DELAY_S = -0.05
"""Smallest one: below 0 for a camera that dates its images too late."""
SEGMENT_S = 2.0
"""Length of the segments that are regressed by themselves, seconds."""
MAX_SEGMENT_S = 6.0
"""Length of a segment of few images at most, seconds: within what the stream keeps."""
_GRID_STEP_S = 0.01
_GOLDEN = (5**0.5 - 1) / 2
_RESOLUTION_S = 2e-4
# Of twice the logarithm of the likelihood, over any other delay: a likelihood ratio of 1e-5.
_MIN_LIKELIHOOD_GAIN = 23.0
_MIN_FRAMES = 20
_COEFFICIENTS = 7
# A segment in which the arm hardly moved determines no delay.
_MAX_SEGMENT_SIGMA_S = 0.005
_PRIOR_TAU_S, _PRIOR_DOF = 0.002, 2.0
_MAX_SEGMENTS = 200
_CONFIDENCE = 0.95
# Rotations are compared with translations by the motion of a point a metre away.
_LEVER_M = 1.0
_SCALE = np.array([1.0, 1.0, 1.0, _LEVER_M, _LEVER_M, _LEVER_M])
_MIN_VARIANCE_M2 = (1e-6) ** 2


@dataclass(frozen=True)
class DelayEstimate:
    """From the instant of an exposure to the arrival of the pose of that instant."""

    delay_s: float
    """Estimate, seconds."""
    sigma_s: float
    """Standard deviation of the estimate, seconds."""
    half_width_s: float
    """Half the 95 % confidence interval, seconds."""
    segments: int
    """Number of independent segments of motion that it rests on."""


@dataclass(frozen=True)
class SegmentFit:
    """The regression of one segment."""

    delay_s: float
    """Delay, seconds."""
    sigma_s: float
    """Its standard deviation from the curvature of the likelihood, seconds."""
    flange_twists: Array
    """(n, 6), metres: twists of the flange, centred; rotations times one metre."""
    board_twists: Array
    """(n, 6), metres: twists of the board, centred; likewise."""
    variance_m2: float
    """Mean residual variance."""


def board_twists(mount: Mount, reference: Array, camera_T_board: Array) -> Array:
    """(n, 6): twists of the board from the view ``reference`` (4, 4) to ``camera_T_board`` (n, 4, 4)."""
    if mount is Mount.FIXED:
        out: Array = se3.log(se3.inverse(reference) @ camera_T_board)
    else:
        out = se3.log(reference @ se3.inverse(camera_T_board))
    return out


def views_after(mount: Mount, reference: Array, twists: Array) -> Array:
    """(n, 4, 4): the views after ``twists`` (n, 6) from the view ``reference`` (4, 4): inverse of ``board_twists``."""
    out: Array = reference @ se3.exp(twists) if mount is Mount.FIXED else se3.exp(-twists) @ reference
    return out


def fit_segment(mount: Mount, stream: PoseStream, times_s: Array, camera_T_board: Array) -> SegmentFit | None:
    """The delay by one segment: views (n, 4, 4) at the instants ``times_s`` (n,), the middle of each exposure.

    None if the motion does not determine it to 5 ms, or the stream does not cover it.
    """
    if len(times_s) < _MIN_FRAMES or not stream.covers(times_s[0] + MIN_DELAY_S, times_s[-1] + MAX_DELAY_S):
        return None
    rows = np.arange(len(times_s))
    for _ in range(3):
        times, views = times_s[rows], camera_T_board[rows]
        found = _minimise(mount, stream, times, views)
        if found is None:
            return None
        delay_s, sigma_s = found
        x, y, residual = _regress(mount, stream, times, views, delay_s)
        # Views on the wrong tilt branch, or of a mirrored motion: far beyond the residuals of the others.
        distance = np.sqrt(np.einsum("ni,ij,nj->n", residual, np.linalg.inv(_covariance(residual)), residual))
        is_inlier = distance < 4 * max(float(np.median(distance)), 1e-12)
        if is_inlier.all():
            break
        rows = rows[is_inlier]
        if len(rows) < _MIN_FRAMES:
            return None
    if sigma_s > _MAX_SEGMENT_SIGMA_S:
        return None
    return SegmentFit(delay_s, sigma_s, x, y, float((residual**2).mean()))


def _minimise(mount: Mount, stream: PoseStream, times_s: Array, views: Array) -> tuple[float, float] | None:
    """The minimum of the concentrated likelihood and its standard deviation; None without a minimum inside."""

    def objective(delay_s: float) -> float:
        residual = _regress(mount, stream, times_s, views, delay_s)[2]
        return float((len(times_s) - _COEFFICIENTS) * np.linalg.slogdet(_covariance(residual))[1])

    grid = np.arange(MIN_DELAY_S, MAX_DELAY_S + _GRID_STEP_S / 2, _GRID_STEP_S)
    values = np.array([objective(d) for d in grid])
    best = int(values.argmin())
    elsewhere = np.abs(np.arange(len(grid)) - best) > 2
    # At rest the tremor alone fits nearly as well a period later.
    if best in (0, len(grid) - 1) or values[elsewhere].min() - values[best] < _MIN_LIKELIHOOD_GAIN:
        return None
    low_s, high_s = float(grid[best - 1]), float(grid[best + 1])
    # The logarithm has a sharp minimum, between whose flanks it is not convex: golden sections, and no parabola.
    inner_s, outer_s = high_s - _GOLDEN * (high_s - low_s), low_s + _GOLDEN * (high_s - low_s)
    inner, outer = objective(inner_s), objective(outer_s)
    while high_s - low_s > _RESOLUTION_S:
        if inner < outer:
            high_s, outer_s, outer = outer_s, inner_s, inner
            inner_s = high_s - _GOLDEN * (high_s - low_s)
            inner = objective(inner_s)
        else:
            low_s, inner_s, inner = inner_s, outer_s, outer
            outer_s = low_s + _GOLDEN * (high_s - low_s)
            outer = objective(outer_s)
    middle_s, step_s = (low_s + high_s) / 2, 4 * _RESOLUTION_S
    curvature = (objective(middle_s - step_s) - 2 * objective(middle_s) + objective(middle_s + step_s)) / step_s**2
    return None if curvature <= 0 else (middle_s, float(np.sqrt(2 / curvature)))


def _regress(
    mount: Mount, stream: PoseStream, times_s: Array, views: Array, delay_s: float
) -> tuple[Array, Array, Array]:
    """Centred twists of flange and board (n, 6), scaled, and the residuals (n, 6) of their regression."""
    poses, middle = stream.poses_at(times_s + delay_s), len(times_s) // 2
    x = se3.log(se3.inverse(poses[middle]) @ poses) * _SCALE
    y = board_twists(mount, views[middle], views) * _SCALE
    x, y = x - x.mean(axis=0), y - y.mean(axis=0)
    coefficients = np.linalg.lstsq(x, y, rcond=1e-6)[0]
    return x, y, y - x @ coefficients


def _covariance(residual: Array) -> Array:
    out: Array = residual.T @ residual / max(len(residual) - _COEFFICIENTS, 1) + _MIN_VARIANCE_M2 * np.eye(6)
    return out


class MotionModel:
    """Delay and mounting as all segments so far determine them."""

    def __init__(self, mount: Mount) -> None:
        self._mount = mount
        self._delays_s: list[float] = []
        self._variances_s2: list[float] = []
        self._information = np.eye(6)
        self._cross = np.zeros((6, 6))

    def add(self, segment: SegmentFit) -> None:
        """One segment more; it must not overlap with the others."""
        if len(self._delays_s) == _MAX_SEGMENTS:
            del self._delays_s[0], self._variances_s2[0]
        self._delays_s.append(segment.delay_s)
        self._variances_s2.append(segment.sigma_s**2)
        # The prior of each coefficient is 0 with a standard deviation of 1: a board moves about as far as its flange.
        weight = 1 / max(segment.variance_m2, _MIN_VARIANCE_M2)
        self._information = self._information + weight * segment.flange_twists.T @ segment.flange_twists
        self._cross = self._cross + weight * segment.flange_twists.T @ segment.board_twists

    @property
    def delay(self) -> DelayEstimate | None:
        """The delay; None before the first segment."""
        return combine_segments(np.array(self._delays_s), np.array(self._variances_s2))

    def predict(self, reference: Array, base_T_flange: Array, poses: Array) -> tuple[Array, Array]:
        """The views (n, 4, 4) when the flange is at ``poses`` (n, 4, 4) and not at ``base_T_flange`` (4, 4).

        ``reference``: the view (4, 4) there. With it the standard deviation (n,) of the board's place, metres, that
        comes from the uncertainty of the mounting: large for directions in which the arm has never moved.
        """
        twists = se3.log(se3.inverse(base_T_flange) @ poses) * _SCALE
        moved = twists @ np.linalg.solve(self._information, self._cross) / _SCALE
        sigma_m = np.sqrt(np.einsum("ni,ni->n", twists, np.linalg.solve(self._information, twists.T).T))
        return views_after(self._mount, reference, moved), sigma_m


def combine_segments(delays_s: Array, variances_s2: Array) -> DelayEstimate | None:
    """The random-effects mean of the segments' delays (k,) with their variances (k,); None without a segment."""
    count = len(delays_s)
    if not count:
        return None
    median_s = float(np.median(delays_s))
    if count >= 4:
        # A segment whose views were mostly wrong says nothing.
        spread_s = max(1.4826 * float(np.median(np.abs(delays_s - median_s))), _PRIOR_TAU_S)
        used = np.abs(delays_s - median_s) < 5 * np.sqrt(spread_s**2 + variances_s2)
        delays_s, variances_s2 = delays_s[used], variances_s2[used]
    tau2, delay_s = _PRIOR_TAU_S**2, median_s
    for _ in range(20):
        weights = 1 / (variances_s2 + tau2)
        delay_s = float((weights * delays_s).sum() / weights.sum())
        # Moments: E[(d_k - d)^2] = v_k + tau^2, a degree of freedom lost to the mean; the prior counts as two more.
        excess = ((delays_s - delay_s) ** 2 - variances_s2).sum() + variances_s2.mean()
        tau2 = max((_PRIOR_DOF * _PRIOR_TAU_S**2 + excess) / (_PRIOR_DOF + len(delays_s) - 1), (2e-4) ** 2)
    sigma_s = float(np.sqrt(1 / (1 / (variances_s2 + tau2)).sum()))
    quantile = float(scipy.special.stdtrit(_PRIOR_DOF + len(delays_s) - 1, (1 + _CONFIDENCE) / 2))
    return DelayEstimate(delay_s, sigma_s, quantile * sigma_s, len(delays_s))
