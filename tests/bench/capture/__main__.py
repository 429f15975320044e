"""How long a robot waits for the answer to a capture, and for what: 2448 x 2048 pixels, push camera, real sockets.

    python -m bench.capture [--captures N] [--motion-check off] [--formats]

One process is the daemon, one the camera (the bench itself is the robot). Every capture is timed from the instant of
the exposure to the reply at the robot's socket; settling and waiting for the camera are not in it. In the same run,
before the daemon starts, each of these is measured alone: a picture written and synced, a picture sent and received, a
board found. Bars: the median at most 10 ms over the sum of the three medians, the 99th percentile at most 100 ms over
it.
--formats: what the lossless picture formats take instead. Prints figures; fails nothing; not collected by pytest.
"""

import argparse
import os
import tempfile
from pathlib import Path

# As in the daemon: more threads only wait for each other on matrices this small.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from bench.capture import components as alone
from bench.capture import image_formats as formats
from bench.capture.cell import record_large_cell
from bench.capture.robot import captures_timed
from bench.record import Table, add_option, recording
from eyebolt.boards import board_from_mm

BOARD = board_from_mm("charuco", 12, 9, 15.0, 11.0, "5X5_100")
CAPTURES = 57


def main():
    """Reads the command line and prints the figures."""
    parser = argparse.ArgumentParser(prog="python -m bench.capture", description=__doc__.splitlines()[0])
    parser.add_argument("--captures", type=int, default=CAPTURES, help=f"how many ({CAPTURES})")
    parser.add_argument(
        "--motion-check", choices=("two-images", "off"), default="two-images", help="[camera] motion_check"
    )
    parser.add_argument("--formats", action="store_true", help="measure picture formats instead")
    add_option(parser)
    asked = parser.parse_args()
    name = "capture.formats" if asked.formats else f"capture.motion-check-{asked.motion_check}"
    with (
        recording(name, asked.record),
        tempfile.TemporaryDirectory(dir=os.environ.get("EYEBOLT_BENCH_FOLDER")) as folder,
    ):
        cell = record_large_cell(Path(folder), waypoints=19, seed=4)
        if asked.formats:
            formats.run(cell.images[0], Path(folder))
            return
        parts = alone.measure(cell.images, BOARD, Path(folder))
        rows, behind_ms = captures_timed(cell, asked.captures, asked.motion_check)
        report(parts, rows, behind_ms)


def report(parts, rows, behind_ms):
    """Prints parts, steps and bars."""
    import numpy as np

    def spread(table, name, ms, *more):
        table.row(name, *(f"{value:.1f}" for value in (np.median(ms), min(ms), max(ms))), *more)

    figures = (("median", 8), ("least", 8), ("most", 8))
    table = Table("alone, in this run, ms", ("part", 28), *figures)
    for name, ms in parts.items():
        spread(table, name, ms)
    base = sum(float(np.median(ms)) for ms in parts.values())
    table.note(f"sum of the medians: {base:.1f} ms")
    total = np.array([row.total_ms for row in rows])
    solve = np.array([row.steps.get("solve") or 0.0 for row in rows])
    codes = sorted({int(row.code) for row in rows})
    table = Table(
        f"{len(rows)} captures, codes {codes}; steps as the journal has them, ms", ("step", 28), *figures, ("of", 12)
    )
    for name in ("wait", "transfer", "detect", "view_check", "disk", "solve"):
        ms = np.array([row.steps[name] for row in rows if row.steps.get(name) is not None])
        if len(ms):
            spread(table, name, ms, f"{len(ms)} of {len(rows)}")
    if len(behind_ms):
        spread(table, "solve behind an answer", behind_ms, len(behind_ms))
    first = solve == 0
    table = Table(
        "from exposure to reply, ms",
        ("captures", 40),
        ("median", 8),
        ("p99", 8),
        ("median bar", 15),
        ("p99 bar", 15),
    )
    for name, ms in (
        ("all", total),
        ("answered before their solve, or none", total[first]),
        ("that waited for their solve", total[~first]),
        ("all, the solve's own time taken off", total - solve),
    ):
        if len(ms):
            middle, late = float(np.median(ms)), float(np.percentile(ms, 99))
            words = [
                f"{'met' if x <= bar else 'MISSED'} ({x - base:+.0f})"
                for x, bar in ((middle, base + 10), (late, base + 100))
            ]
            table.row(name, f"{middle:.1f}", f"{late:.1f}", *words)


if __name__ == "__main__":
    main()
