"""Problem files: written by the simulator and read back; all faults are reported at once."""

import copy
import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eyebolt.calibration.problem_file import read_problem
from eyebolt.calibration.solve import solve
from eyebolt.errors import InputFault
from eyebolt.geometry import PickPose, PickPosture
from eyebolt.protocol import ToleranceOf
from eyebolt_sim.problems import make_problem
from eyebolt_sim.views import ViewRange


@pytest.fixture(scope="module")
def good():
    return make_problem("arm", 4, 1).to_json(tolerance_mm=0.8)


def faults_of(content, name="cell.json"):
    with pytest.raises(InputFault) as caught:
        read_problem(content if isinstance(content, str) else json.dumps(content), name)
    assert caught.value.code == "problem-file"
    assert caught.value.message.startswith(f"{name} is not a problem file")
    assert caught.value.remedy
    return caught.value.data["faults"]


@pytest.mark.parametrize("mount", ["fixed", "arm"])
@pytest.mark.parametrize("include_robot_noise", [True, False])
@pytest.mark.parametrize("turns", ["free", "vertical"])
def test_what_the_simulator_writes_reads_back(tmp_path, mount, include_robot_noise, turns):
    simulated = make_problem(mount, 6, 3, turns=turns, limits=ViewRange(min_visible_fraction=0.6, spread=0.95))
    path = tmp_path / "problem.json"
    simulated.write(path, tolerance_mm=0.7, include_robot_noise=include_robot_noise)
    problem, goal = read_problem(path.read_text(), path.name)
    assert (goal.tolerance_mm, goal.tolerance_of) == (0.7, ToleranceOf.PICK)
    assert problem.pick == PickPosture()
    assert (problem.mount, problem.flange_rotation) == (mount, turns)
    assert (problem.volume.near_m, problem.volume.far_m) == (0.6, 1.0)
    assert problem.board_corners_m == pytest.approx(simulated.board_corners_m, abs=1e-15)
    assert (problem.camera.matrix == simulated.lens.matrix).all()
    assert problem.camera.distortion.tolist() == simulated.lens.distortion.tolist()
    if include_robot_noise:
        assert problem.robot_noise.translation_m == pytest.approx(1e-4)
        assert problem.robot_noise.rotation_rad == pytest.approx(np.deg2rad(0.02))
    else:
        assert problem.robot_noise is None
    assert [p.index for p in problem.pairs] == list(range(6))
    for pair, pose, ids, corners in zip(
        problem.pairs, simulated.base_T_flange_reported, simulated.corner_ids, simulated.corners_px, strict=True
    ):
        assert pair.base_T_flange == pytest.approx(pose, abs=1e-14)
        assert pair.ids.tolist() == ids.tolist()
        assert (pair.corners_px == corners).all()


def test_the_instants_of_the_pairs_are_optional(good):
    content = copy.deepcopy(good)
    assert [p.time_s for p in read_problem(json.dumps(content), "cell.json")[0].pairs] == [None] * 4
    for k, pair in enumerate(content["pairs"]):
        pair["time_s"] = 20.5 * k
    assert [p.time_s for p in read_problem(json.dumps(content), "cell.json")[0].pairs] == [0.0, 20.5, 41.0, 61.5]


@pytest.mark.parametrize(("stated_mm", "sigma_m"), [(None, None), (0.0, 0.0), (0.2, 2e-4)])
def test_the_scale_of_a_drift_is_optional(stated_mm, sigma_m):
    content = make_problem("arm", 4, 1).to_json(drift_sigma_mm=stated_mm)
    assert ("drift_sigma_mm" in content) == (stated_mm is not None)
    assert read_problem(json.dumps(content), "cell.json")[0].drift_sigma_m == sigma_m


def test_a_file_solves_as_the_problem_does(tmp_path, cases):
    simulated = make_problem("fixed", 8, 5)
    simulated.write(tmp_path / "problem.json")
    problem, _ = read_problem((tmp_path / "problem.json").read_text(), "problem.json")
    assert pytest.approx(solve(cases.convert(simulated)).X, abs=1e-10) == solve(problem).X


def test_a_rounded_rotation_is_made_one(good):
    content = copy.deepcopy(good)
    for pair in content["pairs"]:
        pair["base_T_flange"] = np.round(pair["base_T_flange"], 4).tolist()
    for pair in read_problem(json.dumps(content), "p")[0].pairs:
        R = pair.base_T_flange[:3, :3]
        assert pytest.approx(np.eye(3), abs=1e-14) == R @ R.T


def test_all_faults_of_form_are_listed_at_once(good):
    content = copy.deepcopy(good)
    content["mount"] = "ceiling"
    content["camera"]["width"] = "wide"
    content["pairs"][2]["ids"][0] = -4
    content["pairs"][3]["corners_px"][1] = [1.0]
    content["robot_noise"]["mm"] = 0
    del content["goal"]["far_mm"]
    content["colour"] = "red"
    listed = "\n".join(faults_of(content))
    for place in ("mount", "camera.width", "pairs.2.ids.0", "pairs.3.corners_px.1", "robot_noise.mm", "goal.far_mm"):
        assert place in listed
    assert "colour" in listed


def test_all_faults_of_meaning_are_listed_at_once(good):
    content = copy.deepcopy(good)
    pairs = content["pairs"]
    pairs[0]["base_T_flange"][0][0] *= 1.1
    pairs[1]["ids"] = pairs[1]["ids"][:-1]
    pairs[2]["ids"][0] = pairs[2]["ids"][1]
    pairs[3]["ids"][-1] = 88
    content["goal"]["near_mm"] = 2000
    listed = faults_of(content)
    assert len(listed) == 5
    for place, fault in zip(("pairs.0", "pairs.1", "pairs.2", "pairs.3", "goal"), listed, strict=True):
        assert fault.startswith(place)
    assert "not a rigid transform" in listed[0]
    assert "87 ids but 88 corners" in listed[1]
    assert "appears twice" in listed[2]
    assert "not below 88" in listed[3]


@pytest.mark.parametrize("row", [[0, 0, 0, 2], [0.1, 0, 0, 1]])
def test_a_pose_that_is_no_rigid_transform_is_refused(good, row):
    content = copy.deepcopy(good)
    content["pairs"][1]["base_T_flange"][3] = row
    assert "not a rigid transform" in faults_of(content)[0]
    content = copy.deepcopy(good)
    pose = np.array(content["pairs"][1]["base_T_flange"])
    content["pairs"][1]["base_T_flange"] = (pose @ np.diag([1, 1, -1, 1])).tolist()
    assert "not a rigid transform" in faults_of(content)[0]


@pytest.mark.parametrize("matrix", [[[1, 0], [0, 1]], [[1, 0, 0], [0, 1, 0]], []])
def test_a_camera_matrix_of_another_shape_is_refused(good, matrix):
    content = copy.deepcopy(good)
    content["camera"]["matrix"] = matrix
    assert "camera.matrix" in faults_of(content)[0]


def test_an_impossible_lens_is_refused(good):
    content = copy.deepcopy(good)
    content["camera"]["distortion"] = [0.1, 0.2, 0.3]
    with pytest.raises(InputFault, match="3 distortion numbers"):
        read_problem(json.dumps(content), "cell.json")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "line 1: not JSON"),
        ("{\n\n  'mount': 1}", "line 3: not JSON"),
        ("[" * 100_000, "nested too deeply"),
        ("[]", "(file)"),
        ("null", "(file)"),
        ("3.5", "(file)"),
        ('"pairs"', "(file)"),
    ],
)
def test_text_that_is_no_problem_file(text, message):
    assert message in "\n".join(faults_of(text))


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_numbers_that_are_not_finite(good, number):
    text = json.dumps(good).replace('"near_mm": 600.0', f'"near_mm": {number}')
    assert number in text
    assert any("near_mm" in fault for fault in faults_of(text))


scalars = st.none() | st.booleans() | st.integers(-(10**25), 10**25) | st.floats() | st.text(max_size=6)
anything = st.recursive(
    scalars, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner)
)


def test_a_covariance_of_the_lens_is_read(good):
    content = copy.deepcopy(good)
    names, matrix = ["cx", "fx"], [[4.0, 0.6], [0.6, 1.0]]
    content["camera"].pop("sigma", None)
    content["camera"]["covariance"] = {"parameters": names, "matrix": matrix}
    problem, _ = read_problem(json.dumps(content), "cell.json")
    assert list(problem.camera.sigma) == names
    assert problem.camera.covariance == pytest.approx(np.array(matrix))


@pytest.mark.parametrize(
    ("parameters", "matrix", "sigma"),
    [
        (["cx", "fx"], [[4.0, 0.6], [0.6, 1.0]], {"fx": 1.0}),
        (["cx", "fx"], [[4.0, 2.1], [2.1, 1.0]], {}),
        (["cx"], [[4.0, 0.6], [0.6, 1.0]], {}),
        (["k9"], [[4.0]], {}),
    ],
)
def test_a_wrong_covariance_of_the_lens_is_refused(good, parameters, matrix, sigma):
    content = copy.deepcopy(good)
    content["camera"] |= {"sigma": sigma, "covariance": {"parameters": parameters, "matrix": matrix}}
    assert [fault.partition(":")[0].startswith("camera") for fault in faults_of(content)] == [True]


@given(st.data())
@settings(deadline=None, max_examples=60)
def test_any_value_in_any_place_is_read_or_refused(good, data):
    """One place of a good file is replaced by anything: the answer is a problem or a list of faults."""
    content = copy.deepcopy(good)
    where, keys = content, sorted(content)
    for _ in range(6):
        key = data.draw(st.sampled_from(keys))
        if isinstance(where[key], dict) and where[key] and data.draw(st.booleans()):
            where, keys = where[key], sorted(where[key])
        elif isinstance(where[key], list) and where[key] and data.draw(st.booleans()):
            where, keys = where[key], list(range(len(where[key])))
        else:
            break
    where[key] = data.draw(anything)
    try:
        problem, goal = read_problem(json.dumps(content), "cell.json")
    except InputFault as fault:
        assert fault.code in ("problem-file", "lens-model")
        assert fault.remedy
    else:
        assert goal.tolerance_mm > 0
        assert all(np.isfinite(p.base_T_flange).all() and np.isfinite(p.corners_px).all() for p in problem.pairs)


@given(st.text(max_size=200))
@settings(deadline=None, max_examples=100)
def test_any_text_is_refused_with_words(text):
    with pytest.raises(InputFault):
        read_problem(text, "cell.json")


def test_the_pick_that_is_meant_is_read(good):
    content = copy.deepcopy(good)
    content["goal"] |= {
        "tolerance_of": "transform",
        "pick_pose": "waypoints",
        "pick_axis": [0, 2, 0],
        "pick_tool_mm": [0, 0, 120],
    }
    problem, goal = read_problem(json.dumps(content), "cell.json")
    assert goal.tolerance_of is ToleranceOf.TRANSFORM
    assert problem.pick == PickPosture(PickPose.WAYPOINTS, (0.0, 1.0, 0.0), (0.0, 0.0, 0.12))


def test_a_tool_without_a_direction_is_refused(good):
    content = copy.deepcopy(good)
    content["goal"]["pick_axis"] = [0, 0, 0]
    with pytest.raises(InputFault) as fault:
        read_problem(json.dumps(content), "cell.json")
    assert "goal.pick_axis" in fault.value.data["faults"][0]


FOUR_AXES = {"dh_mm_deg": [[300, 0, 0, 0], [250, 180, 10, 90], [0, 0, 50, 0], [0, 0, 0, 30]]}


def test_the_model_of_an_arm_is_read_with_the_units_of_its_joints(good):
    content = copy.deepcopy(good)
    content["arm"] = {**FOUR_AXES, "prismatic": [False, False, True, False]}
    content["pairs"][1]["joints_deg"] = [1.0, 2.0, 3.0, 4.0]
    problem, _ = read_problem(json.dumps(content), "cell.json")
    convention = problem.joint_convention
    assert convention.units == ("deg", "deg", "mm", "deg")
    assert convention.names == ("joint 1", "joint 2", "joint 3", "joint 4")
    assert convention.arm.is_prismatic.tolist() == [False, False, True, False]
    # At zero: 300 mm along x; 250 mm along the next x, which the offset turned to y; d = 10 mm along z, 50 mm back.
    reached = convention.arm.forward(np.zeros((1, 4)))[0][:3, 3]
    assert reached == pytest.approx([0.3, 0.25, 0.01 - 0.05])
    assert [pair.joints for pair in problem.pairs[:2]] == [None, (1.0, 2.0, 3.0, 4.0)]
    del content["arm"]["prismatic"]
    assert read_problem(json.dumps(content), "cell.json")[0].joint_convention.units == ("deg",) * 4


def test_joints_and_rows_of_another_number_are_refused(good):
    content = copy.deepcopy(good)
    content["arm"] = {**FOUR_AXES, "prismatic": [False, True, False]}
    content["pairs"][2]["joints_deg"] = [1.0] * 5
    assert [fault.split(":")[0] for fault in faults_of(content)] == ["arm.prismatic", "pairs.2.joints_deg"]


def test_lengths_are_in_millimetres_and_angles_in_degrees(good):
    content = copy.deepcopy(good)
    content |= {"robot_noise": {"mm": 0.2, "deg": 0.1, "degrees_of_freedom": 7}, "correlated_error_range_mm": 0.5}
    content |= {"board_bow_sigma_mm": 0.3, "board_scale_sigma": 0.01, "drift_sigma_mm": 0.7}
    content["goal"] |= {"pick_tool_mm": [1.0, 2.0, 150.0], "pick_axis": [0.0, 3.0, 4.0]}
    problem, _ = read_problem(json.dumps(content), "cell.json")
    noise = problem.robot_noise
    assert (noise.translation_m, noise.rotation_rad) == pytest.approx((2e-4, np.deg2rad(0.1)))
    assert (problem.robot_noise_dof, problem.board_scale_sigma) == (7, 0.01)
    found = (problem.correlated_error_range_m, problem.board_bow_sigma_m, problem.drift_sigma_m)
    assert found == pytest.approx((5e-4, 3e-4, 7e-4))
    assert problem.pick.axis == pytest.approx((0.0, 0.6, 0.8))
    assert problem.pick.tool_m == pytest.approx((1e-3, 2e-3, 0.15))


@pytest.mark.parametrize(("error", "is_refused"), [(0.9e-3, False), (1.1e-3, True)])
def test_a_rotation_that_is_off_by_a_thousandth_is_a_typing_error(good, error, is_refused):
    """Largest entry of R R^T - I; less is rounding."""
    content = copy.deepcopy(good)
    pose = np.array(content["pairs"][0]["base_T_flange"])
    pose[:3, :3] = np.diag([np.sqrt(1 + error), 1, 1])
    content["pairs"][0]["base_T_flange"] = pose.tolist()
    if is_refused:
        assert len(faults_of(content)) == 1
    else:
        read_problem(json.dumps(content), "cell.json")


def test_a_screenful_of_faults_is_listed(good):
    content = copy.deepcopy(good)
    content["pairs"] = [{**content["pairs"][0], "ids": []} for _ in range(60)]
    with pytest.raises(InputFault) as caught:
        read_problem(json.dumps(content), "cell.json")
    assert len(caught.value.data["faults"]) == 60
    assert caught.value.message.count("\n") == 40


def test_what_a_file_does_not_state_has_its_default(good):
    """Those of the format's description; a statement of the noise has three degrees of freedom."""
    content = copy.deepcopy(good)
    for name in (
        "turns",
        "board_scale_sigma",
        "board_bow_sigma_mm",
        "drift_sigma_mm",
        "correlated_error_range_mm",
        "arm",
    ):
        content.pop(name, None)
    for name in ("tolerance_of", "pick_pose", "pick_axis", "pick_tool_mm"):
        content["goal"].pop(name, None)
    content["robot_noise"] = {"mm": 0.1, "deg": 0.02}
    for name in ("distortion", "sigma", "covariance"):
        content["camera"].pop(name, None)
    problem, goal = read_problem(json.dumps(content), "cell.json")
    assert problem.correlated_error_range_m == pytest.approx(1e-3)
    assert problem.robot_noise_dof == 3
    assert (problem.board_scale_sigma, problem.board_bow_sigma_m, problem.drift_sigma_m) == (None, None, None)
    assert (problem.flange_rotation, problem.joint_convention) == ("free", None)
    assert problem.pick == PickPosture(PickPose.DOWN, (0.0, 0.0, 1.0), None)
    assert goal.tolerance_of is ToleranceOf.PICK
    assert problem.camera.distortion.size == 0 and problem.camera.sigma == {}
