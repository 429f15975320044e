"""Replies as bytes: form, length, printed numbers, and the code table."""

import itertools
import math
from decimal import Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from eyebolt.errors import InputFault
from eyebolt.geometry.pose_format import LENGTH_UNITS_M, ROTATION_KINDS, PoseFormat
from eyebolt.protocol.codes import Code
from eyebolt.protocol.replies import Reply, encode, printed_pose, zero_numbers


@pytest.mark.parametrize(
    ("reply", "bracketed", "terminator", "line"),
    [
        (Reply(0, 12, 5, 3), False, b"\n", b"0,12,5,3\n"),
        (Reply(0, 12, 5, 3), False, b"\r", b"0,12,5,3\r"),
        (Reply(10, 0, 0, 8), True, b"\r\n", b"(10,0,0,8)\r\n"),
        (Reply(0, 3, 9, 2_000_000), False, b"\n", b"0,3,9,999999\n"),
        (Reply(36, 4, 9, 0, zero_numbers(7)), False, b"\n", b"36,4,0,0,0,0,0,0,0\n"),
        (Reply(45, 4, 9, 0, zero_numbers(3)), True, b"\r", b"(45,4,0,0,0)\r"),
        (Reply(0, 4, 9, 0, ((-0.0001, 3), (1e-7, 6), (-12.5, 3))), False, b"\n", b"0,4,0,0,-12.5\n"),
        (Reply(0, 4, 9, 0, ((1e6, 3), (123456789.0, 0), (100.0, 0))), False, b"\n", b"0,4,1000000,123456789,100\n"),
        (Reply(0, 4, 9, 0, ((0.70710678, 6), (1 / 3, 3), (2e-5, 6))), False, b"\n", b"0,4,0.707107,0.333,0.00002\n"),
    ],
)
def test_encoding(reply, bracketed, terminator, line):
    assert encode(reply, bracketed, terminator) == line


fields = st.integers(0, 10**9)


@given(st.integers(0, 99), st.integers(0, 999_999), fields, fields, st.booleans())
def test_count_replies_are_four_integers_in_32_characters(code, seq, count, aux, bracketed):
    line = encode(Reply(code, seq, count, aux), bracketed, b"\n").decode("ascii")
    assert line.endswith("\n")
    text = line[:-1]
    assert len(text) <= 32
    assert (text[0], text[-1]) == ("(", ")") if bracketed else text[0].isdigit()
    numbers = [int(part) for part in text.strip("()").split(",")]
    assert numbers == [code, seq, min(count, 999_999), min(aux, 999_999)]


@given(st.floats(-1e9, 1e9), st.integers(0, 9))
@example(128.47265625, 7)
def test_numbers_are_plain_decimals_that_parse_back(value, decimals):
    text = encode(Reply(0, 1, 0, 0, ((value, decimals),)), False, b"\n").decode("ascii").strip().split(",")[2]
    assert set(text) <= set("-.0123456789")
    assert text not in ("-0", "")
    assert not text.endswith(".")
    # In exact decimals: floats cannot tell half a step from a little more.
    assert abs(Decimal(text) - Decimal(value)) <= Decimal(5).scaleb(-decimals - 1)


@pytest.mark.parametrize("rotation", ROTATION_KINDS)
def test_a_pose_reply_fits_80_characters_and_keeps_what_an_arm_can_use(rotation):
    for length, angle in itertools.product(["mm", "m", "um"], ["deg", "rad", "1e-4deg"]):
        assert_fits_and_is_fine_enough(PoseFormat(length, rotation, angle))


def assert_fits_and_is_fine_enough(pose_format):
    lengths_m = (-3.123456, -2.654321, 1.000001)
    unit_m = {"mm": 1e-3, "m": 1.0, "um": 1e-6}[pose_format.length]
    turn_unit = {"deg": math.pi / 180, "rad": 1.0, "1e-4deg": math.pi / 180 * 1e-4}[pose_format.angle]
    quaternion = pose_format.rotation.startswith("quaternion")
    turns = [-0.12345678] * 4 if quaternion else [-3.0000012 / turn_unit] * (pose_format.field_count - 3)
    values = [value_m / unit_m for value_m in lengths_m] + turns
    line = encode(Reply(0, 999_999, 0, 0, printed_pose(values, pose_format.decimals)), True, b"\n")[:-1]
    assert len(line) <= 80
    printed = [float(part) for part in line.decode().strip("()").split(",")[2:]]
    assert len(printed) == pose_format.field_count
    for got, wanted in zip(printed[:3], values[:3], strict=True):
        assert abs(got - wanted) * unit_m <= 0.6e-6
    for got, wanted in zip(printed[3:], turns, strict=True):
        assert abs(got - wanted) * (1 if quaternion else turn_unit) <= 1e-6


@pytest.mark.parametrize(
    ("reply", "terminator"),
    [
        (Reply(0, -1, 0, 0), b"\n"),
        (Reply(0, 1, 0, -2), b"\n"),
        (Reply(100, 1, 0, 0), b"\n"),
        (Reply(0, 1_000_000, 0, 0), b"\n"),
        (Reply(0, 1, 0, 0), b""),
        (Reply(0, 1, 0, 0, ((math.nan, 3),)), b"\n"),
        (Reply(0, 1, 0, 0, ((math.inf, 3),)), b"\n"),
        (Reply(0, 1, 0, 0, ((1.0, -1),)), b"\n"),
    ],
)
def test_an_invalid_reply_is_refused(reply, terminator):
    with pytest.raises(InputFault) as caught:
        encode(reply, False, terminator)
    assert caught.value.code == "reply-encoding"


def test_a_pose_of_the_wrong_length_is_refused():
    with pytest.raises(InputFault):
        printed_pose((1, 2, 3, 4), PoseFormat("mm", "quaternion-wxyz", "deg").decimals)


def test_the_table_of_codes_is_complete_and_short_enough_for_a_pendant():
    assert list(Code) == [0, 1, 2, 3, 10, *range(20, 30), *range(30, 39), *range(40, 48)]
    assert len({code.message for code in Code}) == len(Code)
    for code in Code:
        assert 0 < len(code.message) <= 30
        assert code.remedy.endswith(".")
        assert len(code.remedy) <= 100


def test_properties_of_codes():
    assert [code for code in Code if code.is_success] == [0, 1, 2, 3]
    assert [code for code in Code if code.is_advice] == [1, 2, 3]
    assert [code for code in Code if code.keeps_pair] == [0, 1, 2, 3, 37]
    assert [code for code in Code if not code.is_final] == [10]
    assert [code for code in Code if code.is_refusal] == list(range(20, 30))
    assert [code for code in Code if code.is_stop] == list(range(30, 39))
    assert [code for code in Code if code.ends_program] == [3, *range(30, 39)]
    assert [code for code in Code if code.is_line_fault] == list(range(40, 48))


def test_a_code_of_a_later_version_has_the_properties_of_its_range():
    assert Code(7).is_advice
    assert Code(29 + 10).is_stop
    assert Code(99).name == "UNKNOWN_99"
    assert Code(99).message
    for number in (-1, 100):
        with pytest.raises(ValueError, match=str(number)):
            Code(number)


@pytest.mark.parametrize("length", ["mm", "m", "um"])
@pytest.mark.parametrize("rotation", ["quaternion-wxyz", "rotation-vector", "euler-ZYX"])
def test_any_two_numbers_of_a_result_fit_32_characters(length, rotation):
    # Ten metres, and half turns: beyond any cell.
    decimals = PoseFormat(length, rotation, "deg").decimals
    largest = [-9.999999 / LENGTH_UNITS_M[length]] * 3 + [-179.9999] * (len(decimals) - 3)
    printed = printed_pose(largest, decimals)
    for first in range(len(printed) - 1):
        assert len(encode(Reply(Code.OK, 999_999, 0, 0, printed[first : first + 2]), True, b"\n").rstrip()) <= 32
