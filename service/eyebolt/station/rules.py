"""Rules between the fields of a station file.

Each rule looks only at fields that are sound by themselves, so that every fault of a file can be told at once.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from typing import Any

from eyebolt.errors import InputFault
from eyebolt.geometry.readings import PoseReading
from eyebolt.station import checks
from eyebolt.station.faults import BrokenRule, shown
from eyebolt.station.sections import (
    BoardSection,
    CameraSection,
    GoalSection,
    RecordSection,
    RobotSection,
    Section,
    StationSection,
)

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
        port = checks.split_host_port(listen)[1]
        if port == checks.split_host_port(status.removeprefix("tcp://"))[1]:
            where = f"port {port}, which [station] status uses too"
            yield BrokenRule("robot", "listen", where, "another port")


def _reach(values: Values) -> Iterator[BrokenRule]:
    """Sockets that other computers can reach want keys; the daemon itself calls no camera on another computer."""
    with_keys = values.given("station", "keys")
    source = values.sound("camera", "source")
    for section, key in (("station", "status"), ("camera", "endpoint")):
        endpoint = values.sound(section, key)
        if endpoint is None or not checks.beyond_this_computer(endpoint):
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
    if columns is not None and rows is not None and name in checks.DICTIONARY_SIZES and "dictionary" not in unused:
        markers = columns * rows if kind == "grid" else columns * rows // 2
        if markers > checks.DICTIONARY_SIZES[name]:
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
        if len({checks.dictionary_family(name) for name in names}) == 1:
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
