"""Expected error of the result and of a pick; predictive and touch tests. Pure."""

from eyebolt.calibration.uncertainty.contributions import ErrorContributions, error_contributions
from eyebolt.calibration.uncertainty.error_budget import findings_on_error_budget
from eyebolt.calibration.uncertainty.expected_error import (
    ErrorMap,
    ErrorSummary,
    XPosterior,
    expected_error,
    p95_upper_of_covariance,
    standard_normal,
)
from eyebolt.calibration.uncertainty.live_proof import (
    MAX_PROVEN_AGE_S,
    MAX_PROVEN_VIEWS,
    ProvenView,
    compare_view,
    summarize_proof,
    with_view,
)
from eyebolt.calibration.uncertainty.pick_error import pick_error
from eyebolt.calibration.uncertainty.prediction import PredictedBoardAndLens, PredictiveModel, predictive_model
from eyebolt.calibration.uncertainty.touch_test import (
    Height,
    HeightSource,
    TouchCheck,
    apply_touches,
    findings_on_height,
)
from eyebolt.calibration.uncertainty.transform_error import TransformError

__all__ = [
    "MAX_PROVEN_AGE_S",
    "MAX_PROVEN_VIEWS",
    "ErrorContributions",
    "ErrorMap",
    "ErrorSummary",
    "Height",
    "HeightSource",
    "PredictedBoardAndLens",
    "PredictiveModel",
    "ProvenView",
    "TouchCheck",
    "TransformError",
    "XPosterior",
    "apply_touches",
    "compare_view",
    "error_contributions",
    "expected_error",
    "findings_on_error_budget",
    "findings_on_height",
    "p95_upper_of_covariance",
    "pick_error",
    "predictive_model",
    "standard_normal",
    "summarize_proof",
    "with_view",
]
