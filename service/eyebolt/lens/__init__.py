"""Calibration of a lens from pictures of a board, and its comparison with a lens that is stated. Pure."""

from eyebolt.lens.bundle_adjustment import LensFit, LensView
from eyebolt.lens.calibrate import (
    MIN_VIEWS,
    HeldOutModel,
    LensCalibration,
    LensRefusal,
    calibrate_lens,
    with_covariance,
)
from eyebolt.lens.comparison import LensComparison, ParameterComparison, compare_with_stated
from eyebolt.lens.next_view import NextLensView, best_next_view

__all__ = [
    "MIN_VIEWS",
    "HeldOutModel",
    "LensCalibration",
    "LensComparison",
    "LensFit",
    "LensRefusal",
    "LensView",
    "NextLensView",
    "ParameterComparison",
    "best_next_view",
    "calibrate_lens",
    "compare_with_stated",
    "with_covariance",
]
