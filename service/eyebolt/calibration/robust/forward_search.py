"""The part of the pairs that agree among themselves, found even where a third of them do not belong.

Strangers that are each only a few times the noise hide behind one another: they swell the noise that is judged from
all pairs until none of them stands out. So many small groups of pairs each grow to the larger part that fits them best
(concentration steps: P. J. Rousseeuw, K. Van Driessen, Data Mining and Knowledge Discovery 12, 2006), then by the next
best pair until all are in (A. C. Atkinson, Test 3(1), 1994). Of all places and noises on these ways the most likely one
counts, where a strange pair costs no more than a certain amount however far off it is. All of it on the linear model.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.estimation import LinearModel, invert_information
from eyebolt.geometry import Array

Mask = NDArray[np.bool_]

# The larger part, as a share of the pairs.
_CORE_SHARE = 0.65
# A pair this far off (squared offset; chance leaves one in 360 there) is no further argument for more noise.
_STRANGE = 20.0
_GROUPS, _GROUP_SIZE = 50, 5
_GROUPS_TO_THE_END = 10
_CONCENTRATIONS = 5
# More pairs than these add nothing to the search; they are judged by its outcome.
_MOST_ROWS = 60
_LEAST_VARIANCE = 1e-14


@dataclass(frozen=True)
class _Pairs:
    """n pairs on the linear model: ``share`` (n, 6, 6) of the camera in the covariance, ``offset``, ``design``."""

    share: Array
    offset: Array
    design: Array

    def covariance(self, scatter: Array) -> Array:
        """(m, n, 6, 6) for m choices of the arm's variances (m, 6)."""
        out: Array = self.share + scatter[:, None, :, None] * np.eye(6)
        return out

    def seen_from(self, members: Mask, weight: Array) -> tuple[Array, Array]:
        """Offsets (m, n, 6) from the fits to m groups of members (m, n), and their normalised squares (m, n)."""
        groups, n = members.shape
        flat = (weight @ self.design * members[..., None, None]).reshape(groups, 6 * n, -1)
        normal = self.design.reshape(6 * n, -1).T @ flat
        z = (invert_information(normal) @ (self.offset.reshape(-1) @ flat)[..., None])[..., 0]
        left = self.offset - np.einsum("nip,mp->mni", self.design, z)
        return left, np.einsum("mni,mnij,mnj->mn", left, weight, left)

    def scatter(self, members: Mask, left: Array) -> Array:
        """The arm's variances (m, 6) that m groups of equal size show."""
        camera = np.diagonal(self.share, axis1=1, axis2=2)
        squares = np.einsum("mni,mn->mi", left**2 - camera, members) / (members[0].sum() - 2)
        parts = np.stack([squares[:, :3].mean(axis=1), squares[:, 3:].mean(axis=1)], axis=1)
        out: Array = np.maximum(np.repeat(parts, 3, axis=1), _LEAST_VARIANCE)
        return out


def agreeing_part(model: LinearModel, corner_px: float, variances: Array, known: bool) -> NDArray[np.intp]:
    """Rows that agree, of at most 60 that are looked at; ``variances`` (6,) of the arm: to begin with, or ``known``.

    Always the same for the same pairs.
    """
    generator = np.random.Generator(np.random.PCG64(11))
    count = len(model.offset)
    rows = np.arange(count) if count <= _MOST_ROWS else np.sort(generator.choice(count, _MOST_ROWS, replace=False))
    n = len(rows)
    core = int(np.ceil(_CORE_SHARE * n))
    pairs = _Pairs(corner_px**2 * model.camera_share[rows], model.offset[rows], model.design(())[rows])
    members = np.zeros((_GROUPS, n), dtype=bool)
    for group in members:
        group[generator.choice(n, size=min(_GROUP_SIZE, core), replace=False)] = True
    scatter = np.tile(variances, (_GROUPS, 1))
    least, agreeing = np.inf, np.ones(n, dtype=bool)
    for size in [core] * _CONCENTRATIONS + list(range(core + 1, n + 1)):
        C = pairs.covariance(scatter)
        left, distance = pairs.seen_from(members, np.linalg.inv(C))
        # Minus twice the log likelihood, restricted: the transforms took the numbers of two of the n pairs.
        cost = np.minimum(distance, _STRANGE).sum(axis=1) + (1 - 2 / n) * np.linalg.slogdet(C)[1].sum(axis=1)
        # An arm without any noise would find every pair strange.
        cost[(distance < _STRANGE).sum(axis=1) < core] = np.inf
        if cost.min() < least:
            least, agreeing = float(cost.min()), distance[int(np.argmin(cost))] < _STRANGE
        members = np.zeros_like(members)
        np.put_along_axis(members, np.argsort(distance, axis=1)[:, :size], True, axis=1)
        if not known:
            scatter = pairs.scatter(members, left)
        if size == core + 1:
            best = np.argsort(cost)[:_GROUPS_TO_THE_END]
            members, scatter = members[best], scatter[best]
    out: NDArray[np.intp] = rows[agreeing]
    return out
