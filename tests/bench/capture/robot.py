"""The robot: says capture at waypoint after waypoint, session after session, and takes the time."""

import time
from dataclasses import dataclass

from bench.capture.components import Sender
from eyebolt.store.names import list_sessions
from eyebolt.store.session_folder import SessionFolder
from support.daemon_process import DaemonProcess, Robot


@dataclass(frozen=True)
class Row:
    """One capture: its final code, milliseconds from exposure to reply, and its steps as the journal has them."""

    code: int
    total_ms: float
    steps: dict


def captures_timed(cell, captures, motion_check):
    """A row for each of so many captures, and the milliseconds of the solves that followed an answer."""
    station, endpoint = cell.station(motion_check)
    sender, daemon, heard = Sender(endpoint, cell.pictures, cell.folder), None, []
    try:
        daemon = DaemonProcess(station)
        with Robot(daemon.port) as robot:
            robot.say("hello 0")
            for number in range(captures):
                waypoint = number % len(cell.poses)
                if waypoint == 0:
                    robot.say("begin 1")
                sender.show(waypoint)
                # The arm travels: the camera shows the next view well before the robot speaks.
                time.sleep(0.4)
                reply = robot.ask(f"capture {waypoint + 2} {cell.poses[waypoint]}")
                heard.append((time.monotonic_ns(), reply[0]))
        daemon.terminate()
    finally:
        sender.close()
        if daemon is not None:
            daemon.end()
    facts = [fact for path in list_sessions(station.parent / "sessions") for fact in SessionFolder.view(path).records]
    exposed_ns = [fact["exposed_ns"] for fact in facts if fact["type"] == "image"]
    steps = [fact["timings_ms"] for fact in facts if fact["type"] == "timings"]
    behind_ms = [fact["duration_ms"] for fact in facts if fact["type"] == "solve" and fact["background"]]
    rows = [
        Row(code, (at_ns - begun_ns) / 1e6, ms)
        for (at_ns, code), begun_ns, ms in zip(heard, exposed_ns, steps, strict=True)
    ]
    return rows, behind_ms
