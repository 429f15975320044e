"""What pairs that nobody took yet would tell: the information of predicted views, and the error that would be left.

The linear model of the solver needs no data for this: where camera and board are thought to be, a flange pose predicts
the view, the view its corners, the corners their information (``solve/linear_model``). Informations of pairs add up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from eyebolt.calibration import (
    BoardPoses,
    Problem,
    RobotNoise,
    Solution,
    linearize,
    linearize_board_poses,
    p95_of_covariance,
    slide_to_plausible,
    variance_of,
)
from eyebolt.geometry import Array, FlangeRotation, se3
from eyebolt.observations import CornerObservations, Pair

# Before any pair: anywhere in a room, turned in any way. It only keeps the first few pairs solvable.
_PRIOR_TRANSLATION_M, _PRIOR_ROTATION_RAD = 1.0, 1.0
# More corners than these hardly change which view tells more.
_MAX_CORNERS = 24
_MIN_CORNER_SIGMA_PX = 0.02


@dataclass(frozen=True)
class SetupEstimate:
    """What a forecast stands on: ``X`` and ``Y`` (4, 4) as in ``Problem``, the arm's noise, corner noise in pixels."""

    problem: Problem
    X: Array
    Y: Array
    noise: RobotNoise
    corner_sigma_px: float

    def predict_view(self, base_T_flange: Array) -> Array:
        """camera_T_board (..., 4, 4) for flanges at ``base_T_flange`` (..., 4, 4)."""
        chain = self.problem.mount.chain(base_T_flange)
        out: Array = se3.inverse(self.X) @ chain @ self.Y
        return out

    def flange(self, camera_T_board: Array) -> Array:
        """base_T_flange (..., 4, 4) at which the camera sees the board at ``camera_T_board`` (..., 4, 4)."""
        chain = self.X @ camera_T_board @ se3.inverse(self.Y)
        out: Array = self.problem.mount.chain(chain)
        return out


def setup_estimate(problem: Problem, solution: Solution) -> SetupEstimate:
    """What a solved session believes."""
    X, Y = solution.X, solution.Y
    if problem.flange_rotation is FlangeRotation.VERTICAL:
        # Where the estimate was made: the arm's scatter in tilt acts over this lever.
        X, Y = slide_to_plausible(problem, problem.chain(), X, Y)
    noise = RobotNoise(solution.robot_noise_mm / 1e3, float(np.deg2rad(solution.robot_noise_deg)))
    return SetupEstimate(problem, X, Y, noise, max(solution.corner_rms_px, _MIN_CORNER_SIGMA_PX))


def pairs_of_solution(problem: Problem, solution: Solution) -> list[Pair]:
    """The pairs behind a solution, those that it left out left out."""
    excluded_indices = {p.pair for p in solution.excluded}
    return [p for p in problem.pairs if p.index not in excluded_indices]


@dataclass(frozen=True)
class InformationForecast:
    """Information about X and Y (and lens parameters in doubt): what is there, what each candidate would add.

    ``known_information`` (r, r); ``information_gains`` (m, r, r); ``unknowns_to_X`` (6, r) takes the unknowns to the change of X; ``displacement_metric`` (6, 6) is
    the mean over the working volume of how a change of X moves a point, squared.
    """

    problem: Problem
    known_information: Array
    information_gains: Array
    unknowns_to_X: Array
    displacement_metric: Array

    def mean_square_m2(self, information: Array) -> Array:
        """Mean squared error over the working volume (...), square metres, for information (..., r, r)."""
        covariance = self._covariance(information)
        out: Array = np.einsum("ij,...ij->...", self.displacement_metric, covariance)
        return out

    def mean_square_after_each_m2(self, known_information: Array | None = None) -> Array:
        """(m,) the mean squared error if that candidate were added to ``known_information`` (as it is by default)."""
        return self.mean_square_m2(
            (self.known_information if known_information is None else known_information) + self.information_gains
        )

    def p95_mm(self, information: Array) -> float:
        """p95 over the working volume of a normal error, for information (r, r)."""
        return p95_of_covariance(self.problem, self._covariance(information))

    def _covariance(self, information: Array) -> Array:
        size = 1 / np.sqrt(np.diagonal(information, axis1=-2, axis2=-1))
        scales = size[..., :, None] * size[..., None, :]
        whole = np.linalg.inv(information * scales) * scales
        out: Array = self.unknowns_to_X @ whole @ self.unknowns_to_X.T
        return out


def forecast(setup: SetupEstimate, captured: Sequence[Pair], base_T_flange: Array) -> InformationForecast:
    """The forecast for candidates at flanges ``base_T_flange`` (m, 4, 4), after the pairs ``captured``."""
    problem = setup.problem
    poses = np.array([p.base_T_flange for p in captured]).reshape(-1, 4, 4)
    flanges = np.concatenate([poses, base_T_flange])
    views = setup.predict_view(flanges)
    linearized = _linearized(problem, captured, views)
    model = linearize(problem, linearized, problem.mount.chain(flanges), setup.X, setup.Y)
    carried = model.prior_nuisances
    design = model.design(carried)
    weight = np.linalg.inv(model.covariance(setup.corner_sigma_px, variance_of(setup.noise)[None])[0])
    information = np.swapaxes(design, 1, 2) @ weight @ design
    p = model.observable_basis.shape[1]
    if carried:
        information[:, p:, p:] += linearized.nuisance_information[:, carried][:, :, carried] / setup.corner_sigma_px**2
    prior = np.zeros(design.shape[-1])
    prior[p:] = 1 / model.nuisance_sigma[list(carried)] ** 2
    prior_information = np.repeat([_PRIOR_TRANSLATION_M, _PRIOR_ROTATION_RAD] * 2, 3) ** -2.0
    known_information = np.diag(prior)
    known_information[:p, :p] += model.observable_basis.T @ (prior_information[:, None] * model.observable_basis)
    unknowns_to_X = np.concatenate([model.observable_basis[:6], np.zeros((6, len(carried)))], axis=1)
    count, metric = len(captured), problem.displacement_metric
    return InformationForecast(
        problem, known_information + information[:count].sum(axis=0), information[count:], unknowns_to_X, metric
    )


def _linearized(problem: Problem, captured: Sequence[Pair], views: Array) -> BoardPoses:
    """What would be seen at ``views``: the corners that each pair saw, then a fair part of the whole board's."""
    corners, count = problem.board_corners_m, len(captured)
    every = np.arange(len(corners))
    # Along the golden ratio, so that the part is spread as the whole is.
    part = every if len(every) <= _MAX_CORNERS else np.argsort(every * 0.6180339887498949 % 1)[:_MAX_CORNERS]
    fresh = Pair(0, np.eye(4), part, np.zeros((len(part), 2)))
    stacks = [(CornerObservations.from_pairs(captured, corners), views[:count], 1.0)] if count else []
    stacks.append(
        (CornerObservations.from_pairs([fresh] * (len(views) - count), corners), views[count:], len(every) / len(part))
    )
    linearized = []
    for stack, at, share in stacks:
        pixels = problem.camera.project(se3.apply(at, stack.points_m))
        linearized.append(
            linearize_board_poses(problem, CornerObservations(stack.points_m, pixels, stack.weights * share), at)
        )
    names = [name for name in BoardPoses.__dataclass_fields__ if name != "residual_px"]
    # As predicted, nothing is left over.
    residual = np.zeros((len(views), 0, 2))
    return BoardPoses(
        **{name: np.concatenate([getattr(s, name) for s in linearized]) for name in names}, residual_px=residual
    )
