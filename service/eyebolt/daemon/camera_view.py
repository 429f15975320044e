"""What the camera sees, as a view message: an image, what was found in it, and where a result puts the board."""

from __future__ import annotations

import time
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.boards import Detection, NoDetection, to_gray
from eyebolt.cameras import Frame, Pixels
from eyebolt.context import StationContext
from eyebolt.geometry import Array, CameraModel, se3
from eyebolt.observations import BoardPose, View, assess_view, measure_view
from eyebolt.protocol import MAX_VIEW_CORNERS, MAX_VIEW_SIDE_PX, Code, LiveProof, ViewMessage, ViewReason

_JPEG_QUALITY = 80
# Every so many pixels of the reduced image are sample enough for a median.
_SAMPLING = 4
# A view shows the board to a person: a corner is drawn some pixels wide.
_DIGITS_PX = 2

PixelPoints = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class SeenBoard:
    """What was found in one image."""

    detection: Detection | NoDetection
    """The board's corners, or why there are none."""
    view: View
    """Its measures."""
    board_pose: BoardPose | None
    """Its pose; None if the corners allow none."""


def measure_board(context: StationContext, pixels: Pixels, detection: Detection | NoDetection) -> SeenBoard:
    """What ``detection`` shows of the board in an image, as it is measured for a request."""
    view, board_pose = measure_view(to_gray(pixels), detection, context.lens, context.board)
    return SeenBoard(detection, view, board_pose)


class ViewComposer:
    """Makes the view messages of one station. Pure but for the clock."""

    def __init__(self, context: StationContext) -> None:
        self._context = context
        self._corner_count = context.board.corner_count
        artwork, unit_m = context.board.artwork(), context.board.pitch_m
        (left, top), (right, bottom) = artwork.low, artwork.high
        self._outline_m = np.array([[left, top, 0], [right, top, 0], [right, bottom, 0], [left, bottom, 0]]) * unit_m

    def compose(
        self,
        frame: Frame,
        seen: SeenBoard,
        *,
        is_of_capture: bool,
        predicted: Array | None = None,
        proof: LiveProof | None = None,
    ) -> tuple[ViewMessage, bytes]:
        """The message of a frame, and its JPEG. ``predicted``: camera_T_board (4, 4), metres, by the result in use."""
        height, width = frame.pixels.shape[:2]
        shown = displayable(_reduced(frame.pixels), seen.detection.exposure.narrower_bits)
        scale = np.array([shown.shape[1] / width, shown.shape[0] / height])
        detection, view = seen.detection, seen.view
        outline = predicted_outline = None
        if seen.board_pose is not None:
            outline = self._outline(seen.board_pose.camera_T_board, scale)
        if predicted is not None:
            predicted_outline = self._outline(predicted, scale, within=(width, height))
        corners_px = detection.corners_px if isinstance(detection, Detection) else np.empty((0, 2))
        exposure_age_s = (time.monotonic_ns() - frame.exposed_ns) / 1e9
        message = ViewMessage(
            station=self._context.station.station.name,
            time_s=round(time.time() - exposure_age_s, 3),
            image_size=(width, height),
            view_size=(shown.shape[1], shown.shape[0]),
            is_of_capture=is_of_capture,
            found=isinstance(detection, Detection),
            reason=None if isinstance(detection, Detection) else self._not_found(detection),
            corners_px=_in_view(corners_px, scale)[:MAX_VIEW_CORNERS],
            board_outline_px=outline,
            predicted_outline_px=predicted_outline,
            brightness=_brightness(shown, corners_px, scale, detection.exposure.narrower_bits),
            saturated_fraction=round(detection.exposure.saturated_fraction, 4),
            edge_blur_px=round(detection.blur_px, 2) if isinstance(detection, Detection) else None,
            tilt_deg=None if view.tilt_deg is None else round(view.tilt_deg, 1),
            distance_mm=None if view.distance_mm is None else round(view.distance_mm, 1),
            proof=proof,
        )
        encoded, jpeg = cv2.imencode(".jpg", shown, [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY])
        if not encoded:
            raise ValueError("the image cannot be written as JPEG")
        return message, jpeg.tobytes()

    def without_image(self, code: Code, message: str, remedy: str, proof: LiveProof | None = None) -> ViewMessage:
        """The message where there is no image."""
        lens = self._context.lens
        return ViewMessage(
            station=self._context.station.station.name,
            time_s=round(time.time(), 3),
            image_size=(lens.width_px, lens.height_px),
            view_size=None,
            is_of_capture=False,
            found=False,
            reason=ViewReason(code=code, message=message, remedy=remedy),
            corners_px=(),
            board_outline_px=None,
            predicted_outline_px=None,
            brightness=None,
            saturated_fraction=None,
            edge_blur_px=None,
            tilt_deg=None,
            distance_mm=None,
            proof=proof,
        )

    def _not_found(self, detection: NoDetection) -> ViewReason:
        """The reason that a capture of this image would be refused for."""
        refusal = assess_view(detection, detection.image_size_px, self._corner_count, np.eye(4), [])
        return ViewReason(code=refusal.code, message=refusal.message, remedy=refusal.remedy)

    def _outline(
        self, camera_T_board: Array, scale: Array, within: tuple[int, int] | None = None
    ) -> tuple[tuple[float, float], ...] | None:
        """The board's outline in the reduced image; None behind the camera, or without a corner in ``within``."""
        outline_px = project_outline(self._context.lens, camera_T_board, self._outline_m)
        if outline_px is None:
            return None
        if within is not None and not ((outline_px > -0.5) & (outline_px < np.array(within) - 0.5)).all(axis=1).any():
            return None
        return _in_view(outline_px, scale)


def project_outline(camera: CameraModel, camera_T_board: Array, outline_m: Array) -> Array | None:
    """(n, 2), pixels: points (n, 3) of the board, metres; None if one cannot be projected."""
    outline_px = camera.project(se3.apply(camera_T_board, outline_m))
    return outline_px if np.isfinite(outline_px).all() else None


def displayable(pixels: Pixels, narrower_bits: int | None) -> NDArray[np.uint8]:
    """The image with 8 bits a value; ``narrower_bits``: those that hold all values of a 16-bit image, if fewer."""
    if pixels.dtype == np.uint16:
        pixels = (pixels >> ((narrower_bits or 16) - 8)).astype(np.uint8)
    return pixels


def _reduced(pixels: Pixels) -> Pixels:
    """The image with no side longer than ``MAX_VIEW_SIDE_PX``."""
    height, width = pixels.shape[:2]
    factor = min(1.0, MAX_VIEW_SIDE_PX / max(width, height))
    if factor < 1:
        size = max(1, round(width * factor)), max(1, round(height * factor))
        pixels = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA))
    return pixels


def _in_view(points_px: Array, scale: Array) -> PixelPoints:
    """Points (n, 2) of the image in the reduced one: pixel centres are at integers in both."""
    reduced = np.round((points_px + 0.5) * scale - 0.5, _DIGITS_PX)
    return tuple((float(x), float(y)) for x, y in reduced)


def _brightness(shown: NDArray[np.uint8], corners_px: Array, scale: Array, narrower_bits: int | None) -> float:
    """Median gray value of the full scale: on the board where it was found, else of the whole image."""
    gray = to_gray(shown)[::_SAMPLING, ::_SAMPLING]
    mask = np.zeros(gray.shape, np.uint8)
    if len(corners_px):
        hull = cv2.convexHull(np.round(corners_px * scale / _SAMPLING).astype(np.int32).reshape(-1, 1, 2))
        cv2.fillConvexPoly(mask, hull, 1)
    values = gray[mask > 0] if mask.any() else gray
    # What is shown was brightened where the sensor has fewer bits than the image.
    gain = 1.0 if narrower_bits is None else 2.0 ** (16 - narrower_bits)
    return round(float(np.median(values)) / 255 / gain, 4)
