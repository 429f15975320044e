"""Check for a focus that changed during the session: a step of the focal length before some pair, or a linear drift.

Both are tested by one nuisance parameter beside a constant deviation of the focal length. A camera that moved along its
optical axis has almost the same effect; they separate where the board was at different distances. So a change of camera
or board, with six parameters, is a rival hypothesis and is tested beside the change of the focal length.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from eyebolt.calibration.estimation import (
    BoardPoses,
    InitialEstimate,
    LinearModel,
    MovedPart,
    NuisanceEstimate,
    NuisanceParameter,
    Observations,
    estimate_nuisances,
    is_plausible_noise,
    linearize,
    motion_nuisances,
    ramp_profile,
    step_profile,
)
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.problem import Problem, RobotNoise
from eyebolt.geometry import Array

# p-values of a constant focal length: above the first the steps are not tested, to save time; below the second the
# focal length changed. Up to 60 rows and a drift are tried, so the second must be small.
_SCREENING_P, _FALSE_ALARM_RATE = 0.05, 1e-5
# The rival is the better explanation if a change of the focal length beside it leaves a p-value below this, and below
# that of the rival alone. One parameter is preferred to the six of a moved part.
_EXPLAINED_P = 0.01
# Two on each side of a step, and one more for the noise.
_MIN_PAIRS = 5
_MIN_PAIRS_PER_SIDE = 2
# Smaller changes of the focal length, as a fraction, come with temperature. Common practice, no source.
_MIN_RELATIVE_CHANGE = 0.002
# In long sessions the candidate rows are spaced out; a step a few pairs away fits nearly as well.
_MAX_CANDIDATE_ROWS = 60
# Prior sigma of the deviation of the focal length and of its change, as a fraction.
_MAX_FOCAL_DEVIATION = 0.3
_CHANGE = "change"


def find_focus_change(
    problem: Problem,
    observations: Observations,
    start: InitialEstimate,
    noise: RobotNoise,
    indices: Sequence[int],
    at: Sequence[int] = (),
) -> Finding | None:
    """The finding that the focal length changed among the pairs of ``observations``, in capture order.

    ``start``: transforms of all or some of them; ``noise``: start of the noise estimate; ``indices``: capture index of
    each row; ``at``: rows of known change points, which are always tested.
    """
    if len(observations.A) < _MIN_PAIRS:
        return None
    hypotheses = _FocalHypotheses.about(problem, observations, start, noise)
    ramp = ramp_profile(observations.capture_order)
    drift = hypotheses.nuisance_estimate(ramp)
    if not at and drift.p_value(()) > _SCREENING_P:
        return None
    places = np.linspace(
        _MIN_PAIRS_PER_SIDE,
        len(observations.A) - _MIN_PAIRS_PER_SIDE,
        min(len(observations.A) - 2 * _MIN_PAIRS_PER_SIDE + 1, _MAX_CANDIDATE_ROWS),
    )
    profiles = {row: step_profile(len(ramp), row) for row in {*places.astype(int).tolist(), *at}}
    steps = {row: hypotheses.nuisance_estimate(profile) for row, profile in profiles.items()}
    row, step = max(steps.items(), key=lambda one: one[1].remaining_chi2(()))
    is_drift = drift.remaining_chi2(()) > step.remaining_chi2(())
    found = drift if is_drift else step
    if (
        found.p_value(()) > _FALSE_ALARM_RATE
        or abs(found.estimate[0]) < _MIN_RELATIVE_CHANGE
        or not is_plausible_noise(found.noise)
    ):
        return None
    # Reject it if a change of camera or board, from there on or as gradual, explains the pairs better.
    own = ramp if is_drift else profiles[row]
    rivals = [profiles[place] for place in {row, *at}] + ([ramp] if is_drift else [])
    for moved_part in MovedPart:
        for rival in rivals:
            both = hypotheses.nuisance_estimate(own, motion_nuisances(hypotheses.model, moved_part, rival))
            focus, other = both.p_value([_CHANGE]), both.p_value([n for n in both.names if n != _CHANGE])
            if focus < min(_EXPLAINED_P, other):
                return None
    return _finding(hypotheses.nuisance_estimate(own, posterior=True), None if is_drift else indices[row])


@dataclass(frozen=True)
class _FocalHypotheses:
    """Hypotheses on a change of the focal length along the pairs."""

    board_poses: BoardPoses
    """The pairs linearised, with a free constant deviation of the focal length as the last nuisance parameter."""
    corner_sigma_px: float
    """Corner noise, pixels."""
    model: LinearModel
    """Linear model of ``board_poses``."""
    noise: RobotNoise
    """Start of the noise estimate."""

    @staticmethod
    def about(
        problem: Problem, observations: Observations, start: InitialEstimate, noise: RobotNoise
    ) -> _FocalHypotheses:
        """The hypotheses about the transforms ``start``; board and lens are as uncertain as in ``problem``."""
        size = {name: _MAX_FOCAL_DEVIATION * float(problem.camera.matrix[k, k]) for k, name in enumerate(("fx", "fy"))}
        problem = replace(problem, prior_override=problem.nuisance_prior.extended(size))
        board_poses = observations.board_poses_under(problem)
        model = linearize(problem, board_poses, observations.A, start.X, start.Y)
        return _FocalHypotheses(board_poses, observations.corner_sigma_px, model, noise)

    def nuisance_estimate(
        self, profile: Array, motion: Sequence[NuisanceParameter] = (), *, posterior: bool = False
    ) -> NuisanceEstimate:
        """The estimate of a change of the focal length times ``profile`` (n,), beside a constant deviation.

        ``motion``: a change of camera or board that is estimated as well; ``posterior``: see ``estimate_nuisances``.
        """
        change = NuisanceParameter.of_view_nuisance(
            _CHANGE,
            _MAX_FOCAL_DEVIATION,
            self.model,
            self.model.nuisance_jacobian.shape[-1] - 1,
            profile / _MAX_FOCAL_DEVIATION,
        )
        return estimate_nuisances(
            self.model, self.board_poses, self.corner_sigma_px, self.noise, [change, *motion], posterior=posterior
        )


def _finding(found: NuisanceEstimate, index: int | None) -> Finding:
    changes, sigmas = found.conditional_estimate(found.names)
    change, sigma = float(changes[0]), float(sigmas[0])
    when = "gradually from the first pair to the last" if index is None else f"before pair {index}"
    evidence = {"change": change, "change_sigma": sigma, "p_value_if_constant": found.p_value(())}
    return Finding(
        FindingCode.FOCUS_CHANGED,
        Severity.STOP,
        f"the focal length changed {when}, by {100 * change:+.2f} % (sigma {100 * sigma:.2f} %)",
        evidence if index is None else {**evidence, "pair": float(index)},
        "switch off autofocus and zoom, tighten the locking screws of the lens, and let the camera warm up; then"
        " calibrate the lens at that focus and take all pairs again.",
    )
