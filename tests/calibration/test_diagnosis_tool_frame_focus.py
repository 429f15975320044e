"""A tool or frame changed on the controller, and a focus that changed: distinguished from a slip, with the pair."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration.solve import solve
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.problems import make_problem
from eyebolt_sim.transforms import inverse, matrix, transform_points
from support import long_forms

MOUNTS = ["fixed", "arm"]
CHANGE = matrix(Rotation.from_rotvec([0.3, 0.2, 0.4]).as_matrix(), [0.09, 0.0, 0.08])


def stops(problem):
    return [f for f in solve(problem).findings if f.severity == "stop"]


@long_forms.crossed({"poses, at": [(5, 3), (10, 5), (14, 4)], "mount": MOUNTS})
def test_another_tool_or_frame_from_some_pair_on(cases, mount, poses, at):
    problem = cases.convert(make_problem(mount, poses, 2), include_robot_noise=False, drift_sigma_m=None)
    for what in ("tool", "frame"):
        pairs = list(problem.pairs)
        for row in range(at, poses):
            pose = pairs[row].base_T_flange
            pairs[row] = replace(pairs[row], base_T_flange=pose @ CHANGE if what == "tool" else CHANGE @ pose)
        (finding,) = stops(replace(problem, pairs=pairs))
        assert (finding.code, finding.evidence["pair"]) == (f"{what}-changed", at)


def with_focus(cases, mount, poses, seed, growth):
    """The session with the focal length of each image larger by the fractions ``growth`` (poses,)."""
    simulated = make_problem(mount, poses, seed)
    problem = cases.convert(simulated, include_robot_noise=False, drift_sigma_m=None)
    pairs = []
    for row, pair in enumerate(problem.pairs):
        lens = simple_lens(2448, 2048, 2400.0 * (1 + growth[row]))
        seen = transform_points(simulated.camera_T_board_true[row], simulated.board_corners_m[pair.ids])
        noise = simulated.corners_px[row] - simulated.corners_px_true[row]
        pairs.append(replace(pair, corners_px=lens.project(seen) + noise))
    return replace(problem, pairs=pairs)


@long_forms.crossed({"poses, at": [(6, 3), (12, 4)], "mount": MOUNTS})
def test_a_step_of_the_focal_length(cases, mount, poses, at):
    growth = 0.005 * (np.arange(poses) >= at)
    (finding,) = stops(with_focus(cases, mount, poses, 3, growth))
    assert (finding.code, finding.evidence["pair"]) == ("focus-changed", at)
    assert abs(finding.evidence["change"] - 0.005) < 4 * finding.evidence["change_sigma"] < 0.003


@long_forms.crossed({"poses, seed, by": [(20, 25, 0.005), (20, 1, -0.03), (6, 3, 0.03)], "mount": MOUNTS})
def test_two_focal_lengths_are_not_one_wrong_lens(cases, mount, poses, seed, by):
    (finding,) = stops(with_focus(cases, mount, poses, seed, by * (np.arange(poses) >= poses // 2)))
    assert (finding.code, finding.evidence["pair"]) == ("focus-changed", poses // 2)
    assert finding.evidence["change"] == pytest.approx(by, rel=0.1)


@long_forms.first("mount", ["fixed", "arm"])
def test_a_drift_of_the_focal_length(cases, mount):
    (finding,) = stops(with_focus(cases, mount, 12, 4, np.linspace(0, -0.006, 12)))
    assert finding.code == "focus-changed" and "pair" not in finding.evidence
    assert finding.evidence["change"] == pytest.approx(-0.006, abs=4 * finding.evidence["change_sigma"])


@long_forms.first("mount", ["arm", "fixed"])
def test_a_camera_moved_along_its_axis_is_no_focus_change(cases, mount):
    simulated = make_problem(mount, 12, 5)
    problem = cases.convert(simulated, include_robot_noise=False, drift_sigma_m=None)
    knocked = inverse(matrix(np.eye(3), [0.0, 0.0, -0.004]))
    for row in range(6, 12):
        seen = transform_points(
            knocked @ simulated.camera_T_board_true[row], simulated.board_corners_m[problem.pairs[row].ids]
        )
        noise = simulated.corners_px[row] - simulated.corners_px_true[row]
        problem = cases.with_pair(problem, row, corners_px=simulated.lens.project(seen) + noise)
    codes = {f.code for f in solve(problem).findings}
    assert "camera-moved" in codes and "focus-changed" not in codes
