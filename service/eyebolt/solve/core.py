"""The part of the pairs that agree best among themselves, found even where a third of them do not belong.

Strangers that are each only a few times the noise hide behind one another: they swell the noise that is judged from
all pairs until none of them stands out. So many small groups of pairs each grow to the larger part that fits them
best, and the part with the least scatter of all is the core (least trimmed squares with concentration steps:
P. J. Rousseeuw, K. Van Driessen, Data Mining and Knowledge Discovery 12, 2006). All of it on the linear model.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from eyebolt.geometry.rigid import Array
from eyebolt.solve.linear_model import LinearModel, invert_information

CORE_SHARE = 0.65
_GROUPS = 50
_GROUP_SIZE = 5
_CONCENTRATIONS = 5
# More pairs than these add nothing to the search; they are judged by its outcome.
_MOST_ROWS = 60
_LEAST_VARIANCE = 1e-14


def agreeing_core(model: LinearModel, corner_px: float, variances: Array) -> NDArray[np.intp]:
    """Rows of the core: ``CORE_SHARE`` of the pairs (at most 60); ``variances`` (6,) of the arm to begin with.

    Always the same for the same pairs.
    """
    generator = np.random.Generator(np.random.PCG64(11))
    count = len(model.offset)
    rows = np.arange(count) if count <= _MOST_ROWS else np.sort(generator.choice(count, _MOST_ROWS, replace=False))
    n = len(rows)
    size = int(np.ceil(CORE_SHARE * n))
    offset, design = model.offset[rows], model.design(())[rows]
    share = corner_px**2 * model.camera_share[rows]
    camera = np.diagonal(share, axis1=1, axis2=2)
    members = np.zeros((_GROUPS, n), dtype=bool)
    for group in members:
        group[generator.choice(n, size=min(_GROUP_SIZE, size), replace=False)] = True
    scatter = np.tile(variances, (_GROUPS, 1))
    for _ in range(_CONCENTRATIONS):
        weight = np.linalg.inv(share + scatter[:, None, :, None] * np.eye(6))
        weighted = weight @ design
        flat = (weighted * members[..., None, None]).reshape(_GROUPS, 6 * n, -1)
        normal = design.reshape(6 * n, -1).T @ flat
        z = (invert_information(normal) @ (offset.reshape(-1) @ flat)[..., None])[..., 0]
        left = offset - np.einsum("nip,mp->mni", design, z)
        distance = np.einsum("mni,mnij,mnj->mn", left, weight, left)
        best = np.argsort(distance, axis=1)[:, :size]
        members = np.zeros_like(members)
        np.put_along_axis(members, best, True, axis=1)
        squares = np.einsum("mni,mn->mi", left**2 - camera, members) / (size - 2)
        scatter = np.repeat(np.stack([squares[:, :3].mean(axis=1), squares[:, 3:].mean(axis=1)], axis=1), 3, axis=1)
        scatter = np.maximum(scatter, _LEAST_VARIANCE)
    C = share + scatter[:, None, :, None] * np.eye(6)
    sharpness = np.where(members, np.linalg.slogdet(C)[1], 0.0).sum(axis=1)
    out: NDArray[np.intp] = rows[members[int(np.argmin(sharpness))]]
    return out
