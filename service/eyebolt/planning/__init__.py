"""Stopping rule, coverage, the next view and waypoint plans. Pure."""

from eyebolt.planning.candidates import BoardOutline, vertical_flange_orientation
from eyebolt.planning.coverage import (
    Coverage,
    NextView,
    coverage_after,
    describe_coverage,
    find_next_view,
    progress_json,
)
from eyebolt.planning.information import SetupEstimate, pairs_of_solution, setup_estimate
from eyebolt.planning.stopping import Goal, predicted_p95_mm
from eyebolt.planning.waypoints import GuessUncertainty, Plan, PlannedWaypoint, plan_waypoints

__all__ = [
    "BoardOutline",
    "Coverage",
    "Goal",
    "GuessUncertainty",
    "NextView",
    "Plan",
    "PlannedWaypoint",
    "SetupEstimate",
    "coverage_after",
    "describe_coverage",
    "find_next_view",
    "pairs_of_solution",
    "plan_waypoints",
    "predicted_p95_mm",
    "progress_json",
    "setup_estimate",
    "vertical_flange_orientation",
]
