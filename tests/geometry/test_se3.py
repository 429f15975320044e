"""Group laws of the rigid transforms, at the places where such formulas usually break: zero, tiny, and half a turn."""

import numpy as np
import pytest
import scipy.linalg
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.spatial.transform import Rotation

from eyebolt.geometry import se3 as se3

TINY = [0.0, 1e-12, 1e-10, 1e-8, 1e-6, 9.99e-5, 1.01e-4, 1e-3]
ORDINARY = [0.05, 0.299, 0.301, 1.0, 2.5]
NEAR_HALF_TURN = [np.pi - gap for gap in (1e-2, 1e-4, 1e-6, 1e-9)]
AXES = [(1, 0, 0), (0, 0, -1), (0.6, -0.8, 0), (-0.36, 0.48, 0.8), (1 / 3, 2 / 3, -2 / 3)]
SHIFT_M = np.array([0.4, -0.7, 1.1])


def twists(angles):
    return np.array([[*SHIFT_M, *(np.array(axis) * angle)] for angle in angles for axis in AXES])


def generator_matrix(xi):
    out = np.zeros((4, 4))
    x, y, z = xi[3:]
    out[:3, :3] = [[0, -z, y], [z, 0, -x], [-y, x, 0]]
    out[:3, 3] = xi[:3]
    return out


bounded = st.floats(-3.0, 3.0, allow_subnormal=False)
any_twist = arrays(float, 6, elements=bounded).filter(lambda x: np.linalg.norm(x[3:]) < 3.1)


@pytest.mark.evidence
@pytest.mark.parametrize("angles", [TINY, ORDINARY, [*NEAR_HALF_TURN, np.pi]], ids=["tiny", "ordinary", "half-turn"])
def test_exp_is_the_matrix_exponential(angles):
    # Source: scipy.linalg.expm on the 4 x 4 generator, scipy Rotation.from_rotvec on the rotation alone.
    for xi in twists(angles):
        assert se3.exp(xi) == pytest.approx(scipy.linalg.expm(generator_matrix(xi)), abs=5e-15, rel=0)
        assert se3.exp_rotation(xi[3:]) == pytest.approx(Rotation.from_rotvec(xi[3:]).as_matrix(), abs=1e-15, rel=0)


@pytest.mark.parametrize("angle", TINY + ORDINARY + NEAR_HALF_TURN)
def test_log_takes_exp_back(angle):
    for xi in twists([angle]):
        # Near half a turn the digits that tell pi - gap from pi are those of a sine near zero.
        assert se3.log(se3.exp(xi)) == pytest.approx(xi, abs=5e-15, rel=1e-15)


def test_tiny_turns_keep_their_leading_digits():
    for angle in TINY[1:]:
        vectors = np.array(AXES) * angle
        assert se3.log_rotation(se3.exp_rotation(vectors)) == pytest.approx(vectors, rel=1e-12, abs=1e-12 * angle)


@pytest.mark.parametrize("axis", AXES)
def test_at_exactly_half_a_turn_log_gives_one_of_the_two_vectors(axis):
    axis = np.array(axis, dtype=float)
    axis /= np.linalg.norm(axis)
    exact = 2 * np.outer(axis, axis) - np.eye(3)
    vector = se3.log_rotation(exact)
    assert np.linalg.norm(vector) == pytest.approx(np.pi, abs=1e-14)
    assert se3.exp_rotation(vector) == pytest.approx(exact, abs=5e-15)


@pytest.mark.evidence
def test_log_rotation_agrees_with_scipy():
    # Source: scipy Rotation.as_rotvec.
    turns = Rotation.random(300, rng=np.random.default_rng(4))
    assert se3.log_rotation(turns.as_matrix()) == pytest.approx(turns.as_rotvec(), abs=1e-13)
    assert se3.rotation_angle(turns.as_matrix()) == pytest.approx(turns.magnitude(), abs=1e-13)


@given(any_twist, any_twist)
@settings(deadline=None, max_examples=80)
def test_inverse_undoes_and_reverses_order(first, second):
    A, B = se3.exp(first), se3.exp(second)
    assert se3.inverse(A) @ A == pytest.approx(np.eye(4), abs=1e-14)
    assert se3.inverse(se3.inverse(A)) == pytest.approx(A, abs=1e-14)
    assert se3.inverse(A @ B) == pytest.approx(se3.inverse(B) @ se3.inverse(A), abs=1e-13)
    assert se3.inverse(A) == pytest.approx(se3.exp(-first), abs=1e-13)


@given(any_twist, arrays(float, 6, elements=st.floats(-0.5, 0.5, allow_subnormal=False)))
@settings(deadline=None, max_examples=80)
def test_adjoint_carries_a_twist_through_a_transform(where, xi):
    T = se3.exp(where)
    assert T @ se3.exp(xi) @ se3.inverse(T) == pytest.approx(se3.exp(se3.adjoint(T) @ xi), abs=1e-12)


@given(any_twist, any_twist)
@settings(deadline=None, max_examples=50)
def test_adjoint_is_a_representation(first, second):
    A, B = se3.exp(first), se3.exp(second)
    assert se3.adjoint(A @ B) == pytest.approx(se3.adjoint(A) @ se3.adjoint(B), abs=1e-12)
    assert se3.adjoint(se3.inverse(A)) @ se3.adjoint(A) == pytest.approx(np.eye(6), abs=1e-12)


@pytest.mark.evidence
@pytest.mark.parametrize("angle", [*TINY, *ORDINARY, np.pi - 1e-2])
def test_left_jacobian_by_finite_differences(angle):
    """The columns of the left Jacobian are where exp takes unit shifts; they must be the derivative of the turn."""
    # Source: central differences on scipy Rotation: exp(w + h e_k) exp(w)^-1 = exp(h J e_k).
    step = 1e-6
    for axis in AXES:
        w = np.array(axis) * angle
        jacobian = np.stack([se3.exp([*unit, *w])[:3, 3] for unit in np.eye(3)], axis=1)
        back = Rotation.from_rotvec(w).inv()
        for k, unit in enumerate(np.eye(3)):
            ahead = (Rotation.from_rotvec(w + step * unit) * back).as_rotvec()
            behind = (Rotation.from_rotvec(w - step * unit) * back).as_rotvec()
            assert jacobian[:, k] == pytest.approx((ahead - behind) / (2 * step), abs=2e-9)


def test_batches_give_what_single_transforms_give():
    xi = twists([0.0, 1e-6, 0.7, np.pi - 1e-3]).reshape(4, 5, 6)
    batch = se3.exp(xi)
    points = np.random.default_rng(0).normal(size=(7, 3))
    assert batch.shape == (4, 5, 4, 4)
    for row, column in np.ndindex(4, 5):
        one = se3.exp(xi[row, column])
        assert (batch[row, column] == one).all()
        assert se3.log(batch)[row, column] == pytest.approx(se3.log(one), abs=1e-15)
        assert se3.inverse(batch)[row, column] == pytest.approx(np.linalg.inv(one), abs=1e-14)
        assert se3.adjoint(batch)[row, column] == pytest.approx(se3.adjoint(one), abs=1e-15)
        carried = (one @ np.append(points, np.ones((7, 1)), axis=1).T).T[:, :3]
        assert se3.apply(batch, points)[row, column] == pytest.approx(carried, abs=1e-14)


@pytest.mark.evidence
def test_quaternions_agree_with_scipy():
    # Source: scipy Rotation.as_quat(canonical=True), which is xyzw with w >= 0.
    turns = Rotation.random(300, rng=np.random.default_rng(5))
    wxyz = np.roll(turns.as_quat(canonical=True), 1, axis=1)
    assert se3.quaternion_wxyz(turns.as_matrix()) == pytest.approx(wxyz, abs=1e-14)
    assert se3.rotation_from_quaternion_wxyz(wxyz) == pytest.approx(turns.as_matrix(), abs=1e-14)
    assert se3.rotation_from_quaternion_wxyz(-3 * wxyz) == pytest.approx(turns.as_matrix(), abs=1e-14)


def test_nearest_rotation_cleans_a_rounded_matrix_and_leaves_a_rotation_alone():
    exact = Rotation.random(50, rng=np.random.default_rng(6)).as_matrix()
    assert se3.nearest_rotation(exact) == pytest.approx(exact, abs=1e-14)
    cleaned = se3.nearest_rotation(np.round(exact, 3))
    assert np.linalg.det(cleaned) == pytest.approx(np.ones(50), abs=1e-14)
    assert cleaned @ np.swapaxes(cleaned, 1, 2) == pytest.approx(np.broadcast_to(np.eye(3), (50, 3, 3)), abs=1e-14)
    assert cleaned == pytest.approx(exact, abs=1.5e-3)


@given(arrays(float, (3, 3), elements=st.floats(-1, 1, allow_subnormal=False)))
@settings(deadline=None, max_examples=60)
def test_nothing_that_is_a_rotation_is_nearer_than_the_nearest(matrix):
    nearest = se3.nearest_rotation(matrix)
    assert se3.orthogonality_error(nearest) < 1e-13
    distance = np.linalg.norm(nearest - matrix)
    for other in Rotation.random(20, rng=np.random.default_rng(1)).as_matrix():
        assert distance <= np.linalg.norm(other - matrix) + 1e-12


def test_orthogonality_error_tells_rotation_from_rounding_and_reflection():
    R = Rotation.from_rotvec([0.3, -0.2, 0.9]).as_matrix()
    assert se3.orthogonality_error(R) < 1e-15
    assert 1e-4 < se3.orthogonality_error(np.round(R, 3)) < 3e-3
    assert se3.orthogonality_error(R * 1.01) == pytest.approx(0.0201, abs=1e-6)
    assert se3.orthogonality_error(R @ np.diag([1, 1, -1])) == float("inf")
    assert se3.orthogonality_error(np.zeros((3, 3))) == float("inf")
