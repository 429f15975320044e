"""How fast and how well boards are found: against the library's own detectors on the full picture, in the same run.

    OPENBLAS_NUM_THREADS=1 python -m bench.detection [charuco] [chessboard] [--views N] [--first K] [--jobs 1]

Views of 2448 x 2048 pixels in 8 bits, rendered with known corners (`views.py`): boards of 5 to 100 % of the picture's
width, tilted up to 60 degrees, blurred, noisy, lit unevenly, with glare, a third covered, amid clutter, or no board.
Both sides run on one thread (cv2.setNumThreads(1)), in one process, back to back, in processor time, the quicker of two
runs each; what is printed is the median of the ratios over the views, with its standard error from 400 resamplings of
the views. Rows come on stdout, progress on stderr. Not collected by pytest.
"""

import argparse
import os
import sys
import time

# Matrices are small; must be said before NumPy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np

from bench.detection.views import BANDS, board_of, make_view
from bench.record import Figure, Table, add_option, recording
from eyebolt.boards.charuco import charuco_pattern
from eyebolt.boards.detect import find_board
from eyebolt.boards.detection import Detection

VIEWS = 520
_PROGRESS_S = 10.0


@dataclass
class Row:
    """One view: its band, times in ms (library, ours), corners found, and errors."""

    number: int
    band: tuple[float, float] | None
    message: str
    theirs_ms: float
    ours_ms: float
    theirs_count: int
    ours_count: int
    theirs_squared: np.ndarray
    ours_squared: np.ndarray
    false_corners: int
    unseen_corners: int


def timed(work, runs=2):
    """Milliseconds of processor time, the least of ``runs``, and the answer."""
    least = np.inf
    for _ in range(runs):
        start = time.process_time()
        answer = work()
        least = min(least, time.process_time() - start)
    return 1e3 * least, answer


def one_view(kind, number):
    """The Row of a view."""
    cv2.setNumThreads(1)
    view = make_view(number, kind, whole=kind == "chessboard")
    board = board_of(kind)
    if kind == "charuco":
        detector = cv2.aruco.CharucoDetector(charuco_pattern(board))
        theirs_ms, found = timed(lambda: detector.detectBoard(view.picture))
        ids = np.zeros(0, int) if found[1] is None else np.asarray(found[1]).ravel()
        corners = np.zeros((0, 2)) if not len(ids) else np.asarray(found[0], float).reshape(-1, 2)
    else:
        size = (board.columns - 1, board.rows - 1)
        theirs_ms, found = timed(lambda: cv2.findChessboardCornersSB(view.picture, size), runs=1)
        ids = np.arange(board.corner_count if found[0] else 0)
        corners = np.asarray(found[1], float).reshape(-1, 2) if found[0] else np.zeros((0, 2))
        if found[0] and np.linalg.norm(corners[0] - view.truth_px[0]) > np.linalg.norm(corners[-1] - view.truth_px[0]):
            corners = corners[::-1]
    ours_ms, seen = timed(lambda: find_board(view.picture, board))
    ours = seen.ids if isinstance(seen, Detection) else np.zeros(0, int)
    common, at_ours, at_theirs = np.intersect1d(ours, ids, return_indices=True)
    off_ours = ((seen.corners_px[at_ours] - view.truth_px[common]) ** 2).sum(1) if len(common) else np.zeros(0)
    off_theirs = ((corners[at_theirs] - view.truth_px[common]) ** 2).sum(1) if len(common) else np.zeros(0)
    all_off = np.linalg.norm(seen.corners_px - view.truth_px[ours], axis=1) if len(ours) else np.zeros(0)
    return Row(
        number, view.band, view.message, theirs_ms, ours_ms, len(ids), len(ours),
        off_theirs, off_ours, int((~(all_off < 1.0)).sum()), int((~view.visible[ours]).sum()),
    )  # fmt: skip


def resampled(values, statistic, rng):
    """The statistic and its standard error over resampled views (rows of ``values``)."""
    values = np.asarray(values, float)
    if len(values) < 2:
        return np.nan, np.nan
    drawn = [statistic(values[rng.integers(0, len(values), len(values))]) for _ in range(400)]
    return float(statistic(values)), float(np.std(drawn))


def squares_ratio(sums):
    """Root of the ratio of summed squares: columns ours, theirs."""
    return np.sqrt(sums[:, 0].sum() / sums[:, 1].sum()) if sums[:, 1].sum() > 0 else np.nan


def report(kind, rows):
    """Prints what the views of a kind gave."""
    rng = np.random.default_rng(1)
    bars = BARS[kind]
    times = Table(
        f"{kind}: {len(rows)} views, 2448 x 2048, one thread, processor time; library: {LIBRARY[kind]}",
        ("board", 34), ("views", 5), ("library ms", 10), ("ours ms", 8), ("ratio of", 15), ("ratio", 16), ("bar", 14),
        ("95 % below", 10),
    )  # fmt: skip
    errors = []
    for band in [*BANDS, None]:
        chosen = [r for r in rows if r.band == band]
        if not chosen:
            continue
        name = "no board" if band is None else f"{band[0]:.0%} to {band[1]:.0%} of the width"
        theirs, ours = (np.median([getattr(r, f"{who}_ms") for r in chosen]) for who in ("theirs", "ours"))
        if band is None or band[1] <= 0.15:
            ratios = [r.ours_ms / r.theirs_ms for r in chosen]
            value, error = resampled(ratios, np.median, rng)
            tail, _ = resampled(ratios, lambda v: np.quantile(v, 0.95), rng)
            bar, met, sense, tail_text = "<= 1.4", value <= 1.4, "ours / library", f"{tail:.2f}"
        else:
            value, error = resampled([r.theirs_ms / r.ours_ms for r in chosen], np.median, rng)
            limit = bars["fast"] if band[0] >= 0.25 else bars["middle"]
            bar, met, sense, tail_text = f">= {limit}", value >= limit, "library / ours", ""
        figure = Figure(value, error)
        times.row(name, len(chosen), f"{theirs:.1f}", f"{ours:.1f}", sense, figure, f"{bar} {_word(met)}", tail_text)
        errors.append((band, name, chosen))
    found = Table(
        f"{kind}: corners against the truth",
        ("board", 34), ("error over library's, RMS", 25), ("bar", 15), ("library px", 10), ("ours px", 8),
        ("views found", 11), ("ours alone", 10), ("lost", 12), ("corners library", 15), ("ours", 12),
        ("over 1 px off", 13), ("covered", 7),
    )  # fmt: skip
    lost_views = []
    for band, name, chosen in errors:
        wrong, hidden = sum(r.false_corners for r in chosen), sum(r.unseen_corners for r in chosen)
        if band is None:
            found.row(name, "", "", "", "", "", "", "", "", "", wrong, hidden)
            continue
        sums = np.array([[r.ours_squared.sum(), r.theirs_squared.sum()] for r in chosen if len(r.ours_squared)])
        value, error = resampled(sums, squares_ratio, rng) if len(sums) else (np.nan, np.nan)
        medians = [
            np.sqrt(np.median(np.concatenate([getattr(r, f"{who}_squared") for r in chosen]))) if len(sums) else np.nan
            for who in ("theirs", "ours")
        ]
        lost = [r for r in chosen if r.theirs_count and not r.ours_count]
        lost_views += lost
        gained = sum(1 for r in chosen if r.ours_count and not r.theirs_count)
        corners = [sum(getattr(r, f"{who}_count") for r in chosen) for who in ("theirs", "ours")]
        views = [sum(getattr(r, f"{who}_count") > 0 for r in chosen) for who in ("theirs", "ours")]
        found.row(
            name,
            Figure(value, error),
            f"<= 1.05 {_word(value <= 1.05)}" if band[0] >= 0.25 else "",
            *(f"{x:.4f}" for x in medians),
            f"{views[0]}, {views[1]}",
            gained,
            f"{len(lost)} {_word(not lost)}",
            corners[0],
            f"{corners[1]} {_word(corners[1] >= corners[0])}",
            wrong,
            hidden,
        )
    found.note("views found: library, ours; lost (bar 0): found by the library alone; covered: corners that are hidden")
    for row in lost_views:
        found.note(f"lost: view {row.number}, {row.message}, the library had {row.theirs_count} corners")
    slow = sorted(rows, key=lambda r: r.theirs_ms / r.ours_ms if r.band and r.band[0] >= 0.25 else 99)[:5]
    found.note(
        "slowest against the library from 25 % up: "
        + "; ".join(f"{r.number} ({r.message}) {r.theirs_ms / r.ours_ms:.1f}x" for r in slow)
    )


def _word(met):
    return "met" if met else "MISSED"


LIBRARY = {
    "charuco": "cv2.aruco.CharucoDetector.detectBoard, defaults",
    "chessboard": "cv2.findChessboardCornersSB, defaults",
}
BARS = {
    "charuco": {"fast": 4.5, "middle": 2.0},
    "chessboard": {"fast": 5.0, "middle": 5.0},
}


def main():
    """Reads the command line, renders and measures."""
    parser = argparse.ArgumentParser(prog="python -m bench.detection", description=__doc__.splitlines()[0])
    parser.add_argument("kinds", nargs="*", metavar="KIND", help="charuco, chessboard; both without one")
    parser.add_argument("--views", type=int, help=f"views of a kind; default {VIEWS}, chessboard a fifth of it")
    parser.add_argument("--first", type=int, default=0, help="number of the first view")
    parser.add_argument("--jobs", type=int, default=1, help="processes; more than one disturb each other's times")
    add_option(parser)
    asked = parser.parse_args()
    unknown = [kind for kind in asked.kinds if kind not in LIBRARY]
    if unknown:
        parser.error(f"no kind {', '.join(unknown)}; there are {', '.join(LIBRARY)}")
    for kind in asked.kinds or LIBRARY:
        count = asked.views or (VIEWS if kind == "charuco" else VIEWS // 5)
        numbers = range(asked.first, asked.first + count)
        if asked.jobs > 1:
            with ProcessPoolExecutor(asked.jobs) as pool:
                rows = collect(kind, count, pool.map(partial(one_view, kind), numbers))
        else:
            rows = collect(kind, count, map(partial(one_view, kind), numbers))
        with recording(f"detection.{kind}", asked.record):
            report(kind, rows)


def collect(kind, count, results):
    """The rows as a list, with a word on stderr now and then."""
    rows, said = [], time.monotonic()
    for row in results:
        rows.append(row)
        if time.monotonic() - said > _PROGRESS_S:
            said = time.monotonic()
            print(f"  ... {kind}: {len(rows)} of {count} views", file=sys.stderr, flush=True)
    return rows


if __name__ == "__main__":
    try:
        main()
    except KeyboardInterrupt:
        sys.exit(130)
