"""Guided capture: what is taken of a hand-guided arm, how well its delay is known, and how fast the board is followed.

    OPENBLAS_NUM_THREADS=1 python -m bench.guidance [SECTION ...] [--runs N] [--places N] [--images N]

Sections: runs, following; both without a name.

runs: simulated runs of either mount, without sockets and images (corners are projected, with noise, and smeared): jerky
motion of a hand with tremor of 8 to 12 Hz, rests of 0.2 to 3 s, streams of 125 and 500 poses per second with jitter and
stalls, 30 images per second of 5 megapixels exposed for 10 ms, a delay of 20 to 120 ms. Bars: no pair whose board moved
by more than 0.1 px during the exposure; a pair at 95 % of the usable rests; the delay within 10 ms, and within its 95 %
interval in 90 % of the runs.

A rest is usable if it begins 2.5 s after the first movement began (before that nothing can be known of the delay), 60 %
of the corners are in view, its place is 30 mm or 5 degrees from every pair before, and it has three successive images
of which the middle one sees no corner move by more than 0.05 px during its exposure, shifted by up to 10 ms either way,
and is not more than 0.08 px from the other two.

The accuracy (two runs of ten, with 12 places) is that of a solve of the pairs, beside that of the same images with the
exact poses of their instants (waypoints).

following: rendered images of the same motion at 5 megapixels, smeared by it, with a board of each kind: time of one
image through the follower and the guide, on one thread. Bar: 20 images per second. Beside it the time of a search in
vain, in images without the board: the quick one, and the whole one that is run every other second.

Prints figures; fails nothing; not collected by pytest.
"""

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import time

import cv2
import numpy as np

from bench.record import Table, add_option, recording
from eyebolt.boards import Detection, board_from_mm, find_board
from eyebolt.geometry import CameraModel, Mount
from eyebolt.guidance import BoardFollower, Guide, GuideSetup
from eyebolt_sim.board_texture import draw_board_texture
from eyebolt_sim.cell_geometry import make_cell_geometry
from eyebolt_sim.hand_guiding import HandGuidedArm, StreamTiming
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.render import Renderer
from eyebolt_sim.waypoints import plan_waypoints
from support.guided_runs import EXPOSURE_S, FRAME_HZ, LIMIT_PX, GuidedRun, guided_run, transform_error_mm

SECTIONS = ("runs", "following")


def main():
    """Reads the command line and prints the figures."""
    parser = argparse.ArgumentParser(prog="python -m bench.guidance", description=__doc__.splitlines()[0])
    parser.add_argument("sections", nargs="*", metavar="SECTION", help=", ".join(SECTIONS))
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--places", type=int, default=6)
    parser.add_argument("--images", type=int, default=60)
    add_option(parser)
    asked = parser.parse_args()
    unknown = [name for name in asked.sections if name not in SECTIONS]
    if unknown:
        parser.error(f"no section {', '.join(unknown)}")
    for name in asked.sections or SECTIONS:
        with recording(f"guidance.{name}", asked.record):
            globals()[name](asked)


def runs(asked):
    """The simulated runs."""
    found: list[tuple[GuidedRun, float, float]] = []
    for seed in range(asked.runs):
        # Accuracy needs as many places as a session has.
        is_solved = seed % 10 < 2
        run = guided_run(seed, 12 if is_solved else asked.places)
        errors = [transform_error_mm(run, exact) if is_solved else np.nan for exact in (False, True)]
        found.append((run, *errors))
        delay = run.delay
        print(
            f"run {seed}: {run.timing.rate_hz:.0f} Hz, {len(run.pairs)} pairs, usable {run.usable_taken}/{run.usable},"
            f" moved {max(run.motions_px, default=0):.3f} px, delay {run.timing.delay_s * 1e3:.1f} ms"
            + ("" if delay is None else f" estimated {delay.delay_s * 1e3:.2f} +- {delay.half_width_s * 1e3:.2f}")
            + f", error {errors[0]:.3f} ({errors[1]:.3f}) mm, missed {run.missed_s}",
            flush=True,
        )
    table = Table(
        f"{asked.runs} guided runs of {asked.places} places",
        ("stream Hz", 9), ("runs", 5), ("pairs", 6), ("moved px, worst", 15), ("above 0.1 px", 12),
        ("new, in view", 12), ("usable", 7), ("of them taken", 13), ("delay error ms, worst", 21),
        ("in its 95 % interval", 20), ("half width ms, median", 21), ("first pair, ms worst", 20),
        ("error mm", 9), ("as waypoints", 12),
    )  # fmt: skip
    for rate in (125.0, 500.0, None):
        chosen = [row for row in found if rate is None or row[0].timing.rate_hz == rate]
        if not chosen:
            continue
        some = [row[0] for row in chosen]
        moved = [px for run in some for px in run.motions_px]
        known = [(run.delay, run.timing.delay_s) for run in some if run.delay is not None]
        wrong_ms = [abs(found_delay.delay_s - true_s) * 1e3 for found_delay, true_s in known]
        inside = [w <= known_delay.half_width_s * 1e3 for w, (known_delay, _) in zip(wrong_ms, known, strict=True)]
        early = [(r.delay_at_first_pair, r.timing.delay_s) for r in some if r.delay_at_first_pair is not None]
        first_ms = [abs(early_delay.delay_s - true_s) * 1e3 for early_delay, true_s in early]
        usable, taken = sum(run.usable for run in some), sum(run.usable_taken for run in some)
        table.row(
            "all" if rate is None else f"{rate:.0f}",
            len(some),
            len(moved),
            max(moved),
            sum(px > LIMIT_PX for px in moved),
            sum(run.quiet for run in some),
            usable,
            f"{taken} = {taken / max(usable, 1):.1%}",
            max(wrong_ms) if len(known) == len(some) else float("nan"),
            f"{sum(inside)} = {np.mean(inside):.0%}",
            float(np.median([known_delay.half_width_s * 1e3 for known_delay, _ in known])),
            max(first_ms, default=float("nan")),
            float(np.nanmedian([row[1] for row in chosen])),
            float(np.nanmedian([row[2] for row in chosen])),
        )


BOARDS = {
    "charuco": {"columns": 9, "rows": 7, "square_mm": 30.0, "marker_mm": 22.0, "dictionary": "5X5_100"},
    "chessboard": {"columns": 9, "rows": 6, "square_mm": 30.0},
    "grid": {"columns": 6, "rows": 5, "marker_mm": 35.0, "gap_mm": 8.0, "dictionary": "APRILTAG_36h11"},
    "circles": {"columns": 4, "rows": 9, "spacing_mm": 24.0},
}


def following(asked):
    """Images of 5 megapixels through follower and guide, with each kind of board."""
    cv2.setNumThreads(1)
    table = Table(
        f"following: {asked.images} images of 2448 x 2048 px, one thread",
        ("board", 11), ("found", 8), ("median ms", 10), ("mean ms", 10), ("95 % ms", 10), ("images/s", 9),
        ("images/s of CPU", 15), ("bar", 7), ("in vain, CPU ms", 15), ("whole search", 12),
    )  # fmt: skip
    for kind in BOARDS:
        followed(kind, asked.images, table)
    table.note("on a computer that does other work, the rate of CPU time is that of an idle one")


def followed(kind, images, table):
    """One row of the table: a board of ``kind``."""
    lens, texture = simple_lens(2448, 2048, 2900.0), draw_board_texture(kind, **BOARDS[kind])
    scene = make_cell_geometry("fixed", 3, 0.8, texture.shape.size_m)
    waypoints = plan_waypoints(scene, lens, texture.shape, 0.6, 1.0, 5, 3)
    rng = np.random.default_rng(5)
    arm = HandGuidedArm([w.base_T_flange for w in waypoints], PoseNoise(0.05, 0.01), rng)
    renderer = Renderer(lens, texture)
    camera = CameraModel(lens.width_px, lens.height_px, lens.matrix, lens.distortion)
    board = board_from_mm(kind, **BOARDS[kind])
    guide, follower = Guide(GuideSetup(Mount.FIXED, camera, board, EXPOSURE_S)), BoardFollower(board)
    instants_s, arrivals_s = StreamTiming(rate_hz=500.0).draw(arm.end_s, rng)
    poses, sent = arm.reported_at(instants_s), 0
    times_ms, cpu_ms, found = [], [], 0
    for number in range(images):
        exposed_s = 0.3 + number / FRAME_HZ
        shown = [scene.view_from(pose) for pose in arm.true_at(exposed_s + EXPOSURE_S * np.array([0.0, 0.5, 1.0]))]
        image = smeared(renderer.render(shown[1], number), lens, shown[0], shown[2])
        while sent < len(arrivals_s) and arrivals_s[sent] < exposed_s + 0.03:
            guide.add_pose(float(arrivals_s[sent]), poses[sent])
            sent += 1
        begun, begun_cpu = time.perf_counter(), time.thread_time()
        detection = follower.find(image, exposed_s)
        if detection is not None:
            guide.add_frame(number, exposed_s, detection)
            guide.next_pair([])
        times_ms.append((time.perf_counter() - begun) * 1e3)
        cpu_ms.append((time.thread_time() - begun_cpu) * 1e3)
        found += isinstance(detection, Detection)
    away = np.eye(4)
    away[:3, 3] = 5.0, 0.0, 0.8
    vain_ms = []
    for is_quick in (True, False):
        image = renderer.render(away, 1)
        begun_cpu = time.thread_time()
        find_board(image, board, is_quick=is_quick)
        vain_ms.append((time.thread_time() - begun_cpu) * 1e3)
    rate, cpu_rate = (1e3 / float(np.mean(ms)) for ms in (times_ms, cpu_ms))
    table.row(
        kind, f"{found / images:.0%}", float(np.median(times_ms)), float(np.mean(times_ms)),
        float(np.percentile(times_ms, 95)), rate, cpu_rate, "met" if cpu_rate >= 20 else "MISSED", *vain_ms,
    )  # fmt: skip


def smeared(image, lens, first_view, last_view):
    """The image blurred along the motion of the board's origin from one view to another."""
    motion_px = np.diff([lens.project(view[:3, 3][None])[0] for view in (first_view, last_view)], axis=0)[0]
    reach = int(np.ceil(np.abs(motion_px).max() / 2))
    if not reach:
        return image
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
    for share in np.linspace(-0.5, 0.5, 4 * reach + 1):
        column, row = np.round(reach + share * motion_px).astype(int)
        kernel[row, column] += 1
    return cv2.filter2D(image, -1, kernel / kernel.sum())


if __name__ == "__main__":
    main()
