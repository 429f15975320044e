"""The daemon of a replay: a new one for the recorded station with a pushed camera, or one that is running."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from eyebolt.addresses import is_remote_endpoint
from eyebolt.bounded_text import parse_toml
from eyebolt.config import Station, parse_station
from eyebolt.context import LENS_SNAPSHOT, STATION_SNAPSHOT, load_station
from eyebolt.deadline import Deadline
from eyebolt.errors import InputFault, MachineFault
from eyebolt_sim.processes import Process, free_ports, log_tail, run_daemon
from eyebolt_sim.replay.recording import RecordedSession
from eyebolt_sim.robot_link import RobotLink, open_link

_START_TIMEOUT_S = 120.0
_CONNECT_TIMEOUT_S = 15.0
_POLL_INTERVAL_S = 0.2


@dataclass(frozen=True)
class ReplayTarget:
    """A daemon that accepts pushed images."""

    station: Station
    """station file of the daemon"""
    record_folder: Path
    """folder of its sessions"""
    process: Process | None = None
    """the daemon; None if it was not started by the replay"""

    def connect(self) -> RobotLink:
        """A connection of the robot.

        Raises MachineFault ``sim-no-daemon``; at once if the daemon was started by the replay and has ended.
        """
        if self.process is None:
            return open_link(self.station.robot, _CONNECT_TIMEOUT_S)
        deadline = Deadline.after(_START_TIMEOUT_S)
        while True:
            is_last_attempt = self.process.poll() is not None or deadline.has_passed
            try:
                return open_link(self.station.robot, _POLL_INTERVAL_S)
            except MachineFault:
                if is_last_attempt:
                    raise


@contextlib.contextmanager
def own_daemon_target(session: RecordedSession, folder: Path, speed: float) -> Iterator[ReplayTarget]:
    """A new ``eyebolt serve`` in ``folder`` for the recorded station; terminated on leaving.

    The settling time of the station is divided by ``speed``. Raises InputFault ``folder-unwritable``, MachineFault
    ``sim-no-daemon``.
    """
    robot_port, status_port, camera_port = free_ports(3)
    # Without recorded motion checks there is nothing to compare them with.
    compare_frames = any(line.shift_px is not None for line in session.lines)
    text = station_with_push_camera(
        session.context.snapshots[STATION_SNAPSHOT], robot_port, status_port, camera_port, speed, compare_frames
    )
    station_file = folder / STATION_SNAPSHOT
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / LENS_SNAPSHOT).write_bytes(session.context.snapshots[LENS_SNAPSHOT])
        station_file.write_text(text, encoding="utf-8")
    except OSError as fault:
        raise InputFault(
            "folder-unwritable",
            f"the folder {folder} cannot be written: {fault.strerror}",
            "name another folder: --folder.",
        ) from None
    station = parse_station(text, str(station_file))
    log = folder / "daemon.log"
    with run_daemon(station_file, log) as process:
        try:
            yield ReplayTarget(station, folder / station.record.folder, process)
        except MachineFault as fault:
            reason = fault.message if process.poll() is None else f"it ended early: {log_tail(log)}"
            message = f"the daemon of this replay failed: {reason}"
            raise MachineFault("sim-no-daemon", message, f"read {log}.") from fault


def attach_daemon(station_file: Path) -> ReplayTarget:
    """The running daemon of a station file.

    Raises InputFault: ``station-file``, ``file-unreadable``, ``sim-source`` if it accepts no pushed images.
    """
    station = load_station(station_file)
    if station.camera.source != "push":
        raise InputFault(
            "sim-source",
            f'[camera] source of the station is "{station.camera.source}", and a replay needs "push"',
            'write source = "push" and an endpoint under [camera], or omit --station to start a new daemon.',
        )
    if is_remote_endpoint(station.camera.endpoint or ""):
        raise InputFault(
            "sim-source",
            f"[camera] endpoint {station.camera.endpoint} requires keys, and a replay has none",
            "set [camera] endpoint to an address of this computer, or omit --station to start a new daemon.",
        )
    return ReplayTarget(station, station_file.parent / station.record.folder)


def station_with_push_camera(
    recorded: bytes, robot_port: int, status_port: int, camera_port: int, speed: float, compare_frames: bool
) -> str:
    """The recorded station file with a pushed camera, on three ports of this computer.

    Without ``compare_frames`` the motion check is off.
    """
    sections: dict[str, Any] = parse_toml(recorded.decode("utf-8-sig"))
    # Keys are not recorded, and not required on the loopback interface.
    for key in ("keys", "control"):
        sections["station"].pop(key, None)
    sections["station"]["status"] = f"tcp://127.0.0.1:{status_port}"
    # The pairs that a daemon took by itself are lines of the robot in a replay.
    for key in ("dial", "guided"):
        sections["robot"].pop(key, None)
    sections["robot"] |= {"listen": f"127.0.0.1:{robot_port}", "allow": ["127.0.0.1"]}
    camera = {key: value for key, value in sections["camera"].items() if key not in ("path", "url", "serial")}
    recorded_ms = camera.get("settle_ms", 300)
    settle_ms = int(recorded_ms / speed) if isinstance(recorded_ms, int | float) else 0
    camera |= {"source": "push", "endpoint": f"tcp://127.0.0.1:{camera_port}", "intrinsics": LENS_SNAPSHOT}
    camera |= {"settle_ms": settle_ms} if compare_frames else {"settle_ms": settle_ms, "motion_check": "off"}
    sections |= {"camera": camera, "record": {"folder": "sessions"}}
    return "\n".join(_toml(name, section) for name, section in sections.items())


def _toml(name: str, section: Mapping[str, object]) -> str:
    # Strings, numbers, booleans and arrays of them have the same syntax in JSON and TOML.
    return f"[{name}]\n" + "".join(
        f"{key} = {json.dumps(value, ensure_ascii=False)}\n" for key, value in section.items()
    )
