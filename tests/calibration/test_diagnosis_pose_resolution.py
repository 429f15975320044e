"""Poses printed too coarsely and arms noisier than stated are found; fine prints and the stated noise are not."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration.problem import PoseConvention, RobotNoise
from eyebolt.calibration.solve import solve
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt_sim.problems import make_problem
from support import long_forms

ZYX = PoseFormat("mm", "euler-ZYX")


def printed(problem, decimals):
    """The poses as a controller prints them: millimetres and ZYX degrees with so many decimals."""
    pairs = []
    for pair in problem.pairs:
        pose = pair.base_T_flange
        angles = Rotation.from_matrix(pose[:3, :3]).as_euler("ZYX", degrees=True)
        fields = np.round([*pose[:3, 3] * 1e3, *angles], decimals)
        pairs.append(replace(pair, base_T_flange=ZYX.to_matrix(list(fields)), fields=tuple(fields)))
    return replace(problem, pairs=pairs, pose_convention=PoseConvention(ZYX))


@long_forms.crossed({"poses": [6, 15], "mount": ["fixed", "arm"]})
def test_a_pose_printed_in_whole_millimetres_and_degrees(cases, mount, poses):
    problem = cases.convert(make_problem(mount, poses, 1), include_robot_noise=False, drift_sigma_m=None)
    first = solve(printed(problem, 0)).findings[0]
    assert (first.code, first.severity) == ("pose-resolution", "warn")
    assert (first.evidence["step_mm"], first.evidence["step_deg"]) == (1.0, pytest.approx(1.0))
    # A rounding error is uniform over one step: its variance is a twelfth of the step's square.
    assert first.evidence["share_of_rotation_variance"] == pytest.approx(1.0, abs=0.8)
    assert not [f for f in solve(printed(problem, 3)).findings if f.code == "pose-resolution"]


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_an_arm_noisier_than_stated(cases, mount):
    problem = cases.convert(make_problem(mount, 12, 2), drift_sigma_m=None)
    quieter = replace(problem, robot_noise=RobotNoise(1e-4 / 3, np.deg2rad(0.02) / 3))
    (finding,) = [f for f in solve(quieter).findings if f.code == "excess-pose-noise"]
    assert finding.severity == "warn"
    assert finding.evidence["noise_ratio"] == pytest.approx(3, rel=0.4)
    assert not [f for f in solve(problem).findings if f.code == "excess-pose-noise"]
