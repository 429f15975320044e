"""The computer: versions, the disk of the record, clock, the ports of the station."""

from __future__ import annotations

import contextlib
import ctypes
import os
import platform
import shutil
import socket
import statistics
import sys
import time
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

import cv2
import zmq

from eyebolt import __version__
from eyebolt.addresses import is_remote_endpoint, listening_reason, listening_remedy, split_host_port
from eyebolt.context import StationContext
from eyebolt.doctor.bounded import Report
from eyebolt.doctor.report import CheckResult, State, sentence
from eyebolt.errors import RecordFault
from eyebolt.security import read_station_secret
from eyebolt.store import FileSystem, RecordLock, list_sessions, write_fault

# A reply to a capture waits for the sync of its picture and of two records. Common practice, no source.
_SLOW_SYNC_S = 0.25
_SYNCS = 3
# Refused captures are recorded as well.
_PICTURES_PER_PAIR = 1.5
_COMFORTABLE_SESSIONS = 10
# A clock that is corrected while the daemon runs gives the record times that contradict each other.
_JUMP_S = 0.05


def version_result() -> CheckResult:
    """The versions of what decides whether a daemon runs."""
    libraries = f"OpenCV {cv2.__version__}, NumPy {version('numpy')}, ZeroMQ {zmq.zmq_version()}"
    system = f"Python {platform.python_version()}, {platform.system()} {platform.release()}"
    message = f"eyebolt {__version__}, {libraries}, {system}"
    if int(cv2.__version__.split(".")[0]) >= 5:
        remedy = "Install the version that this program was tried with: python3 -m pip install 'opencv-python<5'"
        return CheckResult(subject="versions", state=State.WARNING, message=message, remedy=remedy)
    return CheckResult(subject="versions", state=State.OK, message=message)


def check_disk(context: StationContext, report: Report) -> None:
    """Space and speed of the disk that holds the record. A file is written there and removed."""
    folder = context.record_folder
    existing = next(path for path in (folder, *folder.absolute().parents) if os.path.lexists(path))
    if not existing.is_dir():
        message = f"the record folder {folder} cannot be made: {existing} is no folder"
        remedy = "Correct [record] folder in the station file."
        report(CheckResult(subject="disk", state=State.FAULT, message=message, remedy=remedy))
        return
    picture_bytes = context.lens.width_px * context.lens.height_px * 3
    session_bytes = picture_bytes * context.station.goal.max_pairs * _PICTURES_PER_PAIR
    free_bytes = shutil.disk_usage(existing).free
    sessions = int(free_bytes / session_bytes)
    space = f"{free_bytes / 1e9:.1f} GB free for the record"
    remedy = f"Free space on the disk of {existing}, or name another folder: [record] folder."
    if sessions < 1:
        message = f"{space}, a session of {context.station.goal.max_pairs} pairs may need {session_bytes / 1e9:.1f} GB"
        report(CheckResult(subject="disk", state=State.FAULT, message=message, remedy=remedy))
    elif sessions < _COMFORTABLE_SESSIONS:
        message = f"{space}, enough for {sessions} sessions of {context.station.goal.max_pairs} colour pictures"
        report(CheckResult(subject="disk", state=State.WARNING, message=message, remedy=remedy))
    else:
        report(CheckResult(subject="disk", state=State.OK, message=f"{space}, enough for {sessions} sessions"))
    _check_sync(existing, picture_bytes // 3, report)


def _check_sync(folder: Path, picture_bytes: int, report: Report) -> None:
    files, path = FileSystem(), folder / f".eyebolt-doctor-{os.getpid()}"
    durations_s = []
    try:
        for _ in range(_SYNCS):
            descriptor = files.create(path)
            try:
                began_s = time.monotonic()
                files.write(descriptor, bytes(picture_bytes), 0)
                files.sync(descriptor)
                durations_s.append(time.monotonic() - began_s)
            finally:
                files.close(descriptor)
                files.remove(path)
    except OSError as error:
        fault = write_fault("a file of the check", path, error)
        report(CheckResult(subject="disk", state=State.FAULT, message=fault.message, remedy=sentence(fault.remedy)))
        return
    taken_s = statistics.median(durations_s)
    message = f"a picture of {picture_bytes / 1e6:.1f} MB is safe on disk after {taken_s * 1e3:.0f} ms"
    if taken_s > _SLOW_SYNC_S:
        remedy = "Each capture waits for that. Record on a local solid-state disk, not on a card or a network drive."
        report(CheckResult(subject="disk", state=State.WARNING, message=message, remedy=remedy))
    else:
        report(CheckResult(subject="disk", state=State.OK, message=message))


Clock = Callable[[], float]
"""Seconds."""


class ClockCheck:
    """The wall clock, compared with the monotonic one between the beginning of the checks and their end."""

    def __init__(self, wall_s: Clock = time.time, monotonic_s: Clock = time.monotonic) -> None:
        self._wall_s, self._monotonic_s = wall_s, monotonic_s
        self._began_s = wall_s(), monotonic_s()

    def result(self, record_folder: Path | None) -> CheckResult:
        """What was found; ``record_folder``: whose newest session must not be from the future."""
        now_s = self._wall_s()
        jump_s = (now_s - self._began_s[0]) - (self._monotonic_s() - self._began_s[1])
        stamp = time.strftime("%Y-%m-%d %H:%M UTC", time.gmtime(now_s))
        if abs(jump_s) > _JUMP_S:
            return CheckResult(
                subject="clock",
                state=State.WARNING,
                message=f"{stamp}; it was set by {jump_s:+.2f} s during this check",
                remedy="Wait until this computer's clock is synchronised, then begin a session.",
            )
        newest = _newest_session(record_folder)
        if newest > time.strftime("%Y%m%d-%H%M%S", time.gmtime(now_s + 60)):
            return CheckResult(
                subject="clock",
                state=State.WARNING,
                message=f"{stamp}, but the newest session, {newest}, is later",
                remedy="Set this computer's clock: sessions are ordered by their names, which are times.",
            )
        synchronised = clock_is_synchronised()
        state = {True: "synchronised", False: "not synchronised", None: "synchronisation not known"}[synchronised]
        note = "" if synchronised else "; times on record are this computer's own, nothing is decided by them"
        return CheckResult(subject="clock", state=State.OK, message=f"{stamp}, no jump, {state}{note}")


def _newest_session(record_folder: Path | None) -> str:
    if record_folder is None:
        return ""
    with contextlib.suppress(RecordFault):
        return max((path.name for path in list_sessions(record_folder)), default="")
    return ""


# The state that adjtimex(2) returns for a clock that nothing synchronises: TIME_ERROR.
_TIME_ERROR = 5
_TIMEX_BYTES = 512


def clock_is_synchronised() -> bool | None:
    """Whether the kernel takes the clock for synchronised, by adjtimex(2), which changes nothing; None if unknown."""
    if sys.platform != "linux":
        return None
    try:
        # Larger than the struct on any platform; all zeros is a request that changes nothing.
        state = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(_TIMEX_BYTES))
    except (OSError, AttributeError):
        return None
    return None if state < 0 else state != _TIME_ERROR


def listening_fault(address: str, key: str) -> CheckResult | None:
    """Why nothing can listen at an address that ``key`` states; None if it can."""
    try:
        _open(address)
    except OSError as error:
        message = f"{key} = {address}: {listening_reason(error, address)}"
        remedy = sentence(listening_remedy(error, address, key))
        return CheckResult(subject="ports", state=State.FAULT, message=message, remedy=remedy)
    return None


def check_ports(context: StationContext, report: Report) -> None:
    """The addresses at which a daemon would listen, opened and closed again."""
    section, robot, camera = context.station.station, context.station.robot, context.station.camera
    addresses = [("[station] status", section.status)]
    if robot.listen is not None:
        addresses.insert(0, ("[robot] listen", robot.listen))
    if section.control is not None:
        addresses.append(("[station] control", section.control))
    if camera.source == "push" and camera.endpoint is not None:
        addresses.append(("[camera] endpoint", camera.endpoint))
    opened = []
    for key, address in addresses:
        fault = listening_fault(address, key)
        if fault is not None:
            report(fault)
        else:
            opened.append(f"{key} {address.removeprefix('tcp://')}")
    if opened:
        report(CheckResult(subject="ports", state=State.OK, message=f"free: {', '.join(opened)}"))


def _open(address: str) -> None:
    """Raises OSError if nothing can listen at this address now."""
    if address.startswith("ipc://"):
        _open_path(address.removeprefix("ipc://"))
        return
    host, port = split_host_port(address.removeprefix("tcp://"))
    family, kind, protocol, _, target = socket.getaddrinfo(
        host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
    )[0]
    with socket.socket(family, kind, protocol) as probe:
        # As the daemon does, which may take over the port of one that has just ended.
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        probe.bind(target)
        probe.listen(1)


def _open_path(path: str) -> None:
    if path.startswith("@"):
        with socket.socket(socket.AF_UNIX) as probe:
            probe.bind("\0" + path[1:])
        return
    # A socket file that was left behind is replaced by the daemon; its folder must be writable.
    folder = Path(path).parent
    if not os.access(folder, os.W_OK | os.X_OK):
        raise OSError(0, f"its folder {folder} does not exist, or this user may not write there")


def check_record_lock(context: StationContext, report: Report) -> None:
    """Whether another daemon writes in the record folder. Raises RecordFault."""
    lock = RecordLock(context.record_folder, context.station.record.access)
    if lock.path.exists():
        with lock:
            pass


def check_keys(context: StationContext, report: Report) -> None:
    """The key that addresses of other computers require. Raises InputFault of the key files."""
    section, endpoint = context.station.station, context.station.camera.endpoint
    addresses = [address for address in (section.status, section.control, endpoint) if address is not None]
    if context.keys_folder is None or not any(map(is_remote_endpoint, addresses)):
        return
    read_station_secret(context.keys_folder)
    report(CheckResult(subject="keys", state=State.OK, message=f"the station's key in {context.keys_folder} is there"))
