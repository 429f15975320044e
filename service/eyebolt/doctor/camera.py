"""The camera: alive and fresh, its picture's size, exposure and focus, and how well the board is seen."""

from __future__ import annotations

import contextlib
import time
from pathlib import Path

import numpy as np

from eyebolt.boards import Detection, find_board, to_gray
from eyebolt.cameras import Camera, DeviceCamera, DriverSettings, Frame, FreshnessMethod, open_camera, wrong_size
from eyebolt.config import CameraSection
from eyebolt.context import StationContext
from eyebolt.deadline import Deadline
from eyebolt.doctor.bounded import Report
from eyebolt.doctor.report import CheckResult, State, sentence
from eyebolt.errors import CameraFault
from eyebolt.observations import View, assess_view, measure_view

CONNECT_S = 6.0
"""A device opens within this time, and a sender that runs has sent."""
GRAB_S = 6.0
_POLL_S = 0.05
_IMAGES = 3
LIMIT_S = CONNECT_S + _IMAGES * GRAB_S + 5.0
"""For all of it; a driver may wait some seconds longer than it should."""
# Within a reply a robot program waits for anyway; common practice, no source.
_SLOW_IMAGE_S = 2.0
_METHODS = {
    FreshnessMethod.TRIGGER: "exposed on request",
    FreshnessMethod.TIMESTAMP: "dated by the sender",
    FreshnessMethod.ARRIVAL: "dated by their arrival",
    FreshnessMethod.REPLAY: "recorded: nothing is claimed about their time",
}


def check_camera(context: StationContext, has_lens: bool, report: Report) -> None:
    """The checks that need the camera for themselves, while no daemon has it.

    ``has_lens``: whether the lens of ``context`` is that of a lens file. Raises InputFault or MachineFault.
    """
    section = context.station.camera
    with contextlib.closing(open_camera(section, context.folder, None, context.keys_folder)) as camera:
        frame = _first_frames(section, camera, report)
        if frame is None:
            return
        if has_lens:
            _check_size(context, frame, report)
        else:
            report(_size_result(frame))
        if section.source != "simulated":
            check_settings(camera.driver_settings if isinstance(camera, DeviceCamera) else None, report)
        _check_board(context, has_lens, frame, report)


def try_camera(section: CameraSection, folder: Path, report: Report) -> None:
    """Whether a camera that is not in a station file yet gives images, and of which size; paths are in ``folder``.

    Raises InputFault or MachineFault.
    """
    with contextlib.closing(open_camera(section, folder)) as camera:
        frame = _first_frames(section, camera, report)
        if frame is not None:
            report(_size_result(frame))


def _size_result(frame: Frame) -> CheckResult:
    message = f"{frame.pixels.shape[1]} x {frame.pixels.shape[0]} px: that of the lens file to come"
    return CheckResult(subject="picture size", state=State.OK, message=message)


def _first_frames(section: CameraSection, camera: Camera, report: Report) -> Frame | None:
    deadline = Deadline.after(CONNECT_S)
    while not (health := camera.health()).is_connected:
        # A remedy is stated where waiting does not help.
        if deadline.has_passed or health.remedy:
            remedy = sentence(health.remedy or _remedy(section.source))
            report(CheckResult(subject="camera", state=State.FAULT, message=health.message, remedy=remedy))
            return None
        time.sleep(_POLL_S)
    try:
        return _check_freshness(camera, report)
    except CameraFault as fault:
        report(CheckResult(subject="camera", state=State.FAULT, message=fault.message, remedy=sentence(fault.remedy)))
        return None


def _remedy(source: str) -> str:
    if source == "simulated":
        return "start a simulated cell: eyebolt-sim cell STATION --camera-only; or name your camera under [camera]."
    if source == "push":
        return "start the program that sends the images, as robot_scripts/python/push_camera_sender.py."
    if source == "folder":
        return "put images into the folder that [camera] path names."
    return "check its power, its cable and the address under [camera]."


def _check_freshness(camera: Camera, report: Report) -> Frame:
    """Raises CameraFault."""
    frames, waits_s = [], []
    for _ in range(_IMAGES):
        began_s = time.monotonic()
        frames.append(camera.grab(time.monotonic_ns(), GRAB_S))
        waits_s.append(time.monotonic() - began_s)
        if frames[-1].method is FreshnessMethod.REPLAY:
            break
    newest, slowest_s = frames[-1], max(waits_s)
    what = f"{camera.health().message}; images {_METHODS[newest.method]}"
    if newest.method is not FreshnessMethod.REPLAY:
        what += f", one within {slowest_s * 1e3:.0f} ms of each request"
    is_frozen = len(frames) > 1 and all(np.array_equal(frames[0].pixels, frame.pixels) for frame in frames[1:])
    if is_frozen:
        remedy = "Move a hand before the lens and try again; restart the camera if the image stays as it is."
        message = f"{what}; but all {len(frames)} are equal to the last bit, as of a camera that repeats one image"
        report(CheckResult(subject="camera", state=State.WARNING, message=message, remedy=remedy))
    elif slowest_s > _SLOW_IMAGE_S:
        remedy = "Each capture waits for that: check frame rate, bandwidth and the sending program."
        report(CheckResult(subject="camera", state=State.WARNING, message=what, remedy=remedy))
    else:
        report(CheckResult(subject="camera", state=State.OK, message=what))
    return newest


def _check_size(context: StationContext, frame: Frame, report: Report) -> None:
    found_px = frame.pixels.shape[1], frame.pixels.shape[0]
    wanted_px = context.lens.width_px, context.lens.height_px
    if found_px != wanted_px:
        fault = wrong_size(frame.name, found_px, wanted_px)
        report(
            CheckResult(subject="picture size", state=State.FAULT, message=fault.message, remedy=sentence(fault.remedy))
        )
        return
    message = f"{found_px[0]} x {found_px[1]} px, as the lens file states"
    report(CheckResult(subject="picture size", state=State.OK, message=message))


def check_settings(settings: DriverSettings | None, report: Report) -> None:
    """A lens calibration holds for one focus only; an exposure that is regulated blurs in the dark."""
    for subject, is_fixed, remedy in (
        (
            "exposure",
            None if settings is None else settings.has_fixed_exposure,
            "Fix the exposure: exposure_us under [camera], or with the driver's own tool.",
        ),
        (
            "focus",
            None if settings is None else settings.has_fixed_focus,
            "Switch the autofocus off with the driver's own tool, and calibrate the lens at that focus.",
        ),
    ):
        if is_fixed is None:
            message = "this camera does not tell whether it is fixed"
            remedy = "See to it at the camera: exposure and focus must not change after the lens calibration."
            report(CheckResult(subject=subject, state=State.NOT_TRIED, message=message, remedy=remedy))
        elif is_fixed:
            report(CheckResult(subject=subject, state=State.OK, message="fixed"))
        else:
            report(CheckResult(subject=subject, state=State.WARNING, message="regulated by the camera", remedy=remedy))


def _check_board(context: StationContext, has_lens: bool, frame: Frame, report: Report) -> None:
    detection = find_board(frame.pixels, context.board)
    view = View()
    if has_lens:
        view, _ = measure_view(to_gray(frame.pixels), detection, context.lens, context.board)
    # The size of the picture is a result of its own.
    judged = assess_view(detection, detection.image_size_px, context.board.corner_count, np.eye(4), (), view=view)
    if not isinstance(detection, Detection):
        report(
            CheckResult(
                subject="board", state=State.WARNING, message=f"not seen: {judged.message}", remedy=judged.remedy
            )
        )
        return
    seen = f"{len(detection.ids)} of {context.board.corner_count} corners, edge blur {detection.blur_px:.1f} px"
    remedies = [] if judged.code == 0 else [judged.remedy]
    if judged.code != 0:
        seen += f"; {judged.message}"
    if view.distance_mm is not None and view.tilt_deg is not None:
        seen += f"; {view.distance_mm:.0f} mm away, tilted by {view.tilt_deg:.0f} deg"
        goal = context.station.goal
        if not goal.near_mm <= view.distance_mm <= goal.far_mm:
            seen += f", outside {goal.near_mm:g} to {goal.far_mm:g} mm"
            remedies.append("Bring the board between [goal] near_mm and far_mm, or correct these.")
    state = State.WARNING if remedies else State.OK
    report(CheckResult(subject="board", state=state, message=seen, remedy=" ".join(remedies)))
