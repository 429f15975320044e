"""A station: one camera, one arm, one board, as its station file (TOML) states them.

``parse_station`` turns the text into a frozen value or tells all faults of the text at once.
"""

from __future__ import annotations

import math
import re
import tomllib
from typing import Any

from pydantic import ValidationError, model_validator

from eyebolt.errors import InputFault
from eyebolt.geometry.readings import PoseReading
from eyebolt.geometry.rigid import Array
from eyebolt.station.checks import closest
from eyebolt.station.faults import BrokenRule, StationFault, printable, shown
from eyebolt.station.locate import KeyPath, key_lines
from eyebolt.station.rules import SECTIONS, Values, broken_rules
from eyebolt.station.sections import (
    BoardSection,
    CameraSection,
    GoalSection,
    RecordSection,
    RobotSection,
    Section,
    StationSection,
)
from eyebolt.station.syntax import syntax_fault

__all__ = ["Station", "StationFault", "parse_station"]

# Far above any station file; keeps a wrong file (a picture, a log) from being searched for keys.
_MOST_CHARACTERS = 65_536


class Station(Section):
    """One station file. Values are as written (mm, degrees, the controller's own terms); paths are still texts."""

    station: StationSection
    robot: RobotSection
    camera: CameraSection
    board: BoardSection
    witness: BoardSection | None = None
    goal: GoalSection
    record: RecordSection = RecordSection()

    @model_validator(mode="after")
    def _rules_hold(self) -> Station:
        broken = broken_rules(Values(self.model_dump(exclude_unset=True), at_fault=()))
        if broken:
            raise ValueError("; ".join(f"{_key_text(b.section, b.key)}: found {b.found}" for b in broken))
        return self

    @property
    def reading(self) -> PoseReading:
        """The terms in which this robot writes a pose."""
        return PoseReading(length=self.robot.length, rotation=self.robot.rotation, angle=self.robot.angle)

    @property
    def robot_noise_m_rad(self) -> tuple[float, float] | None:
        """The stated noise of the arm's poses (one sigma: metres, radians), or None if it is to be estimated."""
        if self.robot.noise_mm is None or self.robot.noise_deg is None:
            return None
        return self.robot.noise_mm * 1e-3, math.radians(self.robot.noise_deg)

    @property
    def flange_T_tool(self) -> Array | None:
        """The tool's pose (4, 4) in metres at the flange, or None if the robot sends flange poses."""
        return None if self.robot.tool is None else self.reading.to_matrix(self.robot.tool)


def parse_station(text: str, file_name: str) -> Station:
    """The station that ``text`` states.

    Raises InputFault ``station-file`` with every fault of the text in its message, one a line, and in
    ``data["faults"]`` as a tuple of StationFault, in the order of the lines.
    """
    # The closing newline lets the parser name a line for what it finds wrong at the very end.
    text = text.removeprefix("\ufeff").replace("\r\n", "\n") + "\n"
    if len(text) > _MOST_CHARACTERS:
        found = f"{len(text)} characters"
        raise _refused(file_name, [StationFault(1, "", found, f"a station file of at most {_MOST_CHARACTERS}")])
    try:
        parsed = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise _refused(file_name, [syntax_fault(text, error)]) from None
    content = {name: _lists_to_tuples(section) for name, section in parsed.items()}
    try:
        return Station.model_validate(content)
    except ValidationError as error:
        faults = _all_faults(text, content, error)
    raise _refused(file_name, faults)


def _refused(file_name: str, faults: list[StationFault]) -> InputFault:
    count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
    lines = "".join(f"\n  {fault}" for fault in faults)
    return InputFault(
        "station-file",
        f"the station file {printable(file_name)} has {count}:{lines}",
        "correct each line named above, save the file and start again.",
        file_name=file_name,
        faults=tuple(faults),
    )


def _all_faults(text: str, content: dict[str, Any], error: ValidationError) -> list[StationFault]:
    """Faults of single fields and, among the fields that are sound, of the rules between them."""
    broken: dict[KeyPath, BrokenRule] = {}
    for detail in error.errors():
        path = tuple(str(part) for part in detail["loc"][:2])
        if path and path not in broken:
            broken[path] = _field_fault(content, path, str(detail["type"]), detail.get("ctx", {}).get("error"))
    at_fault = {(path[0], path[1]) for path in broken if len(path) == 2}
    everything = list(broken.values()) + broken_rules(Values(content, at_fault))
    lines = key_lines(text)
    last_line = text.rstrip().count("\n") + 1

    def line_of(rule: BrokenRule) -> int:
        section_line = lines.get((rule.section,), last_line)
        return lines.get((rule.section, rule.key), section_line) if rule.key else section_line

    faults = [StationFault(line_of(b), _key_text(b.section, b.key), b.found, b.allowed) for b in everything]
    return sorted(faults, key=lambda fault: fault.line)


def _field_fault(content: dict[str, Any], path: KeyPath, kind: str, cause: object) -> BrokenRule:
    """``path`` is (section,) or (section, key); ``kind`` is pydantic's name of the fault."""
    section, key = path[0], path[1] if len(path) == 2 else ""
    if not key:
        if section not in SECTIONS:
            return BrokenRule(section, "", _unknown(content[section]), _known_section(section))
        found = shown(content[section]) if section in content else "no such section"
        return BrokenRule(section, "", found, f"a section that begins with the line [{section}]")
    field = SECTIONS[section].model_fields.get(key)
    inside = content[section]
    if field is None:
        return BrokenRule(section, key, _unknown(inside[key]), _known_key(section, key))
    if key not in inside:
        return BrokenRule(section, key, "nothing", str(field.description))
    allowed = str(cause) if kind == "value_error" and cause is not None else str(field.description)
    return BrokenRule(section, key, shown(inside[key]), allowed)


def _unknown(value: object) -> str:
    return "an unknown section" if isinstance(value, dict) else f"an unknown key with the value {shown(value)}"


def _known_section(found: str) -> str:
    near = closest(found, SECTIONS)
    owners = [f"[{name}]" for name, section in SECTIONS.items() if found in section.model_fields]
    if near:
        return f"[{near}] is the closest known section"
    if owners:
        return f"the key {found} under {' or '.join(owners)}"
    return "only the sections " + ", ".join(f"[{name}]" for name in SECTIONS)


def _known_key(section: str, found: str) -> str:
    near = closest(found, SECTIONS[section].model_fields)
    owners = [f"[{name}]" for name, other in SECTIONS.items() if found in other.model_fields]
    if owners:
        return f"the key {found} under {' or '.join(owners)}"
    if near:
        return f"{near} is the closest known key"
    return "only the keys " + ", ".join(SECTIONS[section].model_fields)


def _key_text(section: str, key: str) -> str:
    shown_section = printable(section) if re.fullmatch(r"[A-Za-z0-9_-]+", section) else shown(section)
    return f"[{shown_section}] {printable(key)}".rstrip()


def _lists_to_tuples(value: object) -> object:
    """TOML knows lists only, strict validation of a tuple wants tuples."""
    if isinstance(value, list):
        return tuple(_lists_to_tuples(item) for item in value)
    if isinstance(value, dict):
        return {key: _lists_to_tuples(item) for key, item in value.items()}
    return value
