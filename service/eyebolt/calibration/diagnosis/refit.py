"""Board scale and lens at what the pairs say: moved there, linearised anew, and again until they stay."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from eyebolt.calibration.estimation import (
    COLUMNS,
    FIRST_LENS,
    FOCAL,
    SCALE,
    Doubt,
    Freed,
    LinearModel,
    Views,
    What,
    linearise,
    moved_doubts,
    set_free,
)
from eyebolt.calibration.problem import Problem, RobotNoise
from eyebolt.geometry import Array, CameraModel, Rows, se3
from eyebolt.observations import BoardPoses, ViewStack, fit_board_poses, refine_board_poses

# The shifts of the principal point are shares of the focal length, what bends the picture are plain numbers, the rest
# shares of the stated size; with how far off each may be.
DOUBTS = {"scale": 0.3, "focal": 0.3, "cx": 0.2, "cy": 0.2, "k1": 0.5, "k2": 0.5}
# Steps for the derivatives: pixels, and plain numbers.
_STEPS = {"cx": 10.0, "cy": 10.0, "k1": 0.1, "k2": 0.1}
_ROUNDS, _STAYS = 8, 0.1
_LONGEST_STEP = 0.3


@dataclass(frozen=True)
class Looks:
    """The pairs seen with one board scale and one lens.

    ``scale``: board size over the stated one; ``camera``; ``views`` under both, the lens doubts among their nuisances;
    ``doubted``: the problem with these doubts, the arm's noise to be judged.
    """

    doubted: Problem
    scale: float
    camera: CameraModel
    views: Views

    @staticmethod
    def as_stated(problem: Problem, views: Views) -> Looks:
        """Everything as the station states it."""
        return Looks.through(problem, views.A, views.stack, views.poses, 1.0, with_coefficients(problem.camera))

    @staticmethod
    def through(
        problem: Problem, A: Array, stack: ViewStack, poses: BoardPoses, scale: float, camera: CameraModel
    ) -> Looks:
        """The corners of ``stack`` (points already scaled) read by ``camera``."""
        doubted = replace(problem, camera=replace(camera, sigma=_STEPS), robot_noise=None)
        return Looks(doubted, scale, camera, Views.of(doubted, A, stack, poses))

    def subset(self, rows: Rows) -> Looks:
        """The same for the views at ``rows``."""
        return replace(self, views=self.views.subset(rows))

    def moved(self, change: Array) -> Looks | None:
        """After a change (6,) of the doubts; None where that leaves some view without a board pose."""
        scale, focal = 1 + change[0], 1 + change[1]
        matrix = self.camera.matrix.copy()
        matrix[:2, 2] += change[2:4] * matrix[0, 0]
        matrix[:2, :2] *= focal
        bent = self.camera.distortion.copy()
        bent[:2] += change[4:]
        camera = replace(self.camera, matrix=matrix, distortion=bent)
        old = self.views.stack
        stack = ViewStack(old.points_m * scale, old.corners_px, old.weights)
        start = self.views.poses.camera_T_board.copy()
        # A longer lens sees the same picture from farther away.
        start[:, :3, 3] *= scale * focal
        poses, rss = refine_board_poses(camera, stack, start)
        if not np.isfinite(rss).all():
            return None
        seen = replace(self.views.poses, camera_T_board=poses, rss_px2=rss)
        return Looks.through(self.doubted, self.views.A, stack, seen, self.scale * scale, camera)

    def seen_afresh(self) -> Looks:
        """The board poses sought from nothing: through another lens the other tilt of a view may be the right one."""
        poses = fit_board_poses(self.camera, self.views.stack)
        if not np.isfinite(poses.rss_px2).all():
            return self
        return Looks.through(self.doubted, self.views.A, self.views.stack, poses, self.scale, self.camera)

    def change_from(self, stated: Looks) -> Array:
        """(6,): how far board and lens are from ``stated``, in the order of DOUBTS."""
        here, there = self.camera, stated.camera
        return np.array(
            [
                self.scale / stated.scale - 1,
                here.matrix[0, 0] / there.matrix[0, 0] - 1,
                *(here.matrix[:2, 2] - there.matrix[:2, 2]) / there.matrix[0, 0],
                *(here.distortion[:2] - there.distortion[:2]),
            ]
        )

    def doubts_at(self, X: Array, Y: Array, noise: RobotNoise, posterior: bool = False) -> Freed:
        """How far board and lens are off, linearised at the transforms ``X``, ``Y``; ``noise`` to begin with.

        ``posterior``: see ``set_free``.
        """
        model = linearise(self.doubted, self.views.seen, self.views.A, X, Y)
        return set_free(model, self.views.seen, self.views.corner_px, noise, self._doubts(model), posterior)

    def beside_a_move(self, X: Array, Y: Array, noise: RobotNoise, what: What, before: int) -> Freed:
        """The same doubts together with those of a camera or board that moved before row ``before``."""
        model = linearise(self.doubted, self.views.seen, self.views.A, X, Y)
        doubts = self._doubts(model) + moved_doubts(model, COLUMNS[what], before)
        return set_free(model, self.views.seen, self.views.corner_px, noise, doubts)

    def _doubts(self, model: LinearModel) -> list[Doubt]:
        focal_px = float(self.camera.matrix[0, 0])
        per_unit = (1.0, 1.0, focal_px, focal_px, 1.0, 1.0)
        places = (SCALE, FOCAL, *range(FIRST_LENS, FIRST_LENS + len(_STEPS)))
        return [
            Doubt.of_nuisance(name, sigma, model, place, unit)
            for (name, sigma), place, unit in zip(DOUBTS.items(), places, per_unit, strict=True)
        ]

    def by_pictures(self) -> tuple[Array, float]:
        """The lens change (6,) that the pictures by themselves ask for, and its normalised square. No arm, no scale."""
        seen = self.views.seen
        lens = [FOCAL, *range(FIRST_LENS, FIRST_LENS + len(_STEPS))]
        focal_px = float(self.camera.matrix[0, 0])
        unit = np.array([1.0, focal_px, focal_px, 1.0, 1.0])
        noise = self.views.corner_px**2
        information = seen.nuisance_information.sum(axis=0)[np.ix_(lens, lens)] * np.outer(unit, unit) / noise
        gradient = seen.nuisance_gradient.sum(axis=0)[lens] * unit / noise
        widest = np.array([DOUBTS[name] for name in ("focal", "cx", "cy", "k1", "k2")])
        change = np.linalg.solve(information + np.diag(1 / widest**2), gradient)
        return np.concatenate([[0.0], change]), float(change @ gradient)


def with_coefficients(camera: CameraModel) -> CameraModel:
    """The same lens with room for k1 and k2."""
    return camera if camera.distortion.size else replace(camera, distortion=np.zeros(5))


def refit(looks: Looks, X: Array, Y: Array, noise: RobotNoise) -> tuple[Looks, Freed]:
    """Board and lens at what the pairs say, from near ``X``, ``Y``; and what is left to change there."""
    for _ in range(_ROUNDS):
        freed = looks.doubts_at(X, Y, noise)
        sigma = np.sqrt(np.diagonal(freed.covariance))
        if (np.abs(freed.estimate) < _STAYS * sigma).all():
            break
        share = min(1.0, _LONGEST_STEP / float(np.abs(freed.estimate).max()))
        moved = looks.moved(share * freed.estimate)
        if moved is None:
            break
        z = share * freed.transforms
        looks, X, Y, noise = moved, X @ se3.exp(z[:6]), Y @ se3.exp(z[6:]), freed.noise
    return looks, looks.doubts_at(X, Y, freed.noise, posterior=True)


def lens_by_pictures(looks: Looks) -> Looks:
    """The lens that the pictures by themselves ask for, and the board poses seen through it."""
    return _bent_to_pictures(_bent_to_pictures(looks).seen_afresh())


def _bent_to_pictures(looks: Looks) -> Looks:
    for _ in range(_ROUNDS):
        change, squared = looks.by_pictures()
        if squared < 1.0:
            break
        share = min(1.0, _LONGEST_STEP / float(np.abs(change).max()))
        moved = looks.moved(share * change)
        if moved is None or moved.views.corner_px > looks.views.corner_px * 1.001:
            moved = looks.moved(share * change / 4)
            if moved is None or moved.views.corner_px > looks.views.corner_px:
                break
        looks = moved
    return looks
