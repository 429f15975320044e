"""Board scale and focal length: from which waypoints they can be separated, and how honest their sigmas are.

Waypoints: ``varied`` (tilt to 30 deg, 0.6 to 1 m), ``one distance`` (0.78 to 0.82 m), ``little tilt`` (to 5 deg),
``flat`` (both), and ``translation``: four that only translate by 100 mm (across, down, along the line of sight), the
rest flat. ``first``: fraction of sessions with the right finding first; bar 98 % for varied and translation from 10
pairs. ``either``: with "board-or-lens" first. ``other``: with a wrong stop. ``sized``: RMS of (estimate - truth) /
sigma of the sessions with the right finding; 1 is honest. ``sigma``: median of the stated one. Noise estimated.
"""

import numpy as np
from scipy.spatial.transform import Rotation

from bench.calibration.common import LEVELS, bar, cases, share
from bench.record import Figure, Table
from eyebolt.calibration.problem import Problem, WorkingVolume
from eyebolt.calibration.solve import solve
from eyebolt.geometry import Mount
from eyebolt.observations.pair import Pair
from eyebolt_sim.cell_geometry import make_cell_geometry
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.problems import DEFAULT_LENS
from eyebolt_sim.transforms import matrix, transform_points
from eyebolt_sim.views import ViewRange, chessboard_shape, place, random_views

VIEWS = {
    "varied": ViewRange(tilt_deg=(0, 30)),
    "one distance": ViewRange(distance_m=(0.78, 0.82), tilt_deg=(0, 30)),
    "little tilt": ViewRange(tilt_deg=(0, 5)),
    "flat": ViewRange(distance_m=(0.78, 0.82), tilt_deg=(0, 5)),
    "translation": ViewRange(distance_m=(0.78, 0.82), tilt_deg=(0, 5)),
}
TRANSLATION_M = ((0, 0, 0), (0.1, 0, 0), (0, 0.1, 0), (0, 0, 0.1))
FAULTS = {"board +2 %": ("board-scale", "scale"), "focal +2 %": ("focal-length", "focal")}
OFF = 0.02


def run(bench):
    """Prints the section."""
    seeds = bench.seeds(100)
    table = Table(
        f"moves: board and focal length 2 % off, {seeds} seeds",
        ("waypoints", 12),
        ("fault", 10),
        ("mount", 5),
        ("pairs", 5),
        ("first", 14),
        ("bar", 26),
        ("either", 14),
        ("other", 14),
        ("sized", 14),
        ("sigma %", 8),
    )
    for moves in VIEWS:
        for fault in FAULTS:
            for mount in bench.mounts:
                for poses in bench.poses(5, 10, 20):
                    for level in bench.levels("usual"):
                        found = bench.each_seed(diagnosed, seeds, moves, fault, mount, poses, level)
                        first = share([code == FAULTS[fault][0] for code, *_ in found])
                        sized = np.array([off for _, _, off, _ in found], dtype=float)
                        sized = sized[np.isfinite(sized)]
                        rms = float(np.sqrt((sized**2).mean())) if len(sized) else np.nan
                        held = moves in ("varied", "translation") and poses >= 10
                        table.row(
                            moves,
                            fault,
                            mount,
                            poses,
                            first,
                            bar(first, at_least=0.98) if held else "",
                            share([code == "board-or-lens" for code, *_ in found]),
                            share([wrong for _, wrong, _, _ in found]),
                            Figure(rms, rms / np.sqrt(2 * max(len(sized), 1))),
                            f"{100 * np.nanmedian([sigma for *_, sigma in found]):.3f}" if len(sized) else "",
                        )


def diagnosed(seed, moves, fault, mount, poses, level):
    """The first code, whether there is a wrong stop, (estimate - truth) / sigma and sigma of the right finding."""
    right, name = FAULTS[fault]
    findings = solve(session(seed, moves, fault, mount, poses, level)).findings
    stops = [f.code for f in findings if f.severity == "stop"]
    wrong = any(code not in (right, "board-or-lens") for code in stops)
    named = next((f for f in findings if f.code == right), None)
    if named is None:
        return findings[0].code if findings else "", wrong, np.nan, np.nan
    sigma = named.evidence[f"{name}_sigma"]
    return findings[0].code, wrong, (named.evidence[name] - OFF) / sigma, sigma


def session(seed, moves, fault, mount, poses, level):
    """The problem with the fault."""
    pixels, mm, deg = LEVELS[level]
    rng = np.random.default_rng([seed, 41])
    board = chessboard_shape(12, 9, 0.020 * (1 + OFF * fault.startswith("board")))
    lens = simple_lens(2448, 2048, 2400.0 * (1 + OFF * fault.startswith("focal")))
    scene = make_cell_geometry(mount, seed, 0.8, board.size_m)
    views = []
    if moves == "translation":
        home = place(lens, board, Rotation.identity(), np.array([-0.2, -0.2]), 0.75)
        views = [matrix(np.eye(3), shift) @ home for shift in TRANSLATION_M]
    source = random_views(lens, board, VIEWS[moves], rng)
    views += [next(source) for _ in range(poses - len(views))]
    noise, pairs = PoseNoise(mm, deg), []
    for view in views:
        corners = (
            lens.project(transform_points(view, board.corners_m)) + rng.normal(size=(len(board.corners_m), 2)) * pixels
        )
        pairs.append(Pair(len(pairs), noise.reported(scene.flange_for(view), rng), np.arange(len(corners)), corners))
    stated = chessboard_shape(12, 9, 0.020).corners_m
    return Problem(Mount(mount), cases.camera_of(DEFAULT_LENS), stated, pairs, WorkingVolume(0.6, 1.0))
