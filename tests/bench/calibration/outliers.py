"""Outlier rejection: corrupted pairs that are excluded, clean pairs that are lost, and the error that remains.

Faults (``kind``), each in 1, 3 and 5 of 20 pairs at random places:
- stale pose: the pair has the pose of the waypoint before it.
- neighbour's image: the pair has the image of the waypoint after it.
- slipped: the board was displaced by 1.5 mm in its own plane, in another random direction for each pair.
- slipped, stayed: the last pairs share one such slip.
- moving: the image was exposed while the arm moved: the pose at the exposure differs from the reported one by 2 mm in
  a random direction and 0.1 deg about a random axis, at the flange. Assumed; common practice, no source.
- none: no fault.
Arms: white (noise as stated, usual level) and kinematic (joint offsets 0.03 deg, link errors 0.2 mm, no white noise, so
that the stated 0.1 mm / 0.02 deg does not hold; 0 and 3 corrupted pairs).

``all found``: fraction of sets with every corrupted pair excluded. ``found``: fraction of the corrupted pairs.
``clean lost``: fraction of the clean pairs. ``RMS/without``: RMS error over the RMS of the solve of the same sets
without the corrupted pairs. Bars for the white arm: all found, at most 1 % of clean pairs lost, at most 1.2 times. A
refused set counts with the pairs that the refusal excludes, and has no RMS. Two references for the white arm:
``oracle``, the fraction of sets in which a test with the true transforms and the true noise, at 1 % of clean pairs
lost, finds every corrupted pair; ``clean known``, the same for an estimate from the clean pairs alone, at the error
rates of the solver (2 of 1000 clean sets lose a pair, 3 % of the excluded pairs are clean).

``corners``: in every view a shadow edge at a random place and angle in the image: the 10 % of corners nearest to it
are moved by 2 px across it, all to one side. RMS over the RMS of the same sets without that.
"""

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.special import chdtrc, chdtri, fdtrc

from bench.calibration.arms_with_kinematic_errors import KINEMATIC, session
from bench.calibration.common import LEVELS, bar, cases, make, mean, mean_square_mm2, rms_ratio, share
from bench.record import Table
from eyebolt.calibration.estimation.cross_validation import unused_pair_residuals
from eyebolt.calibration.estimation.linearization import linearize
from eyebolt.calibration.estimation.maximum_likelihood import joint_estimate
from eyebolt.calibration.estimation.robot_noise import variance_of
from eyebolt.calibration.problem import Problem, RobotNoise
from eyebolt.calibration.solve import solve
from eyebolt_sim.cell_geometry import CellGeometry
from eyebolt_sim.problems import DEFAULT_LENS
from eyebolt_sim.transforms import exp_se3, matrix, transform_points

POSES = 20
SLIP_M, MOVED_M, MOVED_RAD = 1.5e-3, 2e-3, float(np.deg2rad(0.1))
FALSE_ALARM_RATE, FALSE_DISCOVERY_RATE = 2e-3, 0.03
SHADED, SHADOW_PX = 0.1, 2.0
NOISES = {"stated": True, "estimated": False}


def run(bench):
    """Prints the section."""
    seeds = bench.seeds(100)
    levels = bench.levels("usual")
    for poses in bench.poses(POSES):
        for level in levels:
            _print_faults(bench, seeds, poses, level)
        _print_corners(bench, seeds, poses, levels)


def _print_faults(bench, seeds, poses, level):
    table = Table(
        f"outliers: {poses} pairs, {level} noise, {seeds} seeds",
        ("mount", 5),
        ("arm", 9),
        ("kind", 19),
        ("bad", 3),
        ("noise", 9),
        ("all found", 14),
        ("bar", 25),
        ("oracle", 14),
        ("clean known", 14),
        ("found", 14),
        ("clean lost", 16),
        ("bar", 27),
        ("RMS/without", 14),
        ("bar", 26),
        ("refused", 7),
    )
    for mount in bench.mounts:
        for arm, counts in {"white": (0, 1, 3, 5), "kinematic": (0, 3)}.items():
            for kind in ("none", *FAULTS):
                for bad in (0,) if kind == "none" else counts[1:]:
                    both = bench.each_seed(one_set, seeds, mount, arm, kind, bad, poses, level)
                    for noise, results in zip(NOISES, zip(*both, strict=True), strict=True):
                        _fault_row(table, (mount, arm, kind, bad, noise), results)


def _fault_row(table, names, results):
    arm, bad = names[1], names[3]
    found, lost, mahalanobis_sq, without, oracle, clean_known = np.array(results, dtype=float).T
    whole, of_all, clean = share(found[np.isfinite(found)] == 1), mean(found), mean(lost)
    ratio = rms_ratio(mahalanobis_sq, without)
    held = arm == "white"
    table.row(
        *names,
        whole if bad else "",
        bar(whole, at_least=1) if bad and held else "",
        share(oracle == 1) if bad and held else "",
        share(clean_known == 1) if bad and held else "",
        of_all if bad else "",
        clean.text(4),
        bar(clean, at_most=0.01) if held else "",
        ratio if bad else "",
        bar(ratio, at_most=1.2) if bad and held else "",
        int(np.isnan(mahalanobis_sq).sum()),
    )


def _print_corners(bench, seeds, poses, levels):
    table = Table(
        f"corners: {SHADED:.0%} of every view's corners moved by {SHADOW_PX} px across a shadow edge, {seeds} seeds",
        ("mount", 5),
        ("level", 6),
        ("noise", 9),
        ("RMS/without", 14),
        ("pairs lost", 16),
        ("refused", 7),
    )
    for mount in bench.mounts:
        for level in levels:
            both = bench.each_seed(one_shaded, seeds, mount, poses, level)
            for noise, results in zip(NOISES, zip(*both, strict=True), strict=True):
                lost, mahalanobis_sq, without = np.array(results, dtype=float).T
                ratio = rms_ratio(mahalanobis_sq, without)
                table.row(mount, level, noise, ratio, mean(lost).text(4), int(np.isnan(mahalanobis_sq).sum()))


# ---- one seed


class Shots(NamedTuple):
    """A session and its truth: ``problem`` with the noise stated, the scene, and the true flange poses."""

    problem: Problem
    scene: CellGeometry
    stands: list


def shots(seed, mount, arm, poses, level):
    """The Shots of a seed, without faults."""
    if arm == "white":
        simulated = make(mount, poses, seed, level)
        return Shots(cases.convert(simulated, drift_sigma_m=None), simulated.scene, list(simulated.base_T_flange_true))
    cell = session(mount, poses, seed, KINEMATIC, picks=0)
    _, mm, deg = LEVELS[level]
    stated = RobotNoise(mm * 1e-3, float(np.deg2rad(deg)))
    return Shots(replace(cell.problem, robot_noise=stated), cell.scene, cell.stands)


def one_set(seed, mount, arm, kind, bad, poses, level):
    """For noise stated and estimated: corrupted found, clean lost, errors with and without them, both references."""
    rng = np.random.default_rng([seed, bad, 31])
    taken = shots(seed, mount, arm, poses, level)
    rows, pairs = set(), list(taken.problem.pairs)
    if bad:
        choose, inject = FAULTS[kind]
        rows = {int(row) for row in choose(poses, bad, rng)}
        changed = inject(taken, sorted(rows), rng)
        pairs = [changed.get(row, pair) for row, pair in enumerate(pairs)]
    rest = [pair for row, pair in enumerate(taken.problem.pairs) if row not in rows]
    judged = bool(rows) and arm == "white"
    corrupted = [pairs[row] for row in sorted(rows)]
    oracle = found_by_oracle(taken, corrupted, LEVELS[level][0]) if judged else np.nan
    out = []
    for state in NOISES.values():
        problem = replace(taken.problem, robot_noise=taken.problem.robot_noise if state else None)
        outcome = solve(replace(problem, pairs=pairs))
        excluded = {p.pair for p in outcome.excluded}
        found = len(rows & excluded) / len(rows) if rows else np.nan
        without = mean_square_mm2(solve(replace(problem, pairs=rest)), taken.scene.hand_eye) if rows else np.nan
        lost = len(excluded - rows) / (poses - len(rows))
        reference = found_from_clean(replace(problem, pairs=rest), corrupted, taken.scene) if judged else np.nan
        out.append((found, lost, mean_square_mm2(outcome, taken.scene.hand_eye), without, oracle, reference))
    return out


def found_by_oracle(taken, corrupted, corner_sigma_px):
    """Whether every corrupted pair is farther from the truth than all but 1 % of clean pairs."""
    problem = replace(taken.problem, pairs=corrupted)
    observations = cases.observations_of(problem)
    model = linearize(problem, observations.board_poses, observations.A, taken.scene.hand_eye, taken.scene.nuisance)
    covariance = model.covariance(corner_sigma_px, variance_of(problem.robot_noise)[None])[0]
    mahalanobis_sq = np.einsum("ni,nij,nj->n", model.offset, np.linalg.inv(covariance), model.offset)
    return float((mahalanobis_sq > chdtri(6, 0.01)).all())


def found_from_clean(clean, corrupted, scene):
    """Whether every corrupted pair is an outlier to the estimate from the ``clean`` problem."""
    joint = joint_estimate(clean, cases.observations_of(clean), scene.hand_eye, scene.nuisance)
    others = replace(clean, pairs=corrupted)
    observations = cases.observations_of(others)
    mahalanobis_sq = unused_pair_residuals(
        joint, linearize(others, observations.board_poses, observations.A, joint.X, joint.Y)
    ).mahalanobis_sq
    if clean.robot_noise is not None:
        p_values = np.sort(chdtrc(6, mahalanobis_sq))
    else:
        p_values = np.sort(fdtrc(6, 3 * len(clean.pairs) - 6, mahalanobis_sq / 6))
    count = len(clean.pairs) + len(corrupted)
    return float(
        p_values[0] <= FALSE_ALARM_RATE / count and p_values[-1] <= FALSE_DISCOVERY_RATE * len(corrupted) / count
    )


def one_shaded(seed, mount, poses, level):
    """For noise stated and estimated: share of pairs lost, squared errors with and without the shadows."""
    rng = np.random.default_rng([seed, 32])
    taken = shots(seed, mount, "white", poses, level)
    shaded = [shadowed(pair, rng) for pair in taken.problem.pairs]
    out = []
    for state in NOISES.values():
        problem = replace(taken.problem, robot_noise=taken.problem.robot_noise if state else None)
        outcome = solve(replace(problem, pairs=shaded))
        mahalanobis_sq = [mean_square_mm2(o, taken.scene.hand_eye) for o in (outcome, solve(problem))]
        out.append((len(outcome.excluded) / poses, *mahalanobis_sq))
    return out


# ---- the faults: from Shots and rows to the changed pairs by row


def stale_pose(taken, rows, _):
    """The pose of the waypoint before."""
    pairs = taken.problem.pairs
    return {row: replace(pairs[row], base_T_flange=pairs[row - 1].base_T_flange) for row in rows}


def neighbours_image(taken, rows, _):
    """The image of the waypoint after."""
    pairs = taken.problem.pairs
    return {row: replace(pairs[row], ids=pairs[row + 1].ids, corners_px=pairs[row + 1].corners_px) for row in rows}


def slipped(taken, rows, rng):
    """A slip of its own for every pair."""
    return {row: seen_from(taken, row, taken.stands[row], slip(rng)) for row in rows}


def slipped_and_stayed(taken, rows, rng):
    """One slip for all of them."""
    once = slip(rng)
    return {row: seen_from(taken, row, taken.stands[row], once) for row in rows}


def moving(taken, rows, rng):
    """The flange had another pose when the image was exposed."""
    out = {}
    for row in rows:
        moved = exp_se3(unit(rng) * MOVED_M, unit(rng) * MOVED_RAD)
        out[row] = seen_from(taken, row, taken.stands[row] @ moved, np.eye(4))
    return out


def slip(rng):
    """board_T_slipped: sideways in the board's plane."""
    angle = rng.uniform(0, 2 * np.pi)
    return matrix(np.eye(3), [SLIP_M * np.cos(angle), SLIP_M * np.sin(angle), 0.0])


def seen_from(taken, row, flange, moved_board):
    """The pair with the image at another flange pose, or of a board that moved.

    The noise of every corner is what it was.
    """
    pair = taken.problem.pairs[row]
    points = taken.problem.board_corners_m[pair.ids]
    before, after = (
        DEFAULT_LENS.project(transform_points(view, points))
        for view in (taken.scene.view_from(taken.stands[row]), taken.scene.view_from(flange) @ moved_board)
    )
    return replace(pair, corners_px=pair.corners_px - before + after)


def shadowed(pair, rng):
    """The pair with a shadow edge across its image."""
    angle, middle = rng.uniform(0, 2 * np.pi), rng.integers(len(pair.ids))
    across = np.array([np.cos(angle), np.sin(angle)])
    distance = np.abs((pair.corners_px - pair.corners_px[middle]) @ across)
    near = np.argsort(distance)[: round(SHADED * len(pair.ids))]
    corners = pair.corners_px.copy()
    corners[near] += SHADOW_PX * across
    return replace(pair, corners_px=corners)


def unit(rng):
    """A random direction (3,)."""
    vector = rng.normal(size=3)
    return vector / np.linalg.norm(vector)


# Name: which rows it can befall, and what it does to them.
FAULTS = {
    "stale pose": (lambda n, k, rng: 1 + rng.permutation(n - 1)[:k], stale_pose),
    "neighbour's image": (lambda n, k, rng: rng.permutation(n - 1)[:k], neighbours_image),
    "slipped": (lambda n, k, rng: rng.permutation(n)[:k], slipped),
    "slipped, stayed": (lambda n, k, rng: range(n - k, n), slipped_and_stayed),
    "moving": (lambda n, k, rng: rng.permutation(n)[:k], moving),
}
