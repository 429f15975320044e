"""Doubts set free beside the transforms, and which few of them explain the pairs as well as all together do.

All doubts are estimated at once, with the arm's noise judged anew; what a smaller set leaves unexplained follows from
that one estimate in closed form.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from eyebolt.calibration.estimation.linearization import FIRST_LENS, LinearModel, SeenPoses
from eyebolt.calibration.estimation.robot_noise import most_likely_noise, noise_posterior
from eyebolt.calibration.estimation.statistics import chance_of_ratio
from eyebolt.calibration.problem import RobotNoise
from eyebolt.geometry import Array

# How far a transform may move at the very most: metres, radians.
_WIDEST_MOVE = 1.0


@dataclass(frozen=True)
class Freed:
    """Doubts ``names`` (k) estimated together: ``estimate`` (k,) and ``covariance`` (k, k).

    ``freedom``: how many numbers judged the arm's noise; ``noise``: that noise; ``transforms`` (12,): the change of X
    and Y that goes with the estimate; ``by_noise``: what else the noise may be, as (weight, estimate, covariance) under
    each choice, or nothing where that was not asked.
    """

    names: tuple[str, ...]
    estimate: Array
    covariance: Array
    freedom: int
    noise: RobotNoise
    transforms: Array
    by_noise: tuple[tuple[float, Array, Array], ...] = ()

    def moved(self, by: Array, doubt: Array) -> Freed:
        """The same doubts counted from elsewhere: ``by`` (k,) and ``doubt`` (k, k) added to estimate and covariance."""
        choices = tuple((weight, estimate + by, covariance + doubt) for weight, estimate, covariance in self.by_noise)
        return replace(self, estimate=self.estimate + by, covariance=self.covariance + doubt, by_noise=choices)

    def chance(self, free: Sequence[str]) -> float:
        """How probable what remains is by chance alone, if only the doubts ``free`` are real."""
        rest = self._rows([name for name in self.names if name not in free])
        if not rest:
            return 1.0
        return float(chance_of_ratio(len(rest), self.freedom, self.unexplained(free) / len(rest)))

    def unexplained(self, free: Sequence[str]) -> float:
        """Normalised square of what remains if only the doubts ``free`` are real."""
        rest = self._rows([name for name in self.names if name not in free])
        out = self.estimate[rest]
        return float(out @ np.linalg.solve(self.covariance[np.ix_(rest, rest)], out)) if rest else 0.0

    def alone(self, free: Sequence[str]) -> tuple[Array, Array]:
        """Estimate and standard deviations of the doubts ``free`` (in that order) if only they are real.

        Few pairs judge their own noise badly, and what else it may be widens the deviations.
        """
        own, rest = self._rows(free), self._rows([name for name in self.names if name not in free])
        choices = self.by_noise or ((1.0, self.estimate, self.covariance),)
        weights = np.array([weight for weight, _, _ in choices])
        found = [_conditioned(estimate, covariance, own, rest) for _, estimate, covariance in choices]
        estimates, variances = (np.array(part) for part in zip(*found, strict=True))
        mean = weights @ estimates
        return mean, np.sqrt(np.maximum(weights @ (variances + (estimates - mean) ** 2), 0.0))

    def _rows(self, names: Sequence[str]) -> list[int]:
        return [self.names.index(name) for name in names]


def _conditioned(estimate: Array, covariance: Array, own: list[int], rest: list[int]) -> tuple[Array, Array]:
    """Estimate and variances of the rows ``own`` if those of ``rest`` are zero (a Gaussian conditioned)."""
    by_rest = np.linalg.solve(covariance[np.ix_(rest, rest)], covariance[np.ix_(rest, own)]).T
    left = covariance[np.ix_(own, own)] - by_rest @ covariance[np.ix_(rest, own)]
    return estimate[own] - by_rest @ estimate[rest], np.diagonal(left)


@dataclass(frozen=True)
class Doubt:
    """Something that may be other than stated, by ``sigma`` at the very most.

    ``shares`` (n, q): how much of each nuisance of the views one unit of it means; ``offsets`` (n, 6): how it moves the
    offsets themselves, in the arm's coordinates.
    """

    name: str
    sigma: float
    shares: Array
    offsets: Array

    @staticmethod
    def of_nuisance(name: str, sigma: float, model: LinearModel, nuisance: int, per_view: Array | float = 1.0) -> Doubt:
        """Nuisance number ``nuisance`` of the views, ``per_view`` (n,) times in each."""
        n, _, q = model.by_nuisance.shape
        shares = np.zeros((n, q))
        shares[:, nuisance] = per_view
        return Doubt(name, sigma, shares, np.zeros((n, 6)))

    @staticmethod
    def of_offsets(name: str, sigma: float, model: LinearModel, offsets: Array) -> Doubt:
        """A change of the offsets (n, 6), in the arm's coordinates."""
        return Doubt(name, sigma, np.zeros((len(offsets), model.by_nuisance.shape[-1])), offsets)


def moved_doubts(model: LinearModel, columns: slice, before: int) -> list[Doubt]:
    """That the transform whose ``columns`` these are is another one from row ``before`` on: six doubts."""
    later = np.arange(len(model.offset)) >= before
    moves = np.where(later[:, None, None], model.by_transforms[..., columns], 0.0)
    return [Doubt.of_offsets(f"moved-{k}", _WIDEST_MOVE, model, moves[..., k]) for k in range(6)]


def set_free(
    model: LinearModel,
    seen: SeenPoses,
    corner_px: float,
    start: RobotNoise,
    doubts: Sequence[Doubt],
    posterior: bool = False,
) -> Freed:
    """The ``doubts`` estimated together in ``model``, linear model of ``seen``; with ``posterior`` also by noise."""
    shares = np.stack([doubt.shares for doubt in doubts], axis=-1)
    columns = model.by_nuisance @ shares + np.stack([doubt.offsets for doubt in doubts], axis=-1)
    information = np.einsum("nqk,nqr,nrl->kl", shares, seen.nuisance_information, shares)
    granted = replace(
        model,
        by_nuisance=np.concatenate([model.by_nuisance[..., :FIRST_LENS], columns], axis=-1),
        nuisance_information=np.pad(information, (FIRST_LENS, 0)),
        nuisance_gradient=np.pad(np.einsum("nqk,nq->k", shares, seen.nuisance_gradient), (FIRST_LENS, 0)),
        nuisance_sigma=np.array([np.inf] * FIRST_LENS + [doubt.sigma for doubt in doubts]),
    )
    noise, fits = most_likely_noise(granted, corner_px, start)
    p = model.free.shape[1]
    by_noise: tuple[tuple[float, Array, Array], ...] = ()
    if posterior:
        known, each = noise_posterior(granted, corner_px, noise, fits)
        by_noise = tuple(zip(known.weights.tolist(), each.z[:, p:], each.covariance[:, p:, p:], strict=True))
    return Freed(
        tuple(doubt.name for doubt in doubts),
        fits.z[0, p:],
        fits.covariance[0, p:, p:],
        # Two variances were judged, each from its own half of the numbers, less what transforms and doubts took.
        max(3 * len(model.offset) - (p + len(doubts)) // 2, 1),
        noise,
        model.free @ fits.z[0, :p],
        by_noise,
    )
