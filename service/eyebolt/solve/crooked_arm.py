"""Pairs that look strange only because the arm's geometry is not what its controller thinks.

The errors of such an arm depend on where it stands: some waypoints agree with each other far better than with the
rest, which then seem not to belong. To leave those out would hide the very error that the pick will meet. So what
explains the pairs better is asked of them: strangers beside a quiet arm, or one arm with more scatter and with errors
that grow with the distance between poses.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from eyebolt.geometry.rigid import Rows
from eyebolt.solve.chance import squares_beyond
from eyebolt.solve.joint import JointEstimate, Views, joint_estimate
from eyebolt.solve.linear_model import LinearModel, linearise
from eyebolt.solve.problem import Problem, chain_of
from eyebolt.solve.smooth_errors import Contrasts, arm_offsets, most_likely_parts, spread_rows

Mask = NDArray[np.bool_]

# How far off strangers may lie and still be an arm's doing, standard deviation per axis: 3 mm, 0.3 deg.
_STRANGER_VARIANCE = np.repeat([3e-3, float(np.deg2rad(0.3))], 3) ** 2
# Chance that such a one lies farther off than that.
_BY_CHANCE = 1e-3
# Natural log of the odds that one stranger may cost, so that a board that slipped by 1.5 mm in a quarter of the pairs
# is still named (``tests/bench/solve outliers pick``).
_ODDS = 4.0
_FEWEST = 8


def taken_back(problem: Problem, views: Views, joint: JointEstimate, used: Mask) -> Mask:
    """``used`` (n,), with those outside it that were no mistakes; the arm's noise must be unknown for that."""
    if problem.robot_noise is not None or used.all() or used.sum() < _FEWEST:
        return used
    model = linearise(problem, views.seen, views.A, joint.X, joint.Y)
    covariance = joint.corner_px**2 * model.camera_share + np.diag(_STRANGER_VARIANCE)
    squared = np.einsum("ni,ni->n", model.offset, np.linalg.solve(covariance, model.offset[..., None])[..., 0])
    doubted = ~used & (squared < squares_beyond(6, _BY_CHANCE))
    if not doubted.any():
        return used
    rows = np.flatnonzero(used)
    rows = rows[spread_rows(len(rows))]
    strangers = _log_likelihood(problem, joint, model, views, rows)
    strangers -= 0.5 * float((np.linalg.slogdet(covariance)[1] + squared)[doubted].sum())
    together = used | doubted
    all_views = views.subset(np.flatnonzero(together))
    of_all = joint_estimate(problem, all_views, joint.X, joint.Y, joint.noise.best, posterior=False)
    model = linearise(problem, views.seen, views.A, of_all.X, of_all.Y)
    crooked = _log_likelihood(problem, of_all, model, views, np.append(rows, np.flatnonzero(doubted)))
    return together if crooked - strangers > _ODDS * doubted.sum() else used


def _log_likelihood(problem: Problem, joint: JointEstimate, model: LinearModel, views: Views, rows: Rows) -> float:
    contrasts = Contrasts.of(arm_offsets(joint, model, chain_of(problem.mount, views.A), rows))
    return contrasts.log_likelihood(most_likely_parts(joint, contrasts)[0])
