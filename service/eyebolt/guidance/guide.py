"""Guided capture: from the live poses and the followed images, when a pair is taken and what the operator is told.

A pair is one of the images that were followed: by the time at which the stream shows that the arm stood still during
an exposure, that exposure is a delay ago. Its pose is interpolated to the middle of the exposure. An image is taken if

- the poses of the exposure, of the delay's confidence interval before and after it, move the board by less than
  ``MAX_PREDICTED_PX``, the uncertainty of the mounting included (``delay.MotionModel``);
- the corners moved by less than ``MAX_IMAGE_SHIFT_PX`` from the image before and to the image after it: what the poses
  do not show (a board that swings, a stream that stands still) shows there;
- the board is in view with enough corners, and the place is new.

With tremor of frequency f and amplitude a, an exposure of length t sees 2 a sin(pi f t) at most, and of two successive
intervals of images, one every third of a period, one shows at least 0.87 a: at 10 Hz, 30 images per second and 10 ms
the second limit alone keeps the motion below 0.09 px.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from eyebolt.boards import Board, Detection, NoDetection
from eyebolt.geometry import Array, CameraModel, Mount, se3
from eyebolt.guidance.delay import (
    MAX_DELAY_S,
    MAX_SEGMENT_S,
    MIN_DELAY_S,
    SEGMENT_S,
    DelayEstimate,
    MotionModel,
    fit_segment,
)
from eyebolt.guidance.pose_stream import PoseStream
from eyebolt.observations import MIN_CORNERS, CornerObservations, fit_board_pose, refine_board_poses
from eyebolt.protocol import GuidancePhase

MAX_PREDICTED_PX = 0.07
"""Largest motion of a corner during the exposure as the poses predict it, pixels: below the limit of 0.1 by the errors
of mounting and interpolation."""
MAX_IMAGE_SHIFT_PX = 0.12
"""Largest motion of a corner from one image to the next, pixels."""
NEW_PLACE_M, NEW_PLACE_RAD = 0.03, float(np.deg2rad(5.0))
"""A place is new if its flange is so far from that of every pair, in translation or in rotation (common practice)."""
UNKNOWN_EXPOSURE_S = 0.02
"""Exposure that is assumed where the station file states none, seconds."""
MAX_ATTEMPTS = 2
"""Pairs that are tried at one place, if the first is refused."""
_MIN_CORNER_SHARE = 0.2
_MIN_COMMON_CORNERS = 10
# The other tilt branch, or a step that stopped early, leaves more.
_GOOD_FIT_PX = 0.3
# Followed images are kept for as long as the stream may lag behind, with the delay not known yet.
_FRAMES = 64
_MAX_TRIPLE_S = 1.0
_SILENCE_S = 1.0
# The operator sees the arm as standing still long before the corners do.
_NEARLY_STILL_PX = 3.0
_SEGMENT_IMAGES = 30
_STEPS_PER_EXPOSURE = 4


@dataclass(frozen=True)
class FollowedFrame:
    """One image in which the board was searched."""

    number: int
    """Counts the images."""
    exposed_s: float
    """Start of its exposure, seconds."""
    detection: Detection | NoDetection
    """The board in it."""
    camera_T_board: Array | None
    """(4, 4): pose of the board; None without one."""
    shift_px: float | None
    """Largest motion of a corner since the image before; None if the board was not found in both."""


@dataclass(frozen=True)
class GuidedPair:
    """A pair that is to be taken, and what shows that the arm stood still."""

    frame: FollowedFrame
    """Its image."""
    before: FollowedFrame
    """The image before it."""
    base_T_flange: Array
    """(4, 4), metres: the pose at the middle of the exposure."""
    predicted_px: float
    """Largest motion of a corner during the exposure as the poses predict it, pixels."""
    image_shift_px: float
    """Larger of its corners' motions from the image before and to the image after, pixels."""
    delay: DelayEstimate | None
    """Delay of the pose stream; None if it was not known, and any delay was allowed for."""


@dataclass(frozen=True)
class _StillView:
    """An image during which the arm stood still."""

    frame: FollowedFrame
    before: FollowedFrame
    base_T_flange: Array
    predicted_px: float
    image_shift_px: float


@dataclass(frozen=True)
class GuideSetup:
    """What guided capture takes from the station."""

    mount: Mount
    """Of the camera."""
    camera: CameraModel
    """Lens of the camera."""
    board: Board
    """The board."""
    exposure_s: float | None = None
    """Exposure time; None: not stated."""


@dataclass
class Guide:
    """Guided capture of one session. Instants are seconds of one clock; no clock is read."""

    setup: GuideSetup
    stream: PoseStream = field(default_factory=PoseStream)
    """The live poses."""
    _frames: deque[FollowedFrame] = field(default_factory=lambda: deque(maxlen=_FRAMES))
    _segment: list[tuple[float, Array]] = field(default_factory=list)
    _attempts: list[Array] = field(default_factory=list)
    _still: deque[_StillView] = field(default_factory=lambda: deque(maxlen=_FRAMES))
    _judged: int = -1

    def __post_init__(self) -> None:
        self._model = MotionModel(self.setup.mount)
        corners_m = self.setup.board.corners_m()
        low, high = corners_m.min(axis=0), corners_m.max(axis=0)
        self._outer_m = np.array([[x, y, 0.0] for x in (low[0], high[0]) for y in (low[1], high[1])])
        self._corners_m = corners_m
        self.exposure_s = UNKNOWN_EXPOSURE_S if self.setup.exposure_s is None else self.setup.exposure_s

    @property
    def delay(self) -> DelayEstimate | None:
        """From the middle of an exposure to the arrival of its pose; None while it is not known."""
        return self._model.delay

    def add_pose(self, arrived_s: float, base_T_flange: Array) -> None:
        """One live flange pose (4, 4), metres."""
        self.stream.add(arrived_s, base_T_flange)

    def add_frame(self, number: int, exposed_s: float, detection: Detection | NoDetection) -> None:
        """One image, in the order of the exposures."""
        view = self._view(detection) if isinstance(detection, Detection) else None
        frame = FollowedFrame(number, exposed_s, detection, view, self._shift_px(detection))
        self._frames.append(frame)
        if view is not None:
            self._segment.append((exposed_s + self.exposure_s / 2, view))
        self._fit_segment()
        self._judge_frames()

    def next_pair(self, places: Sequence[Array], oldest: int = 0) -> GuidedPair | None:
        """An image that is fit to be a pair at a place other than ``places`` (4, 4 each); None without one.

        ``oldest``: number of the oldest image that is still in memory.
        """
        for still in reversed(self._still):
            if still.before.number < oldest:
                return None
            pose = still.base_T_flange
            if is_new_place(pose, places) and self._attempts_at(pose) < MAX_ATTEMPTS:
                return GuidedPair(still.frame, still.before, pose, still.predicted_px, still.image_shift_px, self.delay)
        return None

    def begin_pair(self, pair: GuidedPair) -> None:
        """The pair is being taken: no image up to it is used again."""
        self._still.clear()
        if self._attempts_at(pair.base_T_flange) == 0:
            self._attempts.clear()
        self._attempts.append(pair.base_T_flange)

    def phase(self, now_s: float, places: Sequence[Array], is_busy: bool) -> GuidancePhase:
        """What the operator is to do now; ``is_busy``: a request is in progress."""
        arrivals = self.stream.arrivals_s
        if not len(arrivals) or now_s - arrivals[-1] > _SILENCE_S:
            return GuidancePhase.NO_POSES
        if not self._frames or now_s - self._frames[-1].exposed_s > _SILENCE_S + MAX_DELAY_S:
            return GuidancePhase.NO_IMAGES
        newest = self._frames[-1]
        if is_busy:
            return GuidancePhase.TAKING
        if newest.camera_T_board is None or not self._is_in_view(newest.detection):
            return GuidancePhase.BOARD_NOT_IN_VIEW
        pose = self.stream.poses[-1]
        shift_px = newest.shift_px
        is_nearly_still = shift_px is not None and shift_px < _NEARLY_STILL_PX
        if is_new_place(pose, places) and self._attempts_at(pose) < MAX_ATTEMPTS:
            return GuidancePhase.HOLD_STILL if is_nearly_still else GuidancePhase.MOVE_ON
        return GuidancePhase.PLACE_TAKEN if is_nearly_still else GuidancePhase.MOVE_ON

    def _attempts_at(self, pose: Array) -> int:
        return sum(not is_new_place(pose, [attempt]) for attempt in self._attempts)

    def _is_in_view(self, detection: Detection | NoDetection) -> bool:
        needed = max(MIN_CORNERS, _MIN_CORNER_SHARE * len(self._corners_m))
        return isinstance(detection, Detection) and len(detection.ids) >= needed

    def _view(self, detection: Detection) -> Array | None:
        """Pose of the board (4, 4), from that in the image before where that leads to one that fits."""
        camera, before = self.setup.camera, self._frames[-1].camera_T_board if self._frames else None
        if before is not None and len(detection.ids) >= _MIN_COMMON_CORNERS:
            stack = CornerObservations.from_view(detection.ids, detection.corners_px, self._corners_m)
            refined, rss_px2 = refine_board_poses(camera, stack, before[None], iterations=8)
            if rss_px2[0] < 2 * len(detection.ids) * _GOOD_FIT_PX**2:
                view: Array = refined[0]
                return view
        fitted = fit_board_pose(camera, detection.ids, detection.corners_px, self._corners_m)
        return None if fitted is None else fitted[0].camera_T_board

    def _fit_segment(self) -> None:
        """Regresses the oldest views once the stream covers them; segments do not overlap."""
        if not self._segment or self._frames[-1].exposed_s < self._segment[0][0] + SEGMENT_S + MAX_DELAY_S:
            return
        times_s = np.array([time_s for time_s, _ in self._segment])
        # A slow camera needs more time for as many images.
        end_s = max(times_s[0] + SEGMENT_S, times_s[min(_SEGMENT_IMAGES, len(times_s)) - 1])
        if len(times_s) < _SEGMENT_IMAGES:
            end_s = times_s[0] + MAX_SEGMENT_S
        if self._frames[-1].exposed_s < end_s + MAX_DELAY_S:
            return
        inside = times_s < min(end_s, times_s[0] + MAX_SEGMENT_S)
        views = np.array([view for _, view in self._segment])
        fitted = fit_segment(self.setup.mount, self.stream, times_s[inside], views[inside])
        if fitted is not None:
            self._model.add(fitted)
        del self._segment[: int(inside.sum())]

    def _judge_frames(self) -> None:
        """Judges the images, each once, in their order, as soon as the stream covers them and the next one is there."""
        frames = list(self._frames)
        for before, frame, after in zip(frames, frames[1:], frames[2:], strict=False):
            if frame.number <= self._judged:
                continue
            is_candidate = (
                frame.shift_px is not None
                and after.shift_px is not None
                and max(frame.shift_px, after.shift_px) <= MAX_IMAGE_SHIFT_PX
                and after.exposed_s - before.exposed_s <= _MAX_TRIPLE_S
                and self._is_in_view(frame.detection)
            )
            if is_candidate:
                predicted = self._predicted_motion(frame)
                if predicted is None:
                    if frames[-1].exposed_s - frame.exposed_s < 2 * MAX_DELAY_S:
                        return
                elif predicted[1] <= MAX_PREDICTED_PX:
                    shift_px = max(frame.shift_px or 0.0, after.shift_px or 0.0)
                    self._still.append(_StillView(frame, before, *predicted, shift_px))
            self._judged = frame.number

    def _shift_px(self, detection: Detection | NoDetection) -> float | None:
        """Largest motion of a corner since the newest image, smoothed over the board by an affine map.

        None with fewer than 10 common corners.
        """
        first = self._frames[-1].detection if self._frames else None
        if not isinstance(first, Detection) or isinstance(detection, NoDetection):
            return None
        _, rows, rows_now = np.intersect1d(first.ids, detection.ids, return_indices=True)
        if len(rows) < _MIN_COMMON_CORNERS:
            return None
        before_px = first.corners_px[rows]
        design = np.column_stack([np.ones(len(rows)), before_px - before_px.mean(axis=0)])
        shift = design @ np.linalg.lstsq(design, detection.corners_px[rows_now] - before_px, rcond=None)[0]
        return float(np.linalg.norm(shift, axis=1).max())

    def _predicted_motion(self, frame: FollowedFrame) -> tuple[Array, float] | None:
        """Pose (4, 4) at the middle of the exposure, and the motion that the poses predict; None without poses yet."""
        if frame.camera_T_board is None:
            return None
        delay = self.delay
        low_s, high_s = (
            (MIN_DELAY_S, MAX_DELAY_S)
            if delay is None
            else (delay.delay_s - delay.half_width_s, delay.delay_s + delay.half_width_s)
        )
        first_s, last_s = frame.exposed_s + low_s, frame.exposed_s + self.exposure_s + high_s
        if not self.stream.covers(first_s, last_s):
            return None
        step_s = self.exposure_s / _STEPS_PER_EXPOSURE
        instants = first_s + step_s * np.arange(int(np.ceil((last_s - first_s) / step_s)) + 1)
        middle_s = frame.exposed_s + self.exposure_s / 2 + (low_s + high_s) / 2
        pose = self.stream.poses_at(np.array([middle_s]))[0]
        views, sigma_m = self._model.predict(frame.camera_T_board, pose, self.stream.poses_at(instants))
        points_m = se3.apply(views, self._outer_m)
        pixels = self.setup.camera.project(points_m)
        px_per_m = float(np.sqrt(self.setup.camera.matrix[0, 0] * self.setup.camera.matrix[1, 1])) / max(
            float(points_m[..., 2].min()), 1e-3
        )
        uncertain_px = 2 * px_per_m * sigma_m
        motion_px = 0.0
        for lag in range(1, min(_STEPS_PER_EXPOSURE, len(instants) - 1) + 1):
            moved = np.linalg.norm(pixels[lag:] - pixels[:-lag], axis=-1).max(axis=-1)
            motion_px = max(motion_px, float((moved + np.abs(uncertain_px[lag:] - uncertain_px[:-lag])).max()))
        return (pose, motion_px) if np.isfinite(motion_px) else None


def is_new_place(base_T_flange: Array, places: Sequence[Array]) -> bool:
    """Whether a flange pose (4, 4) is far enough from all ``places`` (4, 4 each) to be worth a pair."""
    if not len(places):
        return True
    translation_m, rotation_rad = se3.pose_distance(np.asarray(places), base_T_flange)
    return bool(((translation_m >= NEW_PLACE_M) | (rotation_rad >= NEW_PLACE_RAD)).all())
