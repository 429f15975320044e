"""A station (one camera, one arm, one board) as its station file (TOML) describes it.

``parse_station`` parses the text into a frozen value or reports all faults of the text at once: those of single fields,
which ``schema`` finds, and violations of the rules between fields, which are here. A rule looks only at fields that are
valid by themselves.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from pydantic import ValidationError, model_validator

from eyebolt import addresses
from eyebolt.boards import BOARD_KEYS, BOARD_KINDS, canonical_dictionary_name, dictionary_family
from eyebolt.bounded_text import parse_toml
from eyebolt.config.diagnostics import (
    ConfigFault,
    KeyPath,
    closest_match,
    format_value,
    key_lines,
    list_faults,
    lists_to_tuples,
    printable,
    syntax_fault,
)
from eyebolt.config.schema import (
    BoardSection,
    CameraSection,
    GoalSection,
    RecordSection,
    RobotSection,
    Section,
    StationSection,
)
from eyebolt.errors import InputFault
from eyebolt.geometry import Array, FlangeRotation, Mount, PoseFormat

# Far above any station file; keeps a wrong file (an image, a log) from being searched for keys.
_MAX_CHARACTERS = 65_536


class Station(Section):
    """One station file. Values are as written (mm, degrees, the robot's pose format); paths are not resolved."""

    station: StationSection
    """Identity of the station, and where its status is published."""
    robot: RobotSection
    """How the robot is reached and how it writes a pose."""
    camera: CameraSection
    """The source of the images."""
    board: BoardSection
    """The board that is calibrated with."""
    witness: BoardSection | None = None
    """Reserved: a second board, bolted in view of a fixed camera; checked, but without effect."""
    goal: GoalSection
    """What the job requires."""
    record: RecordSection = RecordSection()
    """Where sessions are recorded."""

    @model_validator(mode="after")
    def _rules_hold(self) -> Station:
        violations = rule_violations(FieldValues(self.model_dump(exclude_unset=True), invalid_fields=()))
        if violations:
            raise ValueError("; ".join(f"{_key_text(v)}: found {v.found}" for v in violations))
        return self

    @property
    def pose_format(self) -> PoseFormat:
        """How this robot writes a pose."""
        return PoseFormat(length=self.robot.length, rotation=self.robot.rotation, angle=self.robot.angle)

    @property
    def result_pose_format(self) -> PoseFormat:
        """How the reply to ``result`` writes the transform."""
        return replace(self.pose_format, rotation=self.robot.result_rotation or self.robot.rotation)

    @property
    def robot_noise_m_rad(self) -> tuple[float, float] | None:
        """Stated standard deviations of the arm's poses (m, rad), or None if they are to be estimated."""
        if self.robot.noise_mm is None or self.robot.noise_deg is None:
            return None
        return self.robot.noise_mm * 1e-3, math.radians(self.robot.noise_deg)

    @property
    def flange_T_tool(self) -> Array | None:
        """The tool's pose (4, 4) in metres at the flange, or None if the robot sends flange poses."""
        return None if self.robot.tool is None else self.pose_format.to_matrix(self.robot.tool)


def parse_station(text: str, file_name: str) -> Station:
    """The station described by ``text``.

    Raises InputFault ``station-file`` with every fault of the text in its message, one per line, and in
    ``data["faults"]`` as a tuple of ConfigFault, in the order of the lines.
    """
    # The closing newline makes the parser name a line for an error at the very end.
    text = text.removeprefix("\ufeff").replace("\r\n", "\n") + "\n"
    if len(text) > _MAX_CHARACTERS:
        found = f"{len(text)} characters"
        raise _station_file_fault(
            file_name, [ConfigFault("", found, f"a station file of at most {_MAX_CHARACTERS}", 1)]
        )
    try:
        parsed = parse_toml(text)
    except ValueError as error:
        raise _station_file_fault(file_name, [syntax_fault(text, error)]) from None
    content = {name: lists_to_tuples(section) for name, section in parsed.items()}
    try:
        return Station.model_validate(content)
    except ValidationError as error:
        faults = _all_faults(text, content, error)
    raise _station_file_fault(file_name, faults)


def _station_file_fault(file_name: str, faults: list[ConfigFault]) -> InputFault:
    return InputFault(
        "station-file",
        list_faults(f"the station file {printable(file_name)}", faults),
        "correct each line named above, save the file and start again.",
        file_name=file_name,
        faults=tuple(faults),
    )


def _all_faults(text: str, content: Mapping[str, object], error: ValidationError) -> list[ConfigFault]:
    """Faults of single fields, and violations of the rules between the valid ones, in the order of the lines."""
    violations: dict[KeyPath, RuleViolation] = {}
    for detail in error.errors():
        path = tuple(str(part) for part in detail["loc"][:2])
        if path and path not in violations:
            violations[path] = _field_fault(content, path, str(detail["type"]), detail.get("ctx", {}).get("error"))
    invalid_fields = {(path[0], path[1]) for path in violations if len(path) == 2}
    all_violations = list(violations.values()) + rule_violations(FieldValues(content, invalid_fields))
    lines = key_lines(text)
    last_line = text.rstrip().count("\n") + 1

    def line_of(violation: RuleViolation) -> int:
        section_line = lines.get((violation.section,), last_line)
        return section_line if violation.key is None else lines.get((violation.section, violation.key), section_line)

    located = sorted(((line_of(v), v) for v in all_violations), key=lambda pair: pair[0])
    return [ConfigFault(_key_text(v), v.found, v.allowed, line) for line, v in located]


def _field_fault(content: Mapping[str, object], path: KeyPath, kind: str, cause: object) -> RuleViolation:
    """``path`` is (section,) or (section, key); ``kind`` is pydantic's name of the error, ``cause`` its exception."""
    section, key = path[0], path[1] if len(path) == 2 else None
    if key is None:
        if section not in SECTIONS:
            return RuleViolation(section, None, _unknown(content[section]), _known_section(section))
        found = format_value(content[section]) if section in content else "no such section"
        return RuleViolation(section, None, found, f"a section that begins with the line [{section}]")
    field = SECTIONS[section].model_fields.get(key)
    table = content[section]
    if not isinstance(table, Mapping) or (field is not None and key not in table):
        return RuleViolation(section, key, "nothing", "" if field is None else str(field.description))
    if field is None:
        return RuleViolation(section, key, _unknown(table[key]), _known_key(section, key))
    allowed = str(cause) if kind == "value_error" and cause is not None else str(field.description)
    return RuleViolation(section, key, format_value(table[key]), allowed)


def _unknown(value: object) -> str:
    return "an unknown section" if isinstance(value, dict) else f"an unknown key with the value {format_value(value)}"


def _known_section(found: str) -> str:
    suggestion = closest_match(found, SECTIONS)
    owners = [f"[{name}]" for name, section in SECTIONS.items() if found in section.model_fields]
    if suggestion:
        return f"[{suggestion}] is the closest known section"
    if owners:
        return f"the key {found} under {' or '.join(owners)}"
    return "only the sections " + ", ".join(f"[{name}]" for name in SECTIONS)


def _known_key(section: str, found: str) -> str:
    suggestion = closest_match(found, SECTIONS[section].model_fields)
    owners = [f"[{name}]" for name, other in SECTIONS.items() if found in other.model_fields]
    if owners:
        return f"the key {found} under {' or '.join(owners)}"
    if suggestion:
        return f"{suggestion} is the closest known key"
    return "only the keys " + ", ".join(SECTIONS[section].model_fields)


def _key_text(violation: RuleViolation) -> str:
    section = violation.section
    shown_section = printable(section) if re.fullmatch(r"[A-Za-z0-9_-]+", section) else format_value(section)
    return f"[{shown_section}] {printable(violation.key or '')}".rstrip()


@dataclass(frozen=True)
class RuleViolation:
    """A fault whose line is not determined yet."""

    section: str
    """Section of the file, such as ``goal``."""
    key: str | None
    """Key of the section; None where the whole section is at fault."""
    found: str
    """The offending value, or what is missing."""
    allowed: str
    """What the rule requires."""


SECTIONS: dict[str, type[Section]] = {
    "station": StationSection,
    "robot": RobotSection,
    "camera": CameraSection,
    "board": BoardSection,
    "witness": BoardSection,
    "goal": GoalSection,
    "record": RecordSection,
}

# The key that each source of images requires.
_SOURCE_KEYS = {
    "device": "path",
    "stream": "url",
    "folder": "path",
    "push": "endpoint",
    "simulated": "endpoint",
    "genicam": "serial",
}


class FieldValues:
    """The fields of a station file while it is being checked."""

    def __init__(self, sections: Mapping[str, object], invalid_fields: Collection[tuple[str, str]]) -> None:
        """``sections`` as parsed; ``invalid_fields``: (section, key) of the fields that are invalid by themselves."""
        self._sections = {
            name: section for name, section in sections.items() if name in SECTIONS and isinstance(section, Mapping)
        }
        self._invalid_fields = invalid_fields

    def has_section(self, section: str) -> bool:
        """The file has this section."""
        return section in self._sections

    def is_set(self, section: str, key: str) -> bool:
        """The file sets this key, to a valid value or an invalid one."""
        return key in self._sections.get(section, {})

    def valid_value(self, section: str, key: str) -> Any:
        """The value, which has the type that ``schema`` states, or its default; None if it is invalid or missing."""
        if section not in self._sections or (section, key) in self._invalid_fields:
            return None
        if self.is_set(section, key):
            return self._sections[section][key]
        return SECTIONS[section].model_fields[key].get_default()

    def invalid_keys(self, section: str) -> set[str]:
        """Keys of this section that are invalid by themselves or missing."""
        return {key for name, key in self._invalid_fields if name == section}


def rule_violations(values: FieldValues) -> list[RuleViolation]:
    """Every violated rule between fields."""
    rules: tuple[Callable[[FieldValues], Iterator[RuleViolation]], ...] = (
        _connection,
        _network_exposure,
        _pose_format,
        _paired_robot_keys,
        _joints,
        _guided,
        _camera,
        lambda v: _board(v, "board"),
        lambda v: _board(v, "witness"),
        _witness,
        _goal,
    )
    return [violation for rule in rules for violation in rule(values)]


def _connection(values: FieldValues) -> Iterator[RuleViolation]:
    if not values.has_section("robot"):
        return
    one = 'either listen = "127.0.0.1:4750" (the robot connects) or dial = "host:port" (Eyebolt connects)'
    if values.is_set("robot", "listen") and values.is_set("robot", "dial"):
        yield RuleViolation("robot", "dial", "both listen and dial", one)
    elif not values.is_set("robot", "listen") and not values.is_set("robot", "dial"):
        yield RuleViolation("robot", None, "neither listen nor dial", one)
    listen = values.valid_value("robot", "listen")
    listen_port = addresses.split_host_port(listen)[1] if listen else None
    status_port, control_port = (_tcp_port(values, key) for key in ("status", "control"))
    for port, user in ((status_port, "status"), (control_port, "control")):
        if port is not None and port == listen_port:
            yield RuleViolation("robot", "listen", f"port {port}, which [station] {user} uses too", "another port")
    if control_port is not None and control_port == status_port:
        yield RuleViolation("station", "control", f"port {control_port}, which status uses too", "another port")


def _tcp_port(values: FieldValues, key: str) -> int | None:
    """The port of an endpoint of [station]; None for a Unix socket, and where there is none."""
    endpoint = values.valid_value("station", key)
    return (
        addresses.split_host_port(endpoint.removeprefix("tcp://"))[1] if (endpoint or "").startswith("tcp://") else None
    )


def _network_exposure(values: FieldValues) -> Iterator[RuleViolation]:
    """Sockets that other computers can reach require keys; a simulated camera must be on this computer."""
    has_keys = values.is_set("station", "keys")
    source = values.valid_value("camera", "source")
    for section, key in (("station", "status"), ("station", "control"), ("camera", "endpoint")):
        endpoint = values.valid_value(section, key)
        if endpoint is None or not addresses.is_remote_endpoint(endpoint):
            continue
        if section == "camera" and source == "simulated":
            allowed = 'an address on this computer, such as "tcp://127.0.0.1:4760"'
            yield RuleViolation(section, key, f'{format_value(endpoint)} with source = "simulated"', allowed)
        elif not has_keys:
            allowed = (
                'keys = "keys" under [station], made by `eyebolt keys`; or an address such as "tcp://127.0.0.1:4751"'
            )
            yield RuleViolation(
                section, key, f"{format_value(endpoint)}, which other computers reach, without keys", allowed
            )


def _pose_format(values: FieldValues) -> Iterator[RuleViolation]:
    pose_of, tool = values.valid_value("robot", "pose_of"), values.valid_value("robot", "tool")
    rotation, length, angle = (values.valid_value("robot", key) for key in ("rotation", "length", "angle"))
    if rotation == "angle-z" and values.valid_value("station", "turns") == FlangeRotation.FREE:
        yield RuleViolation("robot", "rotation", '"angle-z"', '"angle-z" only with [station] turns = "vertical"')
    if (
        values.valid_value("robot", "result_rotation") == "angle-z"
        and values.valid_value("station", "turns") == FlangeRotation.FREE
    ):
        yield RuleViolation("robot", "result_rotation", '"angle-z"', '"angle-z" only with [station] turns = "vertical"')
    if pose_of == "tool" and not values.is_set("robot", "tool"):
        yield RuleViolation(
            "robot", "pose_of", '"tool" without a tool', 'tool = [...] beside it, or pose_of = "flange"'
        )
    if pose_of == "flange" and tool is not None:
        yield RuleViolation("robot", "tool", 'a tool with pose_of = "flange"', 'no tool, or pose_of = "tool"')
    if tool is not None and rotation and length and angle:
        pose_format = PoseFormat(length=length, rotation=rotation, angle=angle)
        try:
            pose_format.to_matrix(tool)
        except InputFault as fault:
            allowed = f"{pose_format.field_count} numbers written as the robot writes a pose ({fault.message})"
            yield RuleViolation("robot", "tool", format_value(tool), allowed)


def _paired_robot_keys(values: FieldValues) -> Iterator[RuleViolation]:
    for key, companion_key in (("tip_sigma_mm", "tip_mm"), ("noise_mm", "noise_deg"), ("noise_deg", "noise_mm")):
        if values.is_set("robot", key) and not values.is_set("robot", companion_key):
            yield RuleViolation("robot", key, f"no {companion_key} beside it", f"{key} together with {companion_key}")


def _joints(values: FieldValues) -> Iterator[RuleViolation]:
    names, units = values.valid_value("robot", "joint_names"), values.valid_value("robot", "joint_unit")
    if names is not None and len(set(names)) < len(names):
        yield RuleViolation("robot", "joint_names", "a name twice", "different names")
    rows = values.valid_value("robot", "dh_mm_deg")
    if rows is not None and not values.is_set("robot", "joint_names"):
        yield RuleViolation("robot", "dh_mm_deg", "no joint_names beside it", "dh_mm_deg together with joint_names")
    elif rows is not None and names is not None and len(rows) != len(names):
        allowed = f"one row for each of {len(names)} joints in joint_names"
        yield RuleViolation("robot", "dh_mm_deg", f"{len(rows)} rows", allowed)
    if not values.is_set("robot", "joint_unit"):
        return
    if not values.is_set("robot", "joint_names"):
        yield RuleViolation("robot", "joint_unit", "no joint_names beside it", "joint_unit together with joint_names")
    elif names is not None and units is not None and not isinstance(units, str) and len(units) not in (1, len(names)):
        yield RuleViolation(
            "robot", "joint_unit", f"{len(units)} units", f"one unit, or one for each of {len(names)} joints"
        )


def _guided(values: FieldValues) -> Iterator[RuleViolation]:
    if not values.valid_value("robot", "guided"):
        return
    if values.valid_value("camera", "source") == "folder":
        allowed = "a live camera: recorded images cannot follow an arm"
        yield RuleViolation("robot", "guided", 'true with source = "folder"', allowed)
    if values.has_section("station") and not values.is_set("station", "control"):
        allowed = 'control = "tcp://127.0.0.1:4752" under [station], where the operator begins a guided session'
        yield RuleViolation("robot", "guided", "true without [station] control", allowed)


def _camera(values: FieldValues) -> Iterator[RuleViolation]:
    source = values.valid_value("camera", "source")
    if source is None:
        return
    required_key = _SOURCE_KEYS[source]
    if source != "genicam" and not values.is_set("camera", required_key):
        yield RuleViolation("camera", required_key, "nothing", f'a value: source = "{source}" needs it')
    if source != "genicam" and values.is_set("camera", "pixel_format"):
        yield RuleViolation("camera", "pixel_format", f'pixel_format with source = "{source}"', "no pixel_format")
    for key in ("path", "url", "endpoint", "serial"):
        if key != required_key and values.is_set("camera", key):
            yield RuleViolation(
                "camera",
                key,
                f'{key} with source = "{source}"',
                f'no {key}: source = "{source}" has {required_key}',
            )


def _board(values: FieldValues, section: str) -> Iterator[RuleViolation]:
    """The rules of the kind of board, which its class states."""
    kind = values.valid_value(section, "kind")
    if kind is None:
        return
    description = {key: values.valid_value(section, key) for key in BOARD_KEYS if values.is_set(section, key)}
    unusable = values.invalid_keys(section)
    for fault in BOARD_KINDS[kind].find_faults(description, unusable):
        yield RuleViolation(section, fault.key, fault.found, fault.allowed)


def _witness(values: FieldValues) -> Iterator[RuleViolation]:
    """A witness requires a fixed camera, and must be distinguishable from the board."""
    if not values.has_section("witness"):
        return
    if values.valid_value("station", "mount") == Mount.ARM:
        yield RuleViolation("witness", None, 'a witness with mount = "arm"', 'none: it is for mount = "fixed"')
    kinds = values.valid_value("board", "kind"), values.valid_value("witness", "kind")
    if None in kinds:
        return
    if all("dictionary" in BOARD_KINDS[kind].description_keys() for kind in kinds):
        families = [_dictionary_family(values, section) for section in ("board", "witness")]
        if families[0] is not None and families[0] == families[1]:
            found = format_value(values.valid_value("witness", "dictionary"))
            allowed = "markers that are not on [board] too: another dictionary family, such as 4X4 beside 5X5"
            yield RuleViolation("witness", "dictionary", found, allowed)
    elif kinds[0] == kinds[1]:
        sizes = [{values.valid_value(section, key) for key in ("columns", "rows")} for section in ("board", "witness")]
        if sizes[0] == sizes[1] and None not in sizes[0]:
            yield RuleViolation(
                "witness", "columns", "the size of [board]", "another size or kind, so that they can be distinguished"
            )


def _dictionary_family(values: FieldValues, section: str) -> str | None:
    name = values.valid_value(section, "dictionary")
    known = None if name is None else canonical_dictionary_name(name)
    return None if known is None else dictionary_family(known)


def _goal(values: FieldValues) -> Iterator[RuleViolation]:
    near, far = values.valid_value("goal", "near_mm"), values.valid_value("goal", "far_mm")
    if near is not None and far is not None and near >= far:
        yield RuleViolation("goal", "far_mm", format_value(far), f"more than near_mm, which is {format_value(near)}")
    min_pairs, max_pairs = values.valid_value("goal", "min_pairs"), values.valid_value("goal", "max_pairs")
    if min_pairs is not None and max_pairs is not None and max_pairs < min_pairs:
        # `max_pairs` may be the default; the fault is then reported on the line of `min_pairs`.
        key = "max_pairs" if values.is_set("goal", "max_pairs") else "min_pairs"
        yield RuleViolation(
            "goal", key, f"min_pairs {min_pairs} and max_pairs {max_pairs}", "min_pairs not above max_pairs"
        )
