"""A waypoint plan as CSV for a robot program, and as text for people."""

from __future__ import annotations

from eyebolt.geometry import Array, PoseFormat
from eyebolt.planning import Plan, PlannedWaypoint

CAUTIONS = (
    "Local codes, the rules of the site and licensed practice come first.",
    "These are suggestions, computed without knowledge of the arm, its cables or the cell: the person who teaches them"
    " is responsible for reach, collisions and singularities.",
    "Try each waypoint at reduced speed first, with a stop button at hand. In automatic mode nobody may be in the"
    " cell.",
    "Eyebolt moves nothing.",
)
_KIND_LABELS = {
    "translation": "translation",
    "rotation": "rotation",
    "spare": "spare: only if pairs are still needed",
    "check": "check: the first waypoint again, at the very end",
}


def csv_text(plan: Plan, pose_format: PoseFormat, flange_T_tool: Array | None) -> str:
    """Poses in the controller's format, one waypoint per row; the row of a check pair begins with ``check``.

    Lines beginning with # are comments.
    """
    lines = [f"# {line}" for line in CAUTIONS]
    lines.append(f"# {_format_line(pose_format, flange_T_tool)}")
    for number, waypoint in enumerate(plan.waypoints, 1):
        lines.append(f"# {number}: {_description(waypoint)}")
        fields = ", ".join(_fields(waypoint, pose_format, flange_T_tool))
        lines.append(f"check, {fields}" if waypoint.kind == "check" else fields)
    return "\n".join(lines) + "\n"


def plan_lines(plan: Plan, pose_format: PoseFormat, flange_T_tool: Array | None, tolerance_mm: float) -> list[str]:
    """The plan for people: cautions, then each waypoint with the expected error after it."""
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
            f"The tolerance of {tolerance_mm:g} mm is not reached within [goal] max_pairs: use a larger board, a"
            " shorter distance, a more repeatable arm, or a wider tolerance."
        )
    else:
        lines.append(f"{len(needed)} pairs are expected to reach the tolerance of {tolerance_mm:g} mm.")
    if plan.translation_length_m:
        lines.append(
            f"The first four determine the scale: one orientation, translated by {plan.translation_length_m * 1e3:.0f}"
            " mm without rotation."
        )
    if plan.tolerated.translation_m:
        lines.append(
            "The whole board stays in view if the guesses of camera and board are within"
            f" {plan.tolerated.translation_m * 1e3:.0f} mm and {plan.tolerated.rotation_deg:.0f} deg."
        )
    return lines


def _format_line(pose_format: PoseFormat, flange_T_tool: Array | None) -> str:
    of = "flange" if flange_T_tool is None else "tool"
    return f"Poses of the {of}: {pose_format.description}."


def _description(waypoint: PlannedWaypoint) -> str:
    # Before the pairs determine all directions the number is only that of the prior.
    known = waypoint.p95_upper_mm < 1e2 and waypoint.kind != "check"
    after = f"; error after it up to {waypoint.p95_upper_mm:.3f} mm (p95, at 95 % confidence)" if known else ""
    return _KIND_LABELS[waypoint.kind] + after


def _fields(waypoint: PlannedWaypoint, pose_format: PoseFormat, flange_T_tool: Array | None) -> list[str]:
    pose = waypoint.base_T_flange
    numbers = pose_format.to_fields(pose if flange_T_tool is None else pose @ flange_T_tool)
    return [f"{value:.{decimals}f}" for value, decimals in zip(numbers, pose_format.decimals, strict=True)]
