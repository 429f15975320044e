"""Findings on a board, a camera, a tool or a frame that changed during the session.

A small change of X or Y from one pair on is a change point of the robust estimate (``robust.change_points``). A gross
one leaves the pairs on its other side excluded as outliers; they then agree among themselves. That is tested here.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.estimation import (
    PLAUSIBLE_RESIDUAL_M,
    InitialEstimate,
    MovedPart,
    Observations,
    best_initial_estimate,
)
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.robust import MIN_PAIRS_PER_SEGMENT, ChangePoint, StepChange
from eyebolt.geometry import Array, Mount, se3

# A part that slipped or was knocked stays within this; beyond it a tool or frame was changed on the controller. Common
# practice, no source.
_MAX_SLIP_M, _MAX_SLIP_RAD = 0.02, float(np.deg2rad(5.0))
# Changes this close are the same one: transforms estimated from three pairs alone are that uncertain.
_SAME_CHANGE_M, _SAME_CHANGE_RAD = 0.015, float(np.deg2rad(1.0))
# The moved part is identified if a change of the other transform explains the excluded pairs this many times worse.
# Common practice, no source.
_IMPROVEMENT_RATIO = 8.0
# With more pairs one side of the change is a majority, and the consensus start finds it.
_MAX_PAIRS_WITHOUT_MAJORITY = 7


def findings_on_change_points(
    mount: Mount, change_points: Sequence[ChangePoint], indices: Sequence[int]
) -> tuple[Finding, ...]:
    """One finding for each change point; ``indices``: capture index of each row.

    A camera that moved after the pairs that were used is a stop, since the result is that of a camera pose that no
    longer exists; in all other cases the result is still valid.
    """
    return tuple(_change_point_finding(mount, p.step_change, indices[p.row], p.kept_before) for p in change_points)


def find_change_among_excluded(
    problem: Problem,
    observations: Observations,
    start: InitialEstimate,
    used: NDArray[np.bool_],
    indices: Sequence[int],
) -> Finding | None:
    """Whether the pairs excluded from ``used`` (n,) all lie on one side and share one change of X or of Y.

    ``start``: the transforms of the pairs used; ``indices``: capture index of each row.
    """
    out = np.flatnonzero(~used)
    first = bool(out.size) and out[0] == 0
    if len(out) < MIN_PAIRS_PER_SEGMENT or out[-1] - out[0] >= len(out) or not (first or out[-1] == len(used) - 1):
        return None
    A, P = observations.A[out], observations.pose_fits.camera_T_board[out]
    changes: dict[MovedPart, Array] = {
        MovedPart.CAMERA: se3.inverse(start.X) @ A @ start.Y @ se3.inverse(P),
        MovedPart.BOARD: se3.inverse(start.Y) @ se3.inverse(A) @ start.X @ P,
    }
    differences = {moved_part: _max_difference(change) for moved_part, change in changes.items()}
    closer = differences[MovedPart.CAMERA][0] < differences[MovedPart.BOARD][0]
    moved_part = MovedPart.CAMERA if closer else MovedPart.BOARD
    translation_m, rotation_rad = differences[moved_part]
    if (
        translation_m > _SAME_CHANGE_M
        or rotation_rad > _SAME_CHANGE_RAD
        or differences[moved_part.other][0] < _IMPROVEMENT_RATIO * translation_m
    ):
        return None
    change = se3.log(changes[moved_part])
    row = int(out[-1]) + 1 if first else int(out[0])
    median_change = np.median(change, axis=0) * (-1.0 if first else 1.0)
    return _change_point_finding(
        problem.mount, StepChange(moved_part, row, median_change, 0.0), indices[row], kept_before=not first
    )


def find_gross_change(problem: Problem, observations: Observations, indices: Sequence[int]) -> Finding | None:
    """The same where no majority of the pairs agrees: every row is tried as the change point. Few pairs only."""
    n = len(observations.A)
    if n > _MAX_PAIRS_WITHOUT_MAJORITY:
        return None
    found: list[tuple[float, Finding]] = []
    for row in range(MIN_PAIRS_PER_SEGMENT, n - MIN_PAIRS_PER_SEGMENT + 1):
        used = np.arange(n) < row if row > n / 2 else np.arange(n) >= row
        if used.sum() <= MIN_PAIRS_PER_SEGMENT:
            continue
        start, coarse_residual_m = best_initial_estimate(problem, observations.subset(np.flatnonzero(used)))
        change = (
            find_change_among_excluded(problem, observations, start, used, indices)
            if coarse_residual_m < PLAUSIBLE_RESIDUAL_M
            else None
        )
        if change is not None:
            found.append((coarse_residual_m, change))
    return min(found, key=lambda one: one[0])[1] if found else None


def _max_difference(changes: Array) -> tuple[float, float]:
    """Largest distance, metres, and rotation, radians, of the changes (n, 4, 4) from the first of them."""
    twists = se3.log(se3.inverse(changes[0]) @ changes[1:])
    return float(np.linalg.norm(twists[:, :3], axis=1).max()), float(np.linalg.norm(twists[:, 3:], axis=1).max())


def _change_point_finding(mount: Mount, step_change: StepChange, index: int, kept_before: bool) -> Finding:
    """The finding on a change before capture ``index``; ``kept_before``: the pairs used are those before it."""
    translation_mm, rotation_deg = step_change.translation_m * 1e3, float(np.rad2deg(step_change.rotation_rad))
    evidence = {
        "pair": float(index),
        "translation_mm": translation_mm,
        "rotation_deg": rotation_deg,
        "p_value": step_change.p_value,
    }
    part = step_change.moved_part
    if step_change.translation_m > _MAX_SLIP_M or step_change.rotation_rad > _MAX_SLIP_RAD:
        return _controller_change_finding(mount, part, index, evidence)
    message = (
        f"the {part} moved before pair {index}, by {translation_mm:.2f} mm and {rotation_deg:.2f} deg: the result uses"
        f" the pairs {'before it' if kept_before else 'from there on'} and excludes the others"
    )
    if part is MovedPart.CAMERA and kept_before:
        remedy = "fasten the camera and take all pairs again."
        return Finding(FindingCode.CAMERA_MOVED, Severity.STOP, message, evidence, remedy)
    if part is MovedPart.CAMERA:
        return Finding(FindingCode.CAMERA_MOVED, Severity.WARN, message, evidence, "fasten the camera.")
    remedy = "fasten the board before the next session."
    return Finding(FindingCode.BOARD_MOVED, Severity.WARN, message, evidence, remedy)


def _controller_change_finding(mount: Mount, part: MovedPart, index: int, evidence: dict[str, float]) -> Finding:
    """The finding on a change too large for a slip: the same data, but no pair shows which side has the right poses."""
    # The tool is on the flange's side of the chain: that of the board if the camera is fixed, else of the camera.
    is_tool = (part is MovedPart.BOARD) == (mount is Mount.FIXED)
    name, other = ("tool", "world or user frame") if is_tool else ("user frame", "tool")
    message = (
        f"from pair {index} on the poses refer to another {name}, or the {part} was moved: a change of"
        f" {evidence['translation_mm']:.0f} mm and {evidence['rotation_deg']:.1f} deg (the {other} did not change)"
    )
    remedy = (
        f"in the robot program select {'the flange (tool 0)' if is_tool else 'the base frame'} on the controller for"
        " the whole session, then take all pairs again."
    )
    code = FindingCode.TOOL_CHANGED if is_tool else FindingCode.FRAME_CHANGED
    return Finding(code, Severity.STOP, message, evidence, remedy)
