"""Live proof of the result in use: where it puts the board, against where the camera sees it.

Views of kept captures and checks are compared, and views in which the robot's live poses show that the arm stood still.
A live pose arrives later than its instant, by a delay that is not known here. Therefore the poses must stand still from
the earliest to the latest instant at which the pose of the exposure can arrive, and the board in the image as well: an
arm that moves is never compared.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import structlog

from eyebolt.boards import Detection
from eyebolt.calibration import PredictiveModel, ProvenView, RobotNoise, compare_view, summarize_proof, with_view
from eyebolt.cameras import Frame
from eyebolt.context import StationContext
from eyebolt.daemon.camera_view import SeenBoard
from eyebolt.errors import InputFault
from eyebolt.geometry import Array, se3
from eyebolt.guidance import MAX_DELAY_S, MIN_DELAY_S
from eyebolt.observations import (
    ARM_ROTATION,
    ARM_TRANSLATION,
    BoardPose,
    assess_view,
    compare_images,
    fit_board_pose,
)
from eyebolt.protocol import LiveProof
from eyebolt.session import AcceptedResult, CaptureRecord, State

# A stream has ten poses a second and more; after a longer pause the arm may stand elsewhere.
_MAX_GAP_S = 0.15
_MAX_POSES = 4000
# Poses between the ends of an interval that are compared with each other.
_COMPARED_POSES = 12
_MAX_WAITING_VIEWS = 16
# An image before that shows whether the board moves.
_MAX_PREVIOUS_S = 1.0
# Without subscribers: a place is proven again after this time.
_PROVEN_FOR_S = 30.0
# The board is where a request found it: below what a person sees, above the noise of corners.
_SAME_PLACE_PX = 0.5
_MIN_COMMON_CORNERS = 10

_MAX_MOTION_M = ARM_TRANSLATION.value / 1e3
_MAX_MOTION_RAD = float(np.deg2rad(ARM_ROTATION.value))

_log = structlog.get_logger("view")


@dataclass(frozen=True)
class _Waiting:
    """A view whose poses have not all arrived yet."""

    exposed_s: float
    last_s: float
    """Latest instant at which the pose of its exposure can arrive."""
    seen: SeenBoard
    board_pose: BoardPose
    detection: Detection


class ResultProver:
    """The proof of one station. ``state`` returns the session's state; it is called in the thread of the views.

    The methods on poses are called in the loop, all others in the thread of the views.
    """

    def __init__(self, context: StationContext, state: Callable[[], State]) -> None:
        self._context = context
        self._state = state
        config = context.session_config
        self._config = config
        self._corners_m = context.board.corners_m()
        self._lock = threading.Lock()
        self._poses: deque[tuple[float, tuple[float, ...]]] = deque(maxlen=_MAX_POSES)
        self._connection: int | None = None
        self._key: tuple[object, ...] | None = None
        self._model: PredictiveModel | None = None
        self._states_error = False
        self._looked_at: tuple[str, int] = ("", 0)
        self._captured: tuple[Detection, Array] | None = None
        self._previous: tuple[float, Detection] | None = None
        self._waiting: deque[_Waiting] = deque(maxlen=_MAX_WAITING_VIEWS)
        self._views: tuple[ProvenView, ...] = ()
        self._proven: tuple[float, Array] | None = None
        self.proof: LiveProof | None = None
        """What the views so far show; may be read in any thread."""

    def add_pose(self, connection: int, raw_pose: tuple[float, ...], at_ns: int) -> bool:
        """A live pose of the connection that holds the station, or of any while none does; whether a stream begins."""
        if self._state().robot_connection not in (None, connection):
            return False
        with self._lock:
            if connection != self._connection:
                self._poses.clear()
                self._connection = connection
            begins = not self._poses or at_ns / 1e9 - self._poses[-1][0] > _MAX_GAP_S
            self._poses.append((at_ns / 1e9, raw_pose))
        return begins

    @property
    def is_following(self) -> bool:
        """Whether a result is in use and a robot streams its poses; may be read in any thread."""
        accepted = self._state().accepted
        with self._lock:
            newest_s = self._poses[-1][0] if self._poses else -np.inf
        return _is_usable(accepted) and time.monotonic() - newest_s < _MAX_GAP_S

    @property
    def has_news(self) -> bool:
        """Whether another result is in use, or there are captures not looked at; may be read in any thread."""
        state = self._state()
        if _key(state.accepted) != self._key:
            return True
        return _is_usable(state.accepted) and _position(state) != self._looked_at

    @property
    def wants_view(self) -> bool:
        """Whether the arm stands at a place that was not proven lately, so that an image of it is wanted."""
        self.refresh()
        if self._model is None:
            return False
        now_s = time.monotonic()
        pose = self._still_pose(now_s - 2 * MAX_DELAY_S, now_s)
        if pose is None:
            return False
        if self._proven is None or now_s - self._proven[0] > _PROVEN_FOR_S:
            return True
        return _motion([self._proven[1], pose])[0] > 1e-3

    def refresh(self) -> None:
        """Takes up another result in use, captures since then, and views whose poses have arrived."""
        state = self._state()
        accepted = state.accepted
        if _key(accepted) != self._key:
            self._begin(accepted, state)
        log = state.log
        if self._model is None:
            self._looked_at = _position(state)
            return
        if log is not None and state.task is None and (position := _position(state)) != self._looked_at:
            first = self._looked_at[1] if self._looked_at[0] == log.name else 0
            self._looked_at = position
            for capture in log.captures[first:]:
                self._add_capture(capture)
        self._compare_waiting()

    def note_view(self, frame: Frame, seen: SeenBoard) -> None:
        """A view between captures: it is compared once the poses show that the arm stood still."""
        detection, exposed_s = seen.detection, frame.exposed_ns / 1e9
        if not isinstance(detection, Detection):
            self._previous = None
            return
        is_still = self._is_still_after(self._previous, exposed_s, detection)
        self._previous = exposed_s, detection
        if is_still and self._model is not None and seen.board_pose is not None:
            # Of method ARRIVAL the exposure lies anywhere between the two instants.
            last_s = frame.arrived_ns / 1e9 + MAX_DELAY_S
            self._waiting.append(_Waiting(exposed_s, last_s, seen, seen.board_pose, detection))

    def predict(self, frame: Frame, seen: SeenBoard) -> Array | None:
        """camera_T_board (4, 4), metres, by the result in use; None without it, or if the arm may be moving.

        To be called before ``note_view``.
        """
        if self._model is None:
            return None
        detection, exposed_s = seen.detection, frame.exposed_ns / 1e9
        pose = None
        if isinstance(detection, Detection) and self._captured is not None:
            captured, captured_pose = self._captured
            if _shift_px(captured, detection) < _SAME_PLACE_PX:
                pose = captured_pose
        if pose is None and self._is_still_after(self._previous, exposed_s, detection):
            pose = self._still_pose(exposed_s + MIN_DELAY_S, time.monotonic())
        return None if pose is None else self._model.predict(pose, self._corners_m)

    def _begin(self, accepted: AcceptedResult | None, state: State) -> None:
        self._key = _key(accepted)
        self._views, self._proven, self.proof = (), None, None
        self._waiting.clear()
        self._captured, self._looked_at = None, _position(state)
        self._model, self._states_error = None, False
        if accepted is None or not _is_usable(accepted) or accepted.transform is None:
            return
        self._states_error = accepted.prediction is not None
        self._model = accepted.prediction
        if self._model is None and accepted.board_transform is not None:
            # A result of before its prediction was written: the distance without what is allowed.
            mount = self._config.mount
            nothing = np.zeros((12, 12))
            noise = RobotNoise(0.0, 0.0)
            self._model = PredictiveModel(mount, accepted.transform, accepted.board_transform, nothing, noise, 0.0, 1.0)

    def _add_capture(self, capture: CaptureRecord) -> None:
        detection, pose = capture.detection, capture.base_T_flange
        if not capture.is_kept or capture.verb == "place" or pose is None or not isinstance(detection, Detection):
            return
        self._captured = detection, pose
        fitted = fit_board_pose(self._context.lens, detection.ids, detection.corners_px, self._corners_m)
        if fitted is not None:
            self._compare(pose, fitted[0], detection, capture.image.frame.exposed_s)

    def _compare_waiting(self) -> None:
        while self._waiting:
            view = self._waiting[0]
            if view.last_s > time.monotonic():
                return
            self._waiting.popleft()
            pose = self._still_pose(view.exposed_s + MIN_DELAY_S, view.last_s)
            if pose is not None and self._is_acceptable(view, pose):
                self._proven = time.monotonic(), pose
                self._compare(pose, view.board_pose, view.detection, view.exposed_s)

    def _compare(self, base_T_flange: Array, observed: BoardPose, detection: Detection, exposed_s: float) -> None:
        if self._model is None:
            return
        view = compare_view(
            self._model,
            self._context.lens,
            self._corners_m,
            base_T_flange,
            observed,
            detection.corners_px,
            time.time() - (time.monotonic() - exposed_s),
            half_turn_ambiguous=detection.half_turn_ambiguous,
            states_error=self._states_error,
        )
        was_consistent = None if self.proof is None else self.proof.consistent
        self._views = with_view(self._views, view)
        self.proof = proof = summarize_proof(self._views)
        if proof.consistent is not None and proof.consistent is not was_consistent:
            log = _log.info if proof.consistent else _log.warning
            log("live proof", consistent=proof.consistent, message=proof.message, remedy=proof.remedy)

    def _is_acceptable(self, view: _Waiting, base_T_flange: Array) -> bool:
        """Whether the view would be kept as a check."""
        found = assess_view(
            view.detection,
            self._config.lens_size_px,
            len(self._corners_m),
            base_T_flange,
            [],
            allow_repeated_pose=True,
            view=view.seen.view,
        )
        return found.code.is_success

    def _still_pose(self, first_s: float, last_s: float) -> Array | None:
        """The flange pose (4, 4) of the poses that arrived from ``first_s`` to ``last_s``; None if it moved.

        None too if the stream has a gap there, or begins later.
        """
        with self._lock:
            arrived = [item for item in self._poses if item[0] >= first_s - _MAX_GAP_S]
        inside = [item for item in arrived if item[0] <= last_s + _MAX_GAP_S]
        times_s = np.array([at_s for at_s, _ in inside])
        if not len(inside) or times_s[0] > first_s or times_s[-1] < min(last_s, time.monotonic() - _MAX_GAP_S):
            return None
        if np.diff(times_s).max(initial=0.0) > _MAX_GAP_S:
            return None
        rows = np.unique(np.linspace(0, len(inside) - 1, _COMPARED_POSES).round().astype(int))
        try:
            poses = [self._config.base_T_flange(inside[row][1]) for row in rows]
        except InputFault:
            return None
        moved_m, turned_rad = _motion(poses)
        is_still = moved_m <= _MAX_MOTION_M and turned_rad <= _MAX_MOTION_RAD
        return poses[len(poses) // 2] if is_still else None

    def _is_still_after(self, previous: tuple[float, Detection] | None, exposed_s: float, detection: object) -> bool:
        """Whether the board is where it was in the image before; True if it is not seen."""
        if not isinstance(detection, Detection):
            return True
        if previous is None or not 0 < exposed_s - previous[0] <= _MAX_PREVIOUS_S:
            return False
        motion = compare_images(previous[1], detection, (exposed_s - previous[0]) * 1e3)
        return motion is not None and not motion.has_moved


def _is_usable(accepted: AcceptedResult | None) -> bool:
    return accepted is not None and accepted.gap is None and accepted.transform is not None


def _key(accepted: AcceptedResult | None) -> tuple[object, ...] | None:
    """Of what a result states: it is read again and again."""
    if accepted is None or accepted.transform is None:
        return None
    board = accepted.board_transform
    return accepted.session, accepted.gap, accepted.transform.tobytes(), None if board is None else board.tobytes()


def _position(state: State) -> tuple[str, int]:
    return ("", 0) if state.log is None else (state.log.name, len(state.log.captures))


def _motion(poses: list[Array]) -> tuple[float, float]:
    """Largest translation, metres, and rotation, radians, of poses (4, 4) from the first one."""
    translation_m, rotation_rad = se3.pose_distance(np.array(poses), poses[0])
    return float(np.max(translation_m)), float(np.max(rotation_rad))


def _shift_px(first: Detection, second: Detection) -> float:
    """Median distance of the common corners, px; infinite with few."""
    _, first_rows, second_rows = np.intersect1d(first.ids, second.ids, return_indices=True)
    if len(first_rows) < _MIN_COMMON_CORNERS:
        return float(np.inf)
    return float(np.median(np.linalg.norm(first.corners_px[first_rows] - second.corners_px[second_rows], axis=1)))
