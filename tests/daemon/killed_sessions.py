"""A robot that captures without a pause while the daemon is killed at random instants and started again.

The oracle: every answer that the robot got is given again after every restart and stands on the disk in the end, so is
every pair; besides them at most the one that was under way.
"""

import random
import threading
import time

from daemon_process import DaemonProcess, Robot
from pushed_cell import PushingCamera

from eyebolt.journal.damage import damage_of
from eyebolt.journal.folder import SessionFolder
from eyebolt.journal.names import list_sessions
from eyebolt.session.facts import counts, fold

LONGEST_LIFE_S = 1.2
POSES_BETWEEN = 20


class KilledSessions:
    """Sessions of ``pairs`` kept captures each, one after the other, in a folder of their own.

    ``restarts``: for each start, pairs on the disk and seconds from starting the process to the reply to ``status``.
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
                finally:
                    daemon.end()
        self._look_at_the_disk()

    def work_until(self, pairs):
        """One life of the daemon until so many pairs are kept."""
        with PushingCamera(self._cell, self._place) as camera:
            daemon = self._start()
            try:
                with Robot(daemon.port) as robot:
                    self._work(robot, camera, pairs)
            finally:
                daemon.end()

    @property
    def kept(self):
        """Pairs that this session told the robot of."""
        return sum(1 for line, reply in self.told[-1].values() if line.startswith("capture") and counts(reply[0]))

    def _start(self):
        """A daemon that has answered ``status`` once."""
        begun = time.monotonic()
        daemon = DaemonProcess(self._station, wait=False)
        while True:
            try:
                robot = Robot(daemon.port)
                break
            except ConnectionRefusedError:
                if daemon.process.poll() is not None:
                    raise AssertionError(f"the daemon ended at once:\n{daemon.text()}") from None
                time.sleep(0.005)
        with robot:
            code, _, count, _ = robot.ask("status 999999")
            self.restarts.append((count, time.monotonic() - begun))
            assert (code == 0) or not self.told[-1]
        return daemon

    def _compare(self, robot):
        """What the robot was told is what it is told again; what was under way is there whole or not at all."""
        told, under_way = self.told[-1], self._under_way
        robot.ask("hello 0")
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
        assert robot.ask("hello 0")[2:] == (self.kept, max(told, default=0))

    def _work(self, robot, camera, until_pairs=None):
        """Until the daemon is gone, or so many pairs are kept."""
        try:
            while until_pairs is None or self.kept < until_pairs:
                told = self.told[-1]
                seq = max(told, default=0) + 1
                if self.kept >= self._pairs and told[max(told)][0].startswith("bye"):
                    self.told.append({})
                    line = "begin 1"
                elif self.kept >= self._pairs:
                    line = f"bye {seq}"
                else:
                    camera.shown = seq
                    line = self._cell.line("check" if seq % 9 == 0 else "capture", seq, seq)
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
                assert damage_of(folder, ("station.toml", "camera.json")) == []
                log = fold(folder.records)
            for seq, (line, reply) in told.items():
                answer = log.answers[seq]
                assert (answer.text, (answer.code, seq, answer.count, answer.aux)) == (line, reply)
            kept = [seq for seq, (line, reply) in told.items() if line.startswith("capture") and counts(reply[0])]
            assert [taken.seq for taken in log.kept][: len(kept)] == kept
            assert len(log.kept) <= len(kept) + (path == sessions[-1])
