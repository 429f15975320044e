"""A robot that captures for hours, session after session, and what that costs the daemon in memory and handles."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from eyebolt.session import fold
from eyebolt.store.names import list_sessions
from support.daemon_process import LONGEST_S, DaemonProcess, Robot
from support.push_camera_cell import PushedCell, PushingCamera
from support.recorded_facts import facts_in

SESSION = 12
# One session in twenty is five times as long.
LONG_EVERY, LONG_TIMES = 20, 5
# Never where the costs are read: a connection that was just replaced may still be open.
RECONNECT_EVERY = 23


@dataclass(frozen=True)
class Cost:
    """Memory and handles of a daemon at the beginning of a session, or at the end of its life."""

    captures: int
    """captures since the daemon started"""
    memory_mb: float
    """resident memory"""
    handles: int
    """open file descriptors"""


Answers = dict[int, tuple[Any, ...]]
"""The replies of one session by sequence number."""


def cost_of(daemon: DaemonProcess, captures: int) -> Cost:
    """Read from /proc."""
    process = Path(f"/proc/{daemon.process.pid}")
    pages = int((process / "statm").read_text().split()[1])
    return Cost(captures, pages * os.sysconf("SC_PAGE_SIZE") / 1e6, len(list((process / "fd").iterdir())))


def soak(
    cell: PushedCell,
    place: Path,
    lives: Sequence[int],
    session: int = SESSION,
    report: Callable[[int, Cost], object] = lambda life, cost: None,
) -> list[list[Cost]]:
    """Captures through the socket; ``lives``: the number of captures of each life of the daemon.

    The last life ends with SIGTERM, the others alternately with SIGTERM and SIGKILL, in the middle of a session that
    is then resumed. Returns the costs of each life; raises AssertionError if a reply was wrong, or is not on the disk
    in the end.
    """
    station = cell.station(place)
    costs: list[list[Cost]] = []
    answered: list[Answers] = []
    with PushingCamera(cell, place) as camera:
        for number, captures in enumerate(lives):
            with DaemonProcess(station) as daemon:
                costs.append([])

                def note(cost: Cost) -> None:
                    costs[-1].append(cost)
                    report(len(costs), cost)

                _live(cell, camera, daemon, captures, session, answered, note)
                if number % 2 and number < len(lives) - 1:
                    daemon.kill()
                else:
                    assert daemon.terminate(longest_s=LONGEST_S) == 0
            assert "Traceback" not in daemon.text()
    sessions = list_sessions(place / "sessions")
    for path, answers in zip(sessions, answered, strict=True):
        log = fold(facts_in(path))
        assert log is not None
        assert {seq: (a.code, seq, a.count, a.aux) for seq, a in log.replies.items()} == answers
    return costs


def _live(
    cell: PushedCell,
    camera: PushingCamera,
    daemon: DaemonProcess,
    captures: int,
    session: int,
    answered: list[Answers],
    note: Callable[[Cost], None],
) -> None:
    robot = Robot(daemon.port)
    robot.ask("hello 0")
    done = 0
    while done < captures:
        length = session * (LONG_TIMES if len(answered) % LONG_EVERY == 0 else 1)
        if not answered or len(answered[-1]) > length:
            answered.append({1: robot.final("begin 1")})
            assert answered[-1][1][:2] == (0, 1)
            note(cost_of(daemon, done))
        seq = len(answered[-1]) + 1
        camera.shown = seq
        answered[-1][seq] = robot.final(cell.line("capture", seq, seq))
        assert answered[-1][seq][0] in (0, 1, 2, 20, 24, 26, 27), answered[-1][seq]
        done += 1
        if done % RECONNECT_EVERY == 0:
            # Alternately closed, and left half-open until the daemon closes it.
            if done % (2 * RECONNECT_EVERY):
                robot.close()
            with closing(robot):
                robot = Robot(daemon.port)
                assert robot.ask("hello 0")[3] == seq
    note(cost_of(daemon, done))
    robot.close()
