"""A robot that captures without a pause while the daemon is killed at random instants and started again.

The oracle: every reply that the robot got is given again after every restart and is on the disk in the end, and so is
every pair; besides them at most the one that was in progress.
"""

from __future__ import annotations

import random
import signal
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from eyebolt.protocol import Code
from eyebolt.session.facts import decode_facts
from eyebolt.session.session_log import fold
from eyebolt.store.names import list_sessions
from eyebolt.store.session_folder import SessionFolder
from eyebolt.store.verify import find_damage
from support.daemon_process import DaemonProcess, Robot
from support.processes import POLL_S, Patience
from support.push_camera_cell import PushedCell, PushingCamera
from support.recorded_facts import images_of

LONGEST_LIFE_S = 1.2
POSES_BETWEEN = 20
BEGIN = "begin 1"
# Waypoints of a session over its pairs: some are checks, at some the board is not detected.
SPARE = 2


@dataclass(frozen=True)
class Restart:
    """One start of the daemon, from starting the process to the reply to ``status``."""

    pairs: int
    """pairs on the disk"""
    wall_s: float
    """time elapsed"""
    processor_s: float
    """processor time"""


Answered = dict[int, tuple[str, tuple[Any, ...]]]
"""The lines of a session and their replies, by sequence number."""


def _kill_after(daemon: DaemonProcess, life_s: float) -> None:
    """On a busy machine a life is longer, or the daemon would be killed before it has done anything."""
    patience = Patience(life_s)
    while not patience.is_over():
        time.sleep(POLL_S)
    daemon.kill()


class KilledSessions:
    """Sessions of ``pairs`` kept captures each, one after the other, in a folder of their own."""

    def __init__(self, cell: PushedCell, place: Path, pairs: int, seed: int) -> None:
        self.restarts: list[Restart] = []
        """One for each start."""
        self.answered: list[Answered] = [{}]
        """One for each session."""
        self._cell, self._pairs = cell, pairs
        self._place = place
        self._station = cell.station(place)
        self._random = random.Random(seed)
        self._pending: str | None = None

    def live(self, kills: int) -> None:
        """``kills`` lives, each ended by a kill; then the disk is compared with every reply given."""
        with PushingCamera(self._cell, self._place) as camera:
            for _ in range(kills):
                with self._start() as daemon, Robot(daemon.port) as robot:
                    self._compare(robot)
                    end = threading.Thread(target=_kill_after, args=(daemon, self._random.uniform(0.0, LONGEST_LIFE_S)))
                    end.start()
                    self._work(robot, camera)
                    end.join()
                    assert daemon.process.returncode == -signal.SIGKILL, daemon.text()
        self._compare_disk()

    def work_until(self, sessions: int) -> None:
        """One life of the daemon, until ``sessions`` sessions are closed."""
        with (
            PushingCamera(self._cell, self._place) as camera,
            self._start() as daemon,
            Robot(daemon.port) as robot,
        ):
            self._work(robot, camera, sessions)

    def start_and_kill(self, times: int) -> None:
        """Starts the daemon ``times`` times, and kills it once it has answered ``status``."""
        for _ in range(times):
            self._start().kill()

    @property
    def kept(self) -> int:
        """Pairs of this session whose reply the robot got."""
        return sum(
            1 for line, reply in self.answered[-1].values() if line.startswith("capture") and Code(reply[0]).keeps_pair
        )

    def _start(self) -> DaemonProcess:
        """A daemon that has answered ``status`` once."""
        begun = time.monotonic()
        daemon = DaemonProcess(self._station)
        try:
            with Robot(daemon.port) as robot:
                code, _, count, _ = robot.ask("status 999999")
                self.restarts.append(Restart(count, time.monotonic() - begun, daemon.processor_s()))
                assert (code == 0) or not self.answered[-1]
        except BaseException:
            daemon.end()
            raise
        return daemon

    def _compare(self, robot: Robot) -> None:
        """Every reply given is given again; the request that was in progress was carried out, or has left no trace."""
        answered, pending = self.answered[-1], self._pending
        robot.ask("hello 0")
        if pending == BEGIN:
            # If it was not carried out, `again` would refer to a seq of the old session. Repeated, it begins at most
            # one session.
            answered[1], pending = (BEGIN, robot.final(BEGIN)), None
        for seq, (_, reply) in answered.items():
            assert robot.ask(f"again {seq}") == reply
        if pending is not None:
            seq = int(pending.split()[1])
            reply = robot.final(f"again {seq}")
            if reply[0] != 43:
                answered[seq] = pending, reply
        if answered:
            line, reply = answered[max(answered)]
            assert robot.ask(line) == reply, "a repeated line was not the same request"
        self._pending = None
        closed = bool(answered) and answered[max(answered)][0].startswith("bye")
        assert robot.ask("hello 0")[2:] == (self.kept, 0 if closed else max(answered, default=0))

    def _work(self, robot: Robot, camera: PushingCamera, sessions: int | None = None) -> None:
        """Until the daemon is gone, or the session after ``sessions`` sessions is begun."""
        try:
            while sessions is None or len(self.answered) <= sessions:
                answered = self.answered[-1]
                seq = max(answered, default=0) + 1
                if self.kept >= self._pairs and answered[max(answered)][0].startswith("bye"):
                    self.answered.append({})
                    line = BEGIN
                elif self.kept >= self._pairs:
                    line = f"bye {seq}"
                else:
                    camera.shown = seq + SPARE * self._pairs * len(self.answered)
                    line = self._cell.line("check" if seq % 9 == 0 else "capture", seq, camera.shown)
                self._pending = line
                robot.send("\n".join(f"pose {self._cell.poses[0]}" for _ in range(POSES_BETWEEN)))
                reply = robot.final(line)
                self.answered[-1][int(line.split()[1])] = line, reply
                self._pending = None
        except (OSError, ValueError):
            # A connection that broke, or a reply that is empty or torn: not answered.
            return

    def _compare_disk(self) -> None:
        sessions = list_sessions(self._place / "sessions")
        for path, answered in zip(sessions, self.answered, strict=True):
            with SessionFolder.open(path) as folder:
                assert find_damage(folder, ("station.toml", "camera.json"), images_of(folder.records)) == []
                log = fold(decode_facts(folder.records))
            assert log is not None
            for seq, (line, reply) in answered.items():
                answer = log.replies[seq]
                assert (answer.request.line, (answer.code, seq, answer.count, answer.aux)) == (line, reply)
            kept = [
                seq
                for seq, (line, reply) in answered.items()
                if line.startswith("capture") and Code(reply[0]).keeps_pair
            ]
            assert [taken.request.seq for taken in log.kept][: len(kept)] == kept
            assert len(log.kept) <= len(kept) + (path == sessions[-1])
