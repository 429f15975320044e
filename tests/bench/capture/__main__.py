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
from eyebolt.boards import board_from_mm

BOARD = board_from_mm("charuco", 12, 9, 15.0, 11.0, "5X5_100")
CAPTURES = 57


def main():
    """Reads the command line and prints the figures."""
    parser = argparse.ArgumentParser(prog="tests/bench/capture", description=__doc__.splitlines()[0])
    parser.add_argument("--captures", type=int, default=CAPTURES, help=f"how many ({CAPTURES})")
    parser.add_argument(
        "--motion-check", choices=("two-pictures", "off"), default="two-pictures", help="[camera] motion_check"
    )
    parser.add_argument("--formats", action="store_true", help="measure picture formats instead")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=os.environ.get("EYEBOLT_BENCH_FOLDER")) as folder:
        cell = record_large_cell(Path(folder), waypoints=19, seed=4)
        if asked.formats:
            formats.run(cell.pictures[0], Path(folder))
            return
        parts = alone.measure(cell.pictures, BOARD, Path(folder))
        rows, behind_ms = captures_timed(cell, asked.captures, asked.motion_check)
    report(parts, rows, behind_ms)


def report(parts, rows, behind_ms):
    """Prints parts, steps and bars."""
    import numpy as np

    print("alone, in this run, ms: median (least - most)")
    for name, ms in parts.items():
        print(f"  {name:<28}{np.median(ms):8.1f} ({min(ms):.1f} - {max(ms):.1f})")
    base = sum(float(np.median(ms)) for ms in parts.values())
    print(f"  {'sum of the medians':<28}{base:8.1f}")
    total = np.array([row.total_ms for row in rows])
    solve = np.array([row.steps.get("solve") or 0.0 for row in rows])
    print(f"\n{len(rows)} captures, codes {sorted({row.code for row in rows})}; steps as the journal has them, ms")
    for name in ("wait", "transfer", "detect", "view_check", "disk", "solve"):
        ms = np.array([row.steps[name] for row in rows if row.steps.get(name) is not None])
        if len(ms):
            print(f"  {name:<28}{np.median(ms):8.1f} ({ms.min():.1f} - {ms.max():.1f}), {len(ms)} of {len(rows)}")
    print(f"  {'solve behind an answer':<28}{np.median(behind_ms):8.1f} ({min(behind_ms):.1f} - {max(behind_ms):.1f})")
    first = solve == 0
    print("\nfrom exposure to reply, ms                    median     p99   median bar      p99 bar")
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
            print(f"  {name:<40}{middle:10.1f}{late:8.1f}   {words[0]:<15}{words[1]}")


if __name__ == "__main__":
    main()
