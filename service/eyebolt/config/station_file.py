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
from eyebolt.config.toml_diagnostics import BrokenRule, KeyPath, StationFault, key_lines, printable, shown, syntax_fault
from eyebolt.config.validators import closest
from eyebolt.errors import InputFault
from eyebolt.geometry import Array, PoseReading

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


SECTIONS: dict[str, type[Section]] = {
    "station": StationSection,
    "robot": RobotSection,
    "camera": CameraSection,
    "board": BoardSection,
    "witness": BoardSection,
    "goal": GoalSection,
    "record": RecordSection,
}

_CAMERA_KEYS = {
    "device": "path",
    "stream": "url",
    "folder": "path",
    "push": "endpoint",
    "simulated": "endpoint",
    "genicam": "serial",
}
_BOARD_KEYS = {
    "charuco": ("square_mm", "marker_mm", "dictionary"),
    "chessboard": ("square_mm",),
    "grid": ("marker_mm", "gap_mm", "dictionary"),
    "circles": ("spacing_mm",),
}
_BOARD_SIZES = ("square_mm", "marker_mm", "gap_mm", "spacing_mm", "dictionary")
# Fewer give corners on one line, from which no pose follows; OpenCV's chessboard search wants 3 x 3 inner corners.
_BOARD_LEAST = {"charuco": 3, "chessboard": 4, "grid": 1, "circles": 3}


class Values:
    """What a station file says, field by field, while it is being checked."""

    def __init__(self, sections: Mapping[str, Any], at_fault: Collection[tuple[str, str]]) -> None:
        """``sections`` as parsed; ``at_fault`` names the (section, key) whose values are wrong by themselves."""
        self._sections = {n: s for n, s in sections.items() if n in SECTIONS and isinstance(s, Mapping)}
        self._at_fault = at_fault

    def has(self, section: str) -> bool:
        """Whether the file has this section."""
        return section in self._sections

    def given(self, section: str, key: str) -> bool:
        """Whether the file sets this key, rightly or wrongly."""
        return key in self._sections.get(section, {})

    def sound(self, section: str, key: str) -> Any:
        """The value or its default; None if it is wrong by itself, missing, or its section is."""
        if section not in self._sections or (section, key) in self._at_fault:
            return None
        if self.given(section, key):
            return self._sections[section][key]
        return SECTIONS[section].model_fields[key].get_default()


def broken_rules(values: Values) -> list[BrokenRule]:
    """Every rule between fields that does not hold."""
    rules: tuple[Callable[[Values], Iterator[BrokenRule]], ...] = (
        _connection,
        _reach,
        _pose,
        _robot_numbers,
        _camera,
        lambda v: _board(v, "board"),
        lambda v: _board(v, "witness"),
        _witness,
        _goal,
    )
    return [broken for rule in rules for broken in rule(values)]


def _connection(values: Values) -> Iterator[BrokenRule]:
    if not values.has("robot"):
        return
    one = 'either listen = "127.0.0.1:4750" (the robot calls) or dial = "host:port" (Eyebolt calls the robot)'
    if values.given("robot", "listen") and values.given("robot", "dial"):
        yield BrokenRule("robot", "dial", "both listen and dial", one)
    elif not values.given("robot", "listen") and not values.given("robot", "dial"):
        yield BrokenRule("robot", "", "neither listen nor dial", one)
    listen, status = values.sound("robot", "listen"), values.sound("station", "status")
    if listen and status and status.startswith("tcp://"):
        port = addresses.split_host_port(listen)[1]
        if port == addresses.split_host_port(status.removeprefix("tcp://"))[1]:
            where = f"port {port}, which [station] status uses too"
            yield BrokenRule("robot", "listen", where, "another port")


def _reach(values: Values) -> Iterator[BrokenRule]:
    """Sockets that other computers can reach want keys; the daemon itself calls no camera on another computer."""
    with_keys = values.given("station", "keys")
    source = values.sound("camera", "source")
    for section, key in (("station", "status"), ("camera", "endpoint")):
        endpoint = values.sound(section, key)
        if endpoint is None or not addresses.beyond_this_computer(endpoint):
            continue
        if section == "camera" and source == "simulated":
            allowed = 'an address on this computer, such as "tcp://127.0.0.1:4760"'
            yield BrokenRule(section, key, f'{shown(endpoint)} with source = "simulated"', allowed)
        elif not with_keys:
            allowed = (
                'keys = "keys" under [station], made by `eyebolt keys`; or an address such as "tcp://127.0.0.1:4751"'
            )
            yield BrokenRule(section, key, f"{shown(endpoint)}, which other computers reach, without keys", allowed)


def _pose(values: Values) -> Iterator[BrokenRule]:
    pose_of, tool = values.sound("robot", "pose_of"), values.sound("robot", "tool")
    rotation, length, angle = (values.sound("robot", key) for key in ("rotation", "length", "angle"))
    if rotation == "angle-z" and values.sound("station", "turns") == "free":
        yield BrokenRule("robot", "rotation", '"angle-z"', '"angle-z" only with [station] turns = "vertical"')
    if pose_of == "tool" and not values.given("robot", "tool"):
        yield BrokenRule("robot", "pose_of", '"tool" without a tool', 'tool = [...] beside it, or pose_of = "flange"')
    if pose_of == "flange" and tool is not None:
        yield BrokenRule("robot", "tool", 'a tool with pose_of = "flange"', 'no tool, or pose_of = "tool"')
    if tool is not None and rotation and length and angle:
        reading = PoseReading(length=length, rotation=rotation, angle=angle)
        try:
            reading.to_matrix(tool)
        except InputFault as fault:
            allowed = f"{reading.field_count} numbers written as the robot writes a pose ({fault.message})"
            yield BrokenRule("robot", "tool", shown(tool), allowed)


def _robot_numbers(values: Values) -> Iterator[BrokenRule]:
    for key, partner in (("tip_sigma_mm", "tip_mm"), ("noise_mm", "noise_deg"), ("noise_deg", "noise_mm")):
        if values.given("robot", key) and not values.given("robot", partner):
            yield BrokenRule("robot", key, f"no {partner} beside it", f"{key} together with {partner}")


def _camera(values: Values) -> Iterator[BrokenRule]:
    source = values.sound("camera", "source")
    if source is None:
        return
    wanted = _CAMERA_KEYS[source]
    if source != "genicam" and not values.given("camera", wanted):
        yield BrokenRule("camera", wanted, "nothing", f'a value: source = "{source}" needs it')
    for key in ("path", "url", "endpoint", "serial"):
        if key != wanted and values.given("camera", key):
            yield BrokenRule(
                "camera", key, f'{key} with source = "{source}"', f'no {key}: source = "{source}" goes with {wanted}'
            )


def _board(values: Values, section: str) -> Iterator[BrokenRule]:
    kind = values.sound(section, "kind")
    if kind is None:
        return
    for key in _BOARD_KEYS[kind]:
        if not values.given(section, key):
            yield BrokenRule(section, key, "nothing", f'a value: kind = "{kind}" needs it')
    unused = [key for key in _BOARD_SIZES if key not in _BOARD_KEYS[kind]]
    for key in unused if kind == "charuco" else [*unused, "corner_order"]:
        if values.given(section, key):
            yield BrokenRule(section, key, f'{key} with kind = "{kind}"', f'no {key}: kind = "{kind}" has none')
    least = _BOARD_LEAST[kind]
    columns, rows = values.sound(section, "columns"), values.sound(section, "rows")
    for key, count in (("columns", columns), ("rows", rows)):
        if count is not None and count < least:
            yield BrokenRule(section, key, str(count), f'at least {least} for kind = "{kind}"')
    square, marker = values.sound(section, "square_mm"), values.sound(section, "marker_mm")
    if kind == "charuco" and square is not None and marker is not None and marker >= square:
        yield BrokenRule(section, "marker_mm", f"{marker}", f"less than square_mm, which is {square}")
    name = values.sound(section, "dictionary")
    if columns is not None and rows is not None and name in validators.DICTIONARY_SIZES and "dictionary" not in unused:
        markers = columns * rows if kind == "grid" else columns * rows // 2
        if markers > validators.DICTIONARY_SIZES[name]:
            yield BrokenRule(section, "dictionary", shown(name), f"one of at least the {markers} markers on this board")


def _witness(values: Values) -> Iterator[BrokenRule]:
    """The witness must be of use and must not be taken for the board."""
    if not values.has("witness"):
        return
    if values.sound("station", "mount") == "arm":
        yield BrokenRule("witness", "", 'a witness with mount = "arm"', 'none: it is for mount = "fixed"')
    kinds = values.sound("board", "kind"), values.sound("witness", "kind")
    names = values.sound("board", "dictionary"), values.sound("witness", "dictionary")
    if all(names) and all(kind in ("charuco", "grid") for kind in kinds):
        if len({validators.dictionary_family(name) for name in names}) == 1:
            allowed = "markers that are not on [board] too: another dictionary family, such as 4X4 beside 5X5"
            yield BrokenRule("witness", "dictionary", shown(names[1]), allowed)
    elif kinds[0] is not None and kinds[0] == kinds[1] and kinds[0] in ("chessboard", "circles"):
        sizes = [{values.sound(section, key) for key in ("columns", "rows")} for section in ("board", "witness")]
        if sizes[0] == sizes[1] and None not in sizes[0]:
            yield BrokenRule("witness", "columns", "the size of [board]", "another size or kind, to tell them apart")


def _goal(values: Values) -> Iterator[BrokenRule]:
    near, far = values.sound("goal", "near_mm"), values.sound("goal", "far_mm")
    if near is not None and far is not None and near >= far:
        yield BrokenRule("goal", "far_mm", shown(far), f"more than near_mm, which is {shown(near)}")
    fewest, most = values.sound("goal", "fewest"), values.sound("goal", "most")
    if fewest is not None and most is not None and most < fewest:
        # `most` may be the default: the fault is then on the line that the file does have.
        key = "most" if values.given("goal", "most") else "fewest"
        yield BrokenRule("goal", key, f"fewest {fewest} and most {most}", "fewest not above most")
