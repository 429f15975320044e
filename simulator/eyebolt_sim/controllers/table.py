"""The models of controllers, one row each: connection, pose format and habits of a language.

A model has the traits that a plain text line meets there; which of them a controller really has depends on its version
and settings. Conventions of rotations in public tables contradict each other: a real one is confirmed from data.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from eyebolt.config import RobotSection
from eyebolt.errors import InputFault
from eyebolt_sim.controllers.numbers import (
    BlankPadded,
    FixedDecimals,
    Literal,
    NestedLiteral,
    NumberHabit,
    PoseHabit,
    Separated,
    ShortestWithExponents,
    SignificantDigits,
    SinglePrecision,
    WholeNumbers,
)
from eyebolt_sim.controllers.sockets import (
    CR,
    LF,
    AtOnce,
    FloatReader,
    Glued,
    HeldUntilCr,
    LineReader,
    NulPadded,
    NulTerminated,
    OneString,
    OutputHabit,
    PaddingHabit,
    Reader,
    StringHabit,
    StringPerPart,
    Unpadded,
)
from eyebolt_sim.pose_format import PoseFormat

_PRINTED, _BLANKS, _STRING = FixedDecimals(), Separated(" "), OneString(80)
_UNPADDED, _AT_ONCE, _LINES = Unpadded(), AtOnce(), LineReader(LF, 80, 10.0)


class Connection(StrEnum):
    """Who connects; the value is the key of [robot] that goes with it."""

    CLIENT = "listen"
    """the controller connects to a daemon that listens"""
    LISTENER = "dial"
    """the controller waits, and the daemon dials it"""


@dataclass(frozen=True)
class Controller:
    """A row of the table."""

    name: str
    """the language"""
    connections: tuple[Connection, ...]
    """how it can be connected"""
    pose_format: PoseFormat
    """the format of its poses"""
    decimals: tuple[int, int]
    """decimals of lengths and of the rotation's numbers that its program prints"""
    number: NumberHabit = _PRINTED
    """how it prints a number"""
    pose: PoseHabit = _BLANKS
    """how it prints a pose"""
    separator: str = " "
    """between the words of a line"""
    string: StringHabit = _STRING
    """the strings of a line"""
    ending: bytes = LF
    """what ends a line"""
    padding: PaddingHabit = _UNPADDED
    """what is added to a string"""
    output: OutputHabit = _AT_ONCE
    """when bytes leave"""
    reader: Reader = _LINES
    """how it reads"""
    reads_single_precision: bool = False
    """numbers that it has read are kept in single precision"""
    streams_pose: bool = False
    """a live pose is sent right before each capture"""
    min_reply_wait_s: float | None = None
    """its program cannot poll: the least ``reply_wait_s`` of the station; None: it polls"""

    @property
    def traits(self) -> str:
        """The habits in words."""
        endings = {LF: "LF", CR: "CR", CR + LF: "CR LF"}
        words = [str(habit) for habit in (self.number, self.pose, self.string)]
        words += [f"lines end with {endings[self.ending]}", str(self.padding), str(self.output), str(self.reader)]
        if self.reads_single_precision:
            words.append("keeps what it reads in single precision")
        if self.streams_pose:
            words.append("sends a live pose right before each capture")
        if self.min_reply_wait_s is not None:
            words.append(f"cannot poll: reply_wait_s = {self.min_reply_wait_s:g}")
        return "; ".join(filter(None, words))

    def pose_parts(self, numbers: list[float]) -> list[str]:
        """The strings of a pose; ``numbers`` in the units of its format."""
        return self.pose.parts(self._texts(numbers))

    def printed_numbers(self, numbers: list[float]) -> list[float]:
        """What `pose_parts` prints, as numbers: the pose as far as its decimals hold it."""
        return [float(text) for text in self._texts(numbers)]

    def _texts(self, numbers: list[float]) -> list[str]:
        lengths, rotation = self.decimals
        return [self.number.text(v, lengths if k < 3 else rotation) for k, v in enumerate(numbers)]

    def station_lines(self, connection: Connection, address: str) -> list[str]:
        """What its [robot] section needs."""
        form = self.pose_format
        lines = [f'{connection} = "{address}"', f'length = "{form.length}"', f'rotation = "{form.rotation}"']
        if not form.is_quaternion:
            lines.append(f'angle = "{form.angle}"')
        if self.min_reply_wait_s is not None:
            lines.append(f"reply_wait_s = {self.min_reply_wait_s:g}")
        return lines

    def check_fits(self, robot: RobotSection) -> None:
        """Raises InputFault ``sim-controller`` if a station with this section cannot be served by this controller."""
        form = self.pose_format
        wrong = []
        connection = Connection.CLIENT if robot.listen else Connection.LISTENER
        if connection not in self.connections:
            others = " or ".join(f"{other} = ..." for other in self.connections)
            wrong.append(f"{connection} = ... (it needs {others})")
        stated = {"length": robot.length, "rotation": robot.rotation, "angle": robot.angle}
        needed = {"length": form.length, "rotation": form.rotation, "angle": form.angle}
        for key, value in stated.items():
            if value != needed[key] and not (key == "angle" and form.is_quaternion):
                wrong.append(f'{key} = "{value}"')
        if self.min_reply_wait_s is not None and robot.reply_wait_s < self.min_reply_wait_s:
            wrong.append(f"reply_wait_s = {robot.reply_wait_s:g}")
        if wrong:
            connection = connection if connection in self.connections else self.connections[0]
            lines = "; ".join(self.station_lines(connection, robot.listen or robot.dial or ""))
            raise InputFault(
                "sim-controller",
                f"the controller {self.name} does not fit these lines of [robot] in the station file:"
                f" {'; '.join(wrong)}",
                f"write under [robot]: {lines}.",
            )


_CLIENT, _LISTENER = (Connection.CLIENT,), (Connection.LISTENER,)
_MM_QUATERNION = PoseFormat("mm", "quaternion-wxyz")
_SINGLE = SinglePrecision(_PRINTED)

_ROWS = (
    # Adds no ending by itself; two sends without a pause leave together.
    Controller(
        "rapid",
        _CLIENT,
        _MM_QUATERNION,
        (3, 5),
        number=_SINGLE,
        output=Glued(),
        reader=LineReader(LF, 80, 60.0),
        reads_single_precision=True,
        streams_pose=True,
    ),
    # The same with the language's own literals: they fit its strings only one by one, and bring flags along.
    Controller(
        "rapid_literal",
        _CLIENT,
        _MM_QUATERNION,
        (3, 5),
        number=SinglePrecision(SignificantDigits(7)),
        pose=NestedLiteral(("0,-1,0,1", "9E+09,9E+09,9E+09,9E+09,9E+09,9E+09")),
        string=StringPerPart(80),
        reader=LineReader(LF, 80, 60.0),
        reads_single_precision=True,
    ),
    Controller(
        "krl",
        _CLIENT + _LISTENER,
        PoseFormat("mm", "euler-ZYX", "deg"),
        (3, 4),
        number=BlankPadded(9),
        pose=Separated(","),
        separator=",",
        ending=CR + LF,
        padding=NulPadded(128),
    ),
    Controller(
        "karel",
        _CLIENT,
        PoseFormat("mm", "euler-xyz", "deg"),
        (3, 4),
        number=_SINGLE,
        string=OneString(254),
        ending=CR + LF,
        output=HeldUntilCr(),
        reader=LineReader(CR, 254, None),
        reads_single_precision=True,
    ),
    Controller(
        "rotation_vector_script",
        _CLIENT,
        PoseFormat("m", "rotation-vector", "rad"),
        (6, 6),
        number=ShortestWithExponents(),
        pose=Literal("p[", "]"),
        separator=",",
        reader=FloatReader(),
    ),
    Controller(
        "spel",
        _CLIENT,
        PoseFormat("mm", "euler-ZYX", "deg"),
        (3, 4),
        pose=Separated(","),
        separator=",",
        ending=CR + LF,
    ),
    Controller(
        "val3",
        _CLIENT + _LISTENER,
        PoseFormat("mm", "euler-XYZ", "deg"),
        (3, 4),
        reader=LineReader(LF, 32, 10.0),
    ),
    Controller(
        "inform",
        _CLIENT,
        PoseFormat("um", "euler-xyz", "1e-4deg"),
        (0, 0),
        number=WholeNumbers(),
        padding=NulTerminated(),
        reader=LineReader(LF, 32, 30.0),
        min_reply_wait_s=20.0,
    ),
    Controller(
        "melfa_basic",
        _LISTENER + _CLIENT,
        PoseFormat("mm", "euler-xyz", "deg"),
        (3, 4),
        number=_SINGLE,
        pose=Literal("(", ")", "(7,0)"),
        ending=CR,
        reader=LineReader(CR, 80, 10.0),
        reads_single_precision=True,
    ),
    # Adds no ending by itself: the program sends it as a string of its own.
    Controller(
        "as",
        _CLIENT + _LISTENER,
        PoseFormat("mm", "euler-ZYZ", "deg"),
        (3, 4),
        string=StringPerPart(255),
        ending=CR + LF,
        reader=LineReader(LF, 255, 10.0),
    ),
)

CONTROLLERS = {row.name: row for row in _ROWS}


def find_controller(name: str) -> Controller:
    """The row of this name. Raises InputFault ``sim-controller``."""
    if name not in CONTROLLERS:
        raise InputFault(
            "sim-controller", f"there is no controller {name!r}", f"write one of: {', '.join(CONTROLLERS)}."
        )
    return CONTROLLERS[name]
