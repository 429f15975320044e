"""Replies as bytes: short lines that a controller with 80-character strings and single precision can parse."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from eyebolt.errors import InputFault
from eyebolt.protocol.codes import Code

TERMINATORS = (b"\n", b"\r", b"\r\n")
# Larger counts are printed as this: six digits survive single precision, and the line stays within 32 characters.
MAX_FIELD = 999_999

FormattedNumber = tuple[float, int]
"""A value and the number of its decimals."""


@dataclass(frozen=True)
class Reply:
    """One reply: ``code,seq,count,aux``, or with ``numbers`` ``code,seq,`` and those."""

    code: Code
    """Outcome of the request."""
    seq: int
    """The request's sequence number, 0 to MAX_FIELD."""
    count: int
    """Pairs kept."""
    aux: int
    """Pairs still wanted, unless the verb gives it another meaning."""
    numbers: tuple[FormattedNumber, ...] | None = None
    """Each with the decimals that its unit needs (``PoseFormat.decimals``); trailing zeros are not printed."""


def zero_numbers(number_count: int) -> tuple[FormattedNumber, ...]:
    """The numbers of an unsuccessful numbers reply: as many zeros as a successful one has numbers."""
    return ((0.0, 0),) * number_count


def printed_pose(fields: Sequence[float], decimals: Sequence[int]) -> tuple[FormattedNumber, ...]:
    """The numbers of a pose, in the controller's units, each with its decimals (``PoseFormat.decimals``).

    Raises InputFault ``reply-encoding`` if there are not as many numbers as decimals.
    """
    if len(fields) != len(decimals):
        raise _fault(f"a pose in this format has {len(decimals)} numbers, not {len(fields)}")
    return tuple((float(value), count) for value, count in zip(fields, decimals, strict=True))


def encode(reply: Reply, bracketed: bool, terminator: bytes) -> bytes:
    """The reply's line with its ending; in round brackets if ``bracketed``.

    Raises InputFault ``reply-encoding`` for a field out of range, a number that is not finite or an invalid ending.
    Count and aux above MAX_FIELD are printed as MAX_FIELD.
    """
    if terminator not in TERMINATORS:
        raise _fault(f"{terminator!r} is not a line ending")
    if min(reply.code, reply.seq, reply.count, reply.aux) < 0 or reply.code > 99 or reply.seq > MAX_FIELD:
        raise _fault(f"{reply} has a field out of range")
    if reply.numbers is None:
        rest = [str(min(reply.count, MAX_FIELD)), str(min(reply.aux, MAX_FIELD))]
    else:
        rest = [_decimal(value, decimals) for value, decimals in reply.numbers]
    text = ",".join([str(int(reply.code)), str(reply.seq), *rest])
    return (f"({text})" if bracketed else text).encode("ascii") + terminator


def _decimal(value: float, decimals: int) -> str:
    """``value`` without exponent, trailing zeros or the sign of a zero."""
    if not math.isfinite(value) or not 0 <= decimals <= 9:
        raise _fault(f"{value} cannot be printed with {decimals} decimals")
    text = f"{value:.{decimals}f}"
    if decimals:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _fault(message: str) -> InputFault:
    return InputFault(
        "reply-encoding", f"a reply cannot be written: {message}", "this is a defect of the daemon: report it."
    )
