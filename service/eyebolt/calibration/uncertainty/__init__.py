"""Expected error of the result and of a pick; predictive and touch tests. Pure."""

from eyebolt.calibration.uncertainty.error_budget import findings_on_limits
from eyebolt.calibration.uncertainty.expected_error import (
    ErrorMap,
    ErrorStatement,
    expected_error,
    p95_of_covariance,
    standard_normal,
)
from eyebolt.calibration.uncertainty.pick_error import arm_errors
from eyebolt.calibration.uncertainty.prediction import Expectation, expectation_of
from eyebolt.calibration.uncertainty.touch_test import Height, TouchCheck, with_touches

__all__ = [
    "ErrorMap",
    "ErrorStatement",
    "Expectation",
    "Height",
    "TouchCheck",
    "arm_errors",
    "expectation_of",
    "expected_error",
    "findings_on_limits",
    "p95_of_covariance",
    "standard_normal",
    "with_touches",
]
