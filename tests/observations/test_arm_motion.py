"""The extent of the live poses of a request, against the largest distance among all of them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eyebolt.geometry import se3
from eyebolt.observations.arm_motion import MAX_STEPS, ArmMotion

REPORTED = np.eye(4)


def pose(x_mm=0.0, turn_deg=0.0):
    T = np.eye(4)
    c, s = np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))
    T[:2, :2] = [[c, -s], [s, c]]
    T[0, 3] = x_mm / 1e3
    return T


def motion_of(poses):
    motion = ArmMotion()
    for at_ns, live in poses:
        motion = motion.with_pose(at_ns, live, REPORTED)
        assert len(motion.steps) <= MAX_STEPS
    return motion


def largest(poses):
    if not poses:
        return 0.0, 0.0
    distances = np.array([se3.pose_distance(live, REPORTED) for live in poses])
    return tuple(distances.max(axis=0))


def test_it_is_the_largest_translation_and_the_largest_rotation():
    assert ArmMotion().until(5) == (0.0, 0.0)
    motion = motion_of([(0, pose(0.1)), (1, pose(0.3)), (2, pose(0.0, 90.0)), (3, pose())])
    assert motion.until(9) == pytest.approx((3e-4, np.pi / 2))


@settings(max_examples=50)
@given(
    st.lists(st.tuples(st.integers(0, 3), st.floats(-1, 1), st.floats(-1, 1)), max_size=30),
    st.integers(0, 60),
)
def test_poses_count_up_to_the_first_one_at_or_after_the_exposure(moves, exposed_ns):
    instants_ns = np.cumsum([step for step, _, _ in moves], dtype=int).tolist()
    poses = [(at_ns, pose(x, turn)) for at_ns, (_, x, turn) in zip(instants_ns, moves, strict=True)]
    before = [live for at_ns, live in poses if at_ns < exposed_ns]
    after = [live for at_ns, live in poses if at_ns >= exposed_ns]
    assert motion_of(poses).until(exposed_ns) == largest(before + after[:1])


@pytest.mark.parametrize("count", [256, 257, 5000])
def test_a_motion_after_any_number_of_poses_counts(count):
    still = [(k, pose(0.01 * (k % 3))) for k in range(count)]
    motion = motion_of([*still, (count, pose(50.0))])
    assert motion.until(count + 1)[0] == pytest.approx(0.05)
    assert motion.until(count - 1)[0] == pytest.approx(2e-5)


def test_a_steady_motion_is_never_dated_late():
    """Each pose is farther than all before it: more steps than are kept."""
    poses = [(k, pose(0.01 * k, 0.001 * k)) for k in range(3000)]
    motion = motion_of(poses)
    largest_until = np.maximum.accumulate([se3.pose_distance(live, REPORTED) for _, live in poses])
    for exposed_ns in range(0, 3000, 101):
        translation_m, rotation_rad = motion.until(exposed_ns)
        true_m, true_rad = largest_until[exposed_ns]
        assert translation_m >= true_m and rotation_rad >= true_rad
    assert motion.until(3000) == tuple(largest_until[-1])
