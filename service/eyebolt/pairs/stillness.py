"""Did anything move while the picture was taken? Two pictures tell by the corners, live poses by the arm."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np

from eyebolt.board.sighting import Sighting
from eyebolt.geometry import rigid
from eyebolt.geometry.rigid import Array
from eyebolt.pairs.limits import SHIFT, SHIFT_SIGMAS

# An affine map between the pictures takes up what a moving board does to its corners.
_FREEDOM = 3
# Fewer corners do not tell their own noise well enough.
_FEWEST = 10


@dataclass(frozen=True)
class Stillness:
    """``shift_px``: median over the common ``corners`` of how far each lies from itself in the other picture;
    ``sigma_px``: one corner's noise per coordinate, from what an affine map between the pictures leaves over;
    ``apart_ms``: between the exposures."""

    shift_px: float
    sigma_px: float
    apart_ms: float
    corners: int

    @property
    def limit_px(self) -> float:
        """Shifts up to here can be noise; sigma is taken two of its own standard deviations larger than it looks."""
        doubt = 1 + 2 / math.sqrt(2 * 2 * (self.corners - _FREEDOM))
        return max(SHIFT.value, SHIFT_SIGMAS * self.sigma_px * doubt)

    @property
    def moved(self) -> bool:
        """The board stood elsewhere in the other picture."""
        return self.shift_px > self.limit_px

    def to_json(self) -> dict[str, float]:
        """Plain numbers."""
        return asdict(self)

    @classmethod
    def from_json(cls, record: Mapping[str, Any]) -> Stillness:
        """From ``to_json``."""
        return cls(**{field.name: record[field.name] for field in fields(cls)})


def compare_pictures(first: Sighting, second: Sighting, apart_ms: float) -> Stillness | None:
    """The corners that both pictures show, compared; None if they are too few to tell."""
    _, of_first, of_second = np.intersect1d(first.ids, second.ids, return_indices=True)
    count = len(of_first)
    if count < _FEWEST:
        return None
    before_px, after_px = first.corners_px[of_first], second.corners_px[of_second]
    shift = after_px - before_px
    design = np.column_stack([np.ones(count), before_px - before_px.mean(axis=0)])
    fitted, *_ = np.linalg.lstsq(design, shift, rcond=None)
    rest = shift - design @ fitted
    sigma_px = float(np.sqrt((rest**2).sum() / (2 * (count - _FREEDOM)) / 2))
    return Stillness(float(np.median(np.linalg.norm(shift, axis=1))), sigma_px, apart_ms, count)


def arm_moved(base_T_flange: Array, live: Sequence[Array]) -> tuple[float, float]:
    """How far, in metres and radians, the live poses (4, 4) reach from the pose of the request; 0 without any."""
    if not live:
        return 0.0, 0.0
    others = np.asarray(live)
    shift_m = np.linalg.norm(others[:, :3, 3] - base_T_flange[:3, 3], axis=1)
    turn_rad = rigid.rotation_angle(np.swapaxes(others[:, :3, :3], -1, -2) @ base_T_flange[:3, :3])
    return float(shift_m.max()), float(turn_rad.max())
