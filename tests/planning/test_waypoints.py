"""Waypoint plans: translations, check, tolerance, and boards that stay in view although the guess is wrong."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration.problem import Problem, RobotNoise, WorkingVolume
from eyebolt.cli.planning import plan_station
from eyebolt.config.lens_file import lens_text
from eyebolt.config.template import station_template
from eyebolt.errors import InputFault
from eyebolt.geometry import FlangeRotation, Mount
from eyebolt.geometry.camera_model import CameraModel
from eyebolt.observations.pair import Pair
from eyebolt.planning.candidates import FlangeLimits
from eyebolt.planning.information import SetupEstimate
from eyebolt.planning.stopping import Goal
from eyebolt.planning.waypoints import TRANSLATION_M, GuessUncertainty, plan_waypoints
from eyebolt.results.waypoints import CAUTIONS
from eyebolt_sim.arm import inverse_kinematics
from eyebolt_sim.cell_geometry import UPRIGHT_T_OUTWARD, make_cell_geometry
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.problems import DEFAULT_BOARD, DEFAULT_LENS, EXACT_NOISE_DOF
from eyebolt_sim.transforms import inverse, matrix
from eyebolt_sim.views import visible_fraction
from eyebolt_sim.waypoints import plan_waypoints as simulated_waypoints
from support import long_forms, problems

MOUNTS = ["fixed", "arm"]
TOLERANCE_MM = 0.3
CAMERA = problems.camera_of(DEFAULT_LENS)


def guessed(mount, seed, turns="free", camera=CAMERA, board_m=DEFAULT_BOARD.corners_m):
    scene = make_cell_geometry(mount, seed, 0.8, DEFAULT_BOARD.size_m, turns)
    problem = Problem(Mount(mount), camera, board_m, (), WorkingVolume(0.6, 1.0), FlangeRotation(turns))
    return scene, SetupEstimate(problem, scene.hand_eye, scene.nuisance, RobotNoise(1e-4, float(np.deg2rad(0.02))), 0.1)


def planned(setup, tolerance_mm=TOLERANCE_MM, guess=None, max_pairs=40, **more):
    return plan_waypoints(setup, [], Goal(tolerance_mm, 8, max_pairs), 0.0, guess, **more)


def perturbed(scene, rng):
    """A cell of which ``scene`` is a guess: camera and board each 50 mm and 5 deg away."""

    def moved(pose, about):
        turn, shift = rng.normal(size=3), rng.normal(size=3)
        turn, shift = turn / np.linalg.norm(turn) * np.deg2rad(5), shift / np.linalg.norm(shift) * 0.05
        centre = matrix(np.eye(3), about)
        return pose @ centre @ matrix(Rotation.from_rotvec(turn), shift) @ inverse(centre)

    return replace(
        scene, hand_eye=moved(scene.hand_eye, np.zeros(3)), nuisance=moved(scene.nuisance, DEFAULT_BOARD.centre_m)
    )


@pytest.mark.parametrize("mount", MOUNTS)
def test_the_first_four_are_translations_and_the_last_is_the_first_again(mount):
    scene, setup = guessed(mount, 1)
    plan = planned(setup, tolerance_mm=5.0, guess=GuessUncertainty())
    kinds = [w.kind for w in plan.waypoints]
    assert kinds[:5] == ["translation"] * 4 + ["rotation"]
    assert kinds[-1] == "check"
    assert "check" not in kinds[:-1]
    assert np.array_equal(plan.waypoints[-1].base_T_flange, plan.waypoints[0].base_T_flange)
    start, *shifted = (w.base_T_flange for w in plan.waypoints[:4])
    shifts = [pose[:3, 3] - start[:3, 3] for pose in shifted]
    assert all(np.allclose(pose[:3, :3], start[:3, :3]) for pose in shifted)
    assert np.allclose(np.linalg.norm(shifts, axis=1), TRANSLATION_M)
    base_R_camera = scene.hand_eye[:3, :3] if mount == "fixed" else (start @ scene.hand_eye)[:3, :3]
    in_camera = np.abs(shifts @ base_R_camera)
    assert np.allclose(in_camera, np.eye(3) * TRANSLATION_M, atol=1e-9), "two sideways, one along the line of sight"


@long_forms.crossed({"mount": MOUNTS, "turns": ["free", "vertical"]})
def test_no_pose_is_repeated_except_by_the_check(mount, turns):
    """A pair within 8 mm and 2 deg of another one would get code 1, adds little."""
    _, setup = guessed(mount, 2, turns)
    poses = [w.base_T_flange for w in planned(setup, 0.2, max_pairs=20).waypoints[:-1]]
    assert len(poses) >= 10
    for number, pose in enumerate(poses):
        for other in poses[:number]:
            turn = Rotation.from_matrix(pose[:3, :3] @ other[:3, :3].T).magnitude()
            assert np.linalg.norm(pose[:3, 3] - other[:3, 3]) > 0.008 or np.rad2deg(turn) > 2


@pytest.mark.parametrize("mount", MOUNTS)
def test_the_plan_reaches_the_tolerance_with_no_pair_too_many(mount):
    _, setup = guessed(mount, 2)
    plan = planned(setup, tolerance_mm=0.2 if mount == "fixed" else TOLERANCE_MM)
    needed = [w for w in plan.waypoints if w.kind in ("translation", "rotation")]
    expected = [w.p95_upper_mm for w in plan.waypoints]
    tolerance = 0.2 if mount == "fixed" else TOLERANCE_MM
    assert plan.is_met
    assert needed[-1].p95_upper_mm <= tolerance
    assert len(needed) == 8 or needed[-2].p95_upper_mm > tolerance
    assert expected == sorted(expected, reverse=True)


def test_a_tolerance_out_of_reach_ends_at_max_pairs_and_is_reported():
    _, setup = guessed("fixed", 2)
    plan = plan_waypoints(setup, [], Goal(1e-4, 8, 14), noise_prior_dof=EXACT_NOISE_DOF)
    assert not plan.is_met
    assert len(plan.waypoints) == 14 + 1


@long_forms.first("mount", ["arm", "fixed"])
def test_the_board_stays_in_view_although_the_guess_is_wrong(mount):
    scene, setup = guessed(mount, 3)
    plan = planned(setup, guess=GuessUncertainty())
    assert (plan.tolerated.translation_m, plan.tolerated.rotation_deg) == (0.05, pytest.approx(5.0))
    rng = np.random.default_rng(5)
    seen = np.array(
        [
            [
                visible_fraction(DEFAULT_LENS, DEFAULT_BOARD, cell.view_from(w.base_T_flange), 0.0)
                for w in plan.waypoints
            ]
            for cell in (perturbed(scene, rng) for _ in range(100))
        ]
    )
    assert (seen == 1).mean() >= 0.95, "the whole board"
    assert seen.min() >= 0.5, "enough of it for a pair, always"


def test_a_narrow_view_tolerates_less_and_states_how_much():
    narrow = CameraModel(1280, 1024, np.array([[4000.0, 0, 640], [0, 4000.0, 512], [0, 0, 1]]), np.zeros(5))
    _, setup = guessed("fixed", 3, camera=narrow, board_m=DEFAULT_BOARD.corners_m * 0.5)
    plan = planned(setup, tolerance_mm=5.0, guess=GuessUncertainty())
    assert plan.tolerated.translation_m < 0.05
    assert plan.waypoints


@pytest.mark.parametrize("mount", MOUNTS)
def test_vertical_arms_stay_upright(mount):
    _, setup = guessed(mount, 4, turns="vertical")
    plan = planned(setup, tolerance_mm=1.0)
    rotations = np.array([w.base_T_flange[:3, :3] for w in plan.waypoints])
    assert np.allclose(rotations[:, 2], [0, 0, 1])
    assert len(plan.waypoints) >= 9


def known_pose(scene, seed):
    """A waypoint that the simulated arm reaches, in the middle of its work."""
    return simulated_waypoints(scene, DEFAULT_LENS, DEFAULT_BOARD, 0.6, 1.0, 1, seed)[0].base_T_flange


@long_forms.seeds(2, 4)
@pytest.mark.parametrize("mount", MOUNTS)
def test_a_vertical_arm_reaches_every_waypoint_near_a_known_one_and_sees_the_board(mount, seeds):
    for seed in seeds:
        scene, setup = guessed(mount, seed, turns="vertical")
        plan = planned(setup, 1.0, GuessUncertainty(), known_flanges=[known_pose(scene, seed)])
        assert plan.is_met
        for waypoint in plan.waypoints:
            assert inverse_kinematics(waypoint.base_T_flange @ UPRIGHT_T_OUTWARD)
            assert visible_fraction(DEFAULT_LENS, DEFAULT_BOARD, scene.view_from(waypoint.base_T_flange), 0.0) == 1


def test_captured_pairs_limit_a_vertical_arm_like_known_poses():
    scene, setup = guessed("fixed", 2, turns="vertical")
    first = known_pose(scene, 2)
    pair = Pair(0, first, np.arange(3), np.zeros((3, 2)))
    setup = replace(setup, problem=replace(setup.problem, pairs=(pair,)))
    heights = [w.base_T_flange[2, 3] for w in planned(setup, 1.0).waypoints]
    assert max(heights) - min(heights) > 0.1
    assert np.abs(np.array(heights) - first[2, 3]).max() <= 0.1


def test_the_poses_of_an_arm_that_rotates_freely_limit_nothing():
    limits = FlangeLimits.of(FlangeRotation.FREE, np.eye(4)[None], None)
    far = np.eye(4)
    far[:3, 3] = 5.0
    assert limits.allow(far[None]).all()


def test_reach_is_respected():
    _, setup = guessed("arm", 5)
    plan = planned(setup, reach_m=0.6)
    assert max(np.linalg.norm(w.base_T_flange[:3, 3]) for w in plan.waypoints) <= 0.6


# ---- the command


@pytest.fixture(params=MOUNTS)
def station(request, tmp_path):
    (tmp_path / "camera.json").write_text(lens_text(CAMERA))
    file = tmp_path / "station.toml"
    file.write_text(
        station_template(mount=request.param, near_mm=600, far_mm=1000, rotation="rotation-vector", angle="rad")
    )
    return request.param, file


TERMS = PoseFormat("mm", "rotation-vector", "rad")


def guesses(mount):
    scene = make_cell_geometry(mount, 6, 0.8, DEFAULT_BOARD.size_m)
    return scene, TERMS.format_pose(scene.hand_eye), TERMS.format_pose(scene.nuisance)


def test_the_command_writes_poses_in_the_pose_format(station, tmp_path):
    mount, file = station
    scene, camera, board = guesses(mount)
    out = tmp_path / "waypoints.csv"
    assert set(CAUTIONS) <= set(plan_station(file, camera, board, None, out))
    rows = [line for line in out.read_text().splitlines() if not line.startswith("#")]
    assert rows[-1] == f"check, {rows[0]}"
    for row in rows[:-1]:
        view = scene.view_from(TERMS.parse_pose([float(x) for x in row.split(",")]))
        middle = (view @ [*DEFAULT_BOARD.centre_m, 1.0])[:3]
        pixel = DEFAULT_LENS.project(middle)
        assert DEFAULT_LENS.inside(pixel)
        assert 0.4 < middle[2] < 1.6


def test_the_pose_of_the_flange_mounted_part_may_be_omitted(station):
    mount, file = station
    _, camera, board = guesses(mount)
    if mount == "fixed":
        assert plan_station(file, camera, None, None, None)
    else:
        assert plan_station(file, None, board, None, None)


@pytest.mark.parametrize(
    ("camera", "board"),
    [(None, None), ("1 2 3", "0 0 0 0 0 0"), ("1 2 3 a 5 6", "0 0 0 0 0 0")],
    ids=["missing", "three numbers", "not a number"],
)
def test_malformed_guesses_are_refused(station, camera, board):
    with pytest.raises(InputFault) as fault:
        plan_station(station[1], camera, board, None, None)
    assert fault.value.code == "plan-guess"


def vertical_station(folder, mount, rotation):
    (folder / "camera.json").write_text(lens_text(CAMERA))
    file = folder / "station.toml"
    file.write_text(
        station_template(mount=mount, turns="vertical", near_mm=600, far_mm=1000, rotation=rotation, angle="deg")
    )
    return file


def planned_numbers(file, tmp_path, **guess):
    """One row of numbers for each waypoint, as the robot writes a pose."""
    out = tmp_path / "waypoints.csv"
    plan_station(file, guess.get("camera"), guess.get("board"), None, out, poses=guess.get("poses", ()))
    rows = [line.split(", ") for line in out.read_text().splitlines() if line and line[0] not in "#c"]
    return np.array(rows, dtype=float)


@pytest.mark.parametrize(
    ("mount", "guess", "low_mm", "high_mm"),
    [
        ("arm", {"board": "400 0 -50 20"}, 400, 1100),
        ("arm", {"board": "400 0 -50 20", "camera": "60 0 -40 90"}, 400, 1100),
        ("fixed", {"camera": "400 0 -600 20"}, -150, 600),
        ("fixed", {"camera": "400 0 1200 20"}, 0, 750),
        ("fixed", {"camera": "400 0 -100 20", "poses": ["400 0 -900 0"]}, -1001, -799),
        ("fixed", {"camera": "400 0 -600 1 0 0 0"}, -150, 600),
        ("fixed", {"camera": "400 0 -600 0 1 0 0"}, -1800, -1000),
    ],
)
def test_one_angle_leaves_the_flange_on_its_side(tmp_path, mount, guess, low_mm, high_mm):
    """A board in the cell faces up; a fixed camera looks to where the arm works; a quaternion is taken as it is."""
    heights = planned_numbers(vertical_station(tmp_path, mount, "angle-z"), tmp_path, **guess)[:, 2]
    assert len(heights) >= 8
    assert low_mm <= heights.min() and heights.max() <= high_mm


@pytest.mark.parametrize("flange_z", ["up", "down"])
def test_the_camera_on_a_vertical_arm_looks_down_at_the_board(tmp_path, flange_z):
    """By its quaternion the board faces up, and the camera is not guessed; the flange frame may be either way up."""
    file = vertical_station(tmp_path, "arm", "quaternion-wxyz")
    poses = [] if flange_z == "up" else ["400 0 600 0 1 0 0"]
    numbers = planned_numbers(file, tmp_path, board="400 0 -50 0 1 0 0", poses=poses)
    assert numbers[:, 2].min() > 400
    flange_axes_up = Rotation.from_quat(numbers[:, 3:], scalar_first=True).as_matrix()[:, 2, 2]
    assert flange_axes_up == pytest.approx(1.0 if flange_z == "up" else -1.0)


def test_a_known_pose_that_is_none_is_refused(tmp_path):
    file = vertical_station(tmp_path, "arm", "angle-z")
    with pytest.raises(InputFault) as fault:
        plan_station(file, None, "400 0 -50 20", None, None, poses=["1 2 3"])
    assert fault.value.code == "plan-guess"


def test_a_session_and_guesses_exclude_each_other(station, tmp_path):
    mount, file = station
    _, camera, board = guesses(mount)
    with pytest.raises(InputFault) as fault:
        plan_station(file, camera, board, tmp_path / "no-session", None)
    assert fault.value.code == "plan-guess"
