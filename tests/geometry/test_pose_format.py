"""How controllers write a pose: every convention against two libraries that nobody here wrote."""

import math

import numpy as np
import pytest
from pytransform3d import batch_rotations as other_batch
from pytransform3d import rotations as other
from scipy.spatial.transform import Rotation

from eyebolt.errors import InputFault
from eyebolt.geometry import se3 as se3
from eyebolt.geometry.pose_format import ANGLE_UNITS_RAD, EULER_KINDS, LENGTH_UNITS_M, ROTATION_KINDS, PoseFormat

SHIFT_MM = [512.25, -31.5, 840.125]


def turn_of(pose_format, numbers):
    return pose_format.to_matrix([*SHIFT_MM, *numbers])[:3, :3]


def test_every_sequence_of_both_kinds_is_offered():
    letters = [kind.removeprefix("euler-") for kind in EULER_KINDS]
    assert len(set(letters)) == 24
    assert sum(sequence.isupper() for sequence in letters) == sum(sequence.islower() for sequence in letters) == 12
    assert len(ROTATION_KINDS) == 28


@pytest.mark.evidence
@pytest.mark.parametrize("kind", EULER_KINDS)
def test_euler_angles_against_scipy_and_pytransform3d(kind):
    letters = kind.removeprefix("euler-")
    axes = ["xyz".index(letter) for letter in letters.lower()]
    generator = np.random.default_rng(7)
    for angles in [*generator.uniform(-180, 180, (25, 3)), (10, 20, 30), (0, 0, 0), (90, 90, 90), (-180, 45, 180)]:
        ours = turn_of(PoseFormat("mm", kind, "deg"), angles)
        # Source: scipy Rotation.from_euler, capitals intrinsic, small letters extrinsic.
        assert ours == pytest.approx(Rotation.from_euler(letters, angles, degrees=True).as_matrix(), abs=1e-14)
        # Source: pytransform3d.rotations.matrix_from_euler.
        theirs = other.matrix_from_euler(np.deg2rad(angles), *axes, extrinsic=letters.islower())
        assert ours == pytest.approx(theirs, abs=1e-14)


@pytest.mark.evidence
def test_published_values_of_one_rotation():
    # Source: scipy Rotation and pytransform3d agree on these digits for extrinsic xyz 10/20/30 deg.
    fixed_axes = turn_of(PoseFormat("mm", "euler-xyz", "deg"), [10, 20, 30])
    moving_axes = turn_of(PoseFormat("mm", "euler-ZYX", "deg"), [30, 20, 10])
    assert fixed_axes == pytest.approx(moving_axes, abs=1e-15)
    pose = se3.compose_parts(fixed_axes, [0, 0, 0])
    xyzw = PoseFormat("mm", "quaternion-xyzw").to_fields(pose)[3:]
    assert xyzw == pytest.approx([0.038135, 0.189308, 0.239298, 0.951549], abs=5e-7)
    assert PoseFormat("mm", "quaternion-wxyz").to_fields(pose)[3:] == [xyzw[3], *xyzw[:3]]
    mistaken = turn_of(PoseFormat("mm", "euler-XYZ", "deg"), [10, 20, 30])
    assert np.rad2deg(se3.rotation_angle(mistaken.T @ fixed_axes)) == pytest.approx(11.974, abs=5e-4)


@pytest.mark.evidence
def test_quaternions_and_rotation_vectors_against_both_libraries():
    for seed in range(30):
        turn = Rotation.random(rng=np.random.default_rng(seed))
        # Source: scipy as_quat is xyzw; pytransform3d.quaternion_from_matrix is wxyz.
        xyzw, wxyz = turn.as_quat(), other.quaternion_from_matrix(turn.as_matrix())
        assert turn_of(PoseFormat("mm", "quaternion-xyzw"), xyzw) == pytest.approx(turn.as_matrix(), abs=1e-14)
        assert turn_of(PoseFormat("mm", "quaternion-wxyz"), wxyz) == pytest.approx(turn.as_matrix(), abs=1e-14)
        vector = other.compact_axis_angle_from_matrix(turn.as_matrix())
        assert turn_of(PoseFormat("m", "rotation-vector", "rad"), vector) == pytest.approx(turn.as_matrix(), abs=1e-13)


# Distances from a singular triple, rad: within 1e-7 SciPy does not separate the first and the third angle.
NEAR_SINGULAR_RAD = (0.0, 1e-15, 1e-12, 1e-10, 2e-7, 1e-5, 1e-3)


def random_and_singular_numbers(kind, count):
    """(count, 1, 3 or 4): numbers of rotations in this form, in rad; every other one is singular or nearly so."""
    generator = np.random.default_rng(count)
    if kind.startswith("quaternion"):
        quaternions = Rotation.random(count, rng=generator).as_quat()
        # Half turns, and the identity.
        quaternions[::2, generator.integers(4)] = 0.0
        return quaternions / np.linalg.norm(quaternions, axis=-1, keepdims=True)
    if kind == "angle-z":
        return generator.uniform(-math.pi, math.pi, (count, 1))
    near = generator.choice(NEAR_SINGULAR_RAD, count) * generator.choice([-1, 1], count)
    if kind == "rotation-vector":
        axes = generator.normal(size=(count, 3))
        angles = generator.uniform(0, math.pi, count)
        angles[::2] = generator.choice([0.0, math.pi], count)[::2] + near[::2]
        return axes / np.linalg.norm(axes, axis=-1, keepdims=True) * angles[:, None]
    letters = kind.removeprefix("euler-")
    angles = generator.uniform(-math.pi, math.pi, (count, 3))
    singular = (0.0, math.pi) if letters[0] == letters[2] else (math.pi / 2, -math.pi / 2)
    angles[::2, 1] = generator.choice(singular, count)[::2] + near[::2]
    return angles


def matrices_of_both_libraries(kind, numbers):
    """(n, 3, 3) each, by SciPy and by pytransform3d."""
    if kind.startswith("quaternion"):
        xyzw = numbers if kind.endswith("xyzw") else np.roll(numbers, -1, axis=-1)
        theirs = other_batch.matrices_from_quaternions(np.roll(xyzw, 1, axis=-1))
        return Rotation.from_quat(xyzw).as_matrix(), theirs
    if kind == "rotation-vector":
        theirs = other_batch.matrices_from_compact_axis_angles(numbers)
        return Rotation.from_rotvec(numbers).as_matrix(), theirs
    if kind == "angle-z":
        theirs = other_batch.active_matrices_from_angles(2, numbers[:, 0])
        return Rotation.from_euler("z", numbers).as_matrix(), theirs
    letters = kind.removeprefix("euler-")
    first, second, third = ("xyz".index(letter) for letter in letters.lower())
    if letters.islower():
        theirs = other_batch.active_matrices_from_extrinsic_euler_angles(first, second, third, numbers)
    else:
        theirs = other_batch.active_matrices_from_intrinsic_euler_angles(first, second, third, numbers)
    return Rotation.from_euler(letters, numbers).as_matrix(), theirs


@pytest.mark.evidence
@pytest.mark.parametrize("kind", ROTATION_KINDS)
def test_ten_thousand_rotations_are_read_as_both_libraries_read_them(kind):
    numbers = random_and_singular_numbers(kind, 10_000)
    ours = PoseFormat("m", kind, "rad").to_matrices(np.column_stack([np.zeros((len(numbers), 3)), numbers]))
    # Source: scipy Rotation and pytransform3d.batch_rotations.
    for theirs in matrices_of_both_libraries(kind, numbers):
        assert np.abs(ours[:, :3, :3] - theirs).max() < 1e-12


@pytest.mark.evidence
@pytest.mark.parametrize("kind", ROTATION_KINDS)
def test_what_is_written_is_the_same_rotation_to_both_libraries(kind):
    pose_format = PoseFormat("m", kind, "rad")
    wanted, _ = matrices_of_both_libraries(kind, random_and_singular_numbers(kind, 60))
    written = np.array([pose_format.to_fields(se3.compose_parts(turn, np.zeros(3))) for turn in wanted])
    for theirs in matrices_of_both_libraries(kind, written[:, 3:]):
        errors = np.abs(theirs - wanted).max(axis=(1, 2))
        # Even ones are at a singular triple or near it.
        assert errors[1::2].max() < 1e-12
        assert errors[::2].max() < 1e-9


@pytest.mark.parametrize("kind", EULER_KINDS)
def test_within_a_ten_millionth_of_a_singular_triple_its_nearest_is_written(kind):
    letters = kind.removeprefix("euler-")
    middle = (0.0 if letters[0] == letters[2] else math.pi / 2) + 9e-8
    wanted = Rotation.from_euler(letters, [1.0, middle, -2.0]).as_matrix()
    fields = PoseFormat("m", kind, "rad").to_fields(se3.compose_parts(wanted, np.zeros(3)))
    # 0.2 um at 1 m, a fifth of the last printed digit.
    assert np.abs(Rotation.from_euler(letters, fields[3:]).as_matrix() - wanted).max() < 2e-7


@pytest.mark.parametrize("kind", ROTATION_KINDS)
@pytest.mark.parametrize(("length", "angle"), list(zip(LENGTH_UNITS_M, ANGLE_UNITS_RAD, strict=True)))
def test_what_is_written_reads_back(kind, length, angle):
    pose_format = PoseFormat(length, kind, angle)
    turns = Rotation.random(12, rng=np.random.default_rng(3))
    if kind == "angle-z":
        turns = Rotation.from_rotvec(np.outer(np.linspace(-3.1, 3.1, 12), [0, 0, 1]))
    for turn in turns:
        pose = se3.compose_parts(turn.as_matrix(), [0.51225, -0.0315, 0.840125])
        fields = pose_format.to_fields(pose)
        assert len(fields) == pose_format.field_count
        assert pose_format.to_matrix(fields) == pytest.approx(pose, abs=1e-13)


@pytest.mark.parametrize("kind", EULER_KINDS)
def test_singular_triples_read_back_with_the_third_angle_zero(kind):
    letters = kind.removeprefix("euler-")
    middles = (0.0, 180.0) if letters[0] == letters[2] else (90.0, -90.0)
    pose_format = PoseFormat("mm", kind, "deg")
    for middle in middles:
        for first, third in [(20.0, 35.0), (-170.0, 80.0), (0.0, 0.0)]:
            turn = Rotation.from_euler(letters, [first, middle, third], degrees=True).as_matrix()
            pose = se3.compose_parts(turn, [0.1, 0.2, 0.3])
            fields = pose_format.to_fields(pose)
            assert pose_format.to_matrix(fields) == pytest.approx(pose, abs=1e-8)
            assert fields[5] == 0.0
            assert abs(fields[4]) == pytest.approx(abs(middle), abs=1e-4)


def test_units_mean_what_they_say():
    # Pulses of 0.001 mm and 0.0001 deg, as controllers without decimals send them.
    pose = PoseFormat("um", "euler-xyz", "1e-4deg").to_matrix([512250, -31500, 840125, 900000, 0, 0])
    assert pose[:3, 3] == pytest.approx([0.51225, -0.0315, 0.840125], abs=1e-15)
    assert pose[:3, :3] == pytest.approx(np.array([[1, 0, 0], [0, 0, -1], [0, 1, 0]]), abs=1e-15)
    assert PoseFormat("m", "rotation-vector", "rad").to_matrix([1, 2, 3, 0, 0, math.pi / 2])[:3, 0] == pytest.approx(
        [0, 1, 0], abs=1e-15
    )
    upright = PoseFormat("mm", "angle-z", "deg").to_matrix([1, 2, 3, -30.0])
    assert upright[:3, :3] == pytest.approx(Rotation.from_euler("z", -30, degrees=True).as_matrix(), abs=1e-15)


def test_single_precision_and_six_digits_lose_no_more_than_they_must():
    for kind in ROTATION_KINDS:
        pose_format = PoseFormat("mm", kind, "deg")
        turn = Rotation.from_euler("z", 33.3, degrees=True) if kind == "angle-z" else Rotation.from_rotvec([0.4, 1, -2])
        pose = se3.compose_parts(turn.as_matrix(), [0.5, -0.03, 0.8])
        for printed in (
            [float(np.float32(v)) for v in pose_format.to_fields(pose)],
            np.round(pose_format.to_fields(pose), 5),
        ):
            back = pose_format.to_matrix(printed)
            assert np.rad2deg(se3.rotation_angle(back[:3, :3].T @ pose[:3, :3])) < 2e-3
            assert back[:3, 3] == pytest.approx(pose[:3, 3], abs=1e-7)


@pytest.mark.parametrize("kind", ROTATION_KINDS)
def test_a_wrong_count_is_refused_with_the_right_one(kind):
    pose_format = PoseFormat("mm", kind, "deg")
    for count in {0, pose_format.field_count - 1, pose_format.field_count + 1, 2 * pose_format.field_count}:
        with pytest.raises(InputFault, match=f"has {pose_format.field_count} numbers, this one has {count}") as caught:
            pose_format.to_matrix([0.1] * count)
        assert caught.value.code == "pose-numbers"
        assert caught.value.data["count"] == count


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("kind", ["quaternion-wxyz", "rotation-vector", "euler-ZYZ", "angle-z"])
def test_numbers_that_are_not_finite_are_refused(kind, bad):
    pose_format = PoseFormat("mm", kind, "deg")
    for place in range(pose_format.field_count):
        fields = [1.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0][: pose_format.field_count]
        fields[place] = bad
        with pytest.raises(InputFault, match="not finite") as caught:
            pose_format.to_matrix(fields)
        assert caught.value.code == "pose-numbers"


@pytest.mark.parametrize("kind", ["quaternion-wxyz", "quaternion-xyzw"])
@pytest.mark.parametrize("numbers", [(0, 0, 0, 0), (10, 20, 30, 0), (0.5, 0.5, 0.5, 0.0), (0.55, 0.55, 0.55, 0.55)])
def test_four_numbers_that_are_no_quaternion_are_refused(kind, numbers):
    with pytest.raises(InputFault, match="a quaternion has 1") as caught:
        turn_of(PoseFormat("mm", kind), numbers)
    assert caught.value.data["norm"] == pytest.approx(np.linalg.norm(numbers))


def test_a_rounded_quaternion_is_a_rotation_all_the_same():
    turn = turn_of(PoseFormat("mm", "quaternion-wxyz"), [0.952, 0.038, 0.189, 0.239])
    assert se3.orthogonality_error(turn) < 1e-15
