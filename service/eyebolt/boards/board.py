"""The common interface of all boards, and the rules that a description of a board must satisfy.

Board frame: x along the columns, y along the rows, z into the board. Each kind states its origin and the numbering of
its corners; the corners of a circle grid are the centres of its circles. A board kind is one subclass of Board in a
module of its own, listed in ``registry``.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, fields
from typing import ClassVar, Literal, Self, TypedDict, TypeGuard

import numpy as np
from numpy.typing import NDArray

from eyebolt.boards.artwork import Artwork
from eyebolt.boards.marker_dictionary import canonical_dictionary_name, dictionary_names, dictionary_size
from eyebolt.boards.roi import SearchImage
from eyebolt.errors import InputFault
from eyebolt.geometry import Array

CornerOrder = Literal["current", "legacy"]
CORNER_ORDERS: tuple[CornerOrder, ...] = ("current", "legacy")
MAX_COUNT_PER_SIDE = 200
# A cell is smaller than 100 m; a larger length is a mistaken unit.
MAX_LENGTH_M = 100.0

# Keys of a description, in the order in which their faults are reported, with what to do about a wrong value.
_SIZE_REMEDIES = {
    "columns": "count the {counted} and write them as columns.",
    "rows": "count the {counted} and write them as rows.",
    "square_mm": "measure over ten squares or more and write the side of one in millimetres as square_mm.",
    "marker_mm": "measure the black border of a marker from edge to edge and write it in millimetres as marker_mm.",
    "gap_mm": "measure the white gap between two markers and write it in millimetres as gap_mm.",
    "spacing_mm": "measure from the first row of circles to the eleventh, and write a tenth of it as spacing_mm.",
}
_DICTIONARY_REMEDY = 'write the name printed with the board, for instance dictionary = "5X5_100".'
_CORNER_ORDER_REMEDY = 'write "legacy" if the board was drawn by OpenCV before 4.6, otherwise "current".'
BOARD_KEYS = (*_SIZE_REMEDIES, "dictionary", "corner_order")
"""Every key that describes some kind of board: counts, lengths in millimetres, dictionary, corner order."""
_COUNT_KEYS = ("columns", "rows")
_LENGTH_KEYS = ("square_mm", "marker_mm", "gap_mm", "spacing_mm")


class BoardValues(TypedDict, total=False):
    """Fields of a board whose values are valid by themselves; lengths in metres."""

    columns: int
    rows: int
    square_m: float
    marker_m: float
    gap_m: float
    spacing_m: float
    dictionary: str
    corner_order: CornerOrder


@dataclass(frozen=True)
class BoardFault:
    """One rule that the description of a board violates."""

    key: str
    """Key of the description, such as ``square_mm``."""
    found: str
    """The offending value, or "nothing"."""
    allowed: str
    """What the rule requires."""


@dataclass(frozen=True)
class LocatedCorners:
    """Measured corners of a board, before their exposure is measured; private to this package."""

    ids: NDArray[np.int64]
    """(K,), corner numbers, ascending."""
    corners_px: Array
    """(K, 2), px."""
    blur_px: float
    """Median blur across the edges, px."""


@dataclass(frozen=True)
class Board(ABC):
    """A flat board with numbered corners.

    Raises InputFault ``board-size``, ``board-marker``, ``board-dictionary``, ``board-corner-order`` for a board that
    violates a rule of its kind.
    """

    kind: ClassVar[str]
    """The name in a station file."""
    min_count: ClassVar[int]
    """Smallest number of columns and of rows."""
    counted: ClassVar[str]
    """What columns and rows count, for remedies."""

    columns: int
    """Count along x."""
    rows: int
    """Count along y."""

    def __post_init__(self) -> None:
        values = {field.name: getattr(self, field.name) for field in fields(self)}
        self._raise_first(self._check_fields(values, unusable=()))
        if "dictionary" in values:
            # Boards whose dictionary is spelled differently are equal. The class is frozen, hence object.__setattr__.
            object.__setattr__(self, "dictionary", canonical_dictionary_name(values["dictionary"]))

    @property
    @abstractmethod
    def pitch_m(self) -> float:
        """The board's unit in metres: a square, a marker with its gap, the spacing of the circles."""

    @abstractmethod
    def corners(self) -> Array:
        """Numbered corners (K, 2) in units of ``pitch_m``, in the order of their numbers."""

    @abstractmethod
    def locate(self, search_image: SearchImage) -> LocatedCorners | None:
        """The corners detected in an image, measured with sub-pixel accuracy; None if there is no such board."""

    @abstractmethod
    def artwork(self) -> Artwork:
        """What is black on the board, in units of ``pitch_m``."""

    @property
    def half_turn_ambiguous(self) -> bool:
        """The board looks the same after half a turn, so that one image cannot number its corners."""
        return False

    @property
    def corner_count(self) -> int:
        """Number of corners, K."""
        return len(self.corners())

    def corners_m(self) -> Array:
        """Numbered corners (K, 3) in the board frame, metres, in the order of their numbers; z is 0."""
        corners = self.corners() * self.pitch_m
        return np.column_stack([corners, np.zeros(len(corners))])

    @classmethod
    def description_keys(cls) -> tuple[str, ...]:
        """The keys that describe this kind, lengths in millimetres."""
        return tuple(_key_of(field.name) for field in fields(cls))

    @classmethod
    def from_description(cls, description: Mapping[str, object]) -> Self:
        """The board of a station file's keys, lengths in millimetres. Raises InputFault as the class does."""
        cls._raise_first(cls.find_faults(description))
        return cls(**_in_metres(description))  # type: ignore[arg-type]  # the rules have checked the types

    @classmethod
    def find_faults(cls, description: Mapping[str, object], unusable: Collection[str] = ()) -> Iterator[BoardFault]:
        """Every rule of this kind that ``description`` (keys of a station file, lengths in millimetres) violates.

        ``unusable``: keys whose invalid or missing values were reported already; no rule evaluates these values.
        """
        return cls._check_fields(_in_metres(description), {_field_of(key) for key in unusable})

    @classmethod
    def _check_fields(cls, values: Mapping[str, object], unusable: Collection[str]) -> Iterator[BoardFault]:
        """As ``find_faults``, with ``values`` and ``unusable`` by field names, lengths in metres."""
        own_keys = cls.description_keys()
        optional = {_key_of(field.name) for field in fields(cls) if field.name == "corner_order"}
        valid: dict[str, object] = {}
        for key in BOARD_KEYS:
            name = _field_of(key)
            if key not in own_keys:
                if name in unusable or values.get(name) is not None:
                    yield BoardFault(key, f'{key} with kind = "{cls.kind}"', f'no {key}: kind = "{cls.kind}" has none')
            elif name in unusable:
                continue
            elif values.get(name) is None:
                if key not in optional:
                    yield BoardFault(key, "nothing", f'a value: kind = "{cls.kind}" needs it')
            else:
                fault = cls._check_value(key, values[name])
                if fault is None:
                    valid[name] = values[name]
                else:
                    yield fault
        yield from cls._check_combinations(BoardValues(**valid))  # type: ignore[typeddict-item]  # checked one by one

    @classmethod
    def _check_value(cls, key: str, value: object) -> BoardFault | None:
        """The fault of one value by itself."""
        if key in _COUNT_KEYS:
            if isinstance(value, bool) or not isinstance(value, int):
                return BoardFault(key, repr(value), f"a whole number from {cls.min_count} to {MAX_COUNT_PER_SIDE}")
            if value < cls.min_count:
                return BoardFault(key, str(value), f'at least {cls.min_count} for kind = "{cls.kind}"')
            if value > MAX_COUNT_PER_SIDE:
                return BoardFault(key, str(value), f"at most {MAX_COUNT_PER_SIDE}")
        elif key in _LENGTH_KEYS:
            if not _is_number(value) or not 0 < value <= MAX_LENGTH_M:
                found = f"{value * 1000:g}" if _is_number(value) else repr(value)
                return BoardFault(key, found, f"a number above 0 and at most {MAX_LENGTH_M * 1000:g}, in mm")
        elif key == "dictionary":
            if not isinstance(value, str) or canonical_dictionary_name(value) is None:
                return BoardFault(key, repr(value), f"one of {', '.join(dictionary_names())}")
        # corner_order, the last key.
        elif value not in CORNER_ORDERS:
            return BoardFault(key, repr(value), f"one of {', '.join(CORNER_ORDERS)}")
        return None

    @classmethod
    def _check_combinations(cls, values: BoardValues) -> Iterator[BoardFault]:
        """Faults between values; a rule whose values are not all there is skipped."""
        yield from ()

    @classmethod
    def _raise_first(cls, faults: Iterator[BoardFault]) -> None:
        fault = next(faults, None)
        if fault is None:
            return
        message = f"{fault.key} of a {cls.kind} board: found {fault.found}; allowed: {fault.allowed}"
        match fault.key:
            case "marker_mm":
                raise InputFault("board-marker", message, _SIZE_REMEDIES["marker_mm"], key=fault.key)
            case "dictionary":
                raise InputFault("board-dictionary", message, _DICTIONARY_REMEDY, key=fault.key)
            case "corner_order":
                raise InputFault("board-corner-order", message, _CORNER_ORDER_REMEDY, key=fault.key)
            case _:
                remedy = _SIZE_REMEDIES[fault.key].format(counted=cls.counted)
                raise InputFault("board-size", message, remedy, key=fault.key)


def check_marker_count(values: BoardValues, needed: int) -> Iterator[BoardFault]:
    """The rule of boards with markers: the dictionary has as many as the board ``needed``."""
    name = values.get("dictionary")
    if name is not None and needed > (available := dictionary_size(name)):
        yield BoardFault(
            "dictionary", f'"{name}" with {available} markers', f"one of at least the {needed} markers on this board"
        )


def inner_corners(columns: int, rows: int) -> Array:
    """Corners (K, 2) between ``columns`` x ``rows`` squares, row by row from the one next to the origin, in squares."""
    row, column = np.divmod(np.arange((columns - 1) * (rows - 1)), columns - 1)
    return np.column_stack([column + 1.0, row + 1.0])


def _key_of(field_name: str) -> str:
    return field_name.removesuffix("_m") + "_mm" if field_name.endswith("_m") else field_name


def _field_of(key: str) -> str:
    return key.removesuffix("_mm") + "_m" if key.endswith("_mm") else key


def _in_metres(description: Mapping[str, object]) -> dict[str, object]:
    """By field names, without keys that are None; a length that is not a number is kept for the rules to report."""
    out: dict[str, object] = {}
    for key, value in description.items():
        if value is not None:
            out[_field_of(key)] = value / 1000 if key in _LENGTH_KEYS and _is_number(value) else value
    return out


def _is_number(value: object) -> TypeGuard[int | float]:
    """Whether ``value`` is a finite number that a float can hold.

    1e100 is beyond any length and far enough from the end of the range, 1.8e308, for a conversion of units; NaN is not
    below it.
    """
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e100
