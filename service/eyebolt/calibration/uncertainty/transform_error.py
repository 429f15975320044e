"""The error of X by its sources, with the pose-correlated error of an arm whose geometry differs from its model.

The arm's error has a white part, which averages out over the pairs, and a part that is correlated over the poses
(``robust.correlated_errors``), which does not. X remains the estimate under white noise; its error is propagated under
both parts. The size of both is uncertain: the restricted likelihood is integrated over a fixed grid.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from eyebolt.calibration.estimation import JointEstimate, arm_covariance, invert_information, variance_of
from eyebolt.calibration.robust import (
    CONSTANT_SHARE,
    ArmOffsets,
    ArmVariances,
    ErrorContrasts,
    arm_offsets,
    evenly_spaced_rows,
    integrated_variances,
)
from eyebolt.calibration.uncertainty.touch_test import HeightUpdate
from eyebolt.geometry import Array

# Classes of equal probability that stand for the values of the variances.
_CLASSES = 16
TRANSLATION, ROTATION = slice(0, 3), slice(3, 6)
"""Parts of an error of a pose."""


@dataclass(frozen=True)
class TransformError:
    """The error of X, (translation m, rotation rad), perturbed on the right, by its sources."""

    pairs: ArmOffsets
    """The pairs."""
    variances: ArmVariances
    """What they show of the variances of the arm's error."""
    gain: Array
    """(6, n, 6): derivative of X by the offsets of the pairs."""
    constant: Array
    """(6, 6): covariance by corner noise, by board and lens, and by the height of a vertical arm."""
    by_white: Array
    """(2, 6, 6): covariance per unit of the white variances, translation and rotation."""

    @staticmethod
    def of(joint: JointEstimate, reported: Array, height_update: HeightUpdate | None = None) -> TransformError:
        """The error of X of ``joint``; ``reported`` (n, 4, 4): base_T_flange of its pairs, ``height_update``: of a
        height found by touch."""
        update = HeightUpdate(np.eye(6), np.zeros((6, 6))) if height_update is None else height_update
        pairs = arm_offsets(joint, joint.model, reported, np.arange(len(reported)))
        # Few pairs show the variances as well as many, which cost far more.
        some = evenly_spaced_rows(len(reported))
        contrasts = ErrorContrasts.of(
            pairs if len(some) == pairs.count else arm_offsets(joint, joint.model, reported, some)
        )
        gain = update.error_transfer @ _gain(joint, pairs)
        blocks = gain.reshape(6, pairs.count, 6)
        by_corners = np.einsum("anb,nbc,dnc->ad", blocks, pairs.camera_covariance, blocks)
        by_nuisances = gain @ pairs.nuisance_loading.reshape(6 * pairs.count, -1)
        by_images = by_corners + by_nuisances @ by_nuisances.T
        by_white = [
            np.einsum("anc,ncd,bnd->ab", blocks[:, :, part], pairs.white_shape[:, part, part], blocks[:, :, part])
            for part in (TRANSLATION, ROTATION)
        ]
        return TransformError(
            pairs,
            integrated_variances(joint, contrasts),
            blocks,
            by_images + update.added_covariance,
            np.array(by_white),
        )

    def gain_in_axes(self, part: slice) -> Array:
        """(6, n, 3): derivative by errors of the pairs in ``part``, in the axes of the arm, in which the components of
        the correlated error are equal and independent."""
        out: Array = np.einsum("anc,nci->ani", self.gain[:, :, part], self.pairs.axes)
        return out

    def by_constant(self, part: slice) -> Array:
        """(6, 3): derivative by an error in ``part`` that is constant in the flange frame."""
        out: Array = self.gain[:, :, part].sum(axis=1)
        return out

    @cached_property
    def by_correlated(self) -> Array:
        """(2, 6, 6): covariance per unit of the correlated variances, translation and rotation."""
        covariances = []
        for part in (TRANSLATION, ROTATION):
            gain, constant = self.gain_in_axes(part), self.by_constant(part)
            by_poses = np.einsum("ani,nm,bmi->ab", gain, self.pairs.correlation, gain, optimize=True)
            covariances.append(by_poses + CONSTANT_SHARE * constant @ constant.T)
        return np.array(covariances)

    def correlated_covariances(self, metric: Array) -> Array:
        """(m, 6, 6) of X given that the arm has a pose-correlated error, for m equally probable classes of its
        variances, in ascending order of the error in the ``metric`` (6, 6)."""
        by_variance = np.concatenate([self.by_white, self.by_correlated])
        classes = variance_classes(self.variances, (metric * by_variance).sum(axis=(-2, -1)))
        out: Array = self.constant + np.tensordot(classes, by_variance, axes=1)
        return out


def variance_classes(variances: ArmVariances, mean_square: Array) -> Array:
    """(m, 4): mean variances of classes of equal probability, in ascending order of an error whose ``mean_square`` (4,)
    per unit of each variance is given."""
    order = np.argsort(variances.values @ mean_square, kind="stable")
    upper = np.cumsum(variances.weights[order])
    lower = upper - variances.weights[order]
    edges = np.arange(_CLASSES + 1) / _CLASSES * upper[-1]
    # (m, nodes): the share of each node that falls into each class.
    shares = np.clip(np.minimum(upper, edges[1:, None]) - np.maximum(lower, edges[:-1, None]), 0.0, None)
    out: Array = shares @ variances.values[order] / shares.sum(axis=1, keepdims=True)
    return out


def _gain(joint: JointEstimate, pairs: ArmOffsets) -> Array:
    """(6, 6n): derivative of the white-noise estimate of X by the offsets, board and lens estimated beside it."""
    of_arm = arm_covariance(variance_of(joint.noise.best)[None], pairs.white_shape)[0]
    weight = np.linalg.inv(pairs.camera_covariance + of_arm)
    design = np.concatenate([pairs.design, pairs.nuisance_loading], axis=-1)
    weighted = (weight @ design).reshape(6 * pairs.count, -1)
    normal = design.reshape(6 * pairs.count, -1).T @ weighted
    p = pairs.design.shape[-1]
    normal[p:, p:] += np.eye(len(normal) - p)
    out: Array = joint.model.observable_basis[:6] @ (invert_information(normal) @ weighted.T)[:p]
    return out
