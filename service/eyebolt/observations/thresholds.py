"""Where one view stops being good enough, and where each of these numbers comes from.

``MEASURED`` limits come from a rendered sweep that ``tests/bench/verdicts`` runs again; ``PRACTICE`` is common
practice that nobody here measured.
"""

from __future__ import annotations

from dataclasses import dataclass

MEASURED = "measured here by a sweep"
PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Limit:
    """``name``: the measure, in words; ``value`` in ``unit``; ``source``: MEASURED or PRACTICE."""

    name: str
    value: float
    unit: str
    source: str


# Two pictures of a board that stands still differ by the corner noise: the median of the corners' shifts is 1.7 sigma.
# 3 sigma is out of reach for ten corners and more; below 0.15 px noise cannot be told from floors and fans.
SHIFT = Limit("shift of the corners between two pictures", 0.15, "px", PRACTICE)
SHIFT_SIGMAS = 3.0
# What a controller prints of an arm at rest flickers by less.
ARM_SHIFT = Limit("way of the arm while the picture was taken", 0.1, "mm", PRACTICE)
ARM_TURN = Limit("turn of the arm while the picture was taken", 0.02, "deg", PRACTICE)

# At 2 px corners scatter twice to three times as much as in a sharp picture (0.7 px).
BLUR = Limit("blur across the edges", 2.0, "px", MEASURED)
# A lens that is never sharper than this is taken as it is.
BLUR_TIMES_USUAL = 2.0
# Below three kept pairs nobody knows what this lens gives.
BLUR_AT_FIRST = Limit("blur across the edges", 3.0, "px", MEASURED)
# Beyond, the corner's own squares are too small for the model of an edge: corners go wrong by tenths of a pixel.
BLUR_OF_SQUARE = 0.075

CORNERS = Limit("share of the board's corners", 0.2, "", PRACTICE)

OBLIQUE = Limit("tilt of the board against the line of sight", 60.0, "deg", PRACTICE)
TOO_OBLIQUE = Limit("tilt of the board against the line of sight", 70.0, "deg", MEASURED)

BURNT, BURNT_MARGINAL = (Limit("share of the board that is burnt out", v, "", PRACTICE) for v in (0.30, 0.05))
DARK, DARK_MARGINAL = (Limit("level of the board's white, of full scale", v, "", PRACTICE) for v in (0.08, 0.16))
FAINT, FAINT_MARGINAL = (Limit("contrast between black and white", v, "", PRACTICE) for v in (0.10, 0.20))

# What noise alone makes of an even surface.
NOISE_CONTRAST = 0.03

SAME_SHIFT = Limit("way from a kept pair", 1.0, "mm", PRACTICE)
SAME_TURN = Limit("turn from a kept pair", 0.5, "deg", PRACTICE)
SIMILAR_SHIFT = Limit("way from a kept pair", 8.0, "mm", PRACTICE)
SIMILAR_TURN = Limit("turn from a kept pair", 2.0, "deg", PRACTICE)

# Corners of one view against those of the kept ones: a bent board, a reflection, an edge that is no edge.
MISFIT_TIMES = Limit("misfit of the corners, times that of the kept pairs", 2.5, "", MEASURED)
# Corners as far off as this are not those of the board, or not through this lens.
NO_FIT = Limit("misfit of the corners", 3.0, "px", PRACTICE)
# Below this, differences between views are those of the lens model.
LEAST_MISFIT_PX = 0.1
FEWEST_TO_COMPARE = 3
