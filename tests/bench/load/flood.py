"""Hostile subscribers at the status address: what they cost the robot and the daemon's memory.

For each rate of subscription messages (0: as fast as the sockets take them), from several peers at once, a robot
exchanges a line every 20 ms and an honest watcher listens. Bars: the robot's longest wait below 50 ms; memory within
10 MB of what it was before; the watcher never without a status for 2.5 s, where its screen would show the daemon as
lost. Where the hostile process shares the processors with the daemon, the wait contains the time that the system gave
to it: the first row is the same without anyone hostile.
"""

import contextlib
import tempfile
import time
from pathlib import Path

import zmq

from bench.load.client_process import client_process, status_of
from bench.record import Table
from support.daemon_process import DaemonProcess, Robot
from support.folder_camera_cell import record_cell

FLOOD = Path(__file__).with_name("flood_process.py")
RATES = (200, 1000, 3500, 0)
WAIT_BAR_MS, MEMORY_BAR_MB, SILENCE_BAR_S = 50.0, 10.0, 2.5
PERIOD_S = 0.02


def flood(endpoint, peers, rate):
    """All are connected when the block begins; the yielded dictionary says afterwards what they sent."""
    return client_process(FLOOD, endpoint.rsplit(":", 1)[1], peers, rate)


def memory_mb(pid):
    """Resident memory of a process."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return int(next(x for x in lines if x.startswith("VmRSS")).split()[1]) / 1e3


class Exchange:
    """A robot and a watcher: the robot's waits, and the longest silence of the status."""

    def __init__(self, daemon, endpoint):
        self.daemon, self.waits_ms, self.silence_s, self.memory = daemon, [], 0.0, 0.0
        self._robot = Robot(daemon.port)
        self._robot.say("hello 0")
        self._context = zmq.Context()
        self._watcher = self._context.socket(zmq.SUB)
        self._watcher.setsockopt(zmq.SUBSCRIBE, b"status")
        self._watcher.connect(endpoint)
        self._watcher.poll(10_000)
        self._heard = time.monotonic()

    def run(self, seconds):
        """Exchanges lines for so long."""
        end, number = time.monotonic() + seconds, 0
        while time.monotonic() < end:
            number += 1
            begun = time.monotonic()
            self._robot.say(f"status {number}")
            now = time.monotonic()
            self.waits_ms.append((now - begun) * 1e3)
            while self._watcher.poll(0):
                self._watcher.recv_multipart()
                self._heard = now
            self.silence_s = max(self.silence_s, now - self._heard)
            self.memory = max(self.memory, memory_mb(self.daemon.process.pid))
            time.sleep(PERIOD_S)

    def close(self):
        """Ends both."""
        self._robot.close()
        self._context.destroy(linger=0)


def run(asked):
    """Prints the section."""
    table = Table(
        f"subscription messages of {asked.peers} hostile peers, {asked.seconds} s each",
        ("messages/s", 10),
        ("sent", 9),
        ("cut off", 8),
        ("wait p50 ms", 11),
        ("longest ms", 10),
        ("MB before", 9),
        ("MB most", 8),
        ("silence s", 9),
        ("bars", 6),
    )
    import numpy as np

    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "cell"
        place.mkdir()
        cell = record_cell(place, waypoints=3, seed=4)
        for rate in (None, *RATES):
            station = cell.station(Path(folder) / f"station {rate}")
            endpoint = status_of(station)
            with DaemonProcess(station) as daemon, contextlib.closing(Exchange(daemon, endpoint)) as exchange:
                exchange.run(3.0)
                before = memory_mb(daemon.process.pid)
                exchange.waits_ms.clear()
                with (
                    flood(endpoint, asked.peers, rate)
                    if rate is not None
                    else contextlib.nullcontext({"messages": 0, "cut": 0})
                ) as saw:
                    exchange.run(asked.seconds)
                longest = max(exchange.waits_ms)
                met = (
                    longest < WAIT_BAR_MS
                    and exchange.memory - before < MEMORY_BAR_MB
                    and exchange.silence_s < SILENCE_BAR_S
                )
                table.row(
                    "none" if rate is None else rate or "most",
                    saw.get("messages", 0),
                    saw.get("cut", 0),
                    f"{np.median(exchange.waits_ms):.1f}",
                    f"{longest:.1f}",
                    f"{before:.1f}",
                    f"{exchange.memory:.1f}",
                    f"{exchange.silence_s:.2f}",
                    "met" if met else "MISSED",
                )
    table.note(
        f"bars: longest wait < {WAIT_BAR_MS:.0f} ms, memory + {MEMORY_BAR_MB:.0f} MB, silence < {SILENCE_BAR_S} s"
    )
