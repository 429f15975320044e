"""Fisher information of views before they are taken, and the error that would remain with them.

The linear model of the solver (``calibration.estimation``) needs no data for this: from an estimate of the setup, a
flange pose predicts the view, the view its corners, and the corners their information about X and Y. The information
matrices of independent pairs add up.
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
    chi2_isf,
    linearize,
    linearize_board_poses,
    p95_upper_of_covariance,
    slide_to_plausible,
    variance_of,
)
from eyebolt.geometry import Array, FlangeRotation, Mount, se3
from eyebolt.observations import CornerObservations, Pair

# Prior before any pair: anywhere in a room, at any orientation. It only keeps the first few pairs solvable.
_PRIOR_TRANSLATION_M, _PRIOR_ROTATION_RAD = 1.0, 1.0
# More corners hardly change the ranking of the views.
_MAX_CORNERS = 24
# A smaller corner noise is not plausible, and would make a view's information infinite where all residuals are 0.
_MIN_CORNER_SIGMA_PX = 0.02


@dataclass(frozen=True)
class SetupEstimate:
    """An estimate of the setup: where camera and board are, and the noise. What a forecast is computed from."""

    problem: Problem
    """The problem to be solved: camera, board, mount, working volume, and the pairs captured so far."""
    X: Array
    """(4, 4), metres: the wanted transform, as named by the mount."""
    Y: Array
    """(4, 4), metres: the transform of the board, as named by the mount."""
    noise: RobotNoise
    """Noise of the arm's poses."""
    corner_sigma_px: float
    """Corner noise per coordinate, pixels."""

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
    """The setup as a solution estimates it."""
    X, Y = solution.X, solution.Y
    if problem.flange_rotation is FlangeRotation.VERTICAL:
        # At the height at which the solver linearised: the noise in tilt acts over this lever.
        X, Y = slide_to_plausible(problem, problem.chain(), X, Y)
    noise = RobotNoise(solution.robot_noise_mm / 1e3, float(np.deg2rad(solution.robot_noise_deg)))
    return SetupEstimate(problem, X, Y, noise, max(solution.corner_rms_px, _MIN_CORNER_SIGMA_PX))


def pick_scatter_p95_mm(setup: SetupEstimate) -> float:
    """p95, mm, of the error of a pick by the noise of the arm alone, at the middle of the working volume.

    The noise acts at the pick, over the length of the tool, and, with the camera on the arm, at the image, over the
    distance. Errors of the arm that are correlated over its poses are not known before a solve.
    """
    problem, noise = setup.problem, setup.noise
    levers_m = [0.0 if problem.pick.tool_m is None else float(np.linalg.norm(problem.pick.tool_m))]
    if problem.mount is Mount.ARM:
        levers_m.append((problem.volume.near_m + problem.volume.far_m) / 2)
    # A rotation by an angle per axis displaces two of three directions.
    variance_m2 = sum(noise.translation_m**2 + 2 / 3 * (lever * noise.rotation_rad) ** 2 for lever in levers_m)
    return float(np.sqrt(chi2_isf(3, 0.05) * variance_m2)) * 1e3


def pairs_of_solution(problem: Problem, solution: Solution) -> list[Pair]:
    """The pairs of ``problem`` that the solution uses."""
    excluded_indices = {p.pair for p in solution.excluded}
    return [p for p in problem.pairs if p.index not in excluded_indices]


@dataclass(frozen=True)
class InformationForecast:
    """Information about the r unknowns (X, Y, board and lens), and the gain of m candidates."""

    problem: Problem
    """The problem to be solved."""
    known_information: Array
    """(r, r): information of the captured pairs and the prior."""
    information_gains: Array
    """(m, r, r): information that each candidate would add."""
    unknowns_to_X: Array
    """(6, r): Jacobian of a perturbation of X with respect to the unknowns."""
    displacement_metric: Array
    """(6, 6): mean over the working volume of the squared displacement of a point by a perturbation of X."""

    def mean_square_m2(self, information: Array) -> Array:
        """Mean squared error over the working volume (...), square metres, for information (..., r, r)."""
        covariance = self._covariance(information)
        out: Array = np.einsum("ij,...ij->...", self.displacement_metric, covariance)
        return out

    def mean_square_after_each_m2(self, known_information: Array | None = None) -> Array:
        """(m,): mean squared error, square metres, with each candidate added to ``known_information`` (r, r)."""
        return self.mean_square_m2(
            (self.known_information if known_information is None else known_information) + self.information_gains
        )

    def p95_upper_mm(self, information: Array) -> float:
        """``ErrorSummary.p95_upper`` of the transform, millimetres, for information (r, r)."""
        return p95_upper_of_covariance(self.problem, self._covariance(information))

    def _covariance(self, information: Array) -> Array:
        # Scaled to a unit diagonal first: the unknowns have different units. Six right-hand sides cost less than the
        # whole inverse, of which a plan needs thousands.
        size = 1 / np.sqrt(np.diagonal(information, axis1=-2, axis2=-1))[..., None]
        columns = size * self.unknowns_to_X.T
        scaled = information * (size * np.swapaxes(size, -1, -2))
        out: Array = np.swapaxes(columns, -1, -2) @ np.linalg.solve(scaled, columns)
        return out


def forecast(setup: SetupEstimate, captured: Sequence[Pair], base_T_flange: Array) -> InformationForecast:
    """The forecast for candidate flange poses ``base_T_flange`` (m, 4, 4), after the pairs ``captured``."""
    problem = setup.problem
    poses = np.array([p.base_T_flange for p in captured]).reshape(-1, 4, 4)
    flanges = np.concatenate([poses, base_T_flange])
    views = setup.predict_view(flanges)
    linearized = _linearized(problem, captured, views)
    model = linearize(problem, linearized, problem.mount.chain(flanges), setup.X, setup.Y)
    design = model.design
    weight = np.linalg.inv(model.covariance(setup.corner_sigma_px, variance_of(setup.noise)[None])[0])
    information = np.swapaxes(design, 1, 2) @ weight @ design
    p = model.observable_basis.shape[1]
    information[:, p:, p:] += linearized.nuisance_information / setup.corner_sigma_px**2
    prior_information = np.repeat([_PRIOR_TRANSLATION_M, _PRIOR_ROTATION_RAD] * 2, 3) ** -2.0
    known_information = np.eye(design.shape[-1])
    known_information[:p, :p] = model.observable_basis.T @ (prior_information[:, None] * model.observable_basis)
    unknowns_to_X = model.state_basis[:6]
    count, metric = len(captured), problem.displacement_metric
    return InformationForecast(
        problem, known_information + information[:count].sum(axis=0), information[count:], unknowns_to_X, metric
    )


def _linearized(problem: Problem, captured: Sequence[Pair], views: Array) -> BoardPoses:
    """The predicted ``views`` (n, 4, 4), linearised: with the observed corners of each captured pair, then with a
    representative part of the board's corners."""
    corners, count = problem.board_corners_m, len(captured)
    every = np.arange(len(corners))
    # Multiples of the golden ratio modulo 1 spread the part evenly over the board.
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
    names = BoardPoses.__dataclass_fields__
    return BoardPoses(**{name: np.concatenate([getattr(s, name) for s in linearized]) for name in names})
