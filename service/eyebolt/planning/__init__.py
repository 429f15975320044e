"""Stopping rule, coverage, the next view and waypoint plans. Pure."""

from eyebolt.planning.candidates import MAX_FILL, BoardOutline
from eyebolt.planning.coverage import Coverage, coverage_after
from eyebolt.planning.information import SetupEstimate, pairs_of_solution, pick_scatter_p95_mm, setup_estimate
from eyebolt.planning.next_view import NextView, ProgressReport, find_next_view
from eyebolt.planning.stopping import Goal
from eyebolt.planning.waypoints import GuessUncertainty, Plan, PlannedWaypoint, WaypointKind, plan_waypoints

__all__ = [
    "MAX_FILL",
    "BoardOutline",
    "Coverage",
    "Goal",
    "GuessUncertainty",
    "NextView",
    "Plan",
    "PlannedWaypoint",
    "ProgressReport",
    "SetupEstimate",
    "WaypointKind",
    "coverage_after",
    "find_next_view",
    "pairs_of_solution",
    "pick_scatter_p95_mm",
    "plan_waypoints",
    "setup_estimate",
]
