import numpy as np
import pytest

from eyebolt.errors import InputFault
from eyebolt_sim.arm import JOINT_LIMITS_RAD, Arm
from eyebolt_sim.cell import CellOptions, prepare_cell
from eyebolt_sim.cell_geometry import UPRIGHT_T_OUTWARD, make_cell_geometry
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.transforms import transform_points
from eyebolt_sim.views import chessboard_shape
from eyebolt_sim.waypoints import plan_waypoints
from support.folder_camera_cell import write_station

BOARD = chessboard_shape(12, 9, 0.02)
LENS = simple_lens(1280, 1024, 1400.0, (-0.1, 0.05, 0.0005, -0.0005, 0))
NEAR_M, FAR_M = 0.5, 0.9


def plan(mount, seed, turns="free", count=12):
    scene = make_cell_geometry(mount, seed, (NEAR_M + FAR_M) / 2, BOARD.size_m, turns)
    return scene, plan_waypoints(scene, LENS, BOARD, NEAR_M, FAR_M, count, seed)


@pytest.mark.parametrize("turns", ["free", "vertical"])
@pytest.mark.parametrize("mount", ["fixed", "arm"])
@pytest.mark.parametrize("seed", range(4))
def test_waypoints_are_reachable_and_show_the_board(mount, turns, seed):
    scene, waypoints = plan(mount, seed, turns)
    views = [scene.view_from(w.base_T_flange) for w in waypoints]
    for waypoint, view in zip(waypoints, views, strict=True):
        outward = Arm().forward(waypoint.joints_rad)
        flange = outward @ UPRIGHT_T_OUTWARD if turns == "vertical" else outward
        assert flange == pytest.approx(waypoint.base_T_flange, abs=1e-9)
        assert (waypoint.joints_rad >= JOINT_LIMITS_RAD[:, 0]).all()
        assert (waypoint.joints_rad <= JOINT_LIMITS_RAD[:, 1]).all()
        assert LENS.inside(LENS.project(transform_points(view, BOARD.corners_m))).mean() >= 0.85
        assert NEAR_M * 0.8 < transform_points(view, BOARD.centre_m[None])[0, 2] < FAR_M
    tilts = np.rad2deg([np.arccos(view[2, 2]) for view in views])
    if turns == "free":
        assert tilts.min() >= 20 - 1e-6
        assert tilts.max() <= 35 + 1e-6
        # Tilted about all axes: the lateral components of the board normals span the plane.
        lateral = np.array([view[:2, 2] for view in views])
        assert np.linalg.svd(lateral - lateral.mean(axis=0), compute_uv=False)[1] > 0.5
    else:
        assert [w.base_T_flange[2, 2] for w in waypoints] == pytest.approx([1] * len(waypoints))
    centres = LENS.project(np.array([transform_points(view, BOARD.centre_m[None])[0] for view in views]))
    assert (np.ptp(centres, axis=0) > [200, 150]).all()
    depths = [view[2, 3] for view in views]
    assert np.ptp(depths) > 0.1


def test_waypoints_depend_on_the_seed_alone():
    first, again, other = (plan("fixed", seed, count=4)[1] for seed in (1, 1, 2))
    assert all((a.joints_rad == b.joints_rad).all() for a, b in zip(first, again, strict=True))
    assert not np.allclose(first[0].joints_rad, other[0].joints_rad)


def test_a_cell_out_of_reach_is_refused():
    scene = make_cell_geometry("fixed", 0, 5.0, BOARD.size_m, work_centre_m=(3.0, 0, 0.3))
    with pytest.raises(InputFault) as refused:
        plan_waypoints(scene, LENS, BOARD, 4.5, 5.5, 5, 0)
    assert (refused.value.code, refused.value.data["found"]) == ("no-waypoints", 0)


def test_checks_are_at_waypoints_of_their_own(tmp_path):
    """A check that repeats a pose of the estimate would prove less."""
    cell = prepare_cell(write_station(tmp_path), CellOptions(seed=3, waypoints=6))
    assert len(cell.checks) == 2
    for check in cell.checks:
        distances = [np.linalg.norm(check.base_T_flange - capture.base_T_flange) for capture in cell.captures]
        assert min(distances) > 0.1
