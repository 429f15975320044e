"""Joint estimate of lens and hand-eye against the lens first, then hand-eye with that lens taken as exact.

At 10 pictures for the lens and 10 pairs, and at no pictures and 15 pairs. "Lens first" has every picture: those of the
pairs too. Ways: ``joint`` (the lens of the pictures with its covariance as prior of the solve; without pictures the
pairs alone, all lens parameters free), ``lens first`` (this program's lens), ``OpenCV first`` (that of
``cv2.calibrateCamera``); the last two solve with the lens stated as exact. Corner noise 0.1 px, arm 0.1 mm and
0.02 deg; lens of five distortion coefficients, which all three are told.

Columns: RMS error over the working volume, mm; that by the bound with the lens open; RMS over that of the joint
estimate on the same sets; share of the volume within the stated p95. Bar: neither way better than the joint estimate.
"""

from dataclasses import replace

import cv2
import numpy as np

from bench.calibration.common import bar, mean, rms, rms_ratio
from bench.honesty import bound
from bench.honesty.generator import (
    CORNER_PX,
    EXACT_LENS,
    board,
    clean_session,
    lens_pictures,
    make_cell,
    opencv_lens,
)
from bench.honesty.measure import camera_of, errors_mm, own_lens, problem_of, share_within, volume
from bench.record import Table
from eyebolt.calibration import Solution, solve, solve_with_free_intrinsics

MIXES = ((10, 10), (0, 15))
WAYS = ("joint", "lens first", "OpenCV first")
# Distortion coefficients of the generator's lens, given to both programs.
_COEFFICIENTS = 5


def one(pictures: int, pairs: int, mount: str, seed: int) -> np.ndarray:
    """(3, 2) mean squared error and share within p95 of each way; then the squared bound as a fourth row."""
    cv2.setNumThreads(1)
    cell = make_cell(mount, pairs, np.random.default_rng([seed, pairs, 1]))
    session = clean_session(cell)
    session.observe(np.random.default_rng([seed, pairs, 3]))
    rng = np.random.default_rng([seed, pairs, 6])
    corners, views = lens_pictures(cell.lens, pictures, CORNER_PX, rng) if pictures else (np.zeros((0, 88, 2)), None)
    everything = np.concatenate([corners, session.corners_px])
    problem = problem_of(session)
    exact = problem.camera.sigma
    out = np.full((4, 2), np.nan)
    points = volume(cell.lens)

    def note(row: int, outcome: object) -> None:
        if isinstance(outcome, Solution):
            errors = errors_mm(outcome.X, session.X_true, points)
            out[row] = (errors**2).mean(), share_within(errors, outcome.expected_error_mm.p95)

    first = own_lens(everything, _COEFFICIENTS).camera
    if pictures:
        note(0, solve(replace(problem, camera=own_lens(corners, _COEFFICIENTS).camera)))
    else:
        note(0, solve_with_free_intrinsics(replace(problem, camera=first))[0])
    note(1, solve(replace(problem, camera=replace(first, sigma=exact, correlation=None))))
    note(2, solve(replace(problem, camera=camera_of(opencv_lens(everything)[0], EXACT_LENS))))
    root = np.zeros((10, 9))
    # Without pictures a prior that a lens of the kind has anyway.
    free = np.diag([100.0, 100.0, 50.0, 50.0, 0.2, 0.5, 0.01, 0.01, 0.5]) ** 2
    prior = bound.lens_covariance(cell.lens, board(), views, CORNER_PX) if views is not None else free
    root[1:] = np.linalg.cholesky(prior)
    out[3] = bound.rms_mm(bound.covariance(session, root), cell.lens) ** 2, np.nan
    return out


def run(bench) -> None:
    """Prints the section."""
    seeds = bench.seeds(200)
    table = Table(
        f"joint lens and hand-eye, {seeds} sets a row",
        ("pictures", 8),
        ("pairs", 5),
        ("mount", 5),
        ("way", 12),
        ("RMS mm", 14),
        ("RMS / bound", 14),
        ("RMS / joint", 14),
        ("bar", 26),
        ("inside p95", 14),
        ("failed", 6),
    )
    for pictures, pairs in MIXES:
        for mount in bench.mounts:
            seeds_of = range(bench.first, bench.first + seeds)
            found = np.array(list(bench.each(one, seeds_of, pictures, pairs, mount)))
            squared, best = found[:, :3, 0], found[:, 3, 0]
            for k, way in enumerate(WAYS):
                ratio = rms_ratio(squared[:, k], squared[:, 0])
                table.row(
                    pictures,
                    pairs,
                    mount,
                    way,
                    rms(squared[:, k]),
                    rms_ratio(squared[:, k], best),
                    ratio if k else "",
                    bar(ratio, at_least=1.0) if k else "",
                    mean(found[:, k, 1]),
                    int(np.isnan(squared[:, k]).sum()),
                )
