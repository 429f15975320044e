"""Does a crowd cost the robot anything? Real sockets, real daemons.

    python -m bench.load [SECTION ...] [--rounds N] [--watchers 50] [--connections 1000] [--peers 4] [--seconds 40]

Sections: crowd, flood (hostile subscribers, see ``flood.py``); without a name both. Prints figures; fails nothing; not
collected by pytest.

crowd: captures twice a second, 2448 x 2048 pixels, push camera. One daemon; blocks of 18 captures by turns without a
crowd and with it, so that whatever else the computer does meets both. The crowd: watchers, one of which never reads,
and connections on the robot's port, half of them silent, half writing a byte a second; who is hung up on calls again
10 s later. It is a process of low priority, as it would not be on this computer at all. Timed is each capture from the
line to its reply, as the robot sees it. Bars: no answer after 1.5 s, nothing lost, median and 95th percentile within
1.5 times those of the quiet daemon.
"""

import argparse
import contextlib
import os
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from bench.capture.cell import FAR_MM, LENS, NEAR_MM, record_large_cell
from bench.capture.components import Sender
from bench.load import flood
from bench.load.client_process import crowd
from bench.record import Table, add_option, recording
from eyebolt.session import ReplyFact
from eyebolt.store.names import list_sessions
from support.daemon_process import DaemonProcess, Robot
from support.folder_camera_cell import write_station
from support.recorded_facts import facts_in

PERIOD_S = 0.5
LATE_S = 1.5
BAR = 1.5


def main():
    """Reads the command line and prints the figures."""
    parser = argparse.ArgumentParser(prog="python -m bench.load", description=__doc__.splitlines()[0])
    parser.add_argument("sections", nargs="*", metavar="SECTION", help=f"{' or '.join(SECTIONS)}; both by default")
    parser.add_argument("--rounds", type=int, default=4, help="crowd: blocks of each kind (4)")
    parser.add_argument("--watchers", type=int, default=50)
    parser.add_argument("--connections", type=int, default=1000)
    parser.add_argument("--peers", type=int, default=4, help="flood: hostile subscribers (4)")
    parser.add_argument("--seconds", type=float, default=40.0, help="flood: of each rate (40)")
    add_option(parser)
    asked = parser.parse_args()
    for section in asked.sections or SECTIONS:
        with recording(f"load.{section}", asked.record):
            SECTIONS[section](asked)


def run_crowd(asked):
    """Prints the section."""
    with tempfile.TemporaryDirectory(dir=os.environ.get("EYEBOLT_BENCH_FOLDER")) as folder:
        cell = record_large_cell(Path(folder), waypoints=18, seed=4)
        endpoint = f"ipc://{folder}/camera"
        lines = ('source = "push"', f'endpoint = "{endpoint}"', 'motion_check = "off"')
        place = Path(folder) / "station"
        place.mkdir()
        changes = {"camera_lines": lines, "near_mm": NEAR_MM, "far_mm": FAR_MM, "tolerance_mm": 0.05}
        station = write_station(place, lens=LENS, settle_ms=50, **changes)
        sender = Sender(endpoint, cell.images, Path(folder))
        with contextlib.closing(sender), DaemonProcess(station) as daemon:
            quiet, loaded, crowds = run(cell, sender, daemon, station, asked)
            daemon.terminate()
        report(quiet, loaded, crowds, lost(station, quiet + loaded), len(daemon.text()))


SECTIONS = {"crowd": run_crowd, "flood": flood.run}


def run(cell, sender, daemon, station, asked):
    """(code, seconds) of each capture without and with the crowd, and what the crowds saw."""
    quiet, loaded, crowds = [], [], []
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        block(cell, sender, robot)
        for _ in range(asked.rounds):
            for rows, there in ((quiet, False), (loaded, True)):
                with (
                    crowd(station, daemon.port, asked.watchers, asked.connections)
                    if there
                    else contextlib.nullcontext() as saw
                ):
                    rows += block(cell, sender, robot)
                if there:
                    crowds.append(saw)
    return quiet, loaded, crowds


def block(cell, sender, robot):
    """One session: each waypoint once, twice a second."""
    robot.say("begin 1")
    rows = []
    due = time.monotonic()
    for number, pose in enumerate(cell.poses):
        sender.show(number)
        due = max(due + PERIOD_S, time.monotonic() + 0.15)
        time.sleep(due - time.monotonic())
        begun = time.monotonic()
        reply = robot.ask(f"capture {number + 2} {pose}")
        took_s = time.monotonic() - begun
        code = robot.final(f"again {number + 2}")[0] if reply[0] == 10 else reply[0]
        rows.append((code, took_s))
    return rows


def lost(station, rows):
    """Captures that the robot was told are kept and that the journals do not have; the first block is none of them."""
    replies = [fact for path in list_sessions(station.parent / "sessions")[1:] for fact in facts_in(path, ReplyFact)]
    kept = [reply for reply in replies if reply.request.verb == "capture" and reply.code <= 9]
    return sum(code <= 9 for code, _ in rows) - len(kept)


def report(quiet, loaded, crowds, lost_count, log_bytes):
    """Prints both kinds of blocks, their ratios and the bars."""
    import numpy as np

    table = Table(
        "from the line to the reply, ms",
        ("captures", 16),
        ("count", 6),
        ("median", 8),
        ("p95", 8),
        ("longest", 8),
        ("codes", 12),
    )
    for name, rows in (("quiet", quiet), ("with the crowd", loaded)):
        ms = np.array([took_s * 1e3 for _, took_s in rows])
        codes = sorted({code for code, _ in rows})
        table.row(name, len(ms), *(f"{x:.1f}" for x in (np.median(ms), np.percentile(ms, 95), ms.max())), codes)
    table = Table("with the crowd over quiet", ("statistic", 16), ("ratio", 8), ("bar", 16))
    for name, part in (("median", 50), ("95th percentile", 95)):
        ratio = np.percentile([t for _, t in loaded], part) / np.percentile([t for _, t in quiet], part)
        table.row(name, f"{ratio:.2f}", f"<= {BAR} {'met' if ratio <= BAR else 'MISSED'}")
    late = sum(took_s > LATE_S for _, took_s in loaded)
    table.note(f"replies after {LATE_S} s: {late} of {len(loaded)}; kept pairs missing from the journals: {lost_count}")
    for saw in crowds:
        called, hung_up, heard = saw["called"], saw["hung_up"], saw["least_heard"]
        table.note(
            f"the crowd: {called} connections, {hung_up} closed; each watcher but the stuck one received {heard}"
        )
    table.note(f"the daemon's log: {log_bytes / 1e3:.0f} kB")


if __name__ == "__main__":
    main()
