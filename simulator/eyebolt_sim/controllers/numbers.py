"""Habits of printing: a number as text, and the numbers of a pose as text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

# ---- one number


class NumberHabit(Protocol):
    """How a number is printed."""

    def text(self, value: float, decimals: int) -> str:
        """``value`` as text; ``decimals`` are those that the program wants."""


@dataclass(frozen=True)
class FixedDecimals:
    """As many decimals as wanted: ``512.300``."""

    def text(self, value: float, decimals: int) -> str:
        """See `NumberHabit`."""
        return f"{value:.{decimals}f}"

    def __str__(self) -> str:
        return "fixed decimals"


@dataclass(frozen=True)
class BlankPadded:
    """Fixed decimals in a field of ``width`` characters, blanks before the number."""

    width: int
    """characters of the field"""

    def text(self, value: float, decimals: int) -> str:
        """See `NumberHabit`."""
        return f"{value:{self.width}.{decimals}f}"

    def __str__(self) -> str:
        return f"numbers padded to {self.width} characters with blanks"


@dataclass(frozen=True)
class ShortestWithExponents:
    """Rounded as wanted, without trailing zeros, and with an exponent below 0.0001: ``0.5123``, ``1e-05``."""

    def text(self, value: float, decimals: int) -> str:
        """See `NumberHabit`."""
        return repr(round(value, decimals))

    def __str__(self) -> str:
        return "exponents such as 1e-05"


@dataclass(frozen=True)
class SignificantDigits:
    """So many significant digits, whatever is wanted, with an exponent below 0.0001."""

    digits: int
    """significant digits"""

    def text(self, value: float, decimals: int) -> str:
        """See `NumberHabit`."""
        return f"{value:.{self.digits}g}"

    def __str__(self) -> str:
        return f"{self.digits} significant digits"


@dataclass(frozen=True)
class WholeNumbers:
    """Numbers in a unit so small that no decimals are needed, such as 0.001 mm and 0.0001 deg."""

    def text(self, value: float, decimals: int) -> str:
        """See `NumberHabit`."""
        return str(round(value))

    def __str__(self) -> str:
        return "whole numbers"


@dataclass(frozen=True)
class SinglePrecision:
    """Numbers are kept in single precision before they are printed."""

    printed: NumberHabit
    """how they are then printed"""

    def text(self, value: float, decimals: int) -> str:
        """See `NumberHabit`."""
        return self.printed.text(float(np.float32(value)), decimals)

    def __str__(self) -> str:
        return f"{self.printed} in single precision"


# ---- a pose


class PoseHabit(Protocol):
    """How the numbers of a pose become text."""

    def parts(self, numbers: Sequence[str]) -> list[str]:
        """The pose in as many strings as the language makes of it; all together are its text."""


@dataclass(frozen=True)
class Separated:
    """Numbers with a separator between them."""

    separator: str
    """blank or comma"""

    def parts(self, numbers: Sequence[str]) -> list[str]:
        """See `PoseHabit`."""
        return [self.separator.join(numbers)]

    def __str__(self) -> str:
        return "pose with commas" if self.separator == "," else "pose with blanks"


@dataclass(frozen=True)
class Literal:
    """A pose literal of the language, with flags of the arm's configuration behind it: ``(1,2,3,4,5,6)(7,0)``."""

    opening: str
    """before the first number"""
    closing: str
    """after the last number"""
    flags: str = ""
    """what follows it"""

    def parts(self, numbers: Sequence[str]) -> list[str]:
        """See `PoseHabit`."""
        return [f"{self.opening}{','.join(numbers)}{self.closing}{self.flags}"]

    def __str__(self) -> str:
        return f"pose as `{self.opening}...{self.closing}{self.flags}`"


@dataclass(frozen=True)
class NestedLiteral:
    """A literal of groups, each printed into a string of its own: ``[[1,2,3],[1,0,0,0],[0,-1,0,1],[9E+09,9E+09]]``."""

    groups_behind: tuple[str, ...]
    """what follows lengths and rotation, such as flags and external axes"""

    def parts(self, numbers: Sequence[str]) -> list[str]:
        """See `PoseHabit`."""
        lengths, rotation = ",".join(numbers[:3]), ",".join(numbers[3:])
        return [f"[[{lengths}],", f"[{rotation}]", *(f",[{group}]" for group in self.groups_behind), "]"]

    def __str__(self) -> str:
        return f"pose as `[[...],[...]{''.join(f',[{group}]' for group in self.groups_behind)}]`"
