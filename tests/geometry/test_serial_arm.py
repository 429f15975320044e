"""Forward kinematics of a serial arm against another library, the simulator's arm and published numbers."""

import numpy as np
import pytest
from pytransform3d.transformations import transform_from
from scipy.spatial.transform import Rotation

from eyebolt.geometry import SerialArm
from eyebolt_sim.arm import Arm

# As P. Corke, "Robotics, Vision and Control", prints them: a, alpha, d, offset.
PUMA_560 = [
    (0, 90, 0, 0),
    (431.8, 0, 0, 0),
    (20.3, -90, 150.05, 0),
    (0, 90, 431.8, 0),
    (0, -90, 0, 0),
    (0, 0, 0, 0),
]


def composed(rows, joints, is_prismatic):
    """The same pose from elementary motions by SciPy and pytransform3d; joints in deg or mm."""
    pose = np.eye(4)
    for (a, alpha, d, offset), joint, slides in zip(rows, joints, is_prismatic, strict=True):
        theta, along = (offset, d + joint) if slides else (offset + joint, d)
        about_z = Rotation.from_euler("z", theta, degrees=True).as_matrix()
        about_x = Rotation.from_euler("x", alpha, degrees=True).as_matrix()
        pose = pose @ transform_from(about_z, [0, 0, along / 1e3]) @ transform_from(about_x, [a / 1e3, 0, 0])
    return pose


@pytest.mark.parametrize("count", [1, 4, 6, 7])
def test_elementary_motions_of_another_library_give_the_same_pose(count):
    rng = np.random.default_rng(count)
    for _ in range(20):
        rows = rng.uniform(-180, 180, (count, 4))
        slides = rng.random(count) < 0.3
        joints = rng.uniform(-180, 180, count)
        arm = SerialArm.from_rows([tuple(row) for row in rows], list(slides))
        values = np.where(slides, joints / 1e3, np.deg2rad(joints))
        np.testing.assert_allclose(arm.forward(values), composed(rows, joints, slides), atol=1e-12)


def test_the_arm_of_the_simulator_has_the_same_kinematics():
    joints = np.random.default_rng(1).uniform(-np.pi, np.pi, (50, 6))
    found = SerialArm.from_rows(PUMA_560).forward(joints)
    np.testing.assert_allclose(found, [Arm().forward(q) for q in joints], atol=1e-12)


def test_the_nominal_posture_of_the_puma_is_the_published_one():
    """qn = (0, pi/4, pi, 0, pi/4, 0): printed as 0.5963, -0.1501, -0.01435 m, and a rotation about y by 90 deg."""
    pose = SerialArm.from_rows(PUMA_560).forward([0, np.pi / 4, np.pi, 0, np.pi / 4, 0])
    np.testing.assert_allclose(pose[:3, 3], [0.5963, -0.1501, -0.01435], atol=6e-5)
    np.testing.assert_allclose(pose[:3, :3], [[0, 0, 1], [0, 1, 0], [-1, 0, 0]], atol=1e-12)
