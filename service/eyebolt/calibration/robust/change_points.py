"""Change points: the board slipped in its holder, or the camera was knocked, between two pairs of the session.

All pairs after a change point share one step change of Y (board) or of X (camera), six numbers. The hypothesis of such
a change is tested at every possible change point and for both transforms; the common change is significant long before
any single pair is. Only the order of capture is used, no clock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.estimation import (
    Drift,
    JointEstimate,
    LinearModel,
    MovedPart,
    ViewGeometry,
    chi2_sf,
    f_sf,
    fit_linear,
    most_likely_noise,
    motion_columns,
    noise_posterior,
    step_profile,
    structured_evidence,
    variance_of,
)
from eyebolt.calibration.robust.correlated_errors import (
    ErrorContrasts,
    arm_offsets,
    evenly_spaced_rows,
    reml_variances,
    white_variances,
)
from eyebolt.geometry import Array

MIN_PAIRS_PER_SEGMENT = 2
"""A single pair beyond a change point is an outlier, not a segment."""
# Probability of a change point anywhere in a session without one.
_FALSE_ALARM_RATE = 1e-3
# Two pairs on one side, and on the other the three that a solve needs.
_MIN_PAIRS = 5
# The test runs over all change points with the full covariance; beyond this it only costs time.
_MAX_PAIRS = 150
# p-value of a single pair below which it remains an outlier with the change included.
_MIN_P_VALUE = 1e-4
# With more outliers than this the cause is outliers, not a common change.
# Common practice, no source.
_MAX_OUTLIER_FRACTION = 0.2
# The place is found under the noise without a change, and once more under the noise with it.
_MAX_ROUNDS = 2
# Eigenvalue of the information on a change, relative to the largest, below which a direction of it is unobservable.
_MIN_EIGENVALUE_RATIO = 1e-9
# p-value above which the best candidate is not examined further.
_INSIGNIFICANT_P = 0.1


@dataclass(frozen=True)
class StepChange:
    """A change of one transform between two pairs.

    With ``outliers`` it is a suspicion only, to be tested again without them.
    """

    moved_part: MovedPart
    """What moved."""
    at: int
    """First row after the change, among the rows that were tested."""
    change: Array
    """(6,), (translation m, rotation rad), perturbed on the right of X (camera) or Y (board)."""
    p_value: float
    """Probability that pairs without a change show one as clear, anywhere in the session."""
    outliers: tuple[int, ...] = ()
    """Rows that remain outliers with the change included."""

    @property
    def translation_m(self) -> float:
        """Size of the translation, metres."""
        return float(np.linalg.norm(self.change[:3]))

    @property
    def rotation_rad(self) -> float:
        """Size of the rotation, radians."""
        return float(np.linalg.norm(self.change[3:]))


@dataclass(frozen=True)
class ChangePoint:
    """A step change among all rows of the observations, and the side of it that the estimate uses."""

    step_change: StepChange
    """What changed."""
    row: int
    """First row after the change, among all rows."""
    kept_before: bool
    """Whether the rows before the change are used; otherwise those from ``row`` on."""

    def excluded_rows(self, count: int) -> NDArray[np.bool_]:
        """(count,): the rows on the side that is not used."""
        out: NDArray[np.bool_] = (np.arange(count) >= self.row) == self.kept_before
        return out


@dataclass(frozen=True)
class _Candidate:
    """The most likely step change for given variances."""

    moved_part: MovedPart
    """What moved."""
    at: int
    """First row after the change."""
    change: Array
    """(6,), (translation m, rotation rad), perturbed on the right of X (camera) or Y (board)."""
    gain: float
    """Decrease of the weighted sum of squares."""
    mahalanobis_sq: Array
    """(n,): squared residuals with the change included."""


def find_step_change(joint: JointEstimate) -> StepChange | None:
    """The most likely step change in the pairs of ``joint``, in their order, if it is significant."""
    model = joint.model
    n = len(model.offset)
    if not _MIN_PAIRS <= n <= _MAX_PAIRS:
        return None
    best = _best_change(model, joint.corner_sigma_px, variance_of(joint.noise.best))
    dof = joint.noise.dof(n, model.observable_basis.shape[1] + 6)
    # A change inflates a noise that is estimated without it, so the noise is estimated anew with the change included.
    # Inflation alone would not matter: gain and residuals are inflated alike, and the F statistic is their ratio.
    for _ in range(0 if _p_value(model, best, dof) > _INSIGNIFICANT_P else _MAX_ROUNDS):
        extended = _with_change(model, best.moved_part, best.at)
        noise, _ = most_likely_noise(extended, joint.corner_sigma_px, joint.noise.prior, joint.noise.best)
        best = _best_change(model, joint.corner_sigma_px, variance_of(noise))
    # Bonferroni correction: two transforms, each with every change point.
    candidates = 2 * (n - 2 * MIN_PAIRS_PER_SEGMENT + 1)
    p_value = _p_value(model, best, dof)
    if candidates * p_value <= _FALSE_ALARM_RATE:
        p_value = max(p_value, _predictive_p_value(joint, best))
    outliers = np.flatnonzero(f_sf(6, dof, best.mahalanobis_sq / 6) < _MIN_P_VALUE)
    if candidates * p_value > _FALSE_ALARM_RATE or len(outliers) > _MAX_OUTLIER_FRACTION * n:
        return None
    return StepChange(best.moved_part, best.at, best.change, candidates * p_value, tuple(int(row) for row in outliers))


def creeps_rather(joint: JointEstimate, drift: Drift, capture_order: Array, step_change: StepChange) -> bool:
    """Whether a drift at the places ``capture_order`` (n,) explains the pairs of ``joint`` better than ``step_change``.

    Both have six free parameters, compared by restricted likelihood; the step has its change point besides, one of
    n - 3 that are equally probable.
    """
    model = joint.model
    steps = step_profile(len(model.offset), step_change.at)
    log_likelihoods = [
        _restricted_log_likelihood(joint, model.with_columns(motion_columns(model, moved_part, profile)))
        for moved_part, profile in ((drift.moved_part, drift.profile(capture_order)), (step_change.moved_part, steps))
    ]
    places = len(model.offset) - 2 * MIN_PAIRS_PER_SEGMENT + 1
    return log_likelihoods[0] + math.log(places) > log_likelihoods[1]


def is_error_of_arm(joint: JointEstimate, views: ViewGeometry, step_change: StepChange) -> bool:
    """Whether a structure of the noise, or pose-correlated errors, explain the pairs of ``joint``, whose ``views`` are
    given, better than ``step_change`` does.

    Compared by restricted likelihood, the step having a prior of its own size and one of n - 3 places that are equally
    probable. Waypoints along which the pose changes steadily give an arm with wrong geometry the look of a change.
    """
    n, corner_sigma_px, prior = len(joint.model.offset), joint.corner_sigma_px, joint.noise.prior
    log_places = math.log(n - 2 * MIN_PAIRS_PER_SEGMENT + 1)
    size = np.repeat([step_change.translation_m, step_change.rotation_rad], 3) / math.sqrt(3)
    columns = motion_columns(joint.model, step_change.moved_part, step_profile(n, step_change.at)) * size
    with_step = replace(joint, model=joint.model.with_columns(columns))
    structured, of_step = (
        structured_evidence(one.model, corner_sigma_px, prior, joint.noise.best, views, np.ones(n, dtype=bool))[0]
        for one in (joint, with_step)
    )
    if structured > of_step - log_places:
        return True
    noise, _ = most_likely_noise(with_step.model, corner_sigma_px, prior, joint.noise.best)
    rows = evenly_spaced_rows(n)
    correlated, white = (
        ErrorContrasts.of(arm_offsets(one, one.model, views.base_T_flange, rows)) for one in (joint, with_step)
    )
    likelihood_of_step = white.log_likelihood(white_variances(noise)) - log_places
    return correlated.log_likelihood(reml_variances(joint, correlated)[0]) > likelihood_of_step


def is_confirmed(step_change: StepChange | None, without: int, of: int) -> bool:
    """Whether a step change found after excluding ``without`` of ``of`` rows is significant for every way to choose
    these rows (Bonferroni correction)."""
    return (
        step_change is not None
        and not step_change.outliers
        and math.comb(of, without) * step_change.p_value <= _FALSE_ALARM_RATE
    )


def _p_value(model: LinearModel, best: _Candidate, dof: float) -> float:
    """p-value of the change at its own change point (F test)."""
    scale = float(best.mahalanobis_sq.sum()) / (model.offset.size - model.observable_basis.shape[1] - 6)
    return float(f_sf(6, dof, best.gain / 6 / scale))


def _predictive_p_value(joint: JointEstimate, best: _Candidate) -> float:
    """p-value of the change at its own change point, averaged over the posterior of the noise: few pairs may estimate
    one of the two variances far too small."""
    extended = _with_change(joint.model, best.moved_part, best.at)
    noise, fits = most_likely_noise(extended, joint.corner_sigma_px, joint.noise.prior, joint.noise.best)
    posterior, found = noise_posterior(extended, joint.corner_sigma_px, joint.noise.prior, noise, fits)
    return float(posterior.weights @ chi2_sf(6, found.chi2_of_last(6)))


def _with_change(model: LinearModel, moved_part: MovedPart, at: int) -> LinearModel:
    """The model with the change as six more nuisance parameters; their prior, 1 m and 1 rad, decides nothing."""
    return model.with_columns(motion_columns(model, moved_part, step_profile(len(model.offset), at)))


def _restricted_log_likelihood(joint: JointEstimate, model: LinearModel) -> float:
    """Of ``model`` at its own noise, which that of ``joint`` starts."""
    noise = joint.noise
    return float(most_likely_noise(model, joint.corner_sigma_px, noise.prior, noise.best)[1].log_likelihood[0])


def _best_change(model: LinearModel, corner_sigma_px: float, variances: Array) -> _Candidate:
    """The change with the largest gain over both transforms and all change points, in closed form from one fit."""
    fits = fit_linear(model, corner_sigma_px, variances[None])
    n = len(model.offset)
    weight, weighted = fits.weight[0], fits.weighted_design[0]
    weighted_residual = (weight @ fits.residual[0][..., None])[..., 0]
    candidates: list[tuple[float, MovedPart, int, Array]] = []
    for moved_part in MovedPart:
        jacobian = model.transform_jacobian[..., moved_part.columns]
        transposed = np.swapaxes(jacobian, -1, -2)
        # Entry k of each is the sum over the pairs from row k on: normal equations of the change before row k.
        right = _sums_from_each_row((transposed @ weighted_residual[..., None])[..., 0])
        direct = _sums_from_each_row(transposed @ weight @ jacobian)
        coupling = _sums_from_each_row(transposed @ weighted)
        change = _least_squares(direct - coupling @ fits.covariance[0] @ np.swapaxes(coupling, -1, -2), right)
        gains = (change * right).sum(axis=-1)
        best = int(gains.argmax())
        candidates.append((float(gains[best]), moved_part, MIN_PAIRS_PER_SEGMENT + best, change[best]))
    gain, moved_part, at, change = max(candidates, key=lambda one: one[0])
    moved = motion_columns(model, moved_part, step_profile(n, at)) @ change
    z = fits.z[0] - fits.covariance[0] @ np.einsum("nir,ni->r", weighted, moved)
    residual = model.offset - moved - fits.design @ z
    return _Candidate(moved_part, at, change, gain, np.einsum("ni,nij,nj->n", residual, weight, residual))


def _sums_from_each_row(parts: Array) -> Array:
    """Sums of ``parts`` (n, ...) from row k to the end, for every change point k."""
    sums = np.cumsum(parts[::-1], axis=0)[::-1]
    out: Array = sums[MIN_PAIRS_PER_SEGMENT : len(parts) - MIN_PAIRS_PER_SEGMENT + 1]
    return out


def _least_squares(information: Array, right: Array) -> Array:
    """Solutions (m, 6) of normal equations, ``information`` (m, 6, 6) and ``right`` (m, 6); 0 in directions without
    information."""
    # Unit diagonal: metres and radians compare. The bound avoids a division by zero.
    scale = 1 / np.sqrt(np.maximum(np.diagonal(information, axis1=-2, axis2=-1), 1e-300))
    values, vectors = np.linalg.eigh(information * scale[:, :, None] * scale[:, None, :])
    known = values > _MIN_EIGENVALUE_RATIO * values[:, -1:]
    along = ((scale * right)[:, None] @ vectors)[:, 0] / np.where(known, values, np.inf)
    out: Array = scale * (vectors @ along[..., None])[..., 0]
    return out
