"""Habits of strings and sockets: what becomes of a text that a program sends, and how it reads a reply."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from eyebolt.errors import InputFault, MachineFault

CR, LF, NUL = b"\r", b"\n", b"\0"

# ---- strings


class StringHabit(Protocol):
    """How a program puts a line together: in how many strings, which hold how many characters."""

    def strings(self, parts: Sequence[str], ending: bytes) -> list[bytes]:
        """What the program hands to its socket, one call each. Raises InputFault ``sim-string`` if a string is full."""


@dataclass(frozen=True)
class OneString:
    """The whole line in one string variable; its ending does not count."""

    characters: int
    """characters that the variable holds"""

    def strings(self, parts: Sequence[str], ending: bytes) -> list[bytes]:
        """See `StringHabit`."""
        return [_encoded("".join(parts), self.characters) + ending]

    def __str__(self) -> str:
        return f"strings of {self.characters} characters"


@dataclass(frozen=True)
class StringPerPart:
    """Each part of the line is sent by itself, and the ending as well: nothing else would add one."""

    characters: int
    """characters that a string variable holds"""

    def strings(self, parts: Sequence[str], ending: bytes) -> list[bytes]:
        """See `StringHabit`."""
        return [*(_encoded(part, self.characters) for part in parts), ending]

    def __str__(self) -> str:
        return f"a line in several sends, strings of {self.characters} characters"


def _encoded(text: str, characters: int) -> bytes:
    if len(text) > characters:
        raise InputFault(
            "sim-string",
            f"the line {text!r} has {len(text)} characters, and a string of this controller holds {characters}",
            "print the numbers of a pose with fewer decimals.",
        )
    return text.encode("ascii")


# ---- padding


class PaddingHabit(Protocol):
    """What is added to a string when it is sent."""

    def padded(self, string: bytes) -> bytes:
        """The bytes that are sent."""


@dataclass(frozen=True)
class Unpadded:
    """The string as it is."""

    def padded(self, string: bytes) -> bytes:
        """See `PaddingHabit`."""
        return string

    def __str__(self) -> str:
        return ""


@dataclass(frozen=True)
class NulTerminated:
    """The string with the NUL byte that ends it in memory."""

    def padded(self, string: bytes) -> bytes:
        """See `PaddingHabit`."""
        return string + NUL

    def __str__(self) -> str:
        return "a NUL byte behind each line"


@dataclass(frozen=True)
class NulPadded:
    """The whole buffer of the string, NUL bytes behind its end."""

    size_bytes: int
    """size of the buffer"""

    def padded(self, string: bytes) -> bytes:
        """See `PaddingHabit`."""
        return string.ljust(self.size_bytes, NUL)

    def __str__(self) -> str:
        return f"lines padded to {self.size_bytes} bytes with NUL"


# ---- output


class OutputHabit(Protocol):
    """When bytes leave the controller."""

    def released(self, pending: bytes) -> int:
        """How many of the ``pending`` bytes leave when the program has sent something."""

    def released_by_reading(self, pending: bytes) -> int:
        """How many of them leave when the program begins to read."""


@dataclass(frozen=True)
class AtOnce:
    """Each string leaves by itself."""

    def released(self, pending: bytes) -> int:
        """See `OutputHabit`."""
        return len(pending)

    def released_by_reading(self, pending: bytes) -> int:
        """See `OutputHabit`."""
        return len(pending)

    def __str__(self) -> str:
        return ""


@dataclass(frozen=True)
class HeldUntilCr:
    """Nothing leaves before a CR is sent; the LF of a CR LF leaves with the next line."""

    def released(self, pending: bytes) -> int:
        """See `OutputHabit`."""
        return pending.rfind(CR) + 1

    def released_by_reading(self, pending: bytes) -> int:
        """See `OutputHabit`."""
        return self.released(pending)

    def __str__(self) -> str:
        return "output held until CR"


@dataclass(frozen=True)
class Glued:
    """Strings that are sent without a pause leave together."""

    def released(self, pending: bytes) -> int:
        """See `OutputHabit`."""
        return 0

    def released_by_reading(self, pending: bytes) -> int:
        """See `OutputHabit`."""
        return len(pending)

    def __str__(self) -> str:
        return "strings sent without a pause leave together"


# ---- reading

Numbers = tuple[float, ...]


class Reader(Protocol):
    """How a program reads a reply."""

    @property
    def time_limit_s(self) -> float | None:
        """How long it waits for one; None: for ever."""

    @property
    def max_characters(self) -> int | None:
        """The longest reply that it can read; None: any."""

    @property
    def wants_brackets(self) -> bool:
        """Whether it can read a reply only in round brackets."""

    def take(self, received: bytes, count: int) -> tuple[Numbers | None, bytes]:
        """The ``count`` numbers of a reply and the bytes behind it; None while they have not arrived.

        Raises MachineFault ``sim-reply`` if the bytes are no reply of so many numbers.
        """


@dataclass(frozen=True)
class LineReader:
    """Reads up to an ending into a string, and splits that at its commas."""

    ending: bytes
    """the byte that ends the reading: CR or LF"""
    max_characters: int
    """characters that the string holds; a longer reply is lost"""
    time_limit_s: float | None
    """how long it waits; None: for ever"""
    wants_brackets: bool = False
    """it needs none"""

    def take(self, received: bytes, count: int) -> tuple[Numbers | None, bytes]:
        """See `Reader`."""
        # The other half of an ending, which was left unread.
        started = received.lstrip(CR + LF)
        line, found, rest = started.partition(self.ending)
        if len(line.rstrip(CR)) > self.max_characters:
            raise _no_reply(line, f"it is longer than the string of {self.max_characters} characters")
        if not found:
            return None, received
        numbers = _numbers(line)
        if len(numbers) != count:
            raise _no_reply(line, f"{count} numbers were expected")
        return numbers, rest

    def __str__(self) -> str:
        ending = "CR" if self.ending == CR else "LF"
        return f"reads {self.max_characters} characters up to {ending}, {_wait(self.time_limit_s)}"


@dataclass(frozen=True)
class FloatReader:
    """Reads a fixed count of numbers in brackets, without a string; another count is taken for silence."""

    time_limit_s: float = 2.0
    """how long it waits"""
    max_characters: None = None
    """no string is involved"""
    wants_brackets: bool = True
    """it finds a reply by them"""

    def take(self, received: bytes, count: int) -> tuple[Numbers | None, bytes]:
        """See `Reader`."""
        _, opening, behind = received.partition(b"(")
        line, closing, rest = behind.partition(b")")
        if not opening or not closing:
            return None, received
        numbers = _numbers(line)
        return (numbers if len(numbers) == count else None), rest

    def __str__(self) -> str:
        return f"reads a fixed count of numbers in brackets, {_wait(self.time_limit_s)}"


def _wait(time_limit_s: float | None) -> str:
    return "without a time limit" if time_limit_s is None else f"for {time_limit_s:g} s"


def _numbers(line: bytes) -> Numbers:
    try:
        return tuple(float(field) for field in line.decode("ascii").strip().split(","))
    except ValueError:
        raise _no_reply(line, "it has to be numbers with commas between them") from None


def _no_reply(line: bytes, reason: str) -> MachineFault:
    return MachineFault(
        "sim-reply", f"the controller cannot read the reply {line!r}: {reason}", "read the daemon's log."
    )
