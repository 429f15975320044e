"""Live proof: where a result in use puts the board, against where the camera sees it, in views that it was not made of.

The deviation of one view is xi = log(inverse(predicted) * seen), predicted = inverse(X) A Y with board and lens as
the result estimated them, and D^2 = xi' M xi the mean square distance of the board's corners, M = mean of J' J, with
J = [I, -[p]x] of a corner p. If the result is right, xi is normal with the covariance S of ``PredictiveModel``: that
of X and Y together, of board and lens, the noise of the arm, and that of the corners. D^2 is then a weighted sum of
squares with mean tr(M S); by its first two moments (F. E. Satterthwaite, Biometrics Bulletin 2(6), 1946) it is tr(M
S) F, with h = tr(M S)^2 / tr(M S M S) and, since the noise is estimated, nu degrees of freedom. Of n views each is
allowed the distance that it exceeds with probability 0.05 / n (Bonferroni; the views share the error of the result,
so that they exceed it together, and the true level is lower): a right result is consistent with probability 0.95 or
more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from eyebolt.calibration.estimation import f_isf
from eyebolt.calibration.uncertainty.prediction import PredictiveModel
from eyebolt.geometry import Array, CameraModel, se3
from eyebolt.observations import BoardPose, half_turn_about_centre
from eyebolt.protocol import LiveProof

MAX_PROVEN_VIEWS = 20
"""The newest so many places count."""
MAX_PROVEN_AGE_S = 1800.0
"""Older views do not count beside newer ones."""
_SIGNIFICANCE = 0.05
_SAME_PLACE_M = 0.005
_SAME_PLACE_RAD = float(np.deg2rad(1.0))


@dataclass(frozen=True)
class ProvenView:
    """One view with the arm at rest, compared with a result."""

    base_T_flange: Array
    """(4, 4), metres: the pose of the arm."""
    time_s: float
    """When the image was exposed: Unix time, s."""
    distance_px: float
    """RMS distance of the seen corners from the predicted ones, px."""
    distance_m: float
    """RMS distance of the board's corners in space, metres."""
    expected_sq_m2: float | None = None
    """tr(M S), square metres; None if the result does not state its covariance."""
    shape: float = 1.0
    """h."""
    dof: float = 1.0
    """nu."""

    def allowed_m(self, views: int) -> float | None:
        """Distance, metres, that this is one of ``views`` views is allowed; None if the result does not state it."""
        if self.expected_sq_m2 is None:
            return None
        ratio = float(f_isf(self.shape, self.dof, np.array(_SIGNIFICANCE / views)))
        return math.sqrt(self.expected_sq_m2 * ratio)


def compare_view(
    model: PredictiveModel,
    camera: CameraModel,
    board_corners_m: Array,
    base_T_flange: Array,
    observed: BoardPose,
    corners_px: Array,
    time_s: float,
    *,
    half_turn_ambiguous: bool = False,
    states_error: bool = True,
) -> ProvenView:
    """A view with the arm at rest, compared with the result that ``model`` is of.

    ``board_corners_m`` (n, 3): all corners of the board; ``observed``: its pose, from corners seen at ``corners_px``
    (K, 2). ``half_turn_ambiguous``: the board looks the same after half a turn; the nearer numbering is taken.
    ``states_error``: False if the covariance of ``model`` is not known.
    """
    candidates = [observed]
    if half_turn_ambiguous:
        candidates.append(_turned(observed, half_turn_about_centre(board_corners_m)))
    metric = _mean_square_metric(board_corners_m)
    deviations = [model.deviation(base_T_flange, candidate) for candidate in candidates]
    squares_m2 = [float(offset @ metric @ offset) for offset, _ in deviations]
    best = int(np.argmin(squares_m2))
    seen, (offset, covariance) = candidates[best], deviations[best]
    predicted = seen.camera_T_board @ se3.inverse(se3.exp(offset))
    apart_px = corners_px - camera.project(se3.apply(predicted, seen.points_m))
    view = ProvenView(
        base_T_flange,
        time_s,
        distance_px=float(np.sqrt((apart_px**2).sum(axis=-1).mean())),
        distance_m=math.sqrt(squares_m2[best]),
    )
    spread = metric @ covariance
    trace, trace_of_square = float(np.trace(spread)), float(np.trace(spread @ spread))
    if not states_error or not (math.isfinite(trace) and trace > 0 and trace_of_square > 0):
        return view
    return replace(view, expected_sq_m2=trace, shape=trace**2 / trace_of_square, dof=model.dof)


def with_view(views: Sequence[ProvenView], newest: ProvenView) -> tuple[ProvenView, ...]:
    """``views`` with a further one, the last: it replaces an earlier one of the same place."""
    kept = []
    for view in views:
        translation_m, rotation_rad = se3.pose_distance(view.base_T_flange, newest.base_T_flange)
        is_same = bool(translation_m < _SAME_PLACE_M and rotation_rad < _SAME_PLACE_RAD)
        if not is_same and newest.time_s - view.time_s <= MAX_PROVEN_AGE_S:
            kept.append(view)
    return (*kept, newest)[-MAX_PROVEN_VIEWS:]


def summarize_proof(views: Sequence[ProvenView]) -> LiveProof:
    """What ``views``, at least one, the newest last, show of the result."""
    newest, count = views[-1], len(views)
    rank = math.ceil(0.95 * count) - 1
    allowed_m = [view.allowed_m(count) for view in views]
    known_m = [value for value in allowed_m if value is not None]
    is_stated = len(known_m) == count
    distances_m = np.array([view.distance_m for view in views])
    order = np.argsort(distances_m / np.array(known_m) if is_stated else distances_m, kind="stable")
    at = int(order[rank])
    # Compared as they are shown, so that no reader finds them in contradiction.
    p95_mm = round(float(distances_m[at]) * 1e3, 4)
    allowed_mm = round(known_m[at] * 1e3, 4) if is_stated else None
    consistent = None if allowed_mm is None else p95_mm <= allowed_mm
    distance_mm = round(newest.distance_m * 1e3, 4)
    message, remedy = _explain(distance_mm, p95_mm, allowed_mm, count)
    return LiveProof(
        time_s=newest.time_s,
        distance_px=round(newest.distance_px, 4),
        distance_mm=distance_mm,
        p95_px=round(float(np.sort([view.distance_px for view in views])[rank]), 4),
        p95_mm=p95_mm,
        allowed_mm=allowed_mm,
        views=count,
        consistent=consistent,
        message=message,
        remedy=remedy,
    )


def _explain(distance_mm: float, p95_mm: float, allowed_mm: float | None, views: int) -> tuple[str, str]:
    """Message and remedy for the operator."""
    where = f"the board is {distance_mm:.2f} mm from where the result puts it"
    of_views = "" if views == 1 else f", p95 of {views} places {p95_mm:.2f} mm"
    if allowed_mm is None:
        return f"{where}{of_views}", "To learn how much its error allows: solve the session again, and accept it."
    if p95_mm <= allowed_mm:
        return f"{where}{of_views}; its expected error allows {allowed_mm:.2f} mm", ""
    return (
        f"{where}{of_views}: more than the {allowed_mm:.2f} mm that its expected error allows",
        "Check that camera, board and tool are tight and the right tool and frame active; then calibrate again.",
    )


def _mean_square_metric(points_m: Array) -> Array:
    """(6, 6): the mean square displacement of points (n, 3) by a small change xi is xi' M xi."""
    jacobian = np.concatenate([np.tile(np.eye(3), (len(points_m), 1, 1)), -se3.skew(points_m)], axis=-1)
    out: Array = np.einsum("nij,nik->jk", jacobian, jacobian) / len(points_m)
    return out


def _turned(observed: BoardPose, board_T_turned: Array) -> BoardPose:
    """The same view with the board numbered from the opposite end."""
    turn = se3.adjoint(se3.inverse(board_T_turned))
    return BoardPose(
        observed.camera_T_board @ board_T_turned,
        turn @ observed.unit_covariance @ turn.T,
        se3.apply(se3.inverse(board_T_turned), observed.points_m),
    )
