"""Whether the pairs contradict the prior of board or lens, and how much wider it has to be.

For one group of standardised parameters u, everything else estimated, the pairs yield an estimate with information L.
If the prior N(0, I) holds, the estimate is N(0, I + inverse(L)), and its squared Mahalanobis distance is chi-squared.
A prior that is contradicted would pull the estimate to a wrong place with too small an error. It is widened by the
factor b at which the distance equals its expectation: N(0, b^2 I + inverse(L)). This is the moment estimate of a
variance between groups (R. C. Paule, J. Mandel, J. Res. Natl. Bur. Stand. 87, 1982), and R. T. Birge's ratio (Phys.
Rev. 40, 1932) where the pairs are much better than the prior.

A lens has up to nine parameters, among which a focal length that is five standard deviations off is no great distance.
It is the one that changes by a turn of a ring, so it is tested by itself as well: its posterior mean has the variance
of the prior less that of the posterior if the prior holds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation.linearization import invert_information
from eyebolt.calibration.estimation.maximum_likelihood import JointEstimate
from eyebolt.calibration.estimation.statistics import f_sf
from eyebolt.calibration.nuisance_prior import NuisancePrior, ParameterGroup
from eyebolt.geometry import Array

# Probability that data in keeping with both priors contradict one of them (Bonferroni). Common practice, no source.
_FALSE_ALARM_RATE = 0.01
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
    p_value: float
    """Probability of a distance as large if the prior holds."""
    factor: float
    """By how much wider the prior has to be to agree with the pairs, above 1."""


def find_contradiction(joint: JointEstimate, prior: NuisancePrior) -> PriorContradiction | None:
    """The group whose ``prior`` the pairs of ``joint`` contradict most; None if they contradict none."""
    found = [_compare(joint, prior, group) for group in _TESTED_GROUPS]
    worst = min((one for one in found if one is not None), key=lambda one: one.p_value, default=None)
    return worst if worst is not None and _TESTS * worst.p_value < _FALSE_ALARM_RATE else None


def _compare(joint: JointEstimate, prior: NuisancePrior, group: ParameterGroup) -> PriorContradiction | None:
    score, information, vectors = _evidence(joint, prior, group)
    if not len(information):
        return None
    dof, noise_dof = len(information), joint.noise.dof(len(joint.model.offset))
    squares = score**2
    chi2 = float((squares / (information * (1 + information))).sum())
    p_value = float(f_sf(dof, noise_dof, chi2 / dof))
    whole = PriorContradiction(group, p_value, _consistent_factor(squares, information))
    focal = prior.functional({"fx": 1.0, "fy": 1.0})[prior.columns_of(group)]
    if group is not ParameterGroup.LENS or not focal.any():
        return whole
    # In standardised parameters, along the eigenvectors of the information.
    direction = vectors.T @ focal / np.linalg.norm(focal)
    estimate = float(direction @ (score / (1 + information)))
    of_noise = float((direction**2 * information / (1 + information) ** 2).sum())
    of_prior = float((direction**2 * information**2 / (1 + information) ** 2).sum())
    alone = float(f_sf(1, noise_dof, estimate**2 / max(of_noise + of_prior, 1e-300)))
    if alone >= p_value:
        return whole
    consistent = np.sqrt(max((estimate**2 - of_noise) / max(of_prior, 1e-300), 1.0))
    return PriorContradiction(group, alone, max(float(consistent), whole.factor))


def _evidence(joint: JointEstimate, prior: NuisancePrior, group: ParameterGroup) -> tuple[Array, Array, Array]:
    """What the pairs show about a group: score (k,) and information (k,) along eigenvectors (g, k) of the latter.

    Everything else is estimated, other groups under their prior. The prior of the group is left out before anything is
    eliminated: of a parameter that is stated to be exact, nothing would remain of a difference of large numbers.
    """
    normal, p = joint.fits.normal[0], joint.model.observable_basis.shape[1]
    right = normal @ joint.fits.z[0]
    own = np.concatenate([np.zeros(p, dtype=bool), prior.columns_of(group)])
    gain = normal[np.ix_(own, ~own)] @ invert_information(normal[np.ix_(~own, ~own)])
    direct = normal[np.ix_(own, own)] - np.eye(int(own.sum()))
    information = direct - gain @ normal[np.ix_(~own, own)]
    values, vectors = np.linalg.eigh((information + information.T) / 2)
    known = values > _MIN_INFORMATION_RATIO * max(float(np.diagonal(direct).max(initial=0.0)), 1e-300)
    score = vectors.T @ (right[own] - gain @ right[~own])
    return score[known], values[known], vectors[:, known]


def _consistent_factor(squares: Array, information: Array) -> float:
    """The factor b with which the distance of the estimate equals its expectation, by bisection; at least 1."""

    def distance(b: float) -> float:
        return float((squares / (information * (1 + b**2 * information))).sum())

    low, high = 1.0, 2.0
    if distance(low) <= len(squares):
        return low
    while distance(high) > len(squares) and high < 1e12:
        high *= 2
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if distance(middle) > len(squares) else (low, middle)
    return high
