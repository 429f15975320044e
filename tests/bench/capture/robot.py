"""The robot: says capture at waypoint after waypoint, session after session, and takes the time."""

import time
from dataclasses import dataclass

from bench.capture.components import Sender
from eyebolt.session import ImageFact, SolveFact
from eyebolt.session.facts import TimingsFact
from eyebolt.store.names import list_sessions
from support.daemon_process import DaemonProcess, Robot
from support.recorded_facts import facts_in


@dataclass(frozen=True)
class Row:
    """One capture: its final code, milliseconds from exposure to reply, and its steps as the journal has them."""

    code: int
    total_ms: float
    steps: dict


def captures_timed(cell, captures, motion_check):
    """A row for each of so many captures, and the milliseconds of the solves that followed an answer."""
    station, endpoint = cell.station(motion_check)
    sender, daemon, heard = Sender(endpoint, cell.images, cell.folder), None, []
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
    facts = [fact for path in list_sessions(station.parent / "sessions") for fact in facts_in(path)]
    exposed_ns = [fact.frame.exposed_ns for fact in facts if isinstance(fact, ImageFact)]
    steps = [{step: ms for step, ms in fact.ms if ms is not None} for fact in facts if isinstance(fact, TimingsFact)]
    behind_ms = [fact.duration_ms for fact in facts if isinstance(fact, SolveFact) and fact.is_background]
    rows = [
        Row(code, (at_ns - begun_ns) / 1e6, ms)
        for (at_ns, code), begun_ns, ms in zip(heard, exposed_ns, steps, strict=True)
    ]
    return rows, behind_ms
