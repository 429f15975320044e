"""The scripts of robot_scripts and the settings of their stations."""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path

from eyebolt.geometry import PoseFormat
from support.robot_languages.dialects import DIALECTS
from support.robot_languages.interpreter import Program

SCRIPTS = Path(__file__).resolve().parents[3] / "robot_scripts"

STATIONS: Mapping[str, tuple[PoseFormat, int, int]] = {
    "rapid": (PoseFormat("mm", "quaternion-wxyz"), 3, 5),
    "krl": (PoseFormat("mm", "euler-ZYX", "deg"), 3, 4),
    "karel": (PoseFormat("mm", "euler-xyz", "deg"), 3, 4),
    "rotation_vector_script": (PoseFormat("m", "rotation-vector", "rad"), 6, 6),
    "spel": (PoseFormat("mm", "euler-ZYX", "deg"), 3, 4),
    "val3": (PoseFormat("mm", "euler-XYZ", "deg"), 3, 4),
    "melfa_basic": (PoseFormat("mm", "euler-xyz", "deg"), 3, 4),
    "as": (PoseFormat("mm", "euler-ZYZ", "deg"), 3, 4),
}
"""[robot] length, rotation and angle; decimals of lengths and of rotation numbers."""
TAUGHT: Mapping[str, tuple[str, str]] = {
    "rapid": ("taught := FALSE", "taught := TRUE"),
    "krl": ("eye_taught=FALSE", "eye_taught=TRUE"),
    "karel": ("  taught = FALSE", "  taught = TRUE"),
    "rotation_vector_script": ("taught = False", "taught = True"),
    "spel": ("#define TAUGHT 0", "#define TAUGHT 1"),
    "val3": ("bTaught = false", "bTaught = true"),
    "melfa_basic": ("MTaught = 0", "MTaught = 1"),
    "as": ("eb_taught = FALSE", "eb_taught = TRUE"),
}
"""The setting by which a programmer states that the waypoints were taught, before and after."""


@functools.cache
def texts_of(language: str, name: str) -> tuple[str, ...]:
    """The text of the script ``name``, behind that of its data file if it has one."""
    dialect = DIALECTS[language]
    paths = [SCRIPTS / language / f"{name}.{suffix}" for suffix in (dialect.data_suffix, dialect.suffix) if suffix]
    return tuple(path.read_text("ascii") for path in paths if path.exists())


def changed(texts: Sequence[str], *changes: tuple[str, str]) -> tuple[str, ...]:
    """The texts with the changes (old, new); each has to be there."""
    for old, new in changes:
        assert any(old in text for text in texts), f"{old!r} is not in the script"
        texts = [text.replace(old, new) for text in texts]
    return tuple(texts)


def taught(language: str) -> tuple[str, ...]:
    """The texts of ``calibrate`` with taught waypoints: the numbers of those that a script holds itself differ."""
    texts = changed(texts_of(language, "calibrate"), TAUGHT[language])
    if language == "rotation_vector_script":
        texts = tuple(re.sub(r"(global w(\d+) = )\[.*\]", r"\1[\2, 0, 0, 0, 0, 0]", text) for text in texts)
    return texts


_FRAMES = {
    "rapid": "eyebolt_camera",
    "krl": "eye_camera",
    "rotation_vector_script": "camera",
    "val3": "tCamera",
    "melfa_basic": "p_100",
    "as": "eb_camera",
}


def stored_frame(program: Program, language: str) -> list[float]:
    """The numbers of the variable, point or register that the script ``calibrate`` reads the result into."""
    if language == "karel":
        registers = program.state.get("registers", {})
        return list(registers[98].values()) if 98 in registers else [0.0] * 6
    if language == "spel":
        return list(program.variables["p"][98].values())
    value = program.variables[_FRAMES[language]]
    numbers = list(value) if isinstance(value, list) else [number for name, number in value.items() if name != "rot"]
    if language == "melfa_basic":
        numbers[3:] = [math.degrees(angle) for angle in numbers[3:]]
    return numbers
