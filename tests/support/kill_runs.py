"""A robot that captures without a pause while the daemon is killed at random instants and started again.

The oracle: every answer that the robot got is given again after every restart and stands on the disk in the end, so is
every pair; besides them at most the one that was under way.
"""

import random
import signal
import threading
import time
from dataclasses import dataclass

from eyebolt.protocol import Code
from eyebolt.session.facts import decode_facts
from eyebolt.session.session_log import fold
from eyebolt.store.names import list_sessions
from eyebolt.store.session_folder import SessionFolder
from eyebolt.store.verify import find_damage
from support.daemon_process import DaemonProcess, Robot
from support.push_camera_cell import PushingCamera
from support.recorded_facts import images_of

LONGEST_LIFE_S = 1.2
POSES_BETWEEN = 20
BEGIN = "begin 1"
# Waypoints of a session over its pairs: some are checks, at some the board is not seen.
SPARE = 2


@dataclass(frozen=True)
class Restart:
    """Pairs on the disk; seconds from starting the process to the reply to ``status``, and of processor time."""

    pairs: int
    wall_s: float
    processor_s: float


class KilledSessions:
    """Sessions of ``pairs`` kept captures each, one after the other, in a folder of their own.

    ``restarts``: one for each start.
    """

    def __init__(self, cell, place, pairs, seed):
        self.restarts = []
        self.told = [{}]
        self._cell, self._pairs = cell, pairs
        self._place = place
        self._station = cell.station(place)
        self._random = random.Random(seed)
        self._under_way = None

    def live(self, kills):
        """So many lives, each ended by a kill; then what is on the disk is compared with all that was told."""
        with PushingCamera(self._cell, self._place) as camera:
            for _ in range(kills):
                daemon = self._start()
                try:
                    with Robot(daemon.port) as robot:
                        self._compare(robot)
                        end = threading.Timer(self._random.uniform(0.0, LONGEST_LIFE_S), daemon.kill)
                        end.start()
                        self._work(robot, camera)
                        end.join()
                        assert daemon.process.returncode == -signal.SIGKILL, daemon.text()
                finally:
                    daemon.end()
        self._look_at_the_disk()

    def work_until(self, sessions):
        """One life of the daemon, until so many sessions are closed."""
        with PushingCamera(self._cell, self._place) as camera:
            daemon = self._start()
            try:
                with Robot(daemon.port) as robot:
                    self._work(robot, camera, sessions)
            finally:
                daemon.end()

    def start_and_kill(self, times):
        """Starts the daemon so often, and kills it once it has answered ``status``."""
        for _ in range(times):
            self._start().kill()

    @property
    def kept(self):
        """Pairs that this session told the robot of."""
        return sum(
            1 for line, reply in self.told[-1].values() if line.startswith("capture") and Code(reply[0]).keeps_pair
        )

    def _start(self):
        """A daemon that has answered ``status`` once."""
        begun = time.monotonic()
        # Calling before it listens might call ourselves: such ports are what callers are given, too.
        daemon = DaemonProcess(self._station)
        with Robot(daemon.port) as robot:
            code, _, count, _ = robot.ask("status 999999")
            self.restarts.append(Restart(count, time.monotonic() - begun, daemon.processor_s()))
            assert (code == 0) or not self.told[-1]
        return daemon

    def _compare(self, robot):
        """What the robot was told is what it is told again; what was under way is there whole or not at all."""
        told, under_way = self.told[-1], self._under_way
        robot.ask("hello 0")
        if under_way == BEGIN:
            # Numbers of the old session would be asked for if it was not begun; said again, it begins one at most.
            told[1], under_way = (BEGIN, robot.final(BEGIN)), None
        for seq, (_, reply) in told.items():
            assert robot.ask(f"again {seq}") == reply
        if under_way is not None:
            seq = int(under_way.split()[1])
            reply = robot.final(f"again {seq}")
            if reply[0] != 43:
                told[seq] = under_way, reply
        if told:
            line, reply = told[max(told)]
            assert robot.ask(line) == reply, "a line said again was not the same request"
        self._under_way = None
        closed = bool(told) and told[max(told)][0].startswith("bye")
        assert robot.ask("hello 0")[2:] == (self.kept, 0 if closed else max(told, default=0))

    def _work(self, robot, camera, sessions=None):
        """Until the daemon is gone, or the session after so many is begun."""
        try:
            while sessions is None or len(self.told) <= sessions:
                told = self.told[-1]
                seq = max(told, default=0) + 1
                if self.kept >= self._pairs and told[max(told)][0].startswith("bye"):
                    self.told.append({})
                    line = BEGIN
                elif self.kept >= self._pairs:
                    line = f"bye {seq}"
                else:
                    camera.shown = seq + SPARE * self._pairs * len(self.told)
                    line = self._cell.line("check" if seq % 9 == 0 else "capture", seq, camera.shown)
                self._under_way = line
                robot.send("\n".join(f"pose {self._cell.poses[0]}" for _ in range(POSES_BETWEEN)))
                reply = robot.final(line)
                self.told[-1][int(line.split()[1])] = line, reply
                self._under_way = None
        except (OSError, ValueError):
            # A connection that broke, or a reply that is empty or torn: it was not told.
            return

    def _look_at_the_disk(self):
        sessions = list_sessions(self._place / "sessions")
        for path, told in zip(sessions, self.told, strict=True):
            with SessionFolder.open(path) as folder:
                assert find_damage(folder, ("station.toml", "camera.json"), images_of(folder.records)) == []
                log = fold(decode_facts(folder.records))
            for seq, (line, reply) in told.items():
                answer = log.replies[seq]
                assert (answer.request.line, (answer.code, seq, answer.count, answer.aux)) == (line, reply)
            kept = [
                seq for seq, (line, reply) in told.items() if line.startswith("capture") and Code(reply[0]).keeps_pair
            ]
            assert [taken.request.seq for taken in log.kept][: len(kept)] == kept
            assert len(log.kept) <= len(kept) + (path == sessions[-1])
