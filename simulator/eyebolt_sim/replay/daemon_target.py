"""A daemon of the replay's own: the recorded station on free ports, in a folder of its own, its camera pushed."""

from __future__ import annotations

import contextlib
import json
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from eyebolt.addresses import is_remote_endpoint
from eyebolt.config import Station, parse_station
from eyebolt.context import LENS_SNAPSHOT, STATION_SNAPSHOT, load_station
from eyebolt.deadline import Deadline
from eyebolt.errors import InputFault, MachineFault
from eyebolt_sim.processes import Process, free_ports, log_tail, run_program
from eyebolt_sim.replay.recording import RecordedSession
from eyebolt_sim.robot_link import RobotLink, open_link

_START_TIMEOUT_S = 30.0
_CONNECT_TIMEOUT_S = 15.0
_POLL_INTERVAL_S = 0.2


@dataclass(frozen=True)
class ReplayTarget:
    """A daemon that pictures can be pushed to. ``process`` is None if somebody else started it."""

    station: Station
    record_folder: Path
    process: Process | None = None

    def connect(self) -> RobotLink:
        """A robot's connection. Raises MachineFault ``sim-no-daemon``, as soon as a daemon of our own has ended."""
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
    """Starts ``eyebolt serve`` in ``folder`` for the recorded station; ends it at the end.

    ``speed``: the station's settling time is divided by it. Raises InputFault ``folder-unwritable``, MachineFault
    ``sim-no-daemon`` if it breaks off.
    """
    robot, status, pictures = free_ports(3)
    # Where the record compared no two pictures, there is nothing to compare now.
    compare_frames = any(line.shift_px is not None for line in session.lines)
    text = station_with_push_camera(
        session.context.snapshots[STATION_SNAPSHOT], robot, status, pictures, speed, compare_frames
    )
    station_file = folder / STATION_SNAPSHOT
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / LENS_SNAPSHOT).write_bytes(session.context.snapshots[LENS_SNAPSHOT])
        station_file.write_text(text, encoding="utf-8")
    except OSError as fault:
        raise InputFault(
            "folder-unwritable", f"the folder {folder} cannot be used: {fault.strerror}", "name another one: --folder."
        ) from None
    station = parse_station(text, str(station_file))
    log = folder / "daemon.log"
    with run_program(["eyebolt.cli.main", "serve", str(station_file), "--log", "json"], log) as process:
        try:
            yield ReplayTarget(station, folder / station.record.folder, process)
        except MachineFault as fault:
            reason = fault.message if process.poll() is None else f"it ended early: {log_tail(log)}"
            message = f"the daemon started for this replay does not go on: {reason}"
            raise MachineFault("sim-no-daemon", message, f"read {log}.") from fault


def attach_daemon(station_file: Path) -> ReplayTarget:
    """The daemon that somebody started with this station file.

    Raises InputFault: ``station-file``, ``file-unreadable``, ``sim-source`` if no picture can be pushed to it.
    """
    station = load_station(station_file)
    if station.camera.source != "push":
        raise InputFault(
            "sim-source",
            f'the station takes its pictures from the source "{station.camera.source}", and a replay pushes them',
            'write source = "push" and an endpoint under [camera], or leave --station out: a daemon is started then.',
        )
    if is_remote_endpoint(station.camera.endpoint or ""):
        raise InputFault(
            "sim-source",
            f"the pictures' endpoint {station.camera.endpoint} wants keys, and a replay has none",
            "give [camera] endpoint an address on this computer, or leave --station out: a daemon is started then.",
        )
    return ReplayTarget(station, station_file.parent / station.record.folder)


def station_with_push_camera(
    recorded: bytes, robot: int, status: int, pictures: int, speed: float, compare_frames: bool
) -> str:
    """The recorded station file, for these three ports of this computer and pictures that are pushed.

    ``compare_frames``: whether two pictures are compared as the file says, or never.
    """
    sections: dict[str, dict[str, Any]] = tomllib.loads(recorded.decode("utf-8-sig"))
    # On this computer nobody needs keys, and they are not on record.
    sections["station"].pop("keys", None)
    sections["station"]["status"] = f"tcp://127.0.0.1:{status}"
    sections["robot"].pop("dial", None)
    sections["robot"] |= {"listen": f"127.0.0.1:{robot}", "allow": ["127.0.0.1"]}
    camera = {key: value for key, value in sections["camera"].items() if key not in ("path", "url", "serial")}
    settle_ms = int(camera.get("settle_ms", 300) / speed)
    camera |= {"source": "push", "endpoint": f"tcp://127.0.0.1:{pictures}", "intrinsics": LENS_SNAPSHOT}
    camera |= {"settle_ms": settle_ms} if compare_frames else {"settle_ms": settle_ms, "motion_check": "off"}
    sections |= {"camera": camera, "record": {"folder": "sessions"}}
    return "\n".join(_toml(name, section) for name, section in sections.items())


def _toml(name: str, section: Mapping[str, Any]) -> str:
    # Texts, numbers, truth values and lists of them are written in JSON as they are in TOML.
    return f"[{name}]\n" + "".join(
        f"{key} = {json.dumps(value, ensure_ascii=False)}\n" for key, value in section.items()
    )
