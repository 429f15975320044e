"""Stopping rule, coverage, the next view and waypoint plans. Pure."""

from eyebolt.planning.candidates import Outline, upright_of
from eyebolt.planning.coverage import Advice, Knowledge, advice_after, insight_json, knowledge_after
from eyebolt.planning.information import Belief, belief_of, used_pairs
from eyebolt.planning.stopping import Goal, foreseen_mm
from eyebolt.planning.waypoints import Guess, Plan, PlannedWaypoint, plan_waypoints

__all__ = [
    "Advice",
    "Belief",
    "Goal",
    "Guess",
    "Knowledge",
    "Outline",
    "Plan",
    "PlannedWaypoint",
    "advice_after",
    "belief_of",
    "foreseen_mm",
    "insight_json",
    "knowledge_after",
    "plan_waypoints",
    "upright_of",
    "used_pairs",
]
