import itertools

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt_sim.arm import JOINT_LIMITS_RAD, Arm, faulty_arm, inverse_kinematics

# P. Corke, "Robotics, Vision and Control", PUMA 560 with standard DH parameters: poses printed for the configurations
# "zero" and "nominal", four to six digits.
PUBLISHED = [
    ([0, 0, 0, 0, 0, 0], [0.4521, -0.15005, 0.4318], np.eye(3)),
    (
        [0, np.pi / 4, np.pi, 0, np.pi / 4, 0],
        [0.596303, -0.15005, -0.014354],
        np.array([[0, 0, 1], [0, 1, 0], [-1, 0, 0]]),
    ),
]


@pytest.mark.evidence
@pytest.mark.parametrize(("joints", "position", "rotation"), PUBLISHED)
def test_forward_kinematics_matches_the_published_poses(joints, position, rotation):
    pose = Arm().forward(joints)
    assert pose[:3, 3] == pytest.approx(position, abs=6e-7)
    assert pose[:3, :3] == pytest.approx(rotation, abs=1e-12)


def test_inverse_kinematics_inverts_forward_kinematics():
    rng = np.random.default_rng(5)
    for _ in range(60):
        joints = rng.uniform(*(JOINT_LIMITS_RAD * 0.9).T)
        pose = Arm().forward(joints)
        solutions = inverse_kinematics(pose)
        assert solutions
        for solution in solutions:
            assert Arm().forward(solution) == pytest.approx(pose, abs=1e-9)
            assert (solution >= JOINT_LIMITS_RAD[:, 0]).all()
            assert (solution <= JOINT_LIMITS_RAD[:, 1]).all()
        distances = [
            np.abs(Rotation.from_rotvec([0, 0, 1]).magnitude() * np.exp(1j * s) - np.exp(1j * joints)).max()
            for s in solutions
        ]
        assert min(distances) < 1e-6


def test_inverse_kinematics_returns_distinct_configurations():
    solutions = inverse_kinematics(Arm().forward([0.3, 0.9, -2.4, 0.4, 0.8, 0.2]))
    assert len(solutions) >= 2
    assert all(np.abs(a - b).max() > 0.1 for a, b in itertools.combinations(solutions, 2))


def test_a_pose_out_of_reach_has_no_solution():
    pose = np.eye(4)
    pose[:3, 3] = [1.2, 0, 0.3]
    assert inverse_kinematics(pose) == []
    pose[:3, 3] = [0.05, 0.05, 0.3]
    assert inverse_kinematics(pose) == []


def test_a_joint_offset_rotates_and_a_link_error_shifts_the_flange():
    joints = np.array([0.2, 0.5, -2.0, 0.1, 0.6, 0.3])
    nominal = Arm().forward(joints)
    offsets = np.array([0.03, 0, 0, 0, 0, 0])
    rotated = Arm(joint_offsets_deg=offsets).forward(joints)
    about_z = np.eye(4)
    about_z[:3, :3] = Rotation.from_euler("z", 0.03, degrees=True).as_matrix()
    assert rotated == pytest.approx(about_z @ nominal, abs=1e-12)
    errors = np.zeros((6, 2))
    errors[0, 1] = 0.4
    raised = Arm(link_errors_mm=errors).forward(joints)
    assert raised[:3, 3] - nominal[:3, 3] == pytest.approx([0, 0, 0.4e-3], abs=1e-12)


def test_kinematic_errors_are_seeded_and_have_the_stated_standard_deviation():
    arms = [faulty_arm(np.random.default_rng(s), 0.03, 0.2) for s in range(200)]
    assert np.std([a.joint_offsets_deg for a in arms]) == pytest.approx(0.03, rel=0.06)
    assert np.std([a.link_errors_mm for a in arms]) == pytest.approx(0.2, rel=0.06)
    again = faulty_arm(np.random.default_rng(7), 0.03, 0.2)
    assert (again.joint_offsets_deg == arms[7].joint_offsets_deg).all()
