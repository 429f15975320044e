"""Comparison with closed forms of OpenCV on the same data: five of calibrateHandEye, two of calibrateRobotWorldHandEye.

They get each view's board pose from cv2.solvePnP (all corners, iterated) and the robot poses as reported. The best of
the seven by RMS over the seeds is compared with ours on the same seeds, the arm's noise estimated and stated. A closed
form that raises, gives no finite transform, or logs that it failed (and gives the identity) on a seed is counted as
failed and excluded from its own mean only.
Bars (noise estimated): best/ours at least 1.8 (camera fixed) and 1.3 (on the arm) at 5 poses, at least 1.3 at 10.
The standard error takes the choice of the best one as given.
"""

import cv2
import numpy as np

from bench.calibration.common import LEVELS, bar, column, errors_mm, make, rms, rms_ratio
from bench.record import Table
from eyebolt_sim.transforms import inverse, matrix

HAND_EYE = ("Tsai", "Park", "Horaud", "Andreff", "Daniilidis")
ROBOT_WORLD = ("Shah", "Li")
BARS = {("fixed", 5): 1.8, ("arm", 5): 1.3, ("fixed", 10): 1.3, ("arm", 10): 1.3}


def run(bench):
    """Prints the section."""
    seeds = bench.seeds(1000)
    table = Table(
        f"library: OpenCV {cv2.__version__} closed forms, RMS over the working volume, {seeds} seeds",
        ("mount", 5),
        ("noise", 6),
        ("poses", 5),
        ("best", 10),
        ("best mm", 14),
        ("ours mm", 14),
        ("best/ours", 14),
        ("bar", 27),
        ("best/stated", 14),
    )
    print("below each row: RMS mm of all seven (seeds failed)")
    for mount in bench.mounts:
        for level in bench.levels(*LEVELS):
            for poses in bench.poses(5, 10, 20, 40):
                sets = bench.clean(mount, poses, level, seeds)
                ours = column(sets, "estimated_mm2")
                found = np.array(bench.each_seed(closed_forms_mm2, seeds, mount, poses, level))
                roots = [rms(of_one) for of_one in found.T]
                best = int(np.nanargmin([root.value for root in roots]))
                ratio = rms_ratio(found[:, best], ours)
                names = (*HAND_EYE, *ROBOT_WORLD)
                each = ", ".join(
                    f"{name} {root.text()} ({np.isnan(column_).sum()})"
                    for name, root, column_ in zip(names, roots, found.T, strict=True)
                )
                table.row(
                    mount,
                    level,
                    poses,
                    names[best],
                    roots[best],
                    rms(ours),
                    ratio,
                    bar(ratio, at_least=BARS[mount, poses]) if (mount, poses) in BARS else "",
                    rms_ratio(found[:, best], column(sets, "stated_mm2")),
                )
                table.note(f"       {mount} {level} {poses}: {each}")


def closed_forms_mm2(seed, mount, poses, level):
    """(7,): mean squared error over the working volume of each closed form; NaN where it failed."""
    cv2.setNumThreads(1)
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    simulated = make(mount, poses, seed, level)
    reported = simulated.base_T_flange_reported
    chain = reported if mount == "fixed" else inverse(reported)
    seen = np.array([board_pose(simulated, k) for k in range(poses)])
    return [_squared(hand_eye, name, chain, seen, simulated.hand_eye_true) for name in HAND_EYE] + [
        _squared(robot_world, name, chain, seen, simulated.hand_eye_true) for name in ROBOT_WORLD
    ]


def board_pose(simulated, index):
    """camera_T_board (4, 4) of one view, by OpenCV."""
    points = simulated.board_corners_m[simulated.corner_ids[index]]
    corners = simulated.corners_px[index].reshape(-1, 1, 2)
    lens = simulated.lens
    _, turn, shift = cv2.solvePnP(points, corners, lens.matrix, lens.distortion, flags=cv2.SOLVEPNP_ITERATIVE)
    return matrix(cv2.Rodrigues(turn)[0], shift.ravel())


def hand_eye(name, chain, seen):
    """X of ``inverse(X) A Y = camera_T_board`` by calibrateHandEye: A is its flange-to-base, inverted."""
    flange = inverse(chain)
    method = getattr(cv2, f"CALIB_HAND_EYE_{name.upper()}")
    turn, shift = cv2.calibrateHandEye(
        flange[:, :3, :3], flange[:, :3, 3], seen[:, :3, :3], seen[:, :3, 3], method=method
    )
    return matrix(turn, shift.ravel())


def robot_world(name, chain, seen):
    """X of the same by calibrateRobotWorldHandEye, which gives its inverse."""
    method = getattr(cv2, f"CALIB_ROBOT_WORLD_HAND_EYE_{name.upper()}")
    *_, turn, shift = cv2.calibrateRobotWorldHandEye(
        seen[:, :3, :3], seen[:, :3, 3], chain[:, :3, :3], chain[:, :3, 3], method=method
    )
    return inverse(matrix(turn, shift.ravel()))


def _squared(way, name, chain, seen, true):
    try:
        X = way(name, chain, seen)
    except (cv2.error, np.linalg.LinAlgError):
        return np.nan
    # The identity to the last digit is what OpenCV gives back when it logs that a method failed.
    if np.array_equal(X, np.eye(4)) or not np.isfinite(X).all():
        return np.nan
    return float((errors_mm(X, true) ** 2).mean())
