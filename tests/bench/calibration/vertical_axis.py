"""Arms that rotate about the vertical only: error of the observable directions against the bound for these.

Camera and board may slide along the vertical together without effect on any pair. Before the comparison the estimated
X is slid to the height of the true one; the bound is the Cramer-Rao bound of the same quantity, with the direction that
has no information taken out. ``stated/bound``, ``est/stated``: as in the section efficiency (no bars of their own).
``height named``: fraction of the seeds whose ``solution.unobservable`` names the height, both with noise stated and
estimated.
"""

import numpy as np

from bench.calibration.common import bar, bound, cases, errors_mm, make, rms, rms_ratio, share, working_points
from bench.record import Table
from eyebolt.calibration.solution import Solution
from eyebolt.calibration.solve import solve

# The information along the slide is 0 but for rounding; along anything else it is many times larger.
_NO_INFORMATION, _SOME_INFORMATION = 1e-9, 1e-6


def run(bench):
    """Prints the section."""
    seeds = bench.seeds(500)
    table = Table(
        f"vertical: arms that rotate about the vertical, all but the height, {seeds} seeds",
        ("mount", 5),
        ("noise", 6),
        ("poses", 5),
        ("bound mm", 14),
        ("stated mm", 14),
        ("stated/bound", 14),
        ("est/stated", 14),
        ("height named", 14),
        ("bar", 25),
        ("refused", 7),
        ("lost", 7),
    )
    for mount in bench.mounts:
        for level in bench.levels("usual"):
            for poses in bench.poses(5, 10, 20, 40):
                results = np.array(bench.each_seed(one_set, seeds, mount, poses, level), dtype=float)
                best, stated, estimated, names, lost_stated, lost_estimated = results.T
                named = share(names[np.isfinite(names)] == 1)
                table.row(
                    mount,
                    level,
                    poses,
                    rms(best),
                    rms(stated),
                    rms_ratio(stated, best),
                    rms_ratio(estimated, stated),
                    named,
                    bar(named, at_least=1),
                    f"{np.isnan(stated).sum()}, {np.isnan(estimated).sum()}",
                    f"{lost_stated.sum():.0f}, {lost_estimated.sum():.0f}",
                )


def one_set(seed, mount, poses, level):
    """Bound and errors squared (noise stated, estimated), whether the height was named, pairs lost in either."""
    simulated = make(mount, poses, seed, level, turns="vertical")
    up = vertical_of_X(simulated)
    squared, names, lost = [], [], []
    for state in (True, False):
        outcome = solve(cases.convert(simulated, state, drift_sigma_m=None))
        lost.append(len(outcome.excluded))
        if not isinstance(outcome, Solution):
            squared.append(np.nan)
            continue
        names.append(any("height" in words for words in outcome.unobservable))
        slide_along_vertical = outcome.X.copy()
        slide_along_vertical[:3, 3] += up * (up @ (simulated.hand_eye_true[:3, 3] - outcome.X[:3, 3]))
        squared.append(float((errors_mm(slide_along_vertical, simulated.hand_eye_true) ** 2).mean()))
    best = bound.rms_of_covariance_mm(bound_without_height(simulated, up), working_points()) ** 2
    return best, *squared, float(all(names)) if names else np.nan, *lost


def vertical_of_X(simulated):
    """The arm's vertical (3,) in the frame that X goes to; the true flanges stand upright."""
    up = np.array([0.0, 0.0, 1.0])
    return up if simulated.mount == "fixed" else simulated.base_T_flange_true[0, :3, :3].T @ up


def bound_without_height(simulated, up):
    """(6, 6) smallest covariance of X with the camera's origin kept at its height."""
    information = bound.full_information(simulated)
    size = np.sqrt(np.diagonal(information))
    values, vectors = np.linalg.eigh(information / size[:, None] / size)
    if values[0] > _NO_INFORMATION or values[1] < _SOME_INFORMATION:
        raise ValueError(f"one direction without information expected; smallest eigenvalues {values[:3]}")
    known = (vectors[:, 1:] / values[1:]) @ vectors[:, 1:].T / size[:, None] / size
    # Which height the pseudo-inverse picks does not matter: the projection takes it out.
    along = simulated.hand_eye_true[:3, :3].T @ up
    keep = np.eye(6)
    keep[:3, :3] -= np.outer(along, along)
    return keep @ known[:6, :6] @ keep.T
