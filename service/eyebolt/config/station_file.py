"""A station: one camera, one arm, one board, as its station file (TOML) states them.

``parse_station`` turns the text into a frozen value or tells all faults of the text at once.

Rules between the fields of a station file.

Each rule looks only at fields that are sound by themselves, so that every fault of a file can be told at once.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Callable, Collection, Iterator, Mapping
from typing import Any

from pydantic import ValidationError, model_validator

from eyebolt import addresses
from eyebolt.config import validators
from eyebolt.config.schema import (
    BoardSection,
    CameraSection,
    GoalSection,
    RecordSection,
    RobotSection,
    Section,
    StationSection,
)
from eyebolt.config.toml_diagnostics import (
    KeyPath,
    RuleViolation,
    StationFault,
    format_value,
    key_lines,
    printable,
    syntax_fault,
)
from eyebolt.config.validators import closest_match
from eyebolt.errors import InputFault
from eyebolt.geometry import Array, FlangeRotation, Mount, PoseFormat

__all__ = ["Station", "StationFault", "parse_station"]

# Far above any station file; keeps a wrong file (a picture, a log) from being searched for keys.
_MAX_CHARACTERS = 65_536


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
        violations = rule_violations(FieldValues(self.model_dump(exclude_unset=True), invalid_fields=()))
        if violations:
            raise ValueError("; ".join(f"{_key_text(b.section, b.key)}: found {b.found}" for b in violations))
        return self

    @property
    def pose_format(self) -> PoseFormat:
        """The terms in which this robot writes a pose."""
        return PoseFormat(length=self.robot.length, rotation=self.robot.rotation, angle=self.robot.angle)

    @property
    def robot_noise_m_rad(self) -> tuple[float, float] | None:
        """The stated noise of the arm's poses (one sigma: metres, radians), or None if it is to be estimated."""
        if self.robot.noise_mm is None or self.robot.noise_deg is None:
            return None
        return self.robot.noise_mm * 1e-3, math.radians(self.robot.noise_deg)

    @property
    def flange_T_tool(self) -> Array | None:
        """The tool's pose (4, 4) in metres at the flange, or None if the robot sends flange poses."""
        return None if self.robot.tool is None else self.pose_format.to_matrix(self.robot.tool)


def parse_station(text: str, file_name: str) -> Station:
    """The station that ``text`` states.

    Raises InputFault ``station-file`` with every fault of the text in its message, one a line, and in
    ``data["faults"]`` as a tuple of StationFault, in the order of the lines.
    """
    # The closing newline lets the parser name a line for what it finds wrong at the very end.
    text = text.removeprefix("\ufeff").replace("\r\n", "\n") + "\n"
    if len(text) > _MAX_CHARACTERS:
        found = f"{len(text)} characters"
        raise _station_file_fault(
            file_name, [StationFault(1, "", found, f"a station file of at most {_MAX_CHARACTERS}")]
        )
    try:
        parsed = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise _station_file_fault(file_name, [syntax_fault(text, error)]) from None
    content = {name: _lists_to_tuples(section) for name, section in parsed.items()}
    try:
        return Station.model_validate(content)
    except ValidationError as error:
        faults = _all_faults(text, content, error)
    raise _station_file_fault(file_name, faults)


def _station_file_fault(file_name: str, faults: list[StationFault]) -> InputFault:
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
    violations: dict[KeyPath, RuleViolation] = {}
    for detail in error.errors():
        path = tuple(str(part) for part in detail["loc"][:2])
        if path and path not in violations:
            violations[path] = _field_fault(content, path, str(detail["type"]), detail.get("ctx", {}).get("error"))
    invalid_fields = {(path[0], path[1]) for path in violations if len(path) == 2}
    all_violations = list(violations.values()) + rule_violations(FieldValues(content, invalid_fields))
    lines = key_lines(text)
    last_line = text.rstrip().count("\n") + 1

    def line_of(rule: RuleViolation) -> int:
        section_line = lines.get((rule.section,), last_line)
        return lines.get((rule.section, rule.key), section_line) if rule.key else section_line

    faults = [StationFault(line_of(b), _key_text(b.section, b.key), b.found, b.allowed) for b in all_violations]
    return sorted(faults, key=lambda fault: fault.line)


def _field_fault(content: dict[str, Any], path: KeyPath, kind: str, cause: object) -> RuleViolation:
    """``path`` is (section,) or (section, key); ``kind`` is pydantic's name of the fault."""
    section, key = path[0], path[1] if len(path) == 2 else ""
    if not key:
        if section not in SECTIONS:
            return RuleViolation(section, "", _unknown(content[section]), _known_section(section))
        found = format_value(content[section]) if section in content else "no such section"
        return RuleViolation(section, "", found, f"a section that begins with the line [{section}]")
    field = SECTIONS[section].model_fields.get(key)
    section_content = content[section]
    if field is None:
        return RuleViolation(section, key, _unknown(section_content[key]), _known_key(section, key))
    if key not in section_content:
        return RuleViolation(section, key, "nothing", str(field.description))
    allowed = str(cause) if kind == "value_error" and cause is not None else str(field.description)
    return RuleViolation(section, key, format_value(section_content[key]), allowed)


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


def _key_text(section: str, key: str) -> str:
    shown_section = printable(section) if re.fullmatch(r"[A-Za-z0-9_-]+", section) else format_value(section)
    return f"[{shown_section}] {printable(key)}".rstrip()


def _lists_to_tuples(value: object) -> object:
    """TOML knows lists only, strict validation of a tuple wants tuples."""
    if isinstance(value, list):
        return tuple(_lists_to_tuples(item) for item in value)
    if isinstance(value, dict):
        return {key: _lists_to_tuples(item) for key, item in value.items()}
    return value


SECTIONS: dict[str, type[Section]] = {
    "station": StationSection,
    "robot": RobotSection,
    "camera": CameraSection,
    "board": BoardSection,
    "witness": BoardSection,
    "goal": GoalSection,
    "record": RecordSection,
}

_SOURCE_KEYS = {
    "device": "path",
    "stream": "url",
    "folder": "path",
    "push": "endpoint",
    "simulated": "endpoint",
    "genicam": "serial",
}
_REQUIRED_BOARD_KEYS = {
    "charuco": ("square_mm", "marker_mm", "dictionary"),
    "chessboard": ("square_mm",),
    "grid": ("marker_mm", "gap_mm", "dictionary"),
    "circles": ("spacing_mm",),
}
_BOARD_SIZE_KEYS = ("square_mm", "marker_mm", "gap_mm", "spacing_mm", "dictionary")
# Fewer give corners on one line, from which no pose follows; OpenCV's chessboard search wants 3 x 3 inner corners.
_MIN_BOARD_COUNT = {"charuco": 3, "chessboard": 4, "grid": 1, "circles": 3}


class FieldValues:
    """What a station file says, field by field, while it is being checked."""

    def __init__(self, sections: Mapping[str, Any], invalid_fields: Collection[tuple[str, str]]) -> None:
        """``sections`` as parsed; ``invalid_fields`` names the (section, key) whose values are wrong by themselves."""
        self._sections = {n: s for n, s in sections.items() if n in SECTIONS and isinstance(s, Mapping)}
        self._at_fault = invalid_fields

    def has_section(self, section: str) -> bool:
        """Whether the file has this section."""
        return section in self._sections

    def is_set(self, section: str, key: str) -> bool:
        """Whether the file sets this key, rightly or wrongly."""
        return key in self._sections.get(section, {})

    def valid_value(self, section: str, key: str) -> Any:
        """The value or its default; None if it is wrong by itself, missing, or its section is."""
        if section not in self._sections or (section, key) in self._at_fault:
            return None
        if self.is_set(section, key):
            return self._sections[section][key]
        return SECTIONS[section].model_fields[key].get_default()


def rule_violations(values: FieldValues) -> list[RuleViolation]:
    """Every rule between fields that does not hold."""
    rules: tuple[Callable[[FieldValues], Iterator[RuleViolation]], ...] = (
        _connection,
        _network_exposure,
        _pose_format,
        _paired_robot_keys,
        _camera,
        lambda v: _board(v, "board"),
        lambda v: _board(v, "witness"),
        _witness,
        _goal,
    )
    return [violations for rule in rules for violations in rule(values)]


def _connection(values: FieldValues) -> Iterator[RuleViolation]:
    if not values.has_section("robot"):
        return
    one = 'either listen = "127.0.0.1:4750" (the robot calls) or dial = "host:port" (Eyebolt calls the robot)'
    if values.is_set("robot", "listen") and values.is_set("robot", "dial"):
        yield RuleViolation("robot", "dial", "both listen and dial", one)
    elif not values.is_set("robot", "listen") and not values.is_set("robot", "dial"):
        yield RuleViolation("robot", "", "neither listen nor dial", one)
    listen, status = values.valid_value("robot", "listen"), values.valid_value("station", "status")
    if listen and status and status.startswith("tcp://"):
        port = addresses.split_host_port(listen)[1]
        if port == addresses.split_host_port(status.removeprefix("tcp://"))[1]:
            where = f"port {port}, which [station] status uses too"
            yield RuleViolation("robot", "listen", where, "another port")


def _network_exposure(values: FieldValues) -> Iterator[RuleViolation]:
    """Sockets that other computers can reach want keys; the daemon itself calls no camera on another computer."""
    has_keys = values.is_set("station", "keys")
    source = values.valid_value("camera", "source")
    for section, key in (("station", "status"), ("camera", "endpoint")):
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


def _camera(values: FieldValues) -> Iterator[RuleViolation]:
    source = values.valid_value("camera", "source")
    if source is None:
        return
    required_key = _SOURCE_KEYS[source]
    if source != "genicam" and not values.is_set("camera", required_key):
        yield RuleViolation("camera", required_key, "nothing", f'a value: source = "{source}" needs it')
    for key in ("path", "url", "endpoint", "serial"):
        if key != required_key and values.is_set("camera", key):
            yield RuleViolation(
                "camera",
                key,
                f'{key} with source = "{source}"',
                f'no {key}: source = "{source}" goes with {required_key}',
            )


def _board(values: FieldValues, section: str) -> Iterator[RuleViolation]:
    kind = values.valid_value(section, "kind")
    if kind is None:
        return
    for key in _REQUIRED_BOARD_KEYS[kind]:
        if not values.is_set(section, key):
            yield RuleViolation(section, key, "nothing", f'a value: kind = "{kind}" needs it')
    inapplicable_keys = [key for key in _BOARD_SIZE_KEYS if key not in _REQUIRED_BOARD_KEYS[kind]]
    for key in inapplicable_keys if kind == "charuco" else [*inapplicable_keys, "corner_order"]:
        if values.is_set(section, key):
            yield RuleViolation(section, key, f'{key} with kind = "{kind}"', f'no {key}: kind = "{kind}" has none')
    min_count = _MIN_BOARD_COUNT[kind]
    columns, rows = values.valid_value(section, "columns"), values.valid_value(section, "rows")
    for key, count in (("columns", columns), ("rows", rows)):
        if count is not None and count < min_count:
            yield RuleViolation(section, key, str(count), f'at least {min_count} for kind = "{kind}"')
    square, marker = values.valid_value(section, "square_mm"), values.valid_value(section, "marker_mm")
    if kind == "charuco" and square is not None and marker is not None and marker >= square:
        yield RuleViolation(section, "marker_mm", f"{marker}", f"less than square_mm, which is {square}")
    name = values.valid_value(section, "dictionary")
    if (
        columns is not None
        and rows is not None
        and name in validators.DICTIONARY_SIZES
        and "dictionary" not in inapplicable_keys
    ):
        markers = columns * rows if kind == "grid" else columns * rows // 2
        if markers > validators.DICTIONARY_SIZES[name]:
            yield RuleViolation(
                section, "dictionary", format_value(name), f"one of at least the {markers} markers on this board"
            )


def _witness(values: FieldValues) -> Iterator[RuleViolation]:
    """The witness must be of use and must not be taken for the board."""
    if not values.has_section("witness"):
        return
    if values.valid_value("station", "mount") == Mount.ARM:
        yield RuleViolation("witness", "", 'a witness with mount = "arm"', 'none: it is for mount = "fixed"')
    board_kinds = values.valid_value("board", "kind"), values.valid_value("witness", "kind")
    names = values.valid_value("board", "dictionary"), values.valid_value("witness", "dictionary")
    if all(names) and all(kind in ("charuco", "grid") for kind in board_kinds):
        if len({validators.dictionary_family(name) for name in names}) == 1:
            allowed = "markers that are not on [board] too: another dictionary family, such as 4X4 beside 5X5"
            yield RuleViolation("witness", "dictionary", format_value(names[1]), allowed)
    elif (
        board_kinds[0] is not None and board_kinds[0] == board_kinds[1] and board_kinds[0] in ("chessboard", "circles")
    ):
        sizes = [{values.valid_value(section, key) for key in ("columns", "rows")} for section in ("board", "witness")]
        if sizes[0] == sizes[1] and None not in sizes[0]:
            yield RuleViolation("witness", "columns", "the size of [board]", "another size or kind, to tell them apart")


def _goal(values: FieldValues) -> Iterator[RuleViolation]:
    suggestion, far = values.valid_value("goal", "near_mm"), values.valid_value("goal", "far_mm")
    if suggestion is not None and far is not None and suggestion >= far:
        yield RuleViolation(
            "goal", "far_mm", format_value(far), f"more than near_mm, which is {format_value(suggestion)}"
        )
    min_pairs, max_pairs = values.valid_value("goal", "min_pairs"), values.valid_value("goal", "max_pairs")
    if min_pairs is not None and max_pairs is not None and max_pairs < min_pairs:
        # `max_pairs` may be the default: the fault is then on the line that the file does have.
        key = "max_pairs" if values.is_set("goal", "max_pairs") else "min_pairs"
        yield RuleViolation(
            "goal", key, f"min_pairs {min_pairs} and max_pairs {max_pairs}", "min_pairs not above max_pairs"
        )
