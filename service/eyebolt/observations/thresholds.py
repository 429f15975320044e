"""Where one view stops being good enough, and where each of these numbers comes from.

``SOURCE_MEASURED`` limits come from a rendered sweep that ``tests/bench/verdicts`` runs again; ``SOURCE_PRACTICE`` is common
practice that nobody here measured.
"""

from __future__ import annotations

from dataclasses import dataclass

from eyebolt.boards import DARK_IMAGE_LEVEL, SATURATED_IMAGE_FRACTION

SOURCE_MEASURED = "measured here by a sweep"
SOURCE_PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Threshold:
    """``name``: the measure, in words; ``value`` in ``unit``; ``source``: MEASURED or PRACTICE."""

    name: str
    value: float
    unit: str
    source: str


# Two pictures of a board that stands still differ by the corner noise: the median of the corners' shifts is 1.7 sigma.
# 3 sigma is out of reach for ten corners and more; below 0.15 px noise cannot be told from floors and fans.
CORNER_SHIFT = Threshold("shift of the corners between two pictures", 0.15, "px", SOURCE_PRACTICE)
CORNER_SHIFT_SIGMAS = 3.0
# What a controller prints of an arm at rest flickers by less.
ARM_TRANSLATION = Threshold("way of the arm while the picture was taken", 0.1, "mm", SOURCE_PRACTICE)
ARM_ROTATION = Threshold("turn of the arm while the picture was taken", 0.02, "deg", SOURCE_PRACTICE)

# At 2 px corners scatter twice to three times as much as in a sharp picture (0.7 px).
BLUR = Threshold("blur across the edges", 2.0, "px", SOURCE_MEASURED)
# A lens that is never sharper than this is taken as it is.
BLUR_RATIO = 2.0
# Below three kept pairs nobody knows what this lens gives.
INITIAL_BLUR = Threshold("blur across the edges", 3.0, "px", SOURCE_MEASURED)
# Beyond, the corner's own squares are too small for the model of an edge: corners go wrong by tenths of a pixel.
BLUR_PER_SQUARE = 0.075

CORNER_SHARE = Threshold("share of the board's corners", 0.2, "", SOURCE_PRACTICE)

TILT_MARGINAL = Threshold("tilt of the board against the line of sight", 60.0, "deg", SOURCE_PRACTICE)
TILT = Threshold("tilt of the board against the line of sight", 70.0, "deg", SOURCE_MEASURED)

SATURATION, SATURATION_MARGINAL = (
    Threshold("share of the board that is burnt out", v, "", SOURCE_PRACTICE) for v in (0.30, 0.05)
)
WHITE_LEVEL, WHITE_LEVEL_MARGINAL = (
    Threshold("level of the board's white, of full scale", v, "", SOURCE_PRACTICE) for v in (0.08, 0.16)
)
# Of an image without a detected board; these two decide in boards, which gives the reason.
DARK_IMAGE = Threshold("level of the image's brightest parts, of full scale", DARK_IMAGE_LEVEL, "", SOURCE_PRACTICE)
SATURATED_IMAGE = Threshold("saturated share of the image", SATURATED_IMAGE_FRACTION, "", SOURCE_PRACTICE)
CONTRAST, CONTRAST_MARGINAL = (
    Threshold("contrast between black and white", v, "", SOURCE_PRACTICE) for v in (0.10, 0.20)
)

# What noise alone makes of an even surface.
NOISE_CONTRAST = 0.03

DUPLICATE_TRANSLATION = Threshold("way from a kept pair", 1.0, "mm", SOURCE_PRACTICE)
DUPLICATE_ROTATION = Threshold("turn from a kept pair", 0.5, "deg", SOURCE_PRACTICE)
SIMILAR_TRANSLATION = Threshold("way from a kept pair", 8.0, "mm", SOURCE_PRACTICE)
SIMILAR_ROTATION = Threshold("turn from a kept pair", 2.0, "deg", SOURCE_PRACTICE)

# Corners of one view against those of the kept ones: a bent board, a reflection, an edge that is no edge.
RESIDUAL_RATIO = Threshold("misfit of the corners, times that of the kept pairs", 2.5, "", SOURCE_MEASURED)
# Corners as far off as this are not those of the board, or not through this lens.
MAX_RESIDUAL = Threshold("misfit of the corners", 3.0, "px", SOURCE_PRACTICE)
# Below this, differences between views are those of the lens model.
MIN_RESIDUAL_PX = 0.1
MIN_PAIRS_TO_COMPARE = 3
