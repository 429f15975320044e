"""Whether the pairs contradict the prior of board or lens, and how much wider it has to be.

For one group of standardised parameters u, everything else estimated, the pairs yield an estimate with information L.
If the prior N(0, I) holds, the estimate is N(0, I + inverse(L)), and its squared Mahalanobis distance is chi-squared.
A prior that is contradicted would pull the estimate to a wrong place with too small an error. It is widened by the
factor b at which the distance equals its expectation: N(0, b^2 I + inverse(L)). This is the moment estimate of a
variance between groups (R. C. Paule, J. Mandel, J. Res. Natl. Bur. Stand. 87, 1982), and R. T. Birge's ratio (Phys.
Rev. 40, 1932) where the pairs are much better than the prior.

A lens has up to nine parameters, among which a focal length that is five standard deviations off is no great distance.
It is the one that refocusing changes, so it is tested by itself as well: its posterior mean has the variance
of the prior less that of the posterior if the prior holds. Then its prior alone is widened.

Errors of an arm with wrong geometry are smooth functions of its pose (``correlated_errors``), as is the effect of a
wrong board: they displace the estimate by far more than inverse(L). Where the pairs show them (Bayesian information
criterion), their covariance is added, and the p-value averaged over their size. The size is estimated with the
group free, so that a wrong board does not pass for an error of the arm. Errors that are less clear are weighed against
the wider prior by their evidence, that is by the likelihood averaged over everything that is uncertain under each.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.estimation import JointEstimate, f_sf, invert_information, mahalanobis_sq
from eyebolt.calibration.nuisance_prior import NuisancePrior, ParameterGroup
from eyebolt.calibration.robust.correlated_errors import (
    ErrorContrasts,
    arm_axes,
    arm_offsets,
    evenly_spaced_rows,
    integrated_variances,
    pose_correlation,
    to_axes,
)
from eyebolt.geometry import Array, CameraModel

# Probability that data in keeping with both priors contradict one of them (Bonferroni). Common practice, no source.
_FALSE_ALARM_RATE = 0.01
# Prior probability that board or lens deviates from its statement. Common practice, no source; an arm with noise alone
# then needs about the same evidence as the test's level.
_DEVIATION_PRIOR = 0.02
# Board, lens, focal length.
_TESTS = 3
# Not the bow of the board: the images determine it so much better than its prior that this does not matter.
_TESTED_GROUPS = (ParameterGroup.BOARD, ParameterGroup.LENS)
# Directions with less of the information of the best one are left out: it is rounding.
_MIN_INFORMATION_RATIO = 1e-6


@dataclass(frozen=True)
class PriorContradiction:
    """A group of parameters whose prior the pairs contradict."""

    group: ParameterGroup
    """The group."""
    of_focal_length: bool
    """Whether the contradiction is that of the focal length alone."""
    p_value: float
    """Probability of a distance as large if the prior holds."""
    factor: float
    """By how much wider the prior has to be to agree with the pairs, at least 1."""

    def widened(self, prior: NuisancePrior, camera: CameraModel) -> NuisancePrior:
        """The ``prior`` as wide as the pairs need it."""
        if self.of_focal_length:
            return prior.with_wider_focal_length(camera, self.factor)
        return prior.widened(self.group, self.factor)


def find_contradictions(
    joint: JointEstimate, prior: NuisancePrior, base_T_flange: Array
) -> tuple[PriorContradiction, ...]:
    """The groups whose ``prior`` the pairs of ``joint``, at the reported ``base_T_flange`` (n, 4, 4), contradict, the
    clearest first; a lens whose focal length stands out twice, by that alone and as a whole."""
    found = [one for group in _TESTED_GROUPS for one in _compare(joint, prior, group, base_T_flange)]
    return tuple(sorted(found, key=lambda one: one.p_value))


def is_wider_prior_preferred(
    stated: JointEstimate, widened: JointEstimate, base_T_flange: Array, correlated_error_range_m: float
) -> bool:
    """Whether a wider prior is the better explanation of the pairs than the stated one with an arm that may have
    pose-correlated errors; both estimates use the same pairs, at the reported ``base_T_flange`` (n, 4, 4).

    ``correlated_error_range_m``: see ``Problem``.
    """
    rows = evenly_spaced_rows(len(base_T_flange))
    variances = integrated_variances(stated, ErrorContrasts.of(arm_offsets(stated, stated.model, base_T_flange, rows)))
    gained = widened.noise.log_evidence - stated.noise.log_evidence
    odds = math.log(_DEVIATION_PRIOR / (1 - _DEVIATION_PRIOR))
    return odds + gained > variances.log_evidence(correlated_error_range_m)


def _compare(
    joint: JointEstimate, prior: NuisancePrior, group: ParameterGroup, base_T_flange: Array
) -> tuple[PriorContradiction, ...]:
    is_own = np.zeros(joint.fits.normal.shape[-1], dtype=bool)
    columns, p = prior.columns_of(group), joint.model.observable_basis.shape[1]
    is_own[p : p + len(columns)] = columns
    evidence = _evidence(joint, is_own)
    score, information = evidence.score, evidence.information
    dof = len(information)
    if not dof:
        return ()
    noise_dof = joint.noise.dof(len(joint.model.offset))
    # The focal length is tested by itself as well: its weight in the estimate, 0 for another group.
    focal = prior.functional({"fx": 1.0, "fy": 1.0})[columns]
    direction = evidence.vectors.T @ focal / max(float(np.linalg.norm(focal)), 1e-300)
    gain = direction / (1 + information)
    is_tested = group is ParameterGroup.LENS and bool(focal.any())
    estimate_sq = float(gain @ score) ** 2
    of_noise, of_prior = float(gain**2 @ information), max(float(gain**2 @ information**2), 1e-300)

    def p_values(added: Array, weights: Array) -> tuple[float, float]:
        whole = float(weights @ f_sf(dof, noise_dof, _distance(score, information, added, 1.0) / dof))
        of_arm = np.einsum("a,mab,b->m", gain, added, gain)
        alone = float(weights @ f_sf(1, noise_dof, estimate_sq / (of_noise + of_prior + of_arm))) if is_tested else 1.0
        return whole, alone

    # Errors of the arm only make the p-value larger, so they are looked at last.
    if _TESTS * min(p_values(np.zeros((1, dof, dof)), np.ones(1))) >= _FALSE_ALARM_RATE:
        return ()
    added, weights = _arm_covariance(joint, is_own, evidence, base_T_flange)
    whole, alone = p_values(added, weights)
    if _TESTS * min(whole, alone) >= _FALSE_ALARM_RATE:
        return ()
    expected = np.tensordot(weights, added, axes=1)
    factor = _consistent_factor(score, information, expected[None])
    if alone >= whole:
        return (PriorContradiction(group, False, whole, factor),)
    excess = estimate_sq - of_noise - float(gain @ expected @ gain)
    # The part of the square that no variance explains is due to the focal length.
    followed = float(gain @ (information * direction))
    by_focal_length = math.sqrt(1 + max(excess - of_prior, 0.0) / followed**2)
    as_a_whole = max(factor, math.sqrt(max(excess / of_prior, 1.0)))
    return (
        PriorContradiction(group, True, alone, by_focal_length),
        PriorContradiction(group, False, alone, as_a_whole),
    )


@dataclass(frozen=True)
class _Evidence:
    """What the pairs show about a group, along the k eigenvectors of its information."""

    score: Array
    """(k,): gradient of the log likelihood at the prior mean."""
    information: Array
    """(k,): information."""
    by_offset: Array
    """(n, 6, k): derivative of the score by the offsets."""
    vectors: Array
    """(g, k): the eigenvectors, in the standardised parameters of the group."""


def _evidence(joint: JointEstimate, is_own: NDArray[np.bool_]) -> _Evidence:
    """The evidence on the parameters ``is_own`` (p + r,), everything else estimated, other groups under their prior.

    The prior of the group is left out before anything is eliminated: of a parameter that is stated to be exact, nothing
    would remain of a difference of large numbers.
    """
    normal = joint.fits.normal[0]
    right = normal @ joint.fits.z[0]
    gain = normal[np.ix_(is_own, ~is_own)] @ invert_information(normal[np.ix_(~is_own, ~is_own)])
    direct = normal[np.ix_(is_own, is_own)] - np.eye(int(is_own.sum()))
    information = direct - gain @ normal[np.ix_(~is_own, is_own)]
    values, vectors = np.linalg.eigh((information + information.T) / 2)
    known = values > _MIN_INFORMATION_RATIO * max(float(np.diagonal(direct).max(initial=0.0)), 1e-300)
    weighted = joint.fits.weighted_design[0]
    by_offset = (weighted[..., is_own] - weighted[..., ~is_own] @ gain.T) @ vectors
    score = vectors.T @ (right[is_own] - gain @ right[~is_own])
    return _Evidence(score[known], values[known], by_offset[..., known], vectors[:, known])


def _arm_covariance(
    joint: JointEstimate, is_own: NDArray[np.bool_], evidence: _Evidence, base_T_flange: Array
) -> tuple[Array, Array]:
    """Possible covariances (m, k, k) of the score by pose-correlated errors, and their probabilities (m,)."""
    rows = evenly_spaced_rows(len(base_T_flange))
    pairs = arm_offsets(joint, joint.model, base_T_flange, rows)
    columns = joint.fits.design[rows][..., is_own]
    columns = columns / np.maximum(np.linalg.norm(columns, axis=(0, 1)), 1e-300)
    contrasts = ErrorContrasts.of(replace(pairs, design=np.concatenate([pairs.design, columns], axis=-1)))
    variances = integrated_variances(joint, contrasts)
    # Errors that nothing shows would cost the test its power by what cannot be excluded of their size.
    if variances.likelihood_ratio < np.log(len(contrasts.offset)):
        return np.zeros((1, len(evidence.score), len(evidence.score))), np.ones(1)
    in_axes = to_axes(arm_axes(base_T_flange), evidence.by_offset)
    correlated = np.tensordot(pose_correlation(base_T_flange, base_T_flange), in_axes, axes=1)
    by_variance = [
        np.tensordot(in_axes[:, part], correlated[:, part], axes=((0, 1), (0, 1))) for part in (slice(3), slice(3, 6))
    ]
    return np.einsum("mv,vab->mab", variances.values[:, 2:], np.array(by_variance)), variances.weights


def _distance(score: Array, information: Array, added: Array, b: float) -> Array:
    """(m,): squared Mahalanobis distances of the score under a prior b times as wide.

    ``added`` (m, k, k): covariances of the score by errors of the arm.
    """
    # Scaled to the covariance without the arm's: the information of the parameters differs by orders of magnitude.
    scale = 1 / np.sqrt(information * (1 + b**2 * information))
    covariance = np.eye(len(scale)) + added * scale[:, None] * scale
    return mahalanobis_sq(np.broadcast_to(score * scale, added.shape[:2]), covariance)


def _consistent_factor(score: Array, information: Array, added: Array) -> float:
    """The factor b with which the distance of the estimate equals its expectation, by bisection; at least 1."""

    def distance(b: float) -> float:
        return float(_distance(score, information, added, b)[0])

    low, high = 1.0, 2.0
    if distance(low) <= len(score):
        return low
    while distance(high) > len(score) and high < 1e12:
        high *= 2
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if distance(middle) > len(score) else (low, middle)
    return high
