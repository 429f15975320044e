"""Replies as bytes: short lines that a controller with 80-character strings and single precision can take apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from eyebolt.errors import InputFault
from eyebolt.geometry import PoseFormat

TERMINATORS = (b"\n", b"\r", b"\r\n")
MAX_COUNT_REPLY_CHARACTERS = 32
# Larger counts are printed as this: six digits survive single precision and keep the line within 32 characters.
MAX_FIELD = 999_999

# One step of the last digit is at most 1 um, or 4 um at the end of a 2 m arm.
LENGTH_DECIMALS = {"mm": 3, "m": 6, "um": 0}
ANGLE_DECIMALS = {"deg": 4, "rad": 6, "1e-4deg": 0}
QUATERNION_DECIMALS = 6

FormattedNumber = tuple[float, int]


@dataclass(frozen=True)
class Reply:
    """One answer. ``numbers`` makes it ``code,seq,`` and the numbers, else it is ``code,seq,count,aux``.

    Each number is a pair (value, decimals): how many decimals are worth printing depends on its unit, which the
    caller knows (see ``format_pose_numbers`` and LENGTH_DECIMALS); zeros at the end are not printed.
    """

    code: int
    seq: int
    count: int
    aux: int
    numbers: tuple[FormattedNumber, ...] | None = None


def zero_numbers(number_count: int) -> tuple[FormattedNumber, ...]:
    """The numbers of a numbers reply that failed: as many zeros as a good one has numbers."""
    return ((0.0, 0),) * number_count


def format_pose_numbers(fields: Sequence[float], pose_format: PoseFormat) -> tuple[FormattedNumber, ...]:
    """``fields`` (reading.field_count numbers in the controller's units) with the decimals that their units need."""
    if len(fields) != pose_format.field_count:
        raise _fault(
            f"a pose written as {pose_format.rotation} has {pose_format.field_count} numbers, not {len(fields)}"
        )
    quaternion = pose_format.rotation.startswith("quaternion")
    turn = QUATERNION_DECIMALS if quaternion else ANGLE_DECIMALS[pose_format.angle]
    length = LENGTH_DECIMALS[pose_format.length]
    return tuple((float(value), length if index < 3 else turn) for index, value in enumerate(fields))


def format_point_numbers(point: Sequence[float], length: str) -> tuple[FormattedNumber, ...]:
    """A point's coordinates, already in the unit ``length`` (a key of LENGTH_DECIMALS), with their decimals."""
    return tuple((float(value), LENGTH_DECIMALS[length]) for value in point)


def encode(reply: Reply, bracketed: bool, terminator: bytes) -> bytes:
    """The reply's line with its ending; in round brackets if ``bracketed``.

    Raises InputFault ``reply`` for a negative field, a number that is not finite or an ending that is none. Count and
    aux above MAX_FIELD are printed as MAX_FIELD.
    """
    if terminator not in TERMINATORS:
        raise _fault(f"{terminator!r} ends no line")
    if min(reply.code, reply.seq, reply.count, reply.aux) < 0 or reply.code > 99 or reply.seq > MAX_FIELD:
        raise _fault(f"{reply} has a field out of range")
    if reply.numbers is None:
        rest = [str(min(reply.count, MAX_FIELD)), str(min(reply.aux, MAX_FIELD))]
    else:
        rest = [_decimal(value, decimals) for value, decimals in reply.numbers]
    text = ",".join([str(reply.code), str(reply.seq), *rest])
    return (f"({text})" if bracketed else text).encode("ascii") + terminator


def _decimal(value: float, decimals: int) -> str:
    """``value`` without exponent, without zeros at the end and without the sign of a zero."""
    if not math.isfinite(value) or not 0 <= decimals <= 9:
        raise _fault(f"{value} cannot be printed with {decimals} decimals")
    text = f"{value:.{decimals}f}"
    if decimals:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _fault(message: str) -> InputFault:
    return InputFault("reply", f"a reply cannot be written: {message}", "this is a defect of the daemon: report it.")
