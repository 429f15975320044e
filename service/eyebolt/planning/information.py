"""What pairs that nobody took yet would tell: the information of predicted views, and the error that would be left.

The linear model of the solver needs no data for this: where camera and board are thought to be, a flange pose predicts
the view, the view its corners, the corners their information (``solve/linear_model``). Informations of pairs add up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from eyebolt.calibration import (
    Problem,
    RobotNoise,
    SeenPoses,
    Solution,
    chain_of,
    linearise,
    p95_of_covariance,
    see,
    slide_to_plausible,
    variance_of,
)
from eyebolt.geometry import Array, se3
from eyebolt.observations import Pair, ViewStack

# Before any pair: anywhere in a room, turned in any way. It only keeps the first few pairs solvable.
_ANYWHERE_M, _ANYHOW_RAD = 1.0, 1.0
# More corners than these hardly change which view tells more.
_ENOUGH_CORNERS = 24
_LEAST_CORNER_PX = 0.02


@dataclass(frozen=True)
class Belief:
    """What a forecast stands on: ``X`` and ``Y`` (4, 4) as in ``Problem``, the arm's noise, corner noise in pixels."""

    problem: Problem
    X: Array
    Y: Array
    noise: RobotNoise
    corner_px: float

    def view(self, base_T_flange: Array) -> Array:
        """camera_T_board (..., 4, 4) for flanges at ``base_T_flange`` (..., 4, 4)."""
        chain = base_T_flange if self.problem.mount == "fixed" else se3.inverse(base_T_flange)
        out: Array = se3.inverse(self.X) @ chain @ self.Y
        return out

    def flange(self, camera_T_board: Array) -> Array:
        """base_T_flange (..., 4, 4) at which the camera sees the board at ``camera_T_board`` (..., 4, 4)."""
        chain = self.X @ camera_T_board @ se3.inverse(self.Y)
        out: Array = chain if self.problem.mount == "fixed" else se3.inverse(chain)
        return out


def belief_of(problem: Problem, solution: Solution) -> Belief:
    """What a solved session believes."""
    X, Y = solution.X, solution.Y
    if problem.turns == "vertical":
        # Where the estimate was made: the arm's scatter in tilt acts over this lever.
        X, Y = slide_to_plausible(problem, problem.chain(), X, Y)
    noise = RobotNoise(solution.robot_noise_mm / 1e3, float(np.deg2rad(solution.robot_noise_deg)))
    return Belief(problem, X, Y, noise, max(solution.corner_rms_px, _LEAST_CORNER_PX))


def used_pairs(problem: Problem, solution: Solution) -> list[Pair]:
    """The pairs behind a solution, those that it left out left out."""
    gone = {p.pair for p in solution.left_out}
    return [p for p in problem.pairs if p.index not in gone]


@dataclass(frozen=True)
class Forecast:
    """Information about X and Y (and lens parameters in doubt): what is there, what each candidate would add.

    ``known`` (r, r); ``gains`` (m, r, r); ``to_X`` (6, r) takes the unknowns to the change of X; ``spread`` (6, 6) is
    the mean over the working volume of how a change of X moves a point, squared.
    """

    problem: Problem
    known: Array
    gains: Array
    to_X: Array
    spread: Array

    def square_m2(self, information: Array) -> Array:
        """Mean squared error over the working volume (...), square metres, for information (..., r, r)."""
        covariance = self._covariance(information)
        out: Array = np.einsum("ij,...ij->...", self.spread, covariance)
        return out

    def after_each(self, known: Array | None = None) -> Array:
        """(m,) the mean squared error if that candidate were added to ``known`` (as it is by default)."""
        return self.square_m2((self.known if known is None else known) + self.gains)

    def p95_mm(self, information: Array) -> float:
        """p95 over the working volume of a normal error, for information (r, r)."""
        return p95_of_covariance(self.problem, self._covariance(information))

    def _covariance(self, information: Array) -> Array:
        size = 1 / np.sqrt(np.diagonal(information, axis1=-2, axis2=-1))
        scales = size[..., :, None] * size[..., None, :]
        whole = np.linalg.inv(information * scales) * scales
        out: Array = self.to_X @ whole @ self.to_X.T
        return out


def forecast(belief: Belief, taken: Sequence[Pair], base_T_flange: Array) -> Forecast:
    """The forecast for candidates at flanges ``base_T_flange`` (m, 4, 4), after the pairs ``taken``."""
    problem = belief.problem
    poses = np.array([p.base_T_flange for p in taken]).reshape(-1, 4, 4)
    flanges = np.concatenate([poses, base_T_flange])
    views = belief.view(flanges)
    seen = _seen(problem, taken, views)
    model = linearise(problem, seen, chain_of(problem.mount, flanges), belief.X, belief.Y)
    carried = model.carried
    design = model.design(carried)
    weight = np.linalg.inv(model.covariance(belief.corner_px, variance_of(belief.noise)[None])[0])
    information = np.swapaxes(design, 1, 2) @ weight @ design
    p = model.free.shape[1]
    if carried:
        information[:, p:, p:] += seen.nuisance_information[:, carried][:, :, carried] / belief.corner_px**2
    prior = np.zeros(design.shape[-1])
    prior[p:] = 1 / model.nuisance_sigma[list(carried)] ** 2
    vague = np.repeat([_ANYWHERE_M, _ANYHOW_RAD] * 2, 3) ** -2.0
    known = np.diag(prior)
    known[:p, :p] += model.free.T @ (vague[:, None] * model.free)
    to_X = np.concatenate([model.free[:6], np.zeros((6, len(carried)))], axis=1)
    count, measure = len(taken), problem.mean_square
    return Forecast(problem, known + information[:count].sum(axis=0), information[count:], to_X, measure)


def _seen(problem: Problem, taken: Sequence[Pair], views: Array) -> SeenPoses:
    """What would be seen at ``views``: the corners that each pair saw, then a fair part of the whole board's."""
    corners, count = problem.board_corners_m, len(taken)
    every = np.arange(len(corners))
    # Along the golden ratio, so that the part is spread as the whole is.
    part = every if len(every) <= _ENOUGH_CORNERS else np.argsort(every * 0.6180339887498949 % 1)[:_ENOUGH_CORNERS]
    fresh = Pair(0, np.eye(4), part, np.zeros((len(part), 2)))
    stacks = [(ViewStack.of(taken, corners), views[:count], 1.0)] if count else []
    stacks.append((ViewStack.of([fresh] * (len(views) - count), corners), views[count:], len(every) / len(part)))
    seen = []
    for stack, at, share in stacks:
        pixels = problem.camera.project(se3.apply(at, stack.points_m))
        seen.append(see(problem, ViewStack(stack.points_m, pixels, stack.weights * share), at))
    names = [name for name in SeenPoses.__dataclass_fields__ if name != "residual_px"]
    # As predicted, nothing is left over.
    left = np.zeros((len(views), 0, 2))
    return SeenPoses(**{name: np.concatenate([getattr(s, name) for s in seen]) for name in names}, residual_px=left)
