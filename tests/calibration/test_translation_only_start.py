"""Waypoints that begin with pure translations: a wrong lens is not mistaken for a moved part."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration.problem import Problem, WorkingVolume
from eyebolt.calibration.solve import solve
from eyebolt.geometry import Mount
from eyebolt.observations.pair import Pair
from eyebolt_sim.cell_geometry import make_cell_geometry
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.problems import DEFAULT_LENS
from eyebolt_sim.transforms import inverse, matrix, transform_points
from eyebolt_sim.views import ViewRange, chessboard_shape, place, random_views
from support import long_forms

SHIFTS_M = ((0, 0, 0), (0.1, 0, 0), (0, 0.1, 0), (0, 0, 0.1))
POSES = 10


def session(cases, mount, seed, focal_px=2400.0, camera_moves=None, poses=POSES):
    """Four shifts of the board, then views that are nearly flat; ``camera_moves`` after the fourth."""
    rng = np.random.default_rng([seed, 77])
    board, lens = chessboard_shape(12, 9, 0.020), simple_lens(2448, 2048, focal_px)
    scene = make_cell_geometry(mount, seed, 0.8, board.size_m)
    home = place(lens, board, Rotation.identity(), np.array([-0.2, -0.2]), 0.75)
    views = [matrix(np.eye(3), shift) @ home for shift in SHIFTS_M]
    others = random_views(lens, board, ViewRange(distance_m=(0.78, 0.82), tilt_deg=(0, 5)), rng)
    views += [next(others) for _ in range(poses - len(views))]
    noise, pairs = PoseNoise(0.1, 0.02), []
    for row, view in enumerate(views):
        seen = view if camera_moves is None or row < len(SHIFTS_M) else inverse(camera_moves) @ view
        corners = (
            lens.project(transform_points(seen, board.corners_m)) + rng.normal(size=(len(board.corners_m), 2)) * 0.1
        )
        pairs.append(Pair(row, noise.reported(scene.flange_for(view), rng), np.arange(len(corners)), corners))
    return Problem(Mount(mount), cases.camera_of(DEFAULT_LENS), board.corners_m, pairs, WorkingVolume(0.6, 1.0))


@long_forms.seeds(2, 8)
@long_forms.crossed({"off": [0.02, -0.02], "mount": ["fixed", "arm"]})
def test_another_focal_length_is_found(cases, mount, off, seeds):
    for seed in seeds:
        first = solve(session(cases, mount, seed, 2400.0 * (1 + off))).findings[0]
        assert first.code == "focal-length", (seed, first)
        assert first.evidence["focal"] == pytest.approx(off, abs=5 * first.evidence["focal_sigma"])


@long_forms.seeds(2, 8)
@long_forms.first("mount", ["fixed", "arm"])
def test_a_camera_that_moved_between_the_groups_is_still_found(cases, mount, seeds):
    knock = matrix(Rotation.from_rotvec([0.0, 0.004, 0.003]).as_matrix(), [0.002, -0.002, 0.0])
    for seed in seeds:
        codes = [
            f.code for f in solve(session(cases, mount, seed, camera_moves=knock)).findings if f.severity != "note"
        ]
        assert codes == ["camera-moved"], (seed, codes)


@long_forms.first("mount", ["arm", "fixed"])
def test_pairs_with_hardly_any_rotation_yield_no_absurd_finding(cases, mount):
    """Boards and lenses of any size fit them; no finding may state a focal length several times the stated one."""
    for seed in (5, 29, 39):
        for finding in solve(session(cases, mount, seed, 2448.0, poses=5)).findings:
            sizes = [abs(finding.evidence.get(name, 0.0)) for name in ("focal", "scale", "cx", "cy")]
            assert max(sizes) < 0.1, (seed, finding)
