"""Sessions with one fault each, as they occur in practice, and the finding that should come first.

Sizes: slip 1 mm (and 2 mm with 1 deg), camera knocked 2 mm and 0.2 deg or creeping by 1 mm and 0.07 deg, board and
focal length 2 %, principal point 1 % of the focal length, an undistorted stream with k1 -0.15 stated, focal length
changed by 0.5 %, tool or frame on the controller changed by 120 mm and 30 deg, poses printed in steps of 1 mm and 1
deg, noise three times the stated one, an arm with joint offsets of 0.03 deg and link errors of 0.2 mm and no scatter
(whatever the level).
"""

from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from bench.calibration.arms_with_kinematic_errors import KINEMATIC, session
from bench.calibration.common import LEVELS, cases
from bench.diagnosis import sessions
from bench.diagnosis.pose_format_faults import (
    QUATERNION,
    VECTOR,
    ZYX,
    coarse,
    euler,
    lag,
    other_mount,
    stale_image,
    stale_pose,
    swapped,
    wrong_format,
)
from bench.diagnosis.sessions import CorruptedSession, code, simulated_at, usual
from eyebolt.calibration.problem import RobotNoise
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt_sim.lens import Lens, simple_lens
from eyebolt_sim.problems import DEFAULT_LENS
from eyebolt_sim.transforms import inverse, matrix, transform_points
from eyebolt_sim.views import ViewRange, chessboard_shape

VARIED = ViewRange(tilt_deg=(0.0, 30.0))
COLUMNS, ROWS, SQUARE_M = 12, 9, 0.020


# ---- board and lens


def board_off(by):
    """The true board is larger than stated by the fraction ``by``."""

    def corrupt(mount, poses, seed, level):
        true = chessboard_shape(COLUMNS, ROWS, SQUARE_M * (1 + by))
        simulated = simulated_at(mount, poses, seed, level, board=true, limits=VARIED)
        problem = replace(
            cases.convert(simulated, False, drift_sigma_m=None), board_corners_m=true.corners_m / (1 + by)
        )
        return CorruptedSession(problem, code("board-scale"))

    return corrupt


def taken_through(true, stated, mount, poses, seed, level):
    """Images taken through the lens ``true``, with the lens ``stated`` in the lens file."""
    simulated = simulated_at(mount, poses, seed, level, camera=true, limits=VARIED)
    return replace(cases.convert(simulated, False, drift_sigma_m=None), camera=cases.camera_of(stated))


def lens_off(right, true=None, stated=None):
    """A maker of sessions with another lens than stated."""

    def corrupt(mount, poses, seed, level):
        return CorruptedSession(
            taken_through(true or DEFAULT_LENS, stated or DEFAULT_LENS, mount, poses, seed, level), right
        )

    return corrupt


def centred_off(by_px):
    """The default lens with another principal point."""
    at = DEFAULT_LENS.matrix.copy()
    at[:2, 2] += by_px
    return Lens(DEFAULT_LENS.width_px, DEFAULT_LENS.height_px, at)


def focus_moved(drifting):
    """The focal length 0.5 % longer from the middle on, or growing to that."""

    def corrupt(mount, poses, seed, level):
        simulated = simulated_at(mount, poses, seed, level)
        problem = cases.convert(simulated, False, drift_sigma_m=None)
        pairs = list(problem.pairs)
        for row in range(poses):
            share = row / (poses - 1) if drifting else float(row >= poses // 2)
            lens = simple_lens(2448, 2048, 2400.0 * (1 + 0.005 * share))
            pairs[row] = retaken(simulated, pairs[row], row, simulated.camera_T_board_true[row], lens)
        return CorruptedSession(replace(problem, pairs=pairs), code("focus-changed"))

    return corrupt


def retaken(simulated, pair, row, view, lens=DEFAULT_LENS):
    """The pair with the image of the board at pose ``view``; the corner noise is unchanged."""
    noise = simulated.corners_px[row] - simulated.corners_px_true[row]
    corners = simulated.board_corners_m[simulated.corner_ids[row]]
    return replace(pair, corners_px=lens.project(transform_points(view, corners)) + noise)


# ---- the board's numbers


def renumbered(rule, right, fraction=1.0):
    """Corner numbers changed by ``rule`` in this fraction of the pairs."""

    def corrupt(mount, poses, seed, level):
        _, problem = usual(mount, poses, seed, level)
        chosen = np.random.default_rng([seed, 75]).permutation(poses)[: max(1, round(fraction * poses))]
        pairs = list(problem.pairs)
        for row in chosen:
            pairs[row] = replace(pairs[row], ids=rule(pairs[row].ids))
        return CorruptedSession(replace(problem, pairs=pairs), right)

    return corrupt


def from_the_end(ids):
    """Numbered from the opposite end."""
    return (COLUMNS - 1) * (ROWS - 1) - 1 - ids


def by_columns(ids):
    """Numbered column by column."""
    return ids % (COLUMNS - 1) * (ROWS - 1) + ids // (COLUMNS - 1)


def rows_for_columns(mount, poses, seed, level):
    """The station states 9 columns and 12 rows."""
    _, problem = usual(mount, poses, seed, level)
    stated = chessboard_shape(ROWS, COLUMNS, SQUARE_M).corners_m
    return CorruptedSession(replace(problem, board_corners_m=stated), code("corner-numbering"))


# ---- things that moved


def moved(right, board=None, camera=None, flange=None, base=None):
    """From the middle on: board or camera moved, or another tool (flange) or frame (base) in the reported poses."""

    def corrupt(mount, poses, seed, level):
        simulated = simulated_at(mount, poses, seed, level)
        problem = cases.convert(simulated, False, drift_sigma_m=None)
        pairs = list(problem.pairs)
        for row in range(poses // 2, poses):
            view = simulated.camera_T_board_true[row]
            if board is not None or camera is not None:
                view = view @ board if board is not None else inverse(camera) @ view
                pairs[row] = retaken(simulated, pairs[row], row, view)
            pose = pairs[row].base_T_flange
            pose = pose @ as_written(flange) if flange is not None else pose
            pose = as_written(base) @ pose if base is not None else pose
            pairs[row] = replace(pairs[row], base_T_flange=pose)
        return CorruptedSession(replace(problem, pairs=pairs), right)

    return corrupt


def crept(right):
    """From the first pair to the last the camera creeps by 1 mm and 0.07 deg."""

    def corrupt(mount, poses, seed, level):
        simulated = simulated_at(mount, poses, seed, level)
        problem = cases.convert(simulated, False, drift_sigma_m=None)
        pairs = [
            retaken(simulated, pair, row, inverse(by(share, 0.07 * share)) @ simulated.camera_T_board_true[row])
            for (row, pair), share in zip(enumerate(problem.pairs), np.linspace(-1, 0, poses), strict=True)
        ]
        return CorruptedSession(replace(problem, pairs=pairs), right)

    return corrupt


def by(shift_mm, rotation_deg=0.0):
    """A translation with a rotation about an oblique axis."""
    axis = np.array([0.48, 0.6, 0.64])
    turn = Rotation.from_rotvec(axis * np.deg2rad(rotation_deg)).as_matrix()
    return matrix(turn, np.array([0.8, 0.0, 0.6]) * shift_mm * 1e-3)


def as_written(change):
    """The change as the controller can express it: with four axes by its one angle only."""
    if sessions.turns == "free":
        return change
    turn = Rotation.from_matrix(change[:3, :3]).magnitude()
    return matrix(Rotation.from_rotvec([0.0, 0.0, turn]), change[:3, 3])


# ---- noise and geometry of the arm


def noisier(mount, poses, seed, level):
    """The pose noise is three times the stated one."""
    _, problem = usual(mount, poses, seed, level)
    _, mm, deg = LEVELS[level]
    return CorruptedSession(
        replace(problem, robot_noise=RobotNoise(mm * 1e-3 / 3, np.deg2rad(deg) / 3)), code("excess-pose-noise")
    )


def kinematic_errors(right):
    """The geometry of the arm differs from the controller's model."""

    def corrupt(mount, poses, seed, _level):
        return CorruptedSession(session(mount, poses, seed, KINEMATIC, picks=0).problem, right)

    return corrupt


BARREL = simple_lens(2448, 2048, 2400.0, (-0.15, 0.05, 0, 0, 0))
FAULTS = {
    "pose inverted": wrong_format(QUATERNION, QUATERNION, "base_T_flange", inverted=True),
    "other mount": other_mount,
    "Euler kind": euler,
    "ZYX read as XYZ": wrong_format(ZYX, PoseFormat("mm", "euler-XYZ"), 'rotation = "euler-ZYX"'),
    "triple reversed": wrong_format(ZYX, ZYX, 'rotation = "euler-xyz"', reversed_angles=True),
    "vector as Euler": wrong_format(PoseFormat("mm", "rotation-vector"), ZYX, 'rotation = "rotation-vector"'),
    "quaternion order": wrong_format(PoseFormat("mm", "quaternion-xyzw"), QUATERNION, 'rotation = "quaternion-xyzw"'),
    "deg read as rad": wrong_format(ZYX, PoseFormat("mm", "euler-ZYX", "rad"), 'angle = "deg"'),
    "rad read as deg": wrong_format(VECTOR, PoseFormat("mm", "rotation-vector"), 'angle = "rad"'),
    "m read as mm": wrong_format(PoseFormat("m"), QUATERNION, 'length = "m"'),
    "lag 1": lag(1),
    "lag -2": lag(-2),
    "two swapped": swapped,
    "stale pose": stale_pose,
    "stale image": stale_image,
    "board +2 %": board_off(0.02),
    "board -2 %": board_off(-0.02),
    "focal +2 %": lens_off(code("focal-length"), simple_lens(2448, 2048, 2448.0)),
    "focal -2 %": lens_off(code("focal-length"), simple_lens(2448, 2048, 2352.0)),
    "centre 1 %": lens_off(code("principal-point"), centred_off((24.0, 0.0))),
    "already-undistorted": lens_off(code("already-undistorted"), stated=BARREL),
    "distorted": lens_off(code("distortion"), true=BARREL),
    "half resolution": lens_off(code("lens-resolution"), stated=simple_lens(2448, 2048, 1200.0)),
    "focus moved": focus_moved(drifting=False),
    "focus drifts": focus_moved(drifting=True),
    "half turn, third": renumbered(from_the_end, code("half-turned"), 1 / 3),
    "by columns": renumbered(by_columns, code("corner-numbering")),
    "rows for columns": rows_for_columns,
    "slip 1 mm": moved(code("board-moved"), board=by(1.0)),
    "slip 2 mm 1 deg": moved(code("board-moved"), board=by(2.0, 1.0)),
    "camera 2 mm .2 deg": moved(code("camera-moved"), camera=by(2.0, 0.2)),
    "creep 1 mm .07 deg": crept(code("drift")),
    "tool changed": moved(code("tool-changed"), flange=by(120.0, 30.0)),
    "frame changed": moved(code("frame-changed"), base=by(120.0, 30.0)),
    "pose coarse": coarse,
    "noise x 3": noisier,
    "robot limited": kinematic_errors(code("arm-limited", "arm-geometry")),
    "arm's geometry": kinematic_errors(code("arm-geometry")),
}
