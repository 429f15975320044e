"""Doubts set free beside the transforms, and which few of them explain the pairs as well as all together do.

All doubts are estimated at once, with the arm's noise judged anew; what a smaller set leaves unexplained follows from
that one estimate in closed form.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from eyebolt.calibration.estimation.linearization import FIRST_LENS_PARAMETER, BoardPoses, LinearModel
from eyebolt.calibration.estimation.robot_noise import noise_posterior, reml_noise
from eyebolt.calibration.estimation.statistics import f_sf
from eyebolt.calibration.problem import RobotNoise
from eyebolt.geometry import Array

# How far a transform may move at the very most: metres, radians.
_MAX_MOVE = 1.0


@dataclass(frozen=True)
class NuisanceEstimate:
    """Doubts ``names`` (k) estimated together: ``estimate`` (k,) and ``covariance`` (k, k).

    ``dof``: how many numbers judged the arm's noise; ``noise``: that noise; ``transforms`` (12,): the change of X
    and Y that goes with the estimate; ``by_noise``: what else the noise may be, as (weight, estimate, covariance) under
    each choice, or nothing where that was not asked.
    """

    names: tuple[str, ...]
    estimate: Array
    covariance: Array
    dof: int
    noise: RobotNoise
    transforms: Array
    by_noise: tuple[tuple[float, Array, Array], ...] = ()

    def shifted(self, by: Array, nuisance_parameter: Array) -> NuisanceEstimate:
        """The same doubts counted from elsewhere: ``by`` (k,) and ``nuisance_parameter`` (k, k) added to estimate and covariance."""
        choices = tuple(
            (weight, estimate + by, covariance + nuisance_parameter) for weight, estimate, covariance in self.by_noise
        )
        return replace(
            self, estimate=self.estimate + by, covariance=self.covariance + nuisance_parameter, by_noise=choices
        )

    def p_value(self, free: Sequence[str]) -> float:
        """How probable what remains is by chance alone, if only the doubts ``free`` are real."""
        rest = self._indices([name for name in self.names if name not in free])
        if not rest:
            return 1.0
        return float(f_sf(len(rest), self.dof, self.remaining_chi2(free) / len(rest)))

    def remaining_chi2(self, free: Sequence[str]) -> float:
        """Normalised square of what remains if only the doubts ``free`` are real."""
        rest = self._indices([name for name in self.names if name not in free])
        out = self.estimate[rest]
        return float(out @ np.linalg.solve(self.covariance[np.ix_(rest, rest)], out)) if rest else 0.0

    def conditional_estimate(self, free: Sequence[str]) -> tuple[Array, Array]:
        """Estimate and standard deviations of the doubts ``free`` (in that order) if only they are real.

        Few pairs judge their own noise badly, and what else it may be widens the deviations.
        """
        own, rest = self._indices(free), self._indices([name for name in self.names if name not in free])
        choices = self.by_noise or ((1.0, self.estimate, self.covariance),)
        weights = np.array([weight for weight, _, _ in choices])
        found = [_conditioned(estimate, covariance, own, rest) for _, estimate, covariance in choices]
        estimates, variances = (np.array(part) for part in zip(*found, strict=True))
        mean = weights @ estimates
        return mean, np.sqrt(np.maximum(weights @ (variances + (estimates - mean) ** 2), 0.0))

    def _indices(self, names: Sequence[str]) -> list[int]:
        return [self.names.index(name) for name in names]


def _conditioned(estimate: Array, covariance: Array, own: list[int], rest: list[int]) -> tuple[Array, Array]:
    """Estimate and variances of the rows ``own`` if those of ``rest`` are zero (a Gaussian conditioned)."""
    by_rest = np.linalg.solve(covariance[np.ix_(rest, rest)], covariance[np.ix_(rest, own)]).T
    conditional_covariance = covariance[np.ix_(own, own)] - by_rest @ covariance[np.ix_(rest, own)]
    return estimate[own] - by_rest @ estimate[rest], np.diagonal(conditional_covariance)


@dataclass(frozen=True)
class NuisanceParameter:
    """Something that may be other than stated, by ``sigma`` at the very most.

    ``loadings`` (n, q): how much of each nuisance of the views one unit of it means; ``offsets`` (n, 6): how it moves the
    offsets themselves, in the arm's coordinates.
    """

    name: str
    sigma: float
    loadings: Array
    offsets: Array

    @staticmethod
    def of_view_nuisance(
        name: str, sigma: float, model: LinearModel, nuisance: int, per_view: Array | float = 1.0
    ) -> NuisanceParameter:
        """Nuisance number ``nuisance`` of the views, ``per_view`` (n,) times in each."""
        n, _, q = model.nuisance_jacobian.shape
        loadings = np.zeros((n, q))
        loadings[:, nuisance] = per_view
        return NuisanceParameter(name, sigma, loadings, np.zeros((n, 6)))

    @staticmethod
    def of_offsets(name: str, sigma: float, model: LinearModel, offsets: Array) -> NuisanceParameter:
        """A change of the offsets (n, 6), in the arm's coordinates."""
        return NuisanceParameter(name, sigma, np.zeros((len(offsets), model.nuisance_jacobian.shape[-1])), offsets)


def change_point_nuisances(model: LinearModel, columns: slice, before: int) -> list[NuisanceParameter]:
    """That the transform whose ``columns`` these are is another one from row ``before`` on: six doubts."""
    later = np.arange(len(model.offset)) >= before
    moves = np.where(later[:, None, None], model.transform_jacobian[..., columns], 0.0)
    return [NuisanceParameter.of_offsets(f"moved-{k}", _MAX_MOVE, model, moves[..., k]) for k in range(6)]


def estimate_nuisances(
    model: LinearModel,
    linearized: BoardPoses,
    corner_sigma_px: float,
    start: RobotNoise,
    nuisances: Sequence[NuisanceParameter],
    posterior: bool = False,
) -> NuisanceEstimate:
    """The ``nuisances`` estimated together in ``model``, linear model of ``linearized``; with ``posterior`` also by noise."""
    loadings = np.stack([nuisance_parameter.loadings for nuisance_parameter in nuisances], axis=-1)
    columns = model.nuisance_jacobian @ loadings + np.stack(
        [nuisance_parameter.offsets for nuisance_parameter in nuisances], axis=-1
    )
    information = np.einsum("nqk,nqr,nrl->kl", loadings, linearized.nuisance_information, loadings)
    extended = replace(
        model,
        nuisance_jacobian=np.concatenate([model.nuisance_jacobian[..., :FIRST_LENS_PARAMETER], columns], axis=-1),
        nuisance_information=np.pad(information, (FIRST_LENS_PARAMETER, 0)),
        nuisance_gradient=np.pad(
            np.einsum("nqk,nq->k", loadings, linearized.nuisance_gradient), (FIRST_LENS_PARAMETER, 0)
        ),
        nuisance_sigma=np.array(
            [np.inf] * FIRST_LENS_PARAMETER + [nuisance_parameter.sigma for nuisance_parameter in nuisances]
        ),
    )
    noise, fits = reml_noise(extended, corner_sigma_px, start)
    p = model.observable_basis.shape[1]
    by_noise: tuple[tuple[float, Array, Array], ...] = ()
    if posterior:
        known, each = noise_posterior(extended, corner_sigma_px, noise, fits)
        by_noise = tuple(zip(known.weights.tolist(), each.z[:, p:], each.covariance[:, p:, p:], strict=True))
    return NuisanceEstimate(
        tuple(nuisance_parameter.name for nuisance_parameter in nuisances),
        fits.z[0, p:],
        fits.covariance[0, p:, p:],
        # Two variances were judged, each from its own half of the numbers, less what transforms and doubts took.
        max(3 * len(model.offset) - (p + len(nuisances)) // 2, 1),
        noise,
        model.observable_basis @ fits.z[0, :p],
        by_noise,
    )
