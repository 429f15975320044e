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
from eyebolt.lens.fingerprint import view_fingerprint
from eyebolt.lens.formats import LensForm, export_lens, import_lens
from eyebolt.lens.next_view import NextLensView, best_next_view
from eyebolt.lens.page import PAGE_MARKER, LensPage, PictureLine, lens_page, verdict

__all__ = [
    "MIN_VIEWS",
    "PAGE_MARKER",
    "HeldOutModel",
    "LensCalibration",
    "LensComparison",
    "LensFit",
    "LensForm",
    "LensPage",
    "LensRefusal",
    "LensView",
    "NextLensView",
    "ParameterComparison",
    "PictureLine",
    "best_next_view",
    "calibrate_lens",
    "compare_with_stated",
    "export_lens",
    "import_lens",
    "lens_page",
    "verdict",
    "view_fingerprint",
    "with_covariance",
]
