import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.geometry.pose_format import ROTATION_KINDS, PoseFormat
from eyebolt_sim.pose_format import PoseFormat as PrintedPoseFormat
from eyebolt_sim.transforms import matrix


@pytest.mark.parametrize("kind", ROTATION_KINDS)
@pytest.mark.parametrize(("length", "angle"), [("mm", "deg"), ("m", "rad"), ("um", "1e-4deg")])
def test_the_product_parses_the_poses_of_the_simulated_controller(kind, length, angle):
    """Two implementations that share no code agree on every format."""
    rng = np.random.default_rng(3)
    for _ in range(20):
        rotation = Rotation.from_rotvec(rng.uniform(-2, 2, 3))
        if kind == "angle-z":
            rotation = Rotation.from_rotvec([0, 0, rng.uniform(-3, 3)])
        pose = matrix(rotation, rng.uniform(-1.2, 1.2, 3))
        printed = PrintedPoseFormat(length, kind, angle)
        numbers = [float(text) for text in printed.format_pose(pose).split()]
        pose_format = PoseFormat(length, kind, angle)
        assert len(numbers) == pose_format.field_count
        read = pose_format.to_matrix(numbers)
        # Rounding of the last digit in each number; two angles add up near a singularity of the Euler angles.
        assert read[:3, 3] == pytest.approx(pose[:3, 3], abs=0.51e-6)
        difference = Rotation.from_matrix(read[:3, :3].T @ pose[:3, :3]).magnitude()
        assert difference < 3 * math.radians(0.5e-4) + 1e-6
        assert printed.parse_pose(numbers) == pytest.approx(read, abs=2e-6)


def test_decimals_are_those_of_a_controller():
    pose = matrix(Rotation.from_euler("Z", 90, degrees=True), [0.1234567, -0.5, 1])
    assert PrintedPoseFormat().format_pose(pose) == "123.457 -500.000 1000.000 0.707107 0.000000 0.000000 0.707107"
    assert (
        PrintedPoseFormat("m", "rotation-vector", "rad").format_pose(pose)
        == "0.123457 -0.500000 1.000000 0.000000 0.000000 1.570796"
    )
    assert PrintedPoseFormat("um", "euler-ZYX", "1e-4deg").format_pose(pose) == "123457 -500000 1000000 900000 0 0"
    assert PrintedPoseFormat("mm", "angle-z", "deg").format_pose(pose) == "123.457 -500.000 1000.000 90.0000"
    assert PrintedPoseFormat("mm", "quaternion-xyzw").format_pose(pose).endswith("0.000000 0.000000 0.707107 0.707107")
