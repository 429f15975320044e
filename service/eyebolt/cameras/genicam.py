"""GigE Vision and USB3 Vision cameras through their GenICam description: one software trigger for each request.

Needs the extra ``eyebolt[genicam]``. A call into the library may block for seconds when a camera is frozen or gone, so
one thread owns the camera, and a grab waits for it no longer than its time-out. After any error the connection is made
anew: a frame that was triggered before it cannot be handed out later.
"""

from __future__ import annotations

import importlib
import re
import threading
import time
from dataclasses import dataclass, field
from types import ModuleType
from typing import Any

import cv2
import numpy as np

from eyebolt.cameras.camera import (
    Frame,
    FreshnessMethod,
    Pixels,
    camera_closed,
    camera_lost,
    copy_pixels,
    no_fresh_frame,
    wrong_size,
)
from eyebolt.deadline import NS_PER_S, Deadline
from eyebolt.errors import CameraFault, MachineFault
from eyebolt.protocol import LinkStatus

_DISCOVERY_MS = 500
_MIN_RETRY_S, _MAX_RETRY_S = 0.2, 2.0
# From trigger to the whole frame, beside twice the exposure: 5 Mpx at the 40 MB/s of a slow link take 0.13 s.
_FRAME_S = 2.0
# A call that has not returned for so long is that of a camera that does not answer.
_BLOCKED_S = 1.0
# Between requests the thread wakes to notice a camera that is gone.
_IDLE_S = 1.0

# Names by the Standard Features Naming Convention of GenICam, and those that older cameras have.
_EXPOSURE_NAMES = ("ExposureTime", "ExposureTimeAbs")
_SERIAL_NAMES = ("DeviceSerialNumber", "DeviceID")
_PACKED_BITS = re.compile(r"[A-Za-z]*?(8|10|12|14|16)(?![0-9])")
# Patterns by the first two pixels of the first row, as the Pixel Format Naming Convention of GenICam has them.
_BAYER_TO_GRAY = {
    "BayerRG": cv2.COLOR_BayerRGGB2GRAY,
    "BayerGR": cv2.COLOR_BayerGRBG2GRAY,
    "BayerGB": cv2.COLOR_BayerGBRG2GRAY,
    "BayerBG": cv2.COLOR_BayerBGGR2GRAY,
}


@dataclass(frozen=True)
class FoundCamera:
    """A camera that answers."""

    transport: str
    """``GigE Vision`` or ``USB3 Vision``."""
    name: str
    """Manufacturer and model, as the camera states them."""
    serial: str
    """What ``serial`` of a station file names: the address of a GigE Vision camera, the serial number of another."""
    handle: Any = field(repr=False, compare=False)
    """The library's own description of it."""


def find_cameras() -> tuple[FoundCamera, ...]:
    """The GigE Vision and USB3 Vision cameras that answer within half a second.

    Raises MachineFault ``camera-library``.
    """
    library = _library()
    found = [
        FoundCamera("GigE Vision", _joined(one.manufacturer, one.model), one.ip, one)
        for one in library.discover(_DISCOVERY_MS, all=True)
    ]
    try:
        on_usb = library.discover_u3v()
    except library.GenicamError:
        # A computer without USB, or without the right to look at it.
        on_usb = []
    found += [FoundCamera("USB3 Vision", _joined(one.manufacturer, one.model), one.serial or "", one) for one in on_usb]
    return tuple(found)


@dataclass
class _Request:
    not_before_ns: int
    deadline: Deadline
    frame: Frame | None = None
    fault: CameraFault | None = None

    @property
    def is_answered(self) -> bool:
        return self.frame is not None or self.fault is not None


class GenicamCamera:
    """A camera with a software trigger; method TRIGGER. ``exposed_ns`` is the instant before the trigger was sent.

    ``serial``: address (GigE Vision), hardware address or serial number; None: the only camera that is found.
    ``exposure_us``, ``gain_db``, ``pixel_format`` (Mono8, Mono10, Mono12, Mono16, BayerRG8, ..., RGB8): set at each
    connection; what is not given stays as it is in the camera, but nothing is regulated. Images of 10 to 14 bits are
    delivered in the upper bits of 16. ``size_px``: (width, height) that is wanted; another one is refused.
    Raises MachineFault ``camera-library``.
    """

    def __init__(
        self,
        serial: str | None = None,
        exposure_us: float | None = None,
        gain_db: float | None = None,
        pixel_format: str | None = None,
        *,
        size_px: tuple[int, int] | None = None,
    ) -> None:
        self._library = _library()
        self._serial = serial
        self._exposure_us, self._gain_db, self._pixel_format = exposure_us, gain_db, pixel_format
        self._size_px = size_px
        self._name = f"GenICam camera {serial}" if serial else "the GenICam camera"
        self._condition = threading.Condition()
        self._closed = threading.Event()
        self._request: _Request | None = None
        self._is_connected = False
        self._busy_since_ns: int | None = None
        self._message, self._remedy, self._notes = "being connected", "", ""
        self._thread = threading.Thread(target=self._run, name="eyebolt-camera-genicam", daemon=True)
        self._thread.start()

    def grab(self, not_before_ns: int, timeout_s: float) -> Frame:
        """An image exposed for this request; see Camera.grab."""
        request = _Request(not_before_ns, Deadline.after(timeout_s))
        with self._condition:
            self._request = request
            self._condition.notify_all()
            self._condition.wait_for(lambda: self._closed.is_set() or request.is_answered, max(timeout_s, 0.0))
            self._request = None
            if request.frame is not None:
                return request.frame
            if self._closed.is_set():
                raise camera_closed(self._name)
            if request.fault is not None:
                raise request.fault
            if not self._answers():
                raise camera_lost(self._name, self._state(), self._remedy)
            raise no_fresh_frame(self._name, "it is connected but sent no image in time")

    def health(self) -> LinkStatus:
        """Whether the camera is connected and answers."""
        with self._condition:
            if self._closed.is_set():
                return LinkStatus(is_connected=False, message=f"{self._name}: closed")
            answers = self._answers()
            notes = f"; {self._notes}" if self._notes and answers else ""
            text = f"{self._name}: {self._state()}{notes}"
            return LinkStatus(is_connected=answers, message=text, remedy="" if answers else self._remedy)

    def close(self) -> None:
        """Releases the camera; waits for a call into a frozen camera no longer than a few seconds."""
        with self._condition:
            self._closed.set()
            self._condition.notify_all()
        self._thread.join(_FRAME_S + 1.0)

    # ---- the thread that owns the camera

    def _run(self) -> None:
        retry_s = _MIN_RETRY_S
        while not self._closed.is_set():
            try:
                self._serve_one_epoch()
                retry_s = _MIN_RETRY_S
            except CameraFault as fault:
                self._end_epoch(fault)
            except (self._library.GenicamError, OSError, ValueError, RuntimeError, cv2.error) as error:
                self._end_epoch(camera_lost(self._name, _one_line(error)))
            self._closed.wait(retry_s)
            retry_s = min(2 * retry_s, _MAX_RETRY_S)

    def _serve_one_epoch(self) -> None:
        """Connects and answers requests until the camera fails or is closed."""
        self._mark_busy()
        camera = self._connect()
        stream = None
        try:
            self._configure(camera)
            stream = camera.stream(deliver_incomplete=True)
            camera.acquisition_start()
            with self._condition:
                self._is_connected, self._message, self._remedy = True, "connected", ""
            self._mark_idle()
            while (request := self._next_request(camera)) is not None:
                self._mark_busy()
                frame = self._exposed_for(request, camera, stream)
                self._mark_idle()
                with self._condition:
                    request.frame = frame
                    self._condition.notify_all()
        finally:
            self._mark_idle()
            # Each may fail on a camera that is gone; none may keep the others from being released.
            for release in (camera.acquisition_stop, None if stream is None else stream.close, camera.close):
                try:
                    if release is not None:
                        release()
                except (self._library.GenicamError, OSError, RuntimeError):
                    continue

    def _next_request(self, camera: Any) -> _Request | None:
        """The next request once its instant has come; None when the camera is closed."""
        while not self._closed.is_set():
            with self._condition:
                self._condition.wait_for(lambda: self._closed.is_set() or self._open_request() is not None, _IDLE_S)
                request = self._open_request()
            if request is None:
                if not self._closed.is_set() and camera.control_state != self._library.ControlState.HELD:
                    raise camera_lost(
                        self._name,
                        "another program has taken control of it",
                        "end the other program; the camera is connected again as soon as it is free.",
                    )
            elif request.deadline.sleep_until(request.not_before_ns, self._closed):
                return request
            elif not self._closed.is_set():
                self._refuse(request, no_fresh_frame(self._name, "the requested instant lies beyond the time-out"))
        return None

    def _open_request(self) -> _Request | None:
        return None if self._request is None or self._request.is_answered else self._request

    def _exposed_for(self, request: _Request, camera: Any, stream: Any) -> Frame:
        """Triggers, and waits for the frame of this very trigger."""
        incomplete = 0
        while True:
            while self._next_frame(stream, 0.0) is not None:
                # Nothing was triggered: such a frame is none of ours.
                continue
            exposed_ns = time.monotonic_ns()
            camera.trigger_software()
            found = self._next_frame(stream, _FRAME_S + 2e-6 * (self._exposure_us or 0.0))
            arrived_ns = time.monotonic_ns()
            if found is None:
                raise no_fresh_frame(self._name, f"no image came within {(arrived_ns - exposed_ns) / 1e9:.1f} s")
            if found.is_complete:
                break
            incomplete += 1
            if request.deadline.has_passed or self._closed.is_set():
                raise no_fresh_frame(self._name, f"{incomplete} images in a row came with packets missing")
        size_px = (found.width, found.height)
        if self._size_px is not None and size_px != self._size_px:
            raise wrong_size(self._name, size_px, self._size_px)
        pixels = decoded(found.to_numpy(), found.pixel_format)
        return Frame(pixels, exposed_ns, arrived_ns, FreshnessMethod.TRIGGER, str(found.block_id))

    def _next_frame(self, stream: Any, timeout_s: float) -> Any:
        """The next frame of the stream; None if none came."""
        try:
            return stream.next_frame(timeout_ms=round(1000 * timeout_s))
        except self._library.TransportError as error:
            # The library tells a time-out from other faults by its text alone.
            if "timeout" in str(error):
                return None
            raise

    def _connect(self) -> Any:
        found = find_cameras()
        matching = [one for one in found if self._serial is None or self._is_meant(one)]
        if len(matching) != 1:
            listed = ", ".join(f"{one.name} {one.serial}" for one in found) or "none"
            detail = "it does not answer" if self._serial else f"{len(matching)} cameras answer"
            raise camera_lost(
                self._name,
                f"{detail}; found: {listed}",
                "check its power, its cable and its address; `eyebolt cameras` lists what is found; write the one that"
                " is meant as serial under [camera] in the station file.",
            )
        handle = matching[0].handle
        if matching[0].transport == "GigE Vision":
            return self._library.connect_gige(handle)
        return self._library.connect_u3v(handle)

    def _is_meant(self, found: FoundCamera) -> bool:
        if self._serial == found.serial or str(getattr(found.handle, "mac", "")).lower() == str(self._serial).lower():
            return True
        if found.transport != "GigE Vision" or re.fullmatch(r"[0-9.]+", str(self._serial)):
            return False
        try:
            camera = self._library.connect_gige(found.handle, monitor=True)
        except self._library.GenicamError:
            return False
        try:
            return any(_feature(camera, self._library, name) == self._serial for name in _SERIAL_NAMES)
        finally:
            camera.close()

    def _configure(self, camera: Any) -> None:
        """Sets what the station states, and one image for each trigger; refuses what the camera cannot do."""
        features, notes = set(camera.nodes()), []
        for regulated in ("ExposureAuto", "GainAuto", "BalanceWhiteAuto"):
            if regulated in features and _feature(camera, self._library, regulated) not in ("Off", None):
                camera.set(regulated, "Off")
        if self._pixel_format is not None:
            self._set(camera, "PixelFormat", self._pixel_format)
        if self._exposure_us is not None:
            name = next((name for name in _EXPOSURE_NAMES if name in features), None)
            notes += self._set_number(camera, "exposure_us", name, self._exposure_us)
        if self._gain_db is not None:
            notes += self._set_number(camera, "gain_db", "Gain" if "Gain" in features else None, self._gain_db)
        self._set(camera, "AcquisitionMode", "Continuous")
        if "TriggerSelector" in features:
            self._set(camera, "TriggerSelector", "FrameStart")
        self._set(camera, "TriggerMode", "On")
        self._set(camera, "TriggerSource", "Software")
        with self._condition:
            self._notes = "; ".join(notes)

    def _set(self, camera: Any, name: str, value: str) -> None:
        try:
            camera.set(name, value)
        except self._library.GenApiError as error:
            raise camera_lost(
                self._name,
                f"it does not accept {name} = {value}: {_one_line(error)}",
                "a camera of this source needs a software trigger for each image (TriggerSource Software) and the"
                ' pixel_format that the station file states; if it has none, send its images with source = "push".',
            ) from None

    def _set_number(self, camera: Any, key: str, name: str | None, value: float) -> list[str]:
        if name is None:
            return [f"{key} cannot be set in this camera"]
        try:
            camera.set_float(name, value)
            actual = float(camera.get_float(name))
        except self._library.GenApiError as error:
            return [f"the camera did not accept {key} = {value:g} ({_one_line(error)})"]
        if abs(actual - value) > 0.05 * max(abs(value), 1.0):
            return [f"the camera did not accept {key} = {value:g} (it has {actual:g})"]
        return []

    def _end_epoch(self, fault: CameraFault) -> None:
        with self._condition:
            # A source of the wrong size or a slow one answers; everything else is a camera that does not.
            self._is_connected = False
            self._message, self._remedy = fault.message, fault.remedy
            if self._request is not None and not self._request.is_answered:
                self._request.fault = fault
            self._condition.notify_all()

    def _refuse(self, request: _Request, fault: CameraFault) -> None:
        with self._condition:
            request.fault = fault
            self._condition.notify_all()

    def _mark_busy(self) -> None:
        with self._condition:
            self._busy_since_ns = time.monotonic_ns()

    def _mark_idle(self) -> None:
        with self._condition:
            self._busy_since_ns = None

    def _is_blocked(self) -> bool:
        since_ns = self._busy_since_ns
        return since_ns is not None and time.monotonic_ns() - since_ns > _BLOCKED_S * NS_PER_S

    def _answers(self) -> bool:
        return self._is_connected and not self._is_blocked()

    def _state(self) -> str:
        if self._is_connected and self._is_blocked():
            return "it does not answer"
        return self._message


def decoded(pixels: Pixels, pixel_format: str) -> Pixels:
    """The image (H, W) gray or (H, W, 3) BGR of ``pixels`` as the camera sent them in ``pixel_format``.

    Values of 10 to 14 bits are moved to the upper bits of 16; a Bayer pattern is interpolated to gray.
    Raises ValueError for a format that is not known.
    """
    bits = _PACKED_BITS.match(pixel_format)
    if bits is not None and pixels.dtype == np.uint16:
        pixels = pixels << np.uint16(16 - int(bits[1]))
    for pattern, conversion in _BAYER_TO_GRAY.items():
        if pixel_format.startswith(pattern) and pixels.ndim == 2:
            return copy_pixels(cv2.cvtColor(np.ascontiguousarray(pixels), conversion))
    if pixel_format.startswith("RGB"):
        return copy_pixels(pixels[:, :, ::-1])
    if pixel_format.startswith(("Mono", "BGR")):
        return copy_pixels(pixels)
    raise ValueError(f'its pixel format {pixel_format} is not one that can be read; set pixel_format = "Mono8"')


def _library() -> ModuleType:
    try:
        return importlib.import_module("viva_genicam")
    except ImportError as error:
        raise MachineFault(
            "camera-library",
            f"GigE Vision and USB3 Vision cameras need a library that is not installed ({error})",
            "install it on this computer: pip install 'eyebolt[genicam]'.",
        ) from None


def _feature(camera: Any, library: ModuleType, name: str) -> str | None:
    try:
        return str(camera.get(name))
    except library.GenicamError:
        return None


def _joined(*words: str | None) -> str:
    return " ".join(word for word in words if word) or "unnamed"


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split()) or type(error).__name__
