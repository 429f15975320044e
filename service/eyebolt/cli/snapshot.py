"""``eyebolt snapshot``: one picture of the station's camera with what was found drawn in."""

from __future__ import annotations

import io
import re
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from eyebolt.boards import Detection, find_board
from eyebolt.cameras import image_size
from eyebolt.cli.keys import status_source
from eyebolt.context import load_context
from eyebolt.daemon import ViewComposer, displayable, measure_board, open_station_camera
from eyebolt.errors import InputFault, MachineFault, writing_remedy
from eyebolt.geometry import Array
from eyebolt.monitor import StatusSubscriber
from eyebolt.protocol import MAX_VIEW_SIDE_PX, ViewMessage
from eyebolt.security import ClientKeys

EXIT_NOT_FOUND = 3
"""The picture was written, and the board is not in it."""

# A daemon publishes its status twice a second.
_STATUS_WAIT_S = 1.5
# Longer than a capture with its solve.
_VIEW_WAIT_S = 10.0
_GRAB_TIMEOUT_S = 10.0
_SUFFIXES = (".png", ".jpg", ".jpeg")

# As on the page: the outline that is seen is a line, the one that the result predicts is dashed.
_SEEN, _PREDICTED, _CORNER, _EDGE = (255, 227, 111), (84, 180, 255), (255, 255, 255), (20, 20, 20)
_PAPER, _INK = (250, 250, 250), (20, 20, 20)
_FONT = cv2.FONT_HERSHEY_SIMPLEX
_DASH_PX = 9.0

Picture = NDArray[np.uint8]
"""(H, W, 3), blue-green-red."""


@dataclass(frozen=True)
class Snapshot:
    """A picture and what was found in it. Points are pixels of the picture."""

    picture: Picture
    """The picture, nothing drawn in."""
    message: ViewMessage
    """What was found; its points are those of the view, not of the picture."""
    corners_px: Array
    """(n, 2): corners that were found."""
    outline_px: Array | None
    """(4, 2): outline of the board where it is seen."""
    predicted_px: Array | None
    """(4, 2): outline of the board where the result in use puts it."""


def take_snapshot(station_file: Path, out: Path | None, print_line: Callable[[str], None]) -> int:
    """Writes the picture, prints what was found, and returns the exit code.

    From the running daemon, or else from the camera itself. Raises InputFault ``snapshot-file`` and
    ``file-unwritable``, MachineFault ``snapshot-none``, CameraFault, and what ``load_context`` and the camera raise.
    """
    if out is not None and out.suffix.lower() not in _SUFFIXES:
        raise InputFault(
            "snapshot-file",
            f"{out} has none of the endings {', '.join(_SUFFIXES)}",
            "give the file one of them, for instance --out picture.png.",
        )
    name, endpoint, keys = status_source(station_file, None, None)
    snapshot, source = _from_daemon(str(name), endpoint, keys)
    if snapshot is None:
        print_line(f"Opening the camera: {source}.")
        snapshot, source = _from_camera(station_file)
    path = out or Path(f"{_file_name(str(name))}-{datetime.now():%Y%m%d-%H%M%S}.png")
    lines = describe(snapshot.message)
    _write(
        path, draw(snapshot, [f"{name}, {datetime.fromtimestamp(snapshot.message.time_s):%Y-%m-%d %H:%M:%S}", *lines])
    )
    print_line(f"Picture from {source}: {path}")
    for line in lines:
        print_line(line)
    return 0 if snapshot.message.found else EXIT_NOT_FOUND


def describe(message: ViewMessage) -> list[str]:
    """What was found, in sentences for an operator."""
    lines = []
    if message.found:
        lines.append(f"The board was found: {len(message.corners_px)} corners.")
        if message.tilt_deg is not None and message.distance_mm is not None:
            lines.append(f"Tilt {message.tilt_deg:.0f} deg, distance {message.distance_mm:.0f} mm.")
    elif message.reason is not None:
        lines.append(f"The board was not found: {message.reason.message} (code {int(message.reason.code)}).")
        lines.append(message.reason.remedy)
    light = []
    if message.brightness is not None:
        light.append(f"brightness {message.brightness:.0%}")
    if message.saturated_fraction is not None:
        light.append(f"saturated {message.saturated_fraction:.1%}")
    if message.edge_blur_px is not None:
        light.append(f"edges {message.edge_blur_px:.2f} px wide")
    if light:
        lines.append(f"{', '.join(light).capitalize()}.")
    if message.proof is not None:
        lines.append(f"Result in use: {message.proof.message}.")
        if message.proof.remedy:
            lines.append(message.proof.remedy)
    return [line for line in lines if line]


def draw(snapshot: Snapshot, lines: Sequence[str]) -> Picture:
    """The picture with corners and outlines, and ``lines`` on a strip below it."""
    drawn = snapshot.picture.copy()
    width = drawn.shape[1]
    thickness = max(1, round(width / 640))
    if snapshot.outline_px is not None:
        _polygon(drawn, snapshot.outline_px, _EDGE, thickness + 2)
        _polygon(drawn, snapshot.outline_px, _SEEN, thickness)
    for corner in snapshot.corners_px:
        for colour, more in ((_EDGE, 2), (_CORNER, 0)):
            _cross(drawn, corner, 3.0 * thickness, colour, thickness + more)
    if snapshot.predicted_px is not None:
        for colour, more in ((_EDGE, 2), (_PREDICTED, 0)):
            _dashes(drawn, snapshot.predicted_px, colour, thickness + more)
    legend = ["Line: the board as it is seen."] if snapshot.outline_px is not None else []
    if snapshot.predicted_px is not None:
        legend.append("Dashed: where the result in use puts it.")
    return np.concatenate([drawn, _strip(width, [*lines, *([" ".join(legend)] if legend else [])])])


def _from_daemon(name: str, endpoint: str, keys: ClientKeys | None) -> tuple[Snapshot | None, str]:
    """The newest view of the daemon, and where it is from; None without a daemon, and why."""
    with StatusSubscriber(endpoint, keys, with_view=True) as subscriber:
        until_s = time.monotonic() + _STATUS_WAIT_S
        while subscriber.status is None and (left_s := until_s - time.monotonic()) > 0:
            subscriber.wait(left_s)
        status = subscriber.status
        if status is None:
            return None, subscriber.note.rstrip(".") or f"no daemon answers at {endpoint}"
        if status.station != name:
            return None, f"at {endpoint} answers the station {status.station}"
        until_s = time.monotonic() + _VIEW_WAIT_S
        while subscriber.view is None and (left_s := until_s - time.monotonic()) > 0:
            subscriber.wait(left_s)
        view = subscriber.view
    if view is None:
        raise MachineFault(
            "snapshot-none",
            f"the daemon of {name} answers at {endpoint}, but showed no picture in {_VIEW_WAIT_S:.0f} s",
            "wait until no request is in progress (eyebolt watch STATION), then try again.",
            endpoint=endpoint,
        )
    message = view.message
    if not view.jpeg:
        reason = message.reason
        raise MachineFault(
            "snapshot-none",
            f"the daemon of {name} has no picture: {reason.message if reason is not None else 'no reason is given'}",
            reason.remedy if reason is not None else "see the daemon's log.",
            endpoint=endpoint,
        )
    picture = _decoded(view.jpeg, message.view_size)
    if picture is None:
        raise MachineFault(
            "snapshot-none",
            f"the picture that the daemon at {endpoint} sent is damaged",
            "update eyebolt on both computers, then try again.",
            endpoint=endpoint,
        )
    return _snapshot(picture, message, 1.0), f"the running daemon at {endpoint}"


def _decoded(jpeg: bytes, size_px: tuple[int, int] | None) -> Picture | None:
    """The picture; None if it is damaged, or has another size than its message states."""
    try:
        if size_px is None or max(size_px) > MAX_VIEW_SIDE_PX or image_size(io.BytesIO(jpeg)) != size_px:
            return None
        picture = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
    except (cv2.error, ValueError):
        return None
    return None if picture is None else np.asarray(picture, np.uint8)


def _from_camera(station_file: Path) -> tuple[Snapshot, str]:
    context = load_context(station_file)
    camera = open_station_camera(context, None)
    try:
        frame = camera.grab(time.monotonic_ns(), _GRAB_TIMEOUT_S)
    finally:
        camera.close()
    detection = find_board(frame.pixels, context.board)
    seen = measure_board(context, frame.pixels, detection)
    message, _ = ViewComposer(context).compose(frame, seen, is_of_capture=False)
    picture = displayable(frame.pixels, detection.exposure.narrower_bits)
    if picture.ndim == 2:
        picture = np.asarray(cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR), np.uint8)
    scale = 1.0 if message.view_size is None else picture.shape[1] / message.view_size[0]
    snapshot = _snapshot(picture, message, scale)
    if isinstance(detection, Detection):
        snapshot = Snapshot(picture, message, detection.corners_px, snapshot.outline_px, None)
    return snapshot, f"the camera itself (image {frame.name})"


def _snapshot(picture: Picture, message: ViewMessage, scale: float) -> Snapshot:
    def scaled(points: Sequence[tuple[float, float]] | None) -> Array | None:
        return None if points is None else (np.array(points).reshape(-1, 2) + 0.5) * scale - 0.5

    corners_px = scaled(message.corners_px)
    return Snapshot(
        picture,
        message,
        np.empty((0, 2)) if corners_px is None else corners_px,
        scaled(message.board_outline_px),
        scaled(message.predicted_outline_px),
    )


def _file_name(station: str) -> str:
    return re.sub(r"[^A-Za-z0-9_-]+", "-", station).strip("-")[:60] or "station"


def _write(path: Path, picture: Picture) -> None:
    encoded, data = cv2.imencode(path.suffix, picture)
    try:
        if not encoded:
            raise OSError("it cannot be encoded")
        path.write_bytes(data.tobytes())
    except OSError as error:
        raise InputFault(
            "file-unwritable",
            f"{path} cannot be written: {error.strerror or error}",
            writing_remedy(error),
        ) from None


# Sixteenths of a pixel, as OpenCV draws them.
_SHIFT = 4


def _fixed(points_px: Array) -> NDArray[np.int32]:
    # Far outside the picture lines need no accuracy, and their numbers must fit.
    return np.round(np.clip(points_px, -1e5, 1e5) * (1 << _SHIFT)).astype(np.int32)


def _polygon(picture: Picture, points_px: Array, colour: tuple[int, int, int], thickness: int) -> None:
    cv2.polylines(picture, [_fixed(points_px)], True, colour, thickness, cv2.LINE_AA, _SHIFT)


def _segment(picture: Picture, ends_px: Array, colour: tuple[int, int, int], thickness: int) -> None:
    (x0, y0), (x1, y1) = _fixed(ends_px).tolist()
    cv2.line(picture, (x0, y0), (x1, y1), colour, thickness, cv2.LINE_AA, _SHIFT)


def _cross(picture: Picture, centre_px: Array, arm_px: float, colour: tuple[int, int, int], thickness: int) -> None:
    for direction in np.array([[1.0, 0.0], [0.0, 1.0]]):
        _segment(picture, np.array([centre_px - arm_px * direction, centre_px + arm_px * direction]), colour, thickness)


def _dashes(picture: Picture, outline_px: Array, colour: tuple[int, int, int], thickness: int) -> None:
    for begin, end in zip(outline_px, np.roll(outline_px, -1, axis=0), strict=True):
        length_px = float(np.linalg.norm(end - begin))
        count = int(min(max(length_px / (2 * _DASH_PX * thickness), 2), 500))
        for k in range(count):
            first, last = begin + (end - begin) * k / count, begin + (end - begin) * (k + 0.55) / count
            _segment(picture, np.array([first, last]), colour, thickness)


def _strip(width: int, lines: Sequence[str]) -> Picture:
    """The lines on paper, wrapped to ``width``, px. The font has ASCII alone."""
    scale = max(0.4, width / 1600)
    thickness = max(1, round(2 * scale))
    (_, height), baseline = cv2.getTextSize("Ag", _FONT, scale, thickness)
    step, margin = round(1.8 * (height + baseline)), round(1.2 * height)
    rows: list[str] = []
    for line in lines:
        row = ""
        for word in line.encode("ascii", "replace").decode("ascii").split():
            longer = f"{row} {word}" if row else word
            if row and cv2.getTextSize(longer, _FONT, scale, thickness)[0][0] > width - 2 * margin:
                rows.append(row)
                longer = word
            row = longer
        rows.append(row)
    strip = np.full((step * len(rows) + margin, width, 3), _PAPER, np.uint8)
    for k, row in enumerate(rows):
        place = margin, margin + k * step + height
        cv2.putText(strip, row, place, _FONT, scale, _INK, thickness, cv2.LINE_AA)
    return strip
