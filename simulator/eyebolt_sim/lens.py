"""The simulated lens: a pinhole camera with distortion, read from ``camera.json`` without the product's reader.

Pixel centres are at integers; camera axes: z forward, x right, y down. The distortion follows the documentation of
OpenCV's model (module calib3d), coefficient order k1 k2 p1 p2 k3 k4 k5 k6 s1 s2 s3 s4.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from eyebolt.bounded_file import read_bounded
from eyebolt.bounded_text import parse_json
from eyebolt.errors import InputFault, reading_remedy
from eyebolt_sim.transforms import Array

_MAX_BYTES = 1 << 20
COEFFICIENT_NAMES = ("k1", "k2", "p1", "p2", "k3", "k4", "k5", "k6", "s1", "s2", "s3", "s4")
"""names of the distortion coefficients, in order"""
EXACT_SIGMA = {"fx": 1e-6, "fy": 1e-6, "cx": 1e-6, "cy": 1e-6, "k1": 1e-9}
"""standard deviations that state a lens as exact: the simulator knows its own; pixels, and coefficients as they are"""
CALIBRATED_SIGMA = {"fx": 0.3, "fy": 0.3, "cx": 0.3, "cy": 0.3, "k1": 2e-4}
"""standard deviations of a lens that was calibrated with care, from some twenty pictures"""


@dataclass(frozen=True)
class Lens:
    """Intrinsics of a camera."""

    width_px: int
    """width of the image"""
    height_px: int
    """height of the image"""
    matrix: Array
    """camera matrix (3, 3), px"""
    distortion: Array = field(default_factory=lambda: np.zeros(5))
    """0, 4, 5, 8 or 12 distortion coefficients"""

    def project(self, points_m: ArrayLike) -> Array:
        """Pixels (..., 2) of points (..., 3), camera frame; NaN where a point is not in front of the camera."""
        points = np.asarray(points_m, dtype=float)
        depth = np.where(points[..., 2] > 1e-9, points[..., 2], np.nan)
        a, b = points[..., 0] / depth, points[..., 1] / depth
        k = np.zeros(12)
        k[: self.distortion.size] = self.distortion
        r2 = a**2 + b**2
        radial = (1 + k[0] * r2 + k[1] * r2**2 + k[4] * r2**3) / (1 + k[5] * r2 + k[6] * r2**2 + k[7] * r2**3)
        distorted_a = a * radial + 2 * k[2] * a * b + k[3] * (r2 + 2 * a**2) + k[8] * r2 + k[9] * r2**2
        distorted_b = b * radial + k[2] * (r2 + 2 * b**2) + 2 * k[3] * a * b + k[10] * r2 + k[11] * r2**2
        u = self.matrix[0, 0] * distorted_a + self.matrix[0, 1] * distorted_b + self.matrix[0, 2]
        return np.stack([u, self.matrix[1, 1] * distorted_b + self.matrix[1, 2]], axis=-1)

    def rays(self, pixels: ArrayLike) -> Array:
        """Directions (..., 3) with z = 1 of pixels (..., 2), by fixed-point iteration; NaN if it diverges."""
        target = np.asarray(pixels, dtype=float)
        focal = np.array([self.matrix[0, 0], self.matrix[1, 1]])
        ray = np.ones((*target.shape[:-1], 3))
        ray[..., :2] = (target - self.matrix[:2, 2]) / focal
        for _ in range(200):
            with np.errstate(over="ignore", invalid="ignore"):
                residual = target - self.project(ray)
            ray[..., :2] += residual / focal
            if np.abs(residual).max(initial=0.0) < 1e-10:
                break
        ray[np.abs(residual).max(axis=-1) > 1e-6] = np.nan
        return ray

    def inside(self, pixels: ArrayLike, margin_px: float = 0.0) -> NDArray[np.bool_]:
        """Whether pixels (..., 2) are in the image, at least ``margin_px`` from its edge: bool (...)."""
        p = np.asarray(pixels, dtype=float)
        with np.errstate(invalid="ignore"):
            across = (p[..., 0] >= margin_px) & (p[..., 0] <= self.width_px - 1 - margin_px)
            return across & (p[..., 1] >= margin_px) & (p[..., 1] <= self.height_px - 1 - margin_px)

    def to_json(self, sigma: Mapping[str, float] | None = EXACT_SIGMA) -> dict[str, object]:
        """The content of a ``camera.json`` that states ``sigma`` of the parameters that this lens has; None: none."""
        names = ("fx", "fy", "cx", "cy", *COEFFICIENT_NAMES[: self.distortion.size])
        stated = {} if sigma is None else {"sigma": {name: sigma[name] for name in names if name in sigma}}
        return {
            "width": self.width_px,
            "height": self.height_px,
            "matrix": self.matrix.tolist(),
            "distortion": self.distortion.tolist(),
            **stated,
        }


def simple_lens(width_px: int, height_px: int, focal_px: float, distortion: ArrayLike = (0, 0, 0, 0, 0)) -> Lens:
    """A lens with square pixels and the principal point in the centre of the image."""
    middle = ((width_px - 1) / 2, (height_px - 1) / 2)
    matrix = np.array([[focal_px, 0, middle[0]], [0, focal_px, middle[1]], [0, 0, 1.0]])
    return Lens(width_px, height_px, matrix, np.asarray(distortion, dtype=float))


INVENTED_LENS = Lens(
    1280,
    1024,
    np.array([[1450.0, 0.0, 643.0], [0.0, 1451.0, 508.0], [0.0, 0.0, 1.0]]),
    np.array([-0.12, 0.09, 0.0004, -0.0003, 0.0]),
)
"""the lens of invented cells"""


def read_lens(path: Path) -> Lens:
    """The lens in a ``camera.json``. Raises InputFault ``lens-file``."""
    try:
        content: Any = parse_json(read_bounded(path, _MAX_BYTES))
        lens = Lens(
            int(content["width"]),
            int(content["height"]),
            np.asarray(content["matrix"], dtype=float).reshape(3, 3),
            np.asarray(content.get("distortion", []), dtype=float).ravel(),
        )
    except OSError as fault:
        message = f"the lens file {path} cannot be read: {fault.strerror}"
        raise InputFault("lens-file", message, reading_remedy(fault) or "check the path.") from None
    except (ValueError, KeyError, TypeError) as fault:
        raise InputFault(
            "lens-file",
            f"{path} is not a valid lens file: {fault}",
            "write width, height, matrix (3 x 3) and distortion into it as JSON; name it in [camera] intrinsics.",
        ) from fault
    if lens.distortion.size not in (0, 4, 5, 8, 12):
        raise InputFault(
            "lens-file",
            f"{path} lists {lens.distortion.size} distortion coefficients",
            "write 0, 4, 5, 8 or 12 of them in the order k1 k2 p1 p2 k3 k4 k5 k6 s1 s2 s3 s4.",
        )
    return lens
