"""A plan of waypoints as a file that a robot program can read, and as lines for people. Text only."""

from __future__ import annotations

from eyebolt.geometry import Array, PoseFormat
from eyebolt.planning import Plan, PlannedWaypoint

CAUTIONS = (
    "Local codes, the rules of the site and licensed practice come first.",
    "These are suggestions, computed without knowing the arm, its cables or the cell: reach, collisions and"
    " singularities are for the person who teaches them.",
    "Try each waypoint at reduced speed first, with a way to stop the arm at hand. In automatic mode nobody is in the"
    " cell.",
    "Eyebolt moves nothing.",
)
_KIND_LABELS = {
    "translation": "translation",
    "rotation": "rotation",
    "spare": "spare: only if the counter still wants pairs",
    "check": "check: the first waypoint once more, at the very end",
}


def csv_text(plan: Plan, pose_format: PoseFormat, flange_T_tool: Array | None) -> str:
    """Poses as the controller writes them, one waypoint a row; the check's row begins with the word ``check``.

    Lines that begin with # are for people.
    """
    lines = [f"# {line}" for line in CAUTIONS]
    lines.append(f"# {_format_line(pose_format, flange_T_tool)}")
    for number, waypoint in enumerate(plan.waypoints, 1):
        lines.append(f"# {number}: {_description(waypoint)}")
        fields = ", ".join(_fields(waypoint, pose_format, flange_T_tool))
        lines.append(f"check, {fields}" if waypoint.kind == "check" else fields)
    return "\n".join(lines) + "\n"


def plan_lines(plan: Plan, pose_format: PoseFormat, flange_T_tool: Array | None, tolerance_mm: float) -> list[str]:
    """The plan for people: cautions first, then each waypoint with the error expected after it."""
    lines = [*CAUTIONS, "", *_expectation_lines(plan, tolerance_mm), _format_line(pose_format, flange_T_tool)]
    for number, waypoint in enumerate(plan.waypoints, 1):
        pose = " ".join(_fields(waypoint, pose_format, flange_T_tool))
        lines.append(f"{number:3d}  {pose}   {_description(waypoint)}")
    return lines


def _expectation_lines(plan: Plan, tolerance_mm: float) -> list[str]:
    needed = [w for w in plan.waypoints if w.kind in ("translation", "rotation")]
    lines = []
    if not plan.is_met:
        lines.append(
            f"The tolerance of {tolerance_mm:g} mm is not reached within [goal] max_pairs: it takes a larger board, a"
            " shorter distance, a better arm, or a wider tolerance."
        )
    else:
        lines.append(f"{len(needed)} pairs are expected to reach the tolerance of {tolerance_mm:g} mm.")
    if plan.translation_length_m:
        lines.append(
            f"The first four are a ruler: the same attitude, shifted by {plan.translation_length_m * 1e3:.0f} mm without a turn."
        )
    if plan.tolerated.translation_m:
        lines.append(
            "The whole board stays in view while the guess of camera and board is within"
            f" {plan.tolerated.translation_m * 1e3:.0f} mm and {plan.tolerated.rotation_deg:.0f} deg."
        )
    return lines


def _format_line(pose_format: PoseFormat, flange_T_tool: Array | None) -> str:
    of = "flange" if flange_T_tool is None else "tool"
    return f"Poses of the {of}: {pose_format.description}."


def _description(waypoint: PlannedWaypoint) -> str:
    # Before the pairs can tell anything the number means nothing.
    known = waypoint.p95_mm < 1e2 and waypoint.kind != "check"
    return _KIND_LABELS[waypoint.kind] + (f"; expected error after it {waypoint.p95_mm:.3f} mm (p95)" if known else "")


def _fields(waypoint: PlannedWaypoint, pose_format: PoseFormat, flange_T_tool: Array | None) -> list[str]:
    pose = waypoint.base_T_flange
    numbers = pose_format.to_fields(pose if flange_T_tool is None else pose @ flange_T_tool)
    return [f"{value:.{decimals}f}" for value, decimals in zip(numbers, pose_format.decimals, strict=True)]
