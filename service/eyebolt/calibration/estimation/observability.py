"""Directions that the pairs cannot tell: found from the information itself, and said in words of the cell.

The direction of the transform that is known worst, from its covariance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation.maximum_likelihood import JointEstimate
from eyebolt.calibration.estimation.vertical_axis import vertical_directions
from eyebolt.calibration.problem import Problem
from eyebolt.geometry import Array, FlangeRotation, Mount, se3

# A direction whose standard deviation exceeds this at the working distance is not a poor result but none.
UNOBSERVABLE_SIGMA_M = 0.025


@dataclass(frozen=True)
class WeakDirection:
    """A weak direction of X in words; ``twist`` (6,) in the camera frame; ``sigma_m`` at working distance."""

    message: str
    twist: Array
    sigma_m: float


def weak_directions(problem: Problem, joint: JointEstimate) -> list[WeakDirection]:
    """All six directions of X, weakest first."""
    normal = joint.normal
    # Information of X when Y is free: the Schur complement, computed on scaled numbers.
    lever = (problem.volume.near_m + problem.volume.far_m) / 2
    units = np.array([1.0, 1.0, 1.0, 1 / lever, 1 / lever, 1 / lever] * 2)
    scaled = normal * units[:, None] * units
    own, cross, other = scaled[:6, :6], scaled[:6, 6:], scaled[6:, 6:]
    information = own - cross @ np.linalg.pinv(other, rcond=1e-13, hermitian=True) @ cross.T
    values, vectors = np.linalg.eigh((information + information.T) / 2)
    floor = 1e-13 * float(np.trace(scaled))
    out = []
    for value, vector in zip(values, vectors.T, strict=True):
        sigma = 1 / np.sqrt(max(float(value), floor))
        out.append(WeakDirection(describe_direction(problem, joint.X, vector), vector * units[:6], sigma))
    return out


def unobservable_directions(problem: Problem, joint: JointEstimate) -> list[WeakDirection]:
    """The directions of X that these pairs cannot know."""
    found = [d for d in weak_directions(problem, joint) if d.sigma_m > UNOBSERVABLE_SIGMA_M]
    if problem.flange_rotation is FlangeRotation.FREE:
        return found
    # The height of a vertical arm is missing by nature and said elsewhere.
    vertical = joint.X[:3, :3].T @ vertical_directions(problem, problem.chain())[0]
    return [d for d in found if abs(d.twist[:3] @ vertical) < 0.99]


def describe_direction(problem: Problem, X: Array, vector: Array) -> str:
    """What a change of X (6,), in the camera frame with turns in units of the working distance, is in the cell."""
    translation, rotation = vector[:3], vector[3:]
    if np.linalg.norm(rotation) > np.linalg.norm(translation):
        return f"turn about {_describe_axis(problem, X, rotation)}"
    return f"shift along {_describe_axis(problem, X, translation)}"


def _describe_axis(problem: Problem, X: Array, direction: Array) -> str:
    """Names an axis given in the camera frame: the frame's own axis when it is close to one, numbers always."""
    in_camera = direction / np.linalg.norm(direction)
    in_frame = X[:3, :3] @ in_camera
    # An axis has no sign; show the one whose largest part is positive.
    in_frame = in_frame * np.sign(in_frame[np.abs(in_frame).argmax()]) + 0.0
    names = (
        ("the arm's forward axis (base x)", "the arm's sideways axis (base y)", "the arm's vertical (base z)")
        if problem.mount is Mount.FIXED
        else ("the flange's x axis", "the flange's y axis", "the flange's axis (z)")
    )
    views = ("the picture's width", "the picture's height", "the camera's line of sight (depth)")
    numbers = "({:.2f}, {:.2f}, {:.2f})".format(*in_frame)
    frame = problem.mount.camera_parent
    best, best_view = int(np.abs(in_frame).argmax()), int(np.abs(in_camera).argmax())
    if abs(in_camera[best_view]) > max(0.97, abs(in_frame[best])):
        return f"{views[best_view]}, {numbers} in {frame} axes"
    if abs(in_frame[best]) > 0.97:
        return f"{names[best]}, {numbers} in {frame} axes"
    return f"the direction {numbers} in {frame} axes"


def rotation_spread(A: Array) -> Array:
    """Singular values (3,), radians, of the waypoints' turns about their mean: how far the arm turned, axis by axis."""
    mean = se3.nearest_rotation(A[:, :3, :3].sum(axis=0))
    vectors = se3.log_rotation(mean.T @ A[:, :3, :3])
    sizes = np.linalg.svd(vectors, compute_uv=False)[:3]
    out: Array = np.pad(sizes, (0, 3 - len(sizes))) / np.sqrt(max(len(A), 1))
    return out


def weakest_direction(problem: Problem, X: Array, covariance: Array) -> WeakDirection:
    """The direction with the largest standard deviation at the middle of the working distance.

    ``covariance`` (6, 6) of ``X``, perturbed on the right, (translation, rotation).
    """
    lever = (problem.volume.near_m + problem.volume.far_m) / 2
    units = np.array([1.0, 1.0, 1.0, lever, lever, lever])
    values, vectors = np.linalg.eigh(covariance * units[:, None] * units)
    vector = vectors[:, -1]
    sigma_m = float(np.sqrt(max(float(values[-1]), 0.0)))
    return WeakDirection(describe_direction(problem, X, vector), vector / units, sigma_m)
