"""Do views cost the robot anything? Paired checks with and without subscribers, 2448 x 2048 pixels, real sockets.

    python -m bench.view [--rounds N] [--settle MS] [--motion-check off] [--seconds S]

One process is the daemon, one the camera, which pushes ten images a second, one the subscribers; the bench is the
robot. At every waypoint the robot sends one ``check`` with each company, in random order: nobody; three subscribers to
the views (one as the page has, two that decode each picture as a screen may); three that subscribe and never read.
After each round come the same waypoints with hostile peers that send a thousand subscription messages a second beside
the three. A check takes the same way as a capture but for the solve, whose length varies by itself. Timed is each from
the instant of the exposure to the reply at the robot's socket, so that the phase of the camera is not in it; the
differences are those of the same waypoint and round. Bar: the median of the differences below 2 ms. Second table: the
daemon's use of a processor without requests, and the views that the slowest subscriber got. Prints figures; fails
nothing; not collected by pytest.
"""

import argparse
import contextlib
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

# As in the daemon: more threads only wait for each other on matrices this small.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from bench.capture.cell import FAR_MM, LENS, NEAR_MM, record_large_cell
from bench.capture.components import Sender
from bench.load.client_process import status_of
from bench.load.flood import flood, memory_mb
from bench.record import Table, add_option, recording
from eyebolt.session import ImageFact
from eyebolt.store.names import list_sessions
from support.daemon_process import DaemonProcess, Robot
from support.folder_camera_cell import write_station
from support.recorded_facts import facts_in

VIEWERS = Path(__file__).with_name("viewers.py")
WAYPOINTS = 12
BAR_MS = 2.0
HOSTILE = "three, and hostile"
COMPANIES = ("nobody", "three", "stuck", HOSTILE)


def main():
    """Reads the command line and prints the figures."""
    parser = argparse.ArgumentParser(prog="python -m bench.view", description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=6, help="visits of each waypoint with each company (6)")
    parser.add_argument("--settle", type=int, default=300, help="[camera] settle_ms (300, as eyebolt new writes)")
    parser.add_argument(
        "--motion-check", choices=("two-images", "off"), default="two-images", help="[camera] motion_check"
    )
    parser.add_argument("--seconds", type=float, default=10.0, help="of each measurement of the processor (10)")
    add_option(parser)
    asked = parser.parse_args()
    name = f"view.settle-{asked.settle}-motion-check-{asked.motion_check}"
    with (
        recording(name, asked.record),
        tempfile.TemporaryDirectory(dir=os.environ.get("EYEBOLT_BENCH_FOLDER")) as folder,
    ):
        cell = record_large_cell(Path(folder), waypoints=WAYPOINTS, seed=4)
        place = Path(folder) / "station"
        place.mkdir()
        endpoint = f"ipc://{place}/camera"
        lines = ('source = "push"', f'endpoint = "{endpoint}"', f'motion_check = "{asked.motion_check}"')
        changes = {"camera_lines": lines, "near_mm": NEAR_MM, "far_mm": FAR_MM, "tolerance_mm": 0.05}
        station = write_station(place, lens=LENS, settle_ms=asked.settle, **changes)
        sender = Sender(endpoint, cell.images, Path(folder))
        with contextlib.closing(sender), DaemonProcess(station) as daemon:
            rows, memory, processor = run(cell, sender, daemon, station, asked)
        report(rows, memory, processor)


class Viewers:
    """The process of the subscribers."""

    def __init__(self, endpoint):
        self.process = subprocess.Popen(
            [sys.executable, VIEWERS, endpoint], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self.company = None

    def let_in(self, company):
        """Sends away who is there, and returns what they saw; returns once views arrive at ``company``."""
        self.process.stdin.write(f"{company}\n")
        self.process.stdin.flush()
        saw = None if self.company is None else json.loads(self.process.stdout.readline())
        self.company = company
        if self.process.stdout.readline() != "ready\n":
            raise RuntimeError("the subscribers ended")
        return saw

    def close(self):
        """Ends the process."""
        self.process.stdin.close()
        self.process.wait(10)
        self.process.stdout.close()


def processor_use(viewers, daemon, seconds):
    """Rows: company, the daemon's share of a processor without requests, that of the subscribers, their views/s."""
    rows = []
    for company in ("nobody", "three"):
        viewers.let_in(company)
        time.sleep(1.0)
        before_s, begun_s = daemon.processor_s(), time.monotonic()
        time.sleep(seconds)
        share = (daemon.processor_s() - before_s) / (time.monotonic() - begun_s)
        saw = viewers.let_in("nobody")
        rows.append((company, share, saw["processor"], saw["views_per_s"]))
    return rows


class Checks:
    """The robot, and what it was told."""

    def __init__(self, cell, sender, daemon, viewers):
        self.cell, self.sender, self.daemon, self.viewers = cell, sender, daemon, viewers
        self.order, self.told, self.memory = random.Random(1), [], dict.fromkeys(COMPANIES, 0.0)
        self.robot = Robot(daemon.port)
        self.robot.say("hello 0")
        self.robot.say("begin 1")

    def visit(self, round_number, waypoint, company, name):
        """One check in this company."""
        if self.viewers.company != company:
            self.viewers.let_in(company)
        self.sender.show(waypoint)
        # The arm travels meanwhile, and views are on their way; the phase of the views is any.
        time.sleep(0.3 + 0.1 * self.order.random())
        seq = len(self.told) + 2
        code = self.robot.ask(f"check {seq} {self.cell.poses[waypoint]}")[0]
        self.told.append((round_number, waypoint, name, time.monotonic_ns(), code))
        self.memory[name] = max(self.memory[name], memory_mb(self.daemon.process.pid))

    def rows(self, station):
        """For each company the milliseconds from exposure to reply, by round and waypoint."""
        facts = [fact for path in list_sessions(station.parent / "sessions") for fact in facts_in(path)]
        exposed_ns = [fact.frame.exposed_ns for fact in facts if isinstance(fact, ImageFact)]
        rows = {company: {} for company in COMPANIES}
        for (number, waypoint, name, at_ns, code), begun_ns in zip(self.told, exposed_ns, strict=True):
            # The first round warms up.
            if number and code <= 9:
                rows[name][number, waypoint] = (at_ns - begun_ns) / 1e6
        return rows


def run(cell, sender, daemon, station, asked):
    """Milliseconds by company, the daemon's memory with each, and its use of a processor."""
    with contextlib.closing(Viewers(status_of(station))) as viewers:
        processor = processor_use(viewers, daemon, asked.seconds)
        checks = Checks(cell, sender, daemon, viewers)
        with checks.robot:
            for number in range(asked.rounds + 1):
                for waypoint in range(WAYPOINTS):
                    for company in checks.order.sample(("nobody", "three", "stuck"), 3):
                        checks.visit(number, waypoint, company, company)
                with flood(status_of(station), 4, 1000):
                    for waypoint in range(WAYPOINTS):
                        checks.visit(number, waypoint, "three", HOSTILE)
        daemon.terminate()
    return checks.rows(station), checks.memory, processor


def report(rows, memory, processor):
    """Prints differences, bar, processor and memory."""
    import numpy as np

    table = Table(
        "checks from exposure to reply, and the differences from those without subscribers, ms",
        ("company", 22),
        ("checks", 7),
        ("median", 8),
        ("p95", 8),
        ("difference: median", 19),
        ("quartiles", 14),
        ("its standard error", 19),
        ("bar", 8),
        ("memory MB", 10),
    )
    quiet = rows["nobody"]
    for company, found in rows.items():
        ms = np.array(list(found.values()))
        common = sorted(found.keys() & quiet.keys())
        apart_ms = np.array([found[key] - quiet[key] for key in common])
        words = ["-"] * 4
        if company != "nobody" and len(apart_ms):
            low, middle, high = np.percentile(apart_ms, [25, 50, 75])
            # Of the median of a distribution that is about normal in its middle.
            error = 1.253 * (high - low) / 1.349 / np.sqrt(len(apart_ms))
            met = "met" if middle < BAR_MS else "MISSED"
            words = [f"{middle:+.2f}", f"{low:+.2f} {high:+.2f}", f"{error:.2f}", met]
        table.row(
            company, len(ms), f"{np.median(ms):.1f}", f"{np.percentile(ms, 95):.1f}", *words, f"{memory[company]:.0f}"
        )
    circumstances = f"{os.getloadavg()[0]:.1f} runnable threads on this computer, niceness {os.nice(0)}"
    table.note(f"bar: the median of the differences < {BAR_MS:.0f} ms; {circumstances}")
    table = Table(
        "share of a processor without requests",
        ("company", 22),
        ("daemon", 8),
        ("subscribers", 12),
        ("views/s", 8),
    )
    for company, share, theirs, rate in processor:
        table.row(company, f"{share:.1%}", f"{theirs:.1%}", f"{rate:.1f}")


if __name__ == "__main__":
    main()
