"""Coverage of the stated pick error for arms with kinematic errors, and its tightness for arms with white noise only.

Each arm calibrates at waypoints it can reach and then picks through the same faulty geometry: ``down`` with the tool
straight down in the working volume, ``waypoints`` in the posture of waypoints it did not use. ``inside p95``: fraction
of picks whose error is within the stated p95 of ``expected_pick_error_mm``, standard error over the arms; bars: at
least 0.90 for arms with joint and link errors, at most 0.99 for arms with white noise. ``stated/true``: stated p95 over
the p95 of the arm's own picks, mean over the arms. ``transform``: the fraction that the p95 of the transform alone
would cover. ``note``: share of the sessions with the finding ``arm-geometry``.
"""

import numpy as np

from bench.calibration.arms_with_kinematic_errors import (
    ARMS,
    KINEMATIC,
    errors_of_picks_down_mm,
    pick_errors_mm,
    session,
)
from bench.calibration.common import bar, mean
from bench.record import Table
from eyebolt.calibration.finding import FindingCode
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve
from eyebolt.geometry import PickPose, PickPosture


def run(bench):
    """Prints the section."""
    arms = bench.seeds(200)
    table = Table(
        f"pick: error of a pick against its statement, noise estimated, {arms} arms",
        ("mount", 5),
        ("arm", 29),
        ("poses", 5),
        ("picks", 9),
        ("inside p95", 14),
        ("bar", 27),
        ("stated/true", 14),
        ("transform", 14),
        ("note", 5),
        ("refused", 7),
        ("lost", 5),
    )
    for mount in bench.mounts:
        for kind in ARMS:
            for poses in bench.poses(12, 20):
                for pose in PickPose:
                    results = np.array(bench.each_seed(one_arm, arms, mount, poses, kind, pose), dtype=float)
                    inside, ratio, transform, note, lost = results.T
                    covered = mean(inside)
                    table.row(
                        mount,
                        kind,
                        poses,
                        pose.value,
                        covered,
                        bar(covered, at_least=0.90) if kind == KINEMATIC else bar(covered, at_most=0.99),
                        mean(ratio),
                        mean(transform),
                        f"{np.nanmean(note):.2f}",
                        int(np.isnan(inside).sum()),
                        int(np.nansum(lost)),
                    )


def one_arm(seed, mount, poses, kind, pose):
    """Share of picks inside, stated over true p95, share inside the transform's p95, the note, pairs lost."""
    cell = session(mount, poses, seed, kind, pick=PickPosture(pose))
    outcome = solve(cell.problem)
    if not isinstance(outcome, Solution):
        return np.nan, np.nan, np.nan, np.nan, len(outcome.excluded)
    down = pose is PickPose.DOWN
    errors = errors_of_picks_down_mm(cell, outcome.X) if down else pick_errors_mm(cell, outcome.X, outcome.Y)
    if not len(errors):
        return np.nan, np.nan, np.nan, np.nan, 0
    stated = outcome.expected_pick_error_mm.p95
    transform = np.mean(errors <= outcome.expected_error_mm.p95)
    noted = any(finding.code is FindingCode.ARM_GEOMETRY for finding in outcome.findings)
    return np.mean(errors <= stated), stated / np.quantile(errors, 0.95), transform, noted, len(outcome.excluded)
