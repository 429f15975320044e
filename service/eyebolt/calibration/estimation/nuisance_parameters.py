"""Nuisance parameters estimated jointly with the transforms, and which few of them explain the pairs.

All nuisance parameters are estimated at once, with the noise of the arm estimated anew. The residuals that a smaller
set would leave follow from that one estimate in closed form: the Gaussian of the estimates, conditioned on the others
being zero.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from eyebolt.calibration.estimation.linearization import BoardPoses, LinearModel, MovedPart, motion_columns
from eyebolt.calibration.estimation.robot_noise import NoisePrior, most_likely_noise, noise_dof, noise_posterior
from eyebolt.calibration.estimation.statistics import f_sf
from eyebolt.calibration.problem import RobotNoise
from eyebolt.geometry import Array

# Prior sigma of a change of a transform: metres, radians. It only keeps the fit solvable.
_MOTION_SIGMA = 1.0


@dataclass(frozen=True)
class NoiseComponent:
    """The nuisance estimate under one value of the arm's noise."""

    weight: float
    """Posterior probability of that noise."""
    estimate: Array
    """(k,): estimates, each in its own unit."""
    covariance: Array
    """(k, k): their covariance."""


@dataclass(frozen=True)
class NuisanceEstimate:
    """k nuisance parameters estimated jointly."""

    names: tuple[str, ...]
    """(k): names of the parameters."""
    estimate: Array
    """(k,): estimates, each in its own unit."""
    covariance: Array
    """(k, k): their covariance."""
    dof: int
    """Degrees of freedom of the noise estimate."""
    noise: RobotNoise
    """Noise of the arm estimated with these parameters."""
    transforms: Array
    """(12,), m and rad: change of X and Y when these parameters are estimated jointly."""
    by_noise: tuple[NoiseComponent, ...] = ()
    """The estimate under each value of the noise posterior, where that was requested."""

    def shifted(self, by: Array, added_covariance: Array) -> NuisanceEstimate:
        """The estimate relative to another origin: ``by`` (k,) and ``added_covariance`` (k, k) are added."""
        components = tuple(
            NoiseComponent(c.weight, c.estimate + by, c.covariance + added_covariance) for c in self.by_noise
        )
        return replace(
            self, estimate=self.estimate + by, covariance=self.covariance + added_covariance, by_noise=components
        )

    def p_value(self, free: Sequence[str]) -> float:
        """p-value of the hypothesis that only the parameters ``free`` differ from zero (F test on the others)."""
        rest = self._indices([name for name in self.names if name not in free])
        if not rest:
            return 1.0
        return float(f_sf(len(rest), self.dof, self.remaining_chi2(free) / len(rest)))

    def remaining_chi2(self, free: Sequence[str]) -> float:
        """Chi-squared of the parameters other than ``free`` being zero."""
        rest = self._indices([name for name in self.names if name not in free])
        out = self.estimate[rest]
        return float(out @ np.linalg.solve(self.covariance[np.ix_(rest, rest)], out)) if rest else 0.0

    def conditional_estimate(self, free: Sequence[str]) -> tuple[Array, Array]:
        """Estimates and standard deviations of the parameters ``free``, in that order, the others being zero.

        With ``by_noise`` they are those of the mixture: few pairs determine the noise poorly.
        """
        own, rest = self._indices(free), self._indices([name for name in self.names if name not in free])
        components = self.by_noise or (NoiseComponent(1.0, self.estimate, self.covariance),)
        weights = np.array([c.weight for c in components])
        found = [_conditioned(c.estimate, c.covariance, own, rest) for c in components]
        estimates, variances = (np.array(part) for part in zip(*found, strict=True))
        mean = weights @ estimates
        return mean, np.sqrt(np.maximum(weights @ (variances + (estimates - mean) ** 2), 0.0))

    def _indices(self, names: Sequence[str]) -> list[int]:
        return [self.names.index(name) for name in names]


def _conditioned(estimate: Array, covariance: Array, own: list[int], rest: list[int]) -> tuple[Array, Array]:
    """Mean and variances of the parameters ``own`` of a Gaussian, given that the parameters ``rest`` are zero."""
    gain = np.linalg.solve(covariance[np.ix_(rest, rest)], covariance[np.ix_(rest, own)]).T
    conditional_covariance = covariance[np.ix_(own, own)] - gain @ covariance[np.ix_(rest, own)]
    return estimate[own] - gain @ estimate[rest], np.diagonal(conditional_covariance)


@dataclass(frozen=True)
class NuisanceParameter:
    """A parameter that may differ from its stated value, and its effect on n views."""

    name: str
    """Name of the parameter in the estimate."""
    sigma: float
    """Prior standard deviation, in its own unit."""
    loadings: Array
    """(n, r): derivative of each standardised nuisance parameter of the views (see ``BoardPoses``) by the parameter."""
    offsets: Array
    """(n, 6): direct derivative of the offsets by the parameter, flange coordinates."""

    @staticmethod
    def of_view_nuisance(
        name: str, sigma: float, model: LinearModel, nuisance: int, per_unit: Array | float
    ) -> NuisanceParameter:
        """The nuisance in column ``nuisance`` of the views, times ``per_unit`` (n,) for a unit of the parameter."""
        n, _, r = model.nuisance_jacobian.shape
        loadings = np.zeros((n, r))
        loadings[:, nuisance] = per_unit
        return NuisanceParameter(name, sigma, loadings, np.zeros((n, 6)))

    @staticmethod
    def of_offsets(name: str, sigma: float, model: LinearModel, offsets: Array) -> NuisanceParameter:
        """A change of the ``offsets`` (n, 6), flange coordinates."""
        return NuisanceParameter(name, sigma, np.zeros((len(offsets), model.nuisance_jacobian.shape[-1])), offsets)


def motion_nuisances(model: LinearModel, moved_part: MovedPart, profile: Array) -> list[NuisanceParameter]:
    """A change of one transform times ``profile`` (n,), as six nuisance parameters."""
    moves = motion_columns(model, moved_part, profile)
    return [NuisanceParameter.of_offsets(f"moved-{k}", _MOTION_SIGMA, model, moves[..., k]) for k in range(6)]


def estimate_nuisances(
    model: LinearModel,
    board_poses: BoardPoses,
    corner_sigma_px: float,
    start: RobotNoise,
    parameters: Sequence[NuisanceParameter],
    own: Mapping[str, float] | None = None,
    posterior: bool = False,
) -> NuisanceEstimate:
    """The ``parameters`` estimated jointly with everything in ``model``, the linear model of ``board_poses``.

    ``own``: names of the leading nuisance parameters of the model itself that belong to the estimate, each with its
    unit, the size of one standard deviation of its prior; they come first. ``start``: noise of the arm to start from;
    ``posterior``: also under every value of the noise posterior.
    """
    own = own or {}
    extended = _with_parameters(model, board_poses, parameters)
    prior = NoisePrior.of(None)
    noise, fits = most_likely_noise(extended, corner_sigma_px, prior, start)
    p, r = model.observable_basis.shape[1], model.nuisance_jacobian.shape[-1]
    selected = np.array([*range(p, p + len(own)), *range(p + r, p + r + len(parameters))], dtype=np.intp)
    unit = np.array([*own.values(), *(parameter.sigma for parameter in parameters)])
    units = unit[:, None] * unit
    by_noise: tuple[NoiseComponent, ...] = ()
    if posterior:
        known, each = noise_posterior(extended, corner_sigma_px, prior, noise, fits)
        by_noise = tuple(
            NoiseComponent(weight, unit * estimate, units * covariance)
            for weight, estimate, covariance in zip(
                known.weights.tolist(),
                each.z[:, selected],
                each.covariance[:, selected[:, None], selected],
                strict=True,
            )
        )
    return NuisanceEstimate(
        (*own, *(parameter.name for parameter in parameters)),
        unit * fits.z[0, selected],
        units * fits.covariance[0][selected[:, None], selected],
        noise_dof(len(model.offset), p + len(selected)),
        noise,
        model.observable_basis @ fits.z[0, :p],
        by_noise,
    )


def _with_parameters(
    model: LinearModel, board_poses: BoardPoses, parameters: Sequence[NuisanceParameter]
) -> LinearModel:
    """The model with ``parameters``, standardised, as further nuisance parameters."""
    if not parameters:
        return model
    sigma = np.array([parameter.sigma for parameter in parameters])
    loadings = np.stack([parameter.loadings for parameter in parameters], axis=-1) * sigma
    offsets = np.stack([parameter.offsets for parameter in parameters], axis=-1) * sigma
    by_loadings = board_poses.nuisance_information @ loadings
    cross_information = by_loadings.sum(axis=0)
    information = np.einsum("nrk,nrl->kl", loadings, by_loadings)
    return replace(
        model,
        nuisance_jacobian=np.concatenate(
            [model.nuisance_jacobian, model.nuisance_jacobian @ loadings + offsets], axis=-1
        ),
        nuisance_information=np.block(
            [[model.nuisance_information, cross_information], [cross_information.T, information]]
        ),
        nuisance_gradient=np.concatenate(
            [model.nuisance_gradient, np.einsum("nrk,nr->k", loadings, board_poses.nuisance_gradient)]
        ),
    )
