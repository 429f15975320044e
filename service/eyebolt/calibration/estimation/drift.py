"""Drift: the camera or the holder of the board creeps during the session, as the cell warms up.

The transform of a part that creeps is X exp(d s) with s = -1 at the first pair and 0 at the last: X is the transform at
the end of the session, d its change over the session, six numbers (``linearization.Drift``). A priori nothing creeps,
or the camera does, or the board, each as probable; d is Gaussian with one scale, that of a displacement at the working
distance, and the scale is half-Cauchy (A. Gelman, Bayesian Analysis 1(3), 2006).

The posterior of the transforms is the average over these hypotheses and scales by their probability (J. A. Hoeting
et al., Statistical Science 14(4), 1999): a drift that is not there costs next to nothing, one that may be there widens
the error, and one that is there is taken off. Given the noise of the arm all is Gaussian, so every scale follows in
closed form from the fit at the largest one. A problem that states the scale (``Problem.drift_sigma_m``) has that one
alone; with a scale of zero there is no such hypothesis.

Check pairs at the pose of a pair show a drift best, since an error of the arm at that pose cancels. They take part in
the posterior of d and of the noise; the transforms depend on them through these alone, and not at all where there is no
hypothesis on a drift.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.estimation.linearization import (
    Drift,
    LinearFits,
    LinearModel,
    MovedPart,
    Observations,
    fit_linear,
    linearize,
    motion_columns,
)
from eyebolt.calibration.estimation.robot_noise import (
    NoisePosterior,
    NoisePrior,
    most_likely_noise,
    noise_posterior,
    variance_of,
)
from eyebolt.calibration.estimation.statistics import chi2_sf, f_sf
from eyebolt.calibration.problem import Problem, RobotNoise
from eyebolt.geometry import Array

# Scale of the half-Cauchy prior: what a metre of aluminium (23e-6 per kelvin) grows by as it warms by 9 K.
_PRIOR_SCALE_M = 0.2e-3
# Nodes of the integral over the scale, a factor of three apart: a smaller drift is below the noise of any arm, a larger
# one is no creep.
_SCALES_M = np.array([0.05e-3, 0.15e-3, 0.45e-3, 1.35e-3])
# With fewer pairs the six numbers cannot be estimated beside the transforms.
_MIN_PAIRS = 5
# p-value above which a drift is not tested with a noise of its own: none so unlikely was ever the most probable
# hypothesis in 150 simulated sessions.
_SCREENING_P = 0.2
# Components of the mixture below this weight change no quantile that is stated.
_MIN_WEIGHT = 1e-4


@dataclass(frozen=True)
class DriftHypothesis:
    """The posterior of the drift of one part."""

    drift: Drift
    """The drift at its most probable scale."""
    probability: float
    """Posterior probability that this part creeps."""
    change: Array
    """(6,), m and rad: its change over the session, perturbed on the right."""
    covariance: Array
    """(6, 6): its covariance, if this part creeps."""
    p_value: float
    """p-value of the hypothesis that no part creeps, against a drift of any (F test, Bonferroni correction)."""


@dataclass(frozen=True)
class DriftMixture:
    """The posterior of X, Y (12) and r nuisance parameters as a mixture of m Gaussians; the nuisance parameters include
    those of a drift if the model does."""

    weights: Array
    """(m,), sum 1."""
    means: Array
    """(m, 12 + r)."""
    covariances: Array
    """(m, 12 + r, 12 + r)."""
    noise: NoisePosterior
    """Noise of the arm, under the drift that the estimate includes, if any."""
    drifts: tuple[DriftHypothesis, ...]
    """The drift of each part, the most probable first; empty where there are too few pairs for one."""


@dataclass(frozen=True)
class _DriftFits:
    """Fits at m values of the noise with a drift beside their k unknowns, in closed form from the fits without it: the
    Gaussian of the drift, and the other unknowns as linear functions of it (Schur complement)."""

    z: Array
    """(m, k): estimates without the drift."""
    covariance: Array
    """(m, k, k): covariance of the unknowns, given the drift."""
    regression: Array
    """(m, k, 6): change of the estimates per unit of the drift."""
    values: Array
    """(m, 6): eigenvalues of the information about the drift, its prior N(0, I) included."""
    vectors: Array
    """(m, 6, 6): eigenvectors, as columns."""
    score: Array
    """(m, 6): gradient of the log likelihood at no drift, along the eigenvectors."""

    @staticmethod
    def of(fits: LinearFits, columns: Array) -> _DriftFits:
        """``columns`` (n, 6, 6): effect of the standardised drift on the offsets."""
        m, rows = len(fits.z), columns.size // 6
        flat = columns.reshape(rows, 6)
        weighted = np.swapaxes((fits.weight @ columns).reshape(m, rows, 6), -1, -2)
        cross = np.swapaxes(fits.weighted_design.reshape(m, rows, -1), -1, -2) @ flat
        regression = -fits.covariance @ cross
        information = weighted @ flat + np.swapaxes(cross, -1, -2) @ regression + np.eye(6)
        values, vectors = np.linalg.eigh(information)
        # No less than that of the prior; rounding may take it away where pairs contradict each other grossly.
        values = np.maximum(values, 1.0)
        score = (weighted @ fits.residual.reshape(m, rows, 1))[..., 0]
        return _DriftFits(
            fits.z,
            fits.covariance,
            regression,
            values,
            vectors,
            (np.swapaxes(vectors, -1, -2) @ score[..., None])[..., 0],
        )

    @property
    def chi2(self) -> Array:
        """(m,): chi-squared of the drift being zero."""
        out: Array = (self.score**2 / self.values).sum(axis=-1)
        return out

    def log_gain(self, ratio: float) -> Array:
        """(m,): log likelihood gained over no drift, under a prior ``ratio`` times narrower than N(0, I)."""
        values = self.values + (ratio**2 - 1)
        out: Array = 0.5 * (self.score**2 / values - np.log(values)).sum(axis=-1) + 6 * np.log(ratio)
        return out

    def drift(self, ratio: float) -> tuple[Array, Array]:
        """Mean (m, 6) and covariance (m, 6, 6) of the drift under such a prior."""
        values = self.values + (ratio**2 - 1)
        mean = (self.vectors @ (self.score / values)[..., None])[..., 0]
        return mean, (self.vectors / values[:, None, :]) @ np.swapaxes(self.vectors, -1, -2)

    def with_transforms_of(self, fits: LinearFits, columns: Array) -> _DriftFits:
        """The same drift beside the unknowns of other ``fits``, with their own ``columns``."""
        other = _DriftFits.of(fits, columns)
        return replace(self, z=other.z, covariance=other.covariance, regression=other.regression)


@dataclass(frozen=True)
class _Components:
    """m components of the mixture under one hypothesis and scale."""

    moved_part: MovedPart | None
    """What creeps."""
    scale_m: float
    """Scale of the drift, metres; NaN where nothing creeps."""
    log_weights: Array
    """(m,): not normalised."""
    fits: LinearFits | _DriftFits
    """Fits at the values of the noise."""
    drift: Array
    """(m, 6): mean of the drift relative to the largest scale."""
    drift_covariance: Array
    """(m, 6, 6): its covariance."""

    def state(self, rows: NDArray[np.bool_]) -> tuple[Array, Array]:
        """Means (j, k + 6) and covariances (j, k + 6, k + 6) of the k unknowns and the drift, for ``rows`` (m,)."""
        z, covariance = self.fits.z[rows], self.fits.covariance[rows]
        if isinstance(self.fits, LinearFits):
            return np.pad(z, ((0, 0), (0, 6))), np.pad(covariance, ((0, 0), (0, 6), (0, 6)))
        drift, of_drift, regression = self.drift[rows], self.drift_covariance[rows], self.fits.regression[rows]
        cross = regression @ of_drift
        means = np.concatenate([z + (regression @ drift[..., None])[..., 0], drift], axis=-1)
        own = covariance + cross @ np.swapaxes(regression, -1, -2)
        upper = np.concatenate([own, cross], axis=-1)
        lower = np.concatenate([np.swapaxes(cross, -1, -2), of_drift], axis=-1)
        return means, np.concatenate([upper, lower], axis=-2)


@dataclass(frozen=True)
class OrderedModel:
    """The linear model of n views with their order."""

    model: LinearModel
    """Without a drift."""
    capture_order: Array
    """(n,): places in the order of capture."""

    def joined(self, other: OrderedModel | None) -> OrderedModel:
        """The views of both."""
        if other is None:
            return self
        return OrderedModel(self.model.joined(other.model), np.concatenate([self.capture_order, other.capture_order]))

    def drift_columns(self, drift: Drift) -> Array:
        """(n, 6, 6): derivative of the offsets by the standardised parameters of ``drift``."""
        out: Array = motion_columns(self.model, drift.moved_part, drift.profile(self.capture_order)) * drift.sigma
        return out


def ordered_models(
    problem: Problem, observations: Observations, model: LinearModel, X: Array, Y: Array
) -> tuple[OrderedModel, OrderedModel | None]:
    """The pairs of ``observations``, whose ``model`` is linearised about X, Y (4, 4), and their repeats."""
    pairs = OrderedModel(model if observations.drift is None else model.without_columns(6), observations.capture_order)
    repeats = observations.repeats
    if repeats is None:
        return pairs, None
    of_repeats = linearize(problem, repeats.board_poses, repeats.A, X, Y)
    return pairs, OrderedModel(replace(of_repeats, observable_basis=model.observable_basis), repeats.capture_order)


def average_over_drift(
    problem: Problem,
    pairs: OrderedModel,
    repeats: OrderedModel | None,
    corner_sigma_px: float,
    start: RobotNoise,
    active: Drift | None = None,
) -> DriftMixture:
    """The posterior of the transforms by ``pairs``, averaged over the noise of the arm and the hypotheses on a drift.

    ``repeats``: check pairs that take part in what is known of a drift, and in nothing else; ``start``: noise to start
    from; ``active``: a drift that the estimate includes, as the last six nuisance parameters of the mixture.
    """
    if not _parts_that_may_creep(problem, pairs):
        repeats = None
    found = _hypotheses(problem, pairs, repeats, corner_sigma_px, start)
    if problem.robot_noise is not None:
        # A stated noise that is too small would make a drift of clean pairs: they alone decide among the hypotheses.
        found = found.weighted_as(
            _hypotheses(replace(problem, robot_noise=None), pairs, repeats, corner_sigma_px, start)
        )
    components = found.components
    largest = max(float(own.log_weights.max()) for own in components)
    weights = [np.exp(own.log_weights - largest) for own in components]
    total = sum(float(own.sum()) for own in weights)
    weights = [own / total for own in weights]
    drifts = [
        _hypothesis(drift, p_value, [(w, c) for w, c in zip(weights, components, strict=True) if c.moved_part is part])
        for part, (drift, p_value) in found.at_largest.items()
    ]
    all_weights = np.concatenate(weights)
    all_weights = all_weights[all_weights > _MIN_WEIGHT]
    means, covariances = [], []
    for own, of_own in zip(components, weights, strict=True):
        kept = of_own > _MIN_WEIGHT
        if kept.any():
            basis = _state_basis(pairs.model, own, active, float(_scales_m(problem)[-1]))
            z, covariance = own.state(kept)
            means.append(z @ basis.T)
            covariances.append(basis @ covariance @ basis.T)
    return DriftMixture(
        all_weights / all_weights.sum(),
        np.concatenate(means),
        np.concatenate(covariances),
        found.noises[None if active is None else active.moved_part],
        tuple(sorted(drifts, key=lambda drift: -drift.probability)),
    )


@dataclass(frozen=True)
class _Hypotheses:
    """The posterior under each hypothesis and scale."""

    components: list[_Components]
    """Nothing creeps; then each part at every scale."""
    noises: dict[MovedPart | None, NoisePosterior]
    """Noise of the arm under each hypothesis."""
    at_largest: dict[MovedPart, tuple[Drift, float]]
    """The drift of each part at the largest scale, and its p-value."""

    def weighted_as(self, other: _Hypotheses) -> _Hypotheses:
        """The same with the probabilities and p-values that ``other`` has."""
        components = [
            replace(own, log_weights=own.log_weights + _log_sum(reference.log_weights) - _log_sum(own.log_weights))
            for own, reference in zip(self.components, other.components, strict=True)
        ]
        return replace(self, components=components, at_largest=other.at_largest)


def _log_weights(noise: NoisePosterior) -> Array:
    """(m,): logarithm of the likelihood of each value of the noise; the bound keeps it finite where that underflows."""
    out: Array = np.log(np.maximum(noise.weights, 1e-300)) + noise.log_evidence
    return out


def _log_sum(log_weights: Array) -> float:
    largest = float(log_weights.max())
    return largest + float(np.log(np.exp(log_weights - largest).sum()))


def _hypotheses(
    problem: Problem, pairs: OrderedModel, repeats: OrderedModel | None, corner_sigma_px: float, start: RobotNoise
) -> _Hypotheses:
    """The arguments are those of ``average_over_drift``."""
    both = pairs.joined(repeats)
    noise, fits, at_best = _fits(problem, both.model, corner_sigma_px, start)
    log_weights = _log_weights(noise)
    of_pairs = fits if repeats is None else _at_noise(pairs.model, corner_sigma_px, noise)
    nothing = np.zeros((len(fits.z), 6))
    components = [_Components(None, np.nan, log_weights, of_pairs, nothing, nothing[..., None] * nothing[:, None])]
    noises: dict[MovedPart | None, NoisePosterior] = {None: noise}
    at_largest: dict[MovedPart, tuple[Drift, float]] = {}
    for moved_part in _parts_that_may_creep(problem, pairs):
        drift = _largest_drift(problem, pairs.capture_order, moved_part)
        columns = both.drift_columns(drift)
        own_noise, p_value = noise, _screening_p_value(both.model, at_best, columns)
        if p_value > _SCREENING_P:
            # Such a drift hardly affects the noise: the values of the noise without it serve.
            own_fits, own_log_weights = _DriftFits.of(fits, columns), log_weights
        else:
            own_noise, _, own_at_best = _fits(problem, both.model.with_columns(columns), corner_sigma_px, noise.best)
            own_fits = _DriftFits.of(_at_noise(both.model, corner_sigma_px, own_noise), columns)
            own_log_weights = _log_weights(own_noise) - own_fits.log_gain(1.0)
            dof = own_noise.dof(len(both.model.offset), both.model.observable_basis.shape[1] + 6)
            p_value = _p_value(own_noise, dof, own_at_best, own_fits)
        if repeats is not None:
            own_of_pairs = _at_noise(pairs.model, corner_sigma_px, own_noise)
            own_fits = own_fits.with_transforms_of(own_of_pairs, pairs.drift_columns(drift))
        components += _components_with_drift(moved_part, _scales_m(problem), own_log_weights, own_fits)
        noises[moved_part] = own_noise
        at_largest[moved_part] = drift, min(len(MovedPart) * p_value, 1.0)
    return _Hypotheses(components, noises, at_largest)


def most_probable_drift(drifts: Sequence[DriftHypothesis], min_probability: float = 0.0) -> Drift | None:
    """The drift of ``drifts``, the most probable first, if it is more probable than that nothing creeps, and than
    ``min_probability``."""
    nothing_creeps = 1 - sum(drift.probability for drift in drifts)
    return drifts[0].drift if drifts and drifts[0].probability > max(nothing_creeps, min_probability) else None


def _scales_m(problem: Problem) -> Array:
    """(k,), metres: nodes of the integral over the scale, ascending."""
    return _SCALES_M if problem.drift_sigma_m is None else np.array([problem.drift_sigma_m])


def _parts_that_may_creep(problem: Problem, pairs: OrderedModel) -> tuple[MovedPart, ...]:
    """The parts with a hypothesis of their own: none if nothing creeps as stated, or with too few ``pairs``."""
    return () if problem.drift_sigma_m == 0 or len(pairs.capture_order) < _MIN_PAIRS else tuple(MovedPart)


def _largest_drift(problem: Problem, capture_order: Array, moved_part: MovedPart) -> Drift:
    """A drift of the largest scale over the places ``capture_order`` (n,) of the pairs.

    A rotation counts by the displacement at the middle of the working distance.
    """
    lever_m = (problem.volume.near_m + problem.volume.far_m) / 2
    sigma = _scales_m(problem)[-1] * np.repeat([1.0, 1 / lever_m], 3)
    return Drift(moved_part, float(capture_order[0]), float(capture_order[-1]), sigma)


def _at_noise(model: LinearModel, corner_sigma_px: float, noise: NoisePosterior) -> LinearFits:
    return fit_linear(model, corner_sigma_px, np.repeat(noise.choices**2, 3, axis=1))


def _fits(
    problem: Problem, model: LinearModel, corner_sigma_px: float, start: RobotNoise
) -> tuple[NoisePosterior, LinearFits, LinearFits]:
    """The noise of ``model``, the fit at each value of it, and the fit at the most likely one."""
    prior = NoisePrior.of(problem.robot_noise, problem.robot_noise_dof)
    best, fits = most_likely_noise(model, corner_sigma_px, prior, start)
    return *noise_posterior(model, corner_sigma_px, prior, best, fits), fits


def _p_value(noise: NoisePosterior, dof: float, at_best: LinearFits, fits: _DriftFits) -> float:
    """p-value of the drift being zero: the larger one of an F test at the most likely noise, under which the drift is
    the last six unknowns, and the average over the posterior of the noise, of which few pairs determine one half
    poorly."""
    p_value = float(f_sf(6, dof, at_best.chi2_of_last(6)[0] / 6))
    return max(p_value, float(noise.weights @ chi2_sf(6, fits.chi2)))


def _screening_p_value(model: LinearModel, at_best: LinearFits, columns: Array) -> float:
    """The same without estimating the noise anew, from the fit ``at_best`` of ``model`` without a drift.

    That noise is inflated by a drift, hence the ratio of the squares without and with it.
    """
    found = _DriftFits.of(at_best, columns)
    drift = found.drift(1.0)[0][0]
    residual = at_best.residual[0] - columns @ drift - at_best.design @ (found.regression[0] @ drift)
    without, remaining = (_sum_of_squares(at_best.weight[0], one) for one in (at_best.residual[0], residual))
    dof = model.offset.size - model.observable_basis.shape[1] - 6
    return float(f_sf(6, dof, (without - remaining) / 6 / (remaining / dof)))


def _sum_of_squares(weight: Array, residual: Array) -> float:
    """Of residuals (n, 6) with their ``weight`` (n, 6, 6)."""
    return float(((weight @ residual[..., None])[..., 0] * residual).sum())


def is_drift_possible(
    problem: Problem, pairs: OrderedModel, repeats: OrderedModel | None, corner_sigma_px: float, noise: RobotNoise
) -> bool:
    """Whether a drift may be more probable than none, by a test that costs little."""
    both = pairs.joined(repeats)
    fits = fit_linear(both.model, corner_sigma_px, variance_of(noise)[None])
    return any(
        _screening_p_value(both.model, fits, both.drift_columns(_largest_drift(problem, pairs.capture_order, part)))
        <= _SCREENING_P
        for part in _parts_that_may_creep(problem, pairs)
    )


def _components_with_drift(
    moved_part: MovedPart, scales_m: Array, log_weights: Array, fits: _DriftFits
) -> list[_Components]:
    """One for each of ``scales_m`` (k,), of which ``fits`` have the largest; ``log_weights`` (m,): of no drift."""
    log_prior = np.log(scales_m / (1 + (scales_m / _PRIOR_SCALE_M) ** 2))
    log_prior -= np.log(np.exp(log_prior).sum())
    out = []
    for scale_m, log_density in zip(scales_m.tolist(), log_prior.tolist(), strict=True):
        ratio = float(scales_m[-1]) / scale_m
        own_weights = log_weights + fits.log_gain(ratio) + log_density
        out.append(_Components(moved_part, scale_m, own_weights, fits, *fits.drift(ratio)))
    return out


def _state_basis(model: LinearModel, components: _Components, active: Drift | None, largest_scale_m: float) -> Array:
    """From the unknowns of a fit and the drift to X, Y, the nuisance parameters and the ``active`` drift."""
    basis = np.pad(model.state_basis, ((0, 0), (0, 6)))
    if active is None:
        return basis
    relative = largest_scale_m / active.sigma[0] if components.moved_part is active.moved_part else 0.0
    return np.concatenate([basis, np.pad(relative * np.eye(6), ((0, 0), (basis.shape[1] - 6, 0)))])


def _hypothesis(drift: Drift, p_value: float, weighted: list[tuple[Array, _Components]]) -> DriftHypothesis:
    """The posterior of the drift of one part; ``drift``: at the largest scale; ``weighted``: weights and components."""
    by_scale = [float(weights.sum()) for weights, _ in weighted]
    probability = sum(by_scale)
    best = weighted[int(np.argmax(by_scale))][1]
    share = np.concatenate([weights for weights, _ in weighted]) / max(probability, 1e-300)
    means = np.concatenate([own.drift for _, own in weighted]) * drift.sigma
    within = np.concatenate([own.drift_covariance for _, own in weighted]) * np.outer(drift.sigma, drift.sigma)
    change = share @ means
    centred = means - change
    covariance = np.einsum("m,mij->ij", share, within) + np.einsum("m,mi,mj->ij", share, centred, centred)
    scaled = replace(drift, sigma=drift.sigma * best.scale_m / drift.sigma[0])
    return DriftHypothesis(scaled, probability, change, covariance, p_value)
