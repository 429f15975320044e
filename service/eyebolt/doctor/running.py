"""A daemon that runs already: it is asked through its status address, since it has camera, ports and record."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator

from eyebolt.addresses import split_host_port
from eyebolt.cameras import wrong_size
from eyebolt.context import StationContext
from eyebolt.doctor.bounded import Report
from eyebolt.doctor.report import CheckResult, State, sentence
from eyebolt.monitor import StatusSubscriber
from eyebolt.protocol import LinkStatus, StatusMessage, ViewMessage
from eyebolt.security import ClientKeys

# The daemon publishes every 0.5 s; a connection on one computer takes milliseconds.
STATUS_S = 2.0
# While nobody watches, the first view needs an image and its search.
VIEW_S = 4.0
RUNNING = "daemon"
"""Subject of the result that tells whether a daemon of this station runs."""


def ask_daemon(context: StationContext, address: str, keys: ClientKeys | None, report: Report) -> None:
    """What the daemon at ``address`` knows of itself, camera, board and robot; no result if nothing is there."""
    name = context.station.station.name
    if not _is_listened_at(address):
        return
    with StatusSubscriber(address, keys, with_view=True) as subscriber:
        status = _first_status(subscriber)
        if status is None:
            message = f"something listens at {address}, but sends no status: {subscriber.note or 'it is silent'}"
            remedy = "End the other program, or the daemon that hangs; then start: eyebolt serve STATION"
            report(CheckResult(subject=RUNNING, state=State.FAULT, message=message, remedy=remedy))
            return
        if status.station != name:
            message = f"that of another station answers at {address}: {status.station}, not {name}"
            remedy = "Give this station a [station] status address of its own, and other ports."
            report(CheckResult(subject=RUNNING, state=State.FAULT, message=message, remedy=remedy))
            return
        _report_daemon(status, report)
        _report_camera(status.camera, report)
        _report_view(context, subscriber, report)
        _report_robot(status, report)


def _is_listened_at(address: str) -> bool:
    """Whether anything accepts a connection there: where nothing does, no status need be waited for."""
    try:
        if address.startswith("tcp://"):
            with socket.create_connection(split_host_port(address.removeprefix("tcp://")), STATUS_S):
                return True
        path = address.removeprefix("ipc://")
        with socket.socket(socket.AF_UNIX) as probe:
            probe.connect("\0" + path[1:] if path.startswith("@") else path)
            return True
    except OSError:
        return False


def _first_status(subscriber: StatusSubscriber) -> StatusMessage | None:
    deadline_s = time.monotonic() + STATUS_S
    while subscriber.status is None and time.monotonic() < deadline_s:
        subscriber.wait(0.1)
    return subscriber.status


def _report_daemon(status: StatusMessage, report: Report) -> None:
    message = f"runs; session {status.session or 'none'}, {status.phase}, {status.kept} pairs kept"
    if status.log_lines_lost:
        remedy = "Free the disk or the terminal of its log."
        message += f"; {status.log_lines_lost} lines of its log are lost"
        report(CheckResult(subject=RUNNING, state=State.WARNING, message=message, remedy=remedy))
        return
    report(CheckResult(subject=RUNNING, state=State.OK, message=message))


def _report_camera(camera: LinkStatus, report: Report) -> None:
    if camera.is_connected:
        report(CheckResult(subject="camera", state=State.OK, message=camera.message))
        return
    remedy = camera.remedy or "Check its power and cable, or its sending program."
    report(CheckResult(subject="camera", state=State.FAULT, message=camera.message, remedy=remedy))


def _report_view(context: StationContext, subscriber: StatusSubscriber, report: Report) -> None:
    deadline_s = time.monotonic() + VIEW_S
    while time.monotonic() < deadline_s and (subscriber.view is None or subscriber.view.message.view_size is None):
        subscriber.wait(0.1)
    if subscriber.view is None or subscriber.view.message.view_size is None:
        reason = "the daemon publishes no picture now"
        if subscriber.view is not None and subscriber.view.message.reason is not None:
            reason = subscriber.view.message.reason.message
        remedy = "Look at eyebolt watch, or end the daemon and try again."
        report(CheckResult(subject="board", state=State.NOT_TRIED, message=reason, remedy=remedy))
        return
    for result in seen_in_view(subscriber.view.message, context):
        report(result)


def seen_in_view(view: ViewMessage, context: StationContext) -> Iterator[CheckResult]:
    """What a view message states of the picture's size and of the board."""
    size_px, wanted_px = view.image_size, (context.lens.width_px, context.lens.height_px)
    if size_px == wanted_px:
        message = f"{size_px[0]} x {size_px[1]} px, as the lens file states"
        yield CheckResult(subject="picture size", state=State.OK, message=message)
    else:
        fault = wrong_size("the daemon", size_px, wanted_px)
        yield CheckResult(
            subject="picture size", state=State.FAULT, message=fault.message, remedy=sentence(fault.remedy)
        )
    yield _board_in_view(view, context)


def _board_in_view(view: ViewMessage, context: StationContext) -> CheckResult:
    if not view.found:
        reason = view.reason
        message = "not seen" if reason is None else f"not seen: {reason.message}"
        remedy = "" if reason is None else reason.remedy
        remedy = remedy or "Bring the board into view."
        return CheckResult(subject="board", state=State.WARNING, message=message, remedy=remedy)
    message = f"{len(view.corners_px)} of {context.board.corner_count} corners"
    if view.edge_blur_px is not None:
        message += f", edge blur {view.edge_blur_px:.1f} px"
    if view.distance_mm is not None and view.tilt_deg is not None:
        message += f"; {view.distance_mm:.0f} mm away, tilted by {view.tilt_deg:.0f} deg"
    return CheckResult(subject="board", state=State.OK, message=message)


def _report_robot(status: StatusMessage, report: Report) -> None:
    if status.robot.is_connected:
        report(CheckResult(subject="robot", state=State.OK, message=status.robot.message))
        return
    message = status.robot.message or "not connected"
    remedy = "Start the robot program: its lines are in the daemon's log and on eyebolt watch."
    report(CheckResult(subject="robot", state=State.NOT_TRIED, message=message, remedy=remedy))
