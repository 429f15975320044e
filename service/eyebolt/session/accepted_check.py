"""A check pair compared with the accepted result: whether camera, board and tool are still where they were.

Only the message and the measure of the reply change: the pair is kept either way, and tests the result of its session.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from eyebolt.geometry import Array, Mount, se3
from eyebolt.observations import BoardPose, Measure, ThresholdSource, ViewAcceptance
from eyebolt.session.messages import AcceptedResult
from eyebolt.session.state import State


def compare_with_accepted(
    state: State, base_T_flange: Array, board_pose: BoardPose | None, found: ViewAcceptance
) -> ViewAcceptance:
    """``found`` with the distance of the board from where the accepted result puts it, if there is one to compare."""
    accepted = state.accepted
    if accepted is None or accepted.gap is not None or board_pose is None:
        return found
    deviation_mm = _deviation_mm(state.config.mount, accepted, base_T_flange, board_pose.camera_T_board)
    if deviation_mm is None:
        return found
    tolerance_mm = state.config.goal.tolerance_mm
    where = f"{deviation_mm:.2f} mm (RMS) from where the accepted result of session {accepted.session} puts it"
    measure = Measure(
        "distance from the accepted result", deviation_mm, tolerance_mm, "mm", ThresholdSource.STATION_FILE
    )
    if deviation_mm <= tolerance_mm:
        return replace(found, message=f"{found.message}; the board is {where}", measure=found.measure or measure)
    return replace(
        found,
        message=f"the board is {where} (tolerance {tolerance_mm:g} mm): camera, board or tool moved since",
        remedy="Check that camera, board and tool are tight and the right tool and frame active; then calibrate again.",
        measure=measure,
    )


def _deviation_mm(mount: Mount, accepted: AcceptedResult, base_T_flange: Array, camera_T_board: Array) -> float | None:
    """RMS distance, mm, of the board's corners by the camera from those by the arm; None without a board to compare."""
    X, Y, corners = accepted.transform, accepted.board_transform, accepted.board_corners_m
    if X is None or Y is None or not corners.size:
        return None
    by_arm = se3.apply(mount.chain(base_T_flange) @ Y, corners[0])
    by_camera = np.stack([se3.apply(X @ camera_T_board, numbering) for numbering in corners])
    square_m2 = ((by_camera - by_arm) ** 2).sum(axis=-1).mean(axis=-1)
    return float(np.sqrt(square_m2.min())) * 1e3
