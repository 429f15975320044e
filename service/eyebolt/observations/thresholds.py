"""The limits of a single view, and where each of these numbers comes from."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from eyebolt.boards import DARK_IMAGE_LEVEL, SATURATED_IMAGE_FRACTION
from eyebolt.protocol import Code


class ThresholdSource(StrEnum):
    """Where the value of a threshold comes from."""

    MEASURED = "measured"
    """A sweep over rendered views, repeated by ``tests/bench/view_acceptance``."""
    PRACTICE = "common practice"
    """Common practice in the trade; not measured here, no published source."""
    STATION_FILE = "station file"
    """The tolerance of the job."""


@dataclass(frozen=True)
class Threshold:
    """The limit of one measured quantity."""

    codes: tuple[Code, ...]
    """Codes that a view beyond the limit may get."""
    quantity: str
    """Name of the quantity, for an operator."""
    value: float
    """The limit, in ``unit``."""
    unit: str
    """Unit of the limit; "" for a ratio or a share."""
    source: ThresholdSource
    """Where the value comes from."""
    note: str = ""
    """What else decides, or what the measurement showed."""


@dataclass(frozen=True)
class Measure:
    """A measured quantity beside its limit: the number on which a reply rests. Recorded in the fact of the reply."""

    quantity: str
    """Name of the quantity, for an operator."""
    value: float
    """The measured value, in ``unit``."""
    limit: float
    """The limit that applied, in ``unit``."""
    unit: str
    """Unit of both; "" for a ratio or a share."""
    source: str
    """Where the limit comes from, a ``ThresholdSource``."""

    @classmethod
    def against(cls, threshold: Threshold, value: float, limit: float | None = None) -> Measure:
        """``value`` against ``threshold``; ``limit`` where the limit that applied is not the threshold's own value."""
        return cls(
            threshold.quantity,
            float(value),
            threshold.value if limit is None else float(limit),
            threshold.unit,
            threshold.source,
        )


_MEASURED, _PRACTICE = ThresholdSource.MEASURED, ThresholdSource.PRACTICE

# The corners of a board at rest differ between two images by the corner noise: the median of their shifts is 1.7 sigma.
# Noise alone does not reach 3 sigma from ten corners on; below 0.15 px noise cannot be told from vibrating floors and
# fans.
CORNER_SHIFT_SIGMAS = 3.0
CORNER_SHIFT = Threshold(
    (Code.MOVING,),
    "shift of the corners between two images",
    0.15,
    "px",
    _PRACTICE,
    f"median over at least 10 common corners; {CORNER_SHIFT_SIGMAS:g} sigma of the corner noise where that is more",
)
# Detection repeats to the last digit on the same image, and to hundredths of a pixel on one that was encoded anew or
# taken of the same scene again. Waypoints move the corners by tens of pixels.
SAME_IMAGE = Threshold(
    (Code.NO_FRESH_FRAME,),
    "shift of the corners from an earlier image",
    0.05,
    "px",
    _MEASURED,
    "median over at least 10 common corners; only where the pose is beyond the limits of a duplicate, and where the"
    " smallest shift that its motion can cause is three times this; equal corners need no such shift",
)
# Smallest median shift of the corners when the board rotates by a small angle about the worst axis through the worst
# point, over (median radius of the corners)^2 * angle / focal length: 0.35 for a frontal board, several times that for
# a tilted one (minimised numerically for boards of 11 x 8 and 6 x 4 corners).
MIN_SHIFT_PER_ROTATION = 0.3
# A point of the board is nearer to the flange or the base than this: how far a rotation can move it, metres per radian.
MAX_LEVER_M = 1.0
# The printed pose of an arm at rest varies by less.
ARM_TRANSLATION = Threshold(
    (Code.MOVING,),
    "translation of the arm while the image was taken",
    0.1,
    "mm",
    _PRACTICE,
    "live poses against the reported pose",
)
ARM_ROTATION = Threshold(
    (Code.MOVING,),
    "rotation of the arm while the image was taken",
    0.02,
    "deg",
    _PRACTICE,
    "live poses against the reported pose",
)

# A lens that never gives sharper images than this is accepted as it is.
BLUR_RATIO = 2.0
# Beyond this share of a square the neighbouring edges disturb the edge model: corners are off by tenths of a pixel.
BLUR_PER_SQUARE = 0.075
BLUR = Threshold(
    (Code.BLURRED,),
    "blur across the edges",
    2.0,
    "px",
    _MEASURED,
    "corner noise is 2 to 3 times that at 0.7 px;"
    f" {BLUR_RATIO:g} times the median of the kept pairs where that is more;"
    f" never above {BLUR_PER_SQUARE:g} of a square, or 1 px where that is more",
)
# With fewer than three kept pairs the usual blur of this lens is unknown.
INITIAL_BLUR = Threshold(
    (Code.BLURRED,), "blur across the edges", 3.0, "px", _MEASURED, "with fewer than 3 kept pairs; see above"
)

CORNER_SHARE = Threshold(
    (Code.TOO_FEW_CORNERS, Code.BAD_EXPOSURE),
    "share of the board's corners",
    0.2,
    "",
    _PRACTICE,
    "and at least 6 corners; bad exposure where the missing part is saturated",
)

TILT_MARGINAL = Threshold(
    (Code.OK,), "tilt of the board against the line of sight", 60.0, "deg", _PRACTICE, "kept, with a note"
)
TILT = Threshold(
    (Code.TOO_FEW_CORNERS,),
    "tilt of the board against the line of sight",
    70.0,
    "deg",
    _MEASURED,
    "corner error 1.6 times that at 30 deg; 3.6 times at 75 deg, 7 times at 80 deg",
)

SATURATION = Threshold((Code.BAD_EXPOSURE,), "saturated share of the board", 0.30, "", _PRACTICE)
SATURATION_MARGINAL = Threshold((Code.MARGINAL_EXPOSURE,), "saturated share of the board", 0.05, "", _PRACTICE)
_WHITE_NOTE = "share of full scale"
WHITE_LEVEL = Threshold(
    (Code.BAD_EXPOSURE, Code.MARGINAL_EXPOSURE),
    "level of the board's white",
    0.08,
    "",
    _PRACTICE,
    _WHITE_NOTE + "; marginal exposure where only a part of the board is darker",
)
WHITE_LEVEL_MARGINAL = Threshold(
    (Code.MARGINAL_EXPOSURE,), "level of the board's white", 0.16, "", _PRACTICE, _WHITE_NOTE
)
# These two decide on an image in which no board is found; the search in ``boards`` applies them.
_SEARCH_NOTE = "only where no board is found"
DARK_IMAGE = Threshold(
    (Code.BAD_EXPOSURE,), "level of the brightest parts of the image", DARK_IMAGE_LEVEL, "", _PRACTICE, _SEARCH_NOTE
)
SATURATED_IMAGE = Threshold(
    (Code.BAD_EXPOSURE,), "saturated share of the image", SATURATED_IMAGE_FRACTION, "", _PRACTICE, _SEARCH_NOTE
)
_CONTRAST_NOTE = "(white - black) / (white + black)"
CONTRAST = Threshold(
    (Code.BAD_EXPOSURE,),
    "contrast of black and white",
    0.10,
    "",
    _PRACTICE,
    _CONTRAST_NOTE + "; of the whole image where no board is found",
)
CONTRAST_MARGINAL = Threshold(
    (Code.MARGINAL_EXPOSURE,), "contrast of black and white", 0.20, "", _PRACTICE, _CONTRAST_NOTE
)
# Contrast that noise alone gives an even surface.
NOISE_CONTRAST = 0.03

_BOTH_NOTE = "translation and rotation both below their limits"
DUPLICATE_TRANSLATION = Threshold(
    (Code.DUPLICATE_POSE,), "translation from a kept pair", 1.0, "mm", _PRACTICE, _BOTH_NOTE
)
DUPLICATE_ROTATION = Threshold((Code.DUPLICATE_POSE,), "rotation from a kept pair", 0.5, "deg", _PRACTICE, _BOTH_NOTE)
SIMILAR_TRANSLATION = Threshold(
    (Code.LOW_INFORMATION,), "translation from a kept pair", 8.0, "mm", _PRACTICE, _BOTH_NOTE
)
SIMILAR_ROTATION = Threshold((Code.LOW_INFORMATION,), "rotation from a kept pair", 2.0, "deg", _PRACTICE, _BOTH_NOTE)

# Below this residual, differences between views are those of the camera model.
MIN_RESIDUAL_PX = 0.1
# A reflection, an object on the board, or edges that are not those of the board.
RESIDUAL_RATIO = Threshold(
    (Code.LOW_INFORMATION,),
    "corner residual over that of the kept pairs",
    2.5,
    "",
    _MEASURED,
    f"RMS about the best pose and bow of the board, over the median of the kept pairs; from {MIN_RESIDUAL_PX:g} px on",
)
# Corners further off are not those of this board, or not seen through this lens.
MAX_RESIDUAL = Threshold(
    (Code.NO_BOARD,),
    "corner residual",
    3.0,
    "px",
    _PRACTICE,
    f"unless within {RESIDUAL_RATIO.value:g} times that of the kept pairs",
)
# Medians over fewer kept pairs are not a baseline.
MIN_PAIRS_TO_COMPARE = 3


def all_thresholds() -> dict[str, Threshold]:
    """Every threshold by its name in this module, in the order in which they are defined."""
    return {name: value for name, value in globals().items() if isinstance(value, Threshold)}
