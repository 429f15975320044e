"""Observability of X: the directions that the pairs do not determine, and the one that they determine worst."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eyebolt.calibration.estimation.maximum_likelihood import JointEstimate
from eyebolt.calibration.estimation.vertical_axis import vertical_directions
from eyebolt.calibration.problem import Problem
from eyebolt.geometry import Array, FlangeRotation, Mount, se3

# A direction with a larger standard deviation, as a fraction of the working distance, is not a poor result but none: a
# person aligns a camera as well by eye (1.8 deg, or 25 mm at 0.8 m). Common practice, no source.
_UNOBSERVABLE_FRACTION = 1 / 32
# Cosine of 14 deg: an axis this close to an axis of a frame is named after it.
_NAMED_AXIS_COSINE = 0.97


@dataclass(frozen=True)
class WeakDirection:
    """One direction of X that the pairs determine with ``sigma_m``."""

    description: str
    """The direction in the cell, for an operator."""
    twist: Array
    """(6,), (translation m, rotation rad), camera frame: scaled to unit size at the working distance."""
    sigma_m: float
    """Standard deviation at the middle of the working distance, metres."""


def weak_directions(problem: Problem, joint: JointEstimate) -> list[WeakDirection]:
    """All six directions of X, weakest first: eigenvectors of the information, with Y eliminated."""
    normal = joint.normal
    # Rotations are scaled to displacements at the working distance, so that all eigenvalues have the same unit.
    lever = problem.volume.middle_m
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
    """The directions of X that these pairs do not determine, weakest first."""
    limit_m = _UNOBSERVABLE_FRACTION * problem.volume.middle_m
    found = [d for d in weak_directions(problem, joint) if d.sigma_m > limit_m]
    if problem.flange_rotation is FlangeRotation.FREE:
        return found
    # The height of an arm with a vertical axis only is unobservable in principle and reported by itself.
    vertical = joint.X[:3, :3].T @ vertical_directions(problem, problem.chain())[0]
    return [d for d in found if abs(d.twist[:3] @ vertical) < 0.99]


def weakest_direction(problem: Problem, X: Array, covariance: Array) -> WeakDirection:
    """The direction of ``X`` (4, 4) with the largest standard deviation at the middle of the working distance.

    ``covariance`` (6, 6) of X, perturbed on the right, (translation, rotation).
    """
    lever = problem.volume.middle_m
    units = np.array([1.0, 1.0, 1.0, lever, lever, lever])
    values, vectors = np.linalg.eigh(covariance * units[:, None] * units)
    vector = vectors[:, -1]
    sigma_m = float(np.sqrt(max(float(values[-1]), 0.0)))
    return WeakDirection(describe_direction(problem, X, vector), vector / units, sigma_m)


def describe_direction(problem: Problem, X: Array, vector: Array) -> str:
    """A change of X (6,), in the camera frame with rotations scaled by the working distance, for an operator."""
    translation, rotation = vector[:3], vector[3:]
    if np.linalg.norm(rotation) > np.linalg.norm(translation):
        return f"rotation about {_describe_axis(problem, X, rotation)}"
    return f"translation along {_describe_axis(problem, X, translation)}"


def _describe_axis(problem: Problem, X: Array, direction: Array) -> str:
    """An axis (3,) given in the camera frame: always in numbers, and by name if it is close to an axis of a frame."""
    in_camera = direction / np.linalg.norm(direction)
    in_frame = X[:3, :3] @ in_camera
    # An axis has no sign: of the two vectors, that whose largest component is positive.
    in_frame = in_frame * np.sign(in_frame[np.abs(in_frame).argmax()]) + 0.0
    frame_axes = (
        ("the arm's forward axis (base x)", "the arm's sideways axis (base y)", "the arm's vertical (base z)")
        if problem.mount is Mount.FIXED
        else ("the flange's x axis", "the flange's y axis", "the flange's axis (z)")
    )
    camera_axes = ("the image's width", "the image's height", "the camera's line of sight (depth)")
    numbers = "({:.2f}, {:.2f}, {:.2f})".format(*in_frame)
    frame = problem.mount.camera_parent
    best, best_camera = int(np.abs(in_frame).argmax()), int(np.abs(in_camera).argmax())
    if abs(in_camera[best_camera]) > max(_NAMED_AXIS_COSINE, abs(in_frame[best])):
        return f"{camera_axes[best_camera]}, {numbers} in {frame} axes"
    if abs(in_frame[best]) > _NAMED_AXIS_COSINE:
        return f"{frame_axes[best]}, {numbers} in {frame} axes"
    return f"the direction {numbers} in {frame} axes"


def rotation_spread(A: Array) -> Array:
    """(3,), radians, descending: RMS rotation of ``A`` (n, 4, 4) about its mean, along its principal axes."""
    mean = se3.nearest_rotation(A[:, :3, :3].sum(axis=0))
    vectors = se3.log_rotation(mean.T @ A[:, :3, :3])
    sizes = np.linalg.svd(vectors, compute_uv=False)[:3]
    out: Array = np.pad(sizes, (0, 3 - len(sizes))) / np.sqrt(max(len(A), 1))
    return out
