"""What one line with a pose may mean: the lines of controllers, read back to the poses that they were written from."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.errors import InputFault
from eyebolt.geometry import PoseFormat, describe_direction, describe_pose, numbers_in, possible_readings

ROTATION = Rotation.from_euler("ZYX", [137.0, 24.0, 163.0], degrees=True)
POSITION_MM = np.array([445.25, -120.5, 790.125])


def written(kind, unit="deg"):
    """The rotation numbers of ROTATION by SciPy, not by the product."""
    if kind == "rotation-vector":
        return ROTATION.as_rotvec(degrees=unit == "deg")
    if kind.startswith("quaternion"):
        x, y, z, w = ROTATION.as_quat()
        return np.array([w, x, y, z] if kind == "quaternion-wxyz" else [x, y, z, w])
    return ROTATION.as_euler(kind.removeprefix("euler-"), degrees=unit == "deg")


# Literals of poses as the languages of robot_scripts print them, from memory of these languages.
LINES = [
    ("[[{0},{1},{2}],[{3},{4},{5},{6}],[1,0,0,0],[9E9,9E9,9E9,9E9,9E9,9E9]]", "quaternion-wxyz", "deg", "mm"),
    ("{{X {0}, Y {1}, Z {2}, A {3}, B {4}, C {5}, S 2, T 35}}", "euler-ZYX", "deg", "mm"),
    (
        "N U T, 0, 0, 0  X = {0} mm Y = {1} mm Z = {2} mm W = {3} deg P = {4} deg R = {5} deg",
        "euler-xyz",
        "deg",
        "mm",
    ),
    ("p[{0}, {1}, {2}, {3}, {4}, {5}]", "rotation-vector", "rad", "m"),
    ("X:{0} Y:{1} Z:{2} Rx:{3} Ry:{4} Rz:{5}", "euler-XYZ", "deg", "mm"),
    ("{0} {1} {2} {3} {4} {5}", "euler-ZYZ", "deg", "mm"),
    ("capture 17 {0} {1} {2} {3} {4} {5} j 1 2 3 4 5 6", "euler-ZYX", "deg", "mm"),
]


@pytest.mark.parametrize(("line", "kind", "angle", "length"), LINES)
def test_the_true_reading_is_among_few(line, kind, angle, length):
    lengths = POSITION_MM * {"mm": 1.0, "m": 1e-3}[length]
    text = line.format(*(f"{number:.5f}" for number in (*lengths, *written(kind, angle))))
    readings = possible_readings(numbers_in(text))
    assert len(readings) <= 6
    true = [r for r in readings if r.pose_format.rotation == kind and r.pose_format.length == length]
    true = [r for r in true if kind.startswith("quaternion") or r.pose_format.angle == angle]
    assert len(true) == 1
    assert true[0].base_T_flange[:3, 3] == pytest.approx(POSITION_MM / 1e3, abs=1e-5)
    assert true[0].base_T_flange[:3, :3] == pytest.approx(ROTATION.as_matrix(), abs=1e-4)
    # What is told apart is also described differently: otherwise nobody could choose.
    words = [describe_pose(r.base_T_flange) for r in readings]
    assert len(set(words)) == len(words)


def test_whole_numbers_of_a_micrometre_and_a_ten_thousandth_of_a_degree():
    numbers = [*np.round(POSITION_MM * 1e3), *np.round(written("euler-xyz") * 1e4)]
    formats = [r.pose_format for r in possible_readings(numbers)]
    assert PoseFormat("um", "euler-xyz", "1e-4deg") in formats
    assert {f.length for f in formats} == {"um"}
    assert {f.angle for f in formats} == {"1e-4deg"}


def test_an_arm_with_a_vertical_axis_has_one_angle():
    assert [r.pose_format for r in possible_readings([300, 100, 50, 45])] == [PoseFormat("mm", "angle-z", "deg")]
    formats = {r.pose_format.rotation for r in possible_readings([300, 100, 50, 45, 0, 180], has_one_angle=True)}
    assert "angle-z" in formats
    units = [r.pose_format.angle for r in possible_readings([0.3, 0.1, 0.05, 1.5])]
    assert units == ["deg", "rad"]


def test_formats_that_a_pose_does_not_tell_apart_are_one_reading():
    """Half turns and one small tilt: the moving and the fixed axes give the same pose."""
    first, *_ = possible_readings(numbers_in("445 0 790 180 10 180"))
    assert {f.rotation for f in (first.pose_format, *first.alike)} == {"euler-ZYX", "euler-xyz", "euler-XYZ"}


@pytest.mark.parametrize(
    "line",
    [
        "",
        "no numbers",
        "1 2 3",
        "J1 10 J2 20 J3 30",
        "366,613 8,393 166,663 10,00 20,00 30,00",
        "0 0 0 1 0 0 0",
        "9e9 0 0 1 2 3",
    ],
)
def test_lines_that_are_no_pose_of_an_arm(line):
    with pytest.raises(InputFault) as caught:
        possible_readings(numbers_in(line))
    assert caught.value.code == "pose-line"


@pytest.mark.parametrize(
    ("direction", "words"),
    [
        ([0, 0, -2], "down"),
        ([0, 0.01, 1], "up"),
        ([-1, 0, 0], "along base -x"),
        ([0, np.sin(np.deg2rad(20)), -np.cos(np.deg2rad(20))], "down, tilted 20 deg towards base +y"),
        ([0.6, 0, 0.4], "along base +x, tilted 34 deg towards up"),
    ],
)
def test_directions_in_words(direction, words):
    assert describe_direction(np.array(direction, dtype=float)) == words
