"""The Cramer-Rao bound of a simulated problem, computed without the product: 4x4 matrices and finite differences.

Unknowns: X (6), Y (6) and the arm's error of every pose (6 each). Measurements: every corner (pixel noise) and every
arm error (its prior). The bound is the inverse of the whole information matrix; no block is eliminated by hand.
"""

from __future__ import annotations

import numpy as np

from eyebolt_sim.transforms import exp_se3, inverse, transform_points

_STEP = 1e-5
_TWISTS = [sign * _STEP * unit for unit in np.eye(6) for sign in (1, -1)]
# exp of every single small change, ahead and behind, (12, 4, 4).
_MOVED = np.stack([exp_se3(twist[:3], twist[3:]) for twist in _TWISTS])


def _derivatives(problem, index):
    """(2 K, 18) derivative of one view's corners by X, Y and the pose of the arm, by central differences."""
    flange, X, Y = problem.base_T_flange_true[index], problem.hand_eye_true, problem.nuisance_true

    def views(X, flange, Y):
        return inverse(X) @ (flange if problem.mount == "fixed" else inverse(flange)) @ Y

    moved = np.concatenate([views(X @ _MOVED, flange, Y), views(X, flange, Y @ _MOVED), views(X, flange @ _MOVED, Y)])
    corners = problem.board_corners_m[problem.corner_ids[index]]
    seen = corners @ np.swapaxes(moved[:, :3, :3], 1, 2) + moved[:, None, :3, 3]
    pixels = problem.lens.project(seen).reshape(18, 2, -1)
    return (pixels[:, 0] - pixels[:, 1]).T / (2 * _STEP)


def full_information(problem):
    """(12 + 6 n, 12 + 6 n) information of all measurements about all unknowns, at the truth."""
    n = len(problem.corner_ids)
    arm_sigma = np.repeat([problem.robot_noise_mm * 1e-3, np.deg2rad(problem.robot_noise_deg)], 3)
    information = np.zeros((12 + 6 * n, 12 + 6 * n))
    for index in range(n):
        jacobian = _derivatives(problem, index) / problem.corner_noise_px
        unknowns = np.r_[0:12, 12 + 6 * index : 18 + 6 * index]
        information[np.ix_(unknowns, unknowns)] += jacobian.T @ jacobian
        information[unknowns[12:], unknowns[12:]] += 1 / arm_sigma**2
    return information


def bound_covariance(problem):
    """(6, 6): the smallest covariance of X that an unbiased solver can have, order (translation, rotation)."""
    information = full_information(problem)
    size = np.sqrt(np.diagonal(information))
    return (np.linalg.inv(information / size[:, None] / size) / size[:, None] / size)[:6, :6]


def working_points(problem):
    """9 x 9 x 5 points (405, 3) over the image and the depth, camera frame."""
    lens = problem.lens
    u, v = np.meshgrid(np.linspace(0, lens.width_px - 1, 9), np.linspace(0, lens.height_px - 1, 9))
    rays = lens.rays(np.stack([u.ravel(), v.ravel()], axis=-1))
    return np.concatenate([rays * depth for depth in np.linspace(problem.near_m, problem.far_m, 5)])


def rms_of_covariance_mm(covariance, points):
    """RMS displacement over the points of a change of X with this covariance: the mean trace of J C J^T."""
    levers = np.zeros((len(points), 3, 6))
    levers[:, :, :3] = np.eye(3)
    x, y, z = points.T
    # A small rotation w moves a point p by w x p = -[p]x w.
    levers[:, 0, 4], levers[:, 0, 5] = z, -y
    levers[:, 1, 3], levers[:, 1, 5] = -z, x
    levers[:, 2, 3], levers[:, 2, 4] = y, -x
    moved = levers @ covariance @ np.swapaxes(levers, 1, 2)
    return 1e3 * np.sqrt(np.trace(moved, axis1=1, axis2=2).mean())


def errors_mm(X, problem, points):
    """(n,): distance of each camera point, transformed by X, from its true place."""
    return 1e3 * np.linalg.norm(transform_points(X, points) - transform_points(problem.hand_eye_true, points), axis=1)
