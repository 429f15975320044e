"""A robot that captures for hours, session after session, and what that costs the daemon in memory and handles."""

import os
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from eyebolt.session import fold
from eyebolt.store.names import list_sessions
from support.daemon_process import LONGEST_S, DaemonProcess, Robot
from support.push_camera_cell import PushingCamera
from support.recorded_facts import facts_in

SESSION = 12
# One session in twenty is five times as long.
LONG_EVERY, LONG_TIMES = 20, 5
# Never where the costs are read: a connection that was just replaced may still be there.
RECONNECT_EVERY = 23


@dataclass(frozen=True)
class Cost:
    """Of a daemon at the beginning of a session and at its end, after ``captures`` captures of its life."""

    captures: int
    memory_mb: float
    handles: int


def cost_of(daemon, captures):
    """What the kernel says of a running daemon."""
    process = Path(f"/proc/{daemon.process.pid}")
    pages = int((process / "statm").read_text().split()[1])
    return Cost(captures, pages * os.sysconf("SC_PAGE_SIZE") / 1e6, len(list((process / "fd").iterdir())))


def soak(cell, place, lives, session=SESSION, tell=lambda life, cost: None):
    """Captures through the socket; each life of the daemon has so many, the last of them ended by SIGTERM.

    The others end by turns with SIGTERM and with SIGKILL, in the middle of a session that is then gone on with. Returns
    the costs of each life; raises AssertionError if an answer was not as it must be, or is not on the disk in the end.
    """
    station, costs, told = cell.station(place), [], []
    with PushingCamera(cell, place) as camera:
        for number, captures in enumerate(lives):
            daemon = DaemonProcess(station)
            try:
                costs.append([])
                _live(
                    cell,
                    camera,
                    daemon,
                    captures,
                    session,
                    told,
                    lambda cost: (costs[-1].append(cost), tell(len(costs), cost)),
                )
                if number % 2 and number < len(lives) - 1:
                    daemon.kill()
                else:
                    assert daemon.terminate(longest_s=LONGEST_S) == 0
            finally:
                daemon.end()
            assert "Traceback" not in daemon.text()
    sessions = list_sessions(place / "sessions")
    for path, answers in zip(sessions, told, strict=True):
        log = fold(facts_in(path))
        assert {seq: (a.code, seq, a.count, a.aux) for seq, a in log.replies.items()} == answers
    return costs


def _live(cell, camera, daemon, captures, session, told, tell):
    robot = Robot(daemon.port)
    robot.ask("hello 0")
    done = 0
    while done < captures:
        length = session * (LONG_TIMES if len(told) % LONG_EVERY == 0 else 1)
        if not told or len(told[-1]) > length:
            told.append({1: robot.final("begin 1")})
            assert told[-1][1][:2] == (0, 1)
            tell(cost_of(daemon, done))
        seq = len(told[-1]) + 1
        camera.shown = seq
        told[-1][seq] = robot.final(cell.line("capture", seq, seq))
        assert told[-1][seq][0] in (0, 1, 2, 20, 24, 26, 27), told[-1][seq]
        done += 1
        if done % RECONNECT_EVERY == 0:
            # By turns hung up on, and left half-open until the daemon closes it.
            if done % (2 * RECONNECT_EVERY):
                robot.close()
            with closing(robot):
                robot = Robot(daemon.port)
                assert robot.ask("hello 0")[3] == seq
    tell(cost_of(daemon, done))
    robot.close()
