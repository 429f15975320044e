"""A plan of waypoints as a file that a robot program can read, and as lines for people. Text only."""

from __future__ import annotations

from eyebolt.geometry import Array, PoseReading
from eyebolt.planning import Plan, PlannedWaypoint

CAUTIONS = (
    "Local codes, the rules of the site and licensed practice come first.",
    "These are suggestions, computed without knowing the arm, its cables or the cell: reach, collisions and"
    " singularities are for the person who teaches them.",
    "Try each waypoint at reduced speed first, with a way to stop the arm at hand. In automatic mode nobody is in the"
    " cell.",
    "Eyebolt moves nothing.",
)
_KINDS = {
    "ruler": "ruler",
    "turn": "turn",
    "spare": "spare: only if the counter still wants pairs",
    "check": "check: the first waypoint once more, at the very end",
}


def csv_text(plan: Plan, reading: PoseReading, flange_T_tool: Array | None) -> str:
    """Poses as the controller writes them, one waypoint a row; the check's row begins with the word ``check``.

    Lines that begin with # are for people.
    """
    lines = [f"# {line}" for line in CAUTIONS]
    lines.append(f"# {_terms(reading, flange_T_tool)}")
    for number, waypoint in enumerate(plan.waypoints, 1):
        lines.append(f"# {number}: {_words(waypoint)}")
        fields = ", ".join(_fields(waypoint, reading, flange_T_tool))
        lines.append(f"check, {fields}" if waypoint.kind == "check" else fields)
    return "\n".join(lines) + "\n"


def plan_lines(plan: Plan, reading: PoseReading, flange_T_tool: Array | None, tolerance_mm: float) -> list[str]:
    """The plan for people: cautions first, then each waypoint with the error expected after it."""
    lines = [*CAUTIONS, "", *_what_it_reaches(plan, tolerance_mm), _terms(reading, flange_T_tool)]
    for number, waypoint in enumerate(plan.waypoints, 1):
        pose = " ".join(_fields(waypoint, reading, flange_T_tool))
        lines.append(f"{number:3d}  {pose}   {_words(waypoint)}")
    return lines


def _what_it_reaches(plan: Plan, tolerance_mm: float) -> list[str]:
    needed = [w for w in plan.waypoints if w.kind in ("ruler", "turn")]
    lines = []
    if not plan.met:
        lines.append(
            f"The tolerance of {tolerance_mm:g} mm is not reached within [goal] most: it takes a larger board, a"
            " shorter distance, a better arm, or a wider tolerance."
        )
    else:
        lines.append(f"{len(needed)} pairs are expected to reach the tolerance of {tolerance_mm:g} mm.")
    if plan.ruler_m:
        lines.append(
            f"The first four are a ruler: the same attitude, shifted by {plan.ruler_m * 1e3:.0f} mm without a turn."
        )
    if plan.allowed.off_m:
        lines.append(
            "The whole board stays in view while the guess of camera and board is within"
            f" {plan.allowed.off_m * 1e3:.0f} mm and {plan.allowed.off_deg:.0f} deg."
        )
    return lines


def _terms(reading: PoseReading, flange_T_tool: Array | None) -> str:
    angle = "" if reading.rotation.startswith("quaternion") else f" {reading.angle}"
    of = "flange" if flange_T_tool is None else "tool"
    return f"Poses of the {of}: {reading.length}, {reading.rotation}{angle}."


def _words(waypoint: PlannedWaypoint) -> str:
    # Before the pairs can tell anything the number means nothing.
    known = waypoint.p95_mm < 1e2 and waypoint.kind != "check"
    return _KINDS[waypoint.kind] + (f"; expected error after it {waypoint.p95_mm:.3f} mm (p95)" if known else "")


def _fields(waypoint: PlannedWaypoint, reading: PoseReading, flange_T_tool: Array | None) -> list[str]:
    pose = waypoint.base_T_flange
    numbers = reading.to_fields(pose if flange_T_tool is None else pose @ flange_T_tool)
    lengths = {"mm": 3, "m": 6, "um": 0}[reading.length]
    quaternion = reading.rotation.startswith("quaternion")
    turns = 6 if quaternion else {"deg": 4, "rad": 6, "1e-4deg": 0}[reading.angle]
    return [f"{value:.{lengths if k < 3 else turns}f}" for k, value in enumerate(numbers)]
