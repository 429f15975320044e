"""The station file: the values of a valid one, and all faults of an invalid one with their lines."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eyebolt.boards import CharucoBoard
from eyebolt.config.diagnostics import ConfigFault, key_lines
from eyebolt.config.station_file import SECTIONS, Station, parse_station
from eyebolt.config.template import station_template
from eyebolt.errors import InputFault

FIXED = """\
[station]
name = "bay-3"
mount = "fixed"

[robot]
listen = "127.0.0.1:4750"
length = "m"
rotation = "rotation-vector"
angle = "rad"
noise_mm = 0.1
noise_deg = 0.02

[camera]
source = "device"
path = "/dev/video0"
intrinsics = "camera.json"

[board]
kind = "charuco"
columns = 12
rows = 9
square_mm = 15
marker_mm = 11
dictionary = "5X5_100"

[witness]
kind = "grid"
columns = 4
rows = 3
marker_mm = 20
gap_mm = 5
dictionary = "APRILTAG_36h11"

[goal]
tolerance_mm = 1
near_mm = 500
far_mm = 900
"""

ARM = """\
station = { name = "arm_1", mount = "arm", turns = "vertical" }
robot.dial = "robot-7.cell:5000"
robot."rotation" = "angle-z"
robot.pose_of = "tool"
robot.tool = [0, 0, 120.5, 90]
robot.tip_mm = [0.0, 0.0, 152.4]
robot.tip_sigma_mm = 0.1

[camera]
source = "genicam"
intrinsics = "lens/camera.json"

[board]
kind = "circles"
columns = 7
rows = 5
spacing_mm = 12.5

[goal]
tolerance_mm = 0.5
near_mm = 200
far_mm = 400
min_pairs = 10
accept = "when-proven"

[record]
folder = "/var/lib/cell/sessions"
"""


def faults_of(text: str) -> tuple[ConfigFault, ...]:
    with pytest.raises(InputFault) as caught:
        parse_station(text, "bay-3.toml")
    assert caught.value.code == "station-file"
    assert "bay-3.toml" in caught.value.message
    faults = caught.value.data["faults"]
    assert isinstance(faults, tuple) and faults
    for fault in faults:
        assert str(fault) in caught.value.message
    return faults


def places_of(text: str) -> list[tuple[int, str]]:
    return [(fault.line, fault.key) for fault in faults_of(text)]


def test_a_fixed_camera_with_defaults() -> None:
    station = parse_station(FIXED, "bay-3.toml")
    assert (station.station.name, station.station.mount, station.station.turns) == ("bay-3", "fixed", "free")
    assert station.station.status == "tcp://127.0.0.1:4751"
    assert station.robot.dial is None and station.robot.allow == ("127.0.0.1",)
    assert station.robot.pose_of == "flange" and station.flange_T_tool is None
    assert station.camera.settle_ms == 300
    assert station.board.corner_order == "current"
    assert station.witness is not None and station.witness.kind == "grid"
    assert (station.goal.min_pairs, station.goal.max_pairs, station.goal.accept) == (8, 40, "by-hand")
    assert station.record.folder == "sessions"
    assert station.robot_noise_m_rad == pytest.approx((1e-4, math.radians(0.02)))
    assert (station.pose_format.length, station.pose_format.rotation, station.pose_format.angle) == (
        "m",
        "rotation-vector",
        "rad",
    )


def test_a_camera_on_a_vertical_arm_written_with_dotted_keys_and_an_inline_table() -> None:
    station = parse_station(ARM, "arm.toml")
    assert (station.station.mount, station.station.turns) == ("arm", "vertical")
    assert station.robot.dial == "robot-7.cell:5000" and station.robot.listen is None
    assert station.robot_noise_m_rad is None
    assert station.flange_T_tool == pytest.approx(
        np.array([[0, -1, 0, 0], [1, 0, 0, 0], [0, 0, 1, 0.1205], [0, 0, 0, 1]]), abs=1e-12
    )
    assert station.robot.tip_mm == (0.0, 0.0, 152.4)
    assert station.goal.min_pairs == 10 and station.record.folder == "/var/lib/cell/sessions"


@pytest.mark.parametrize(
    ("lines", "names", "units"),
    [
        ("", None, ("deg",)),
        ('joint_names = ["J1", "J2"]', ("J1", "J2"), ("deg",)),
        ('joint_names = ["J1", "J2"]\njoint_unit = "rad"', ("J1", "J2"), ("rad",)),
        ('joint_names = ["J1", "Z"]\njoint_unit = ["deg", "mm"]', ("J1", "Z"), ("deg", "mm")),
    ],
)
def test_names_and_units_of_joints(lines: str, names: tuple[str, ...] | None, units: tuple[str, ...]) -> None:
    robot = parse_station(FIXED.replace("noise_deg = 0.02", f"noise_deg = 0.02\n{lines}"), "bay-3.toml").robot
    assert (robot.joint_names, robot.joint_unit) == (names, units)
    assert robot.joint_count == (None if names is None else len(names))


def test_a_station_is_frozen_and_cannot_be_built_against_the_rules() -> None:
    station = parse_station(FIXED, "bay-3.toml")
    with pytest.raises(ValueError, match="frozen"):
        station.goal.tolerance_mm = 2.0  # type: ignore[misc]
    content = station.model_dump(exclude_unset=True)
    content["goal"]["far_mm"] = 100.0
    with pytest.raises(ValueError, match="far_mm"):
        Station.model_validate(content)


def test_a_dozen_faults_are_reported_at_once_with_their_lines() -> None:
    text = """\
# a comment, and a text that looks like a header:
[station]
name = "bay 3"
mount = "wall"
note = '''
[goal]
tolerance_mm = 1
'''

[robot]
listen = "127.0.0.1:70000"
dial = "10.0.0.9:5000"
allow = [
    "127.0.0.1",
    "controller",
]
"rotation" = "euler-XXY"
noise_mm = 0.1
tip_sigma_mm = -1

[camera]
source = "device"
settle_ms = 0.3

[board]
kind = "charuco"
columns = 12
rows = "9"
square_mm = 15
marker_mm = 15
dictionary = "5X5-100"

[gaol]
tolerance_mm = 1

[goal]
tolerence_mm = 1
near_mm = 900
far_mm = 500
max_pairs = 4
"""
    assert places_of(text) == [
        (3, "[station] name"),
        (4, "[station] mount"),
        (5, "[station] note"),
        (11, "[robot] listen"),
        (12, "[robot] dial"),
        (13, "[robot] allow"),
        (17, "[robot] rotation"),
        (18, "[robot] noise_mm"),
        (19, "[robot] tip_sigma_mm"),
        (19, "[robot] tip_sigma_mm"),
        (21, "[camera] intrinsics"),
        (21, "[camera] path"),
        (23, "[camera] settle_ms"),
        (28, "[board] rows"),
        (30, "[board] marker_mm"),
        (31, "[board] dictionary"),
        (33, "[gaol]"),
        (36, "[goal] tolerance_mm"),
        (37, "[goal] tolerence_mm"),
        (39, "[goal] far_mm"),
        (40, "[goal] max_pairs"),
    ]
    by_key = {fault.key: fault for fault in faults_of(text)}
    assert by_key["[board] dictionary"].allowed.endswith('the closest is "5X5_100"')
    assert by_key["[goal] tolerence_mm"].allowed == "tolerance_mm is the closest known key"
    assert by_key["[gaol]"].allowed == "[goal] is the closest known section"
    assert by_key["[board] rows"].found == '"9"'
    assert by_key["[goal] tolerance_mm"].found == "nothing"


def replaced(text: str, old: str, new: str) -> str:
    assert text.count(old) == 1, old
    return text.replace(old, new)


ONE_FAULT = [
    (FIXED, 'listen = "127.0.0.1:4750"\n', "", 5, "[robot]", "neither"),
    (FIXED, '"127.0.0.1:4750"', '"127.0.0.1:4751"', 6, "[robot] listen", "4751"),
    (FIXED, '"127.0.0.1:4750"', '"127.0.0.1"', 6, "[robot] listen", "127.0.0.1"),
    (FIXED, '"127.0.0.1:4750"', '"300.0.0.1:4750"', 6, "[robot] listen", "300.0.0.1"),
    (FIXED, '"127.0.0.1:4750"', '"::1:4750"', 6, "[robot] listen", "::1"),
    (FIXED, '"rotation-vector"', '"angle-z"', 8, "[robot] rotation", "angle-z"),
    (FIXED, "noise_deg = 0.02", "noise_deg = 0", 11, "[robot] noise_deg", "0"),
    (FIXED, "noise_deg = 0.02", "noise_deg = 0.02\nreply_wait_s = 30.1", 12, "[robot] reply_wait_s", "30.1"),
    (FIXED, "noise_deg = 0.02", "noise_deg = 0.02\nreply_wait_s = -1", 12, "[robot] reply_wait_s", "-1"),
    (FIXED, "noise_deg = 0.02", "noise_deg = 0.02\njoint_names = []", 12, "[robot] joint_names", "[]"),
    (FIXED, "noise_deg = 0.02", 'noise_deg = 0.02\njoint_names = ["a", "a"]', 12, "[robot] joint_names", "twice"),
    (FIXED, "noise_deg = 0.02", 'noise_deg = 0.02\njoint_names = ["a b"]', 12, "[robot] joint_names", "a b"),
    (FIXED, "noise_deg = 0.02", 'noise_deg = 0.02\njoint_unit = "deg"', 12, "[robot] joint_unit", "joint_names"),
    (
        FIXED,
        "noise_deg = 0.02",
        'noise_deg = 0.02\njoint_names = ["a"]\njoint_unit = "grad"',
        13,
        "[robot] joint_unit",
        "grad",
    ),
    (
        FIXED,
        "noise_deg = 0.02",
        'noise_deg = 0.02\njoint_names = ["a"]\njoint_unit = ["deg", "mm"]',
        13,
        "[robot] joint_unit",
        "2 units",
    ),
    (
        FIXED,
        "noise_deg = 0.02",
        "noise_deg = 0.02\ndh_mm_deg = [[0, 90, 400, 0]]",
        12,
        "[robot] dh_mm_deg",
        "joint_names",
    ),
    (
        FIXED,
        "noise_deg = 0.02",
        'noise_deg = 0.02\njoint_names = ["a", "b"]\ndh_mm_deg = [[0, 90, 400, 0]]',
        13,
        "[robot] dh_mm_deg",
        "1 rows",
    ),
    (
        FIXED,
        "noise_deg = 0.02",
        'noise_deg = 0.02\njoint_names = ["a"]\ndh_mm_deg = [[0, 90, 400]]',
        13,
        "[robot] dh_mm_deg",
        "400",
    ),
    (FIXED, "noise_deg = 0.02", "noise_deg = nan", 11, "[robot] noise_deg", "nan"),
    (FIXED, "noise_deg = 0.02\n", "", 10, "[robot] noise_mm", "noise_deg"),
    (FIXED, "noise_deg = 0.02", 'noise_deg = 0.02\npose_of = "tool"', 12, "[robot] pose_of", "without"),
    (FIXED, "noise_deg = 0.02", "noise_deg = 0.02\ntool = [0, 0, 1, 0, 0, 0]", 12, "[robot] tool", "pose_of"),
    (FIXED, "noise_deg = 0.02", 'noise_deg = 0.02\n[robot.gripper]\nmake = "x"', 12, "[robot] gripper", "section"),
    (FIXED, 'source = "device"\npath = "/dev/video0"', 'source = "stream"', 13, "[camera] url", "nothing"),
    (FIXED, 'source = "device"', 'source = "device"\nurl = "rtsp://cam/1"', 15, "[camera] url", "device"),
    (FIXED, 'source = "device"\npath = "/dev/video0"', 'source = "stream"\nurl = "cam/1"', 15, "[camera] url", "cam/1"),
    (FIXED, "15\n", "true\n", 22, "[board] square_mm", "true"),
    (FIXED, "columns = 12", "columns = 40", 24, "[board] dictionary", "5X5_100"),
    (FIXED, "columns = 12", "columns = 2", 20, "[board] columns", "2"),
    (FIXED, "APRILTAG_36h11", "5X5_50", 32, "[witness] dictionary", "5X5_50"),
    (FIXED, 'mount = "fixed"', 'mount = "arm"', 26, "[witness]", "arm"),
    (FIXED, "tolerance_mm = 1\n", "", 34, "[goal] tolerance_mm", "nothing"),
    (FIXED, "tolerance_mm = 1\n", f"tolerance_mm = {'9' * 400}\n", 35, "[goal] tolerance_mm", "60 digits"),
    (FIXED, "far_mm = 900", "far_mm = 500", 37, "[goal] far_mm", "500"),
    (FIXED, "far_mm = 900", "far_mm = 900\nmin_pairs = 2", 38, "[goal] min_pairs", "2"),
    (FIXED, "far_mm = 900", "far_mm = 900\nmin_pairs = 50", 38, "[goal] min_pairs", "50"),
    (FIXED, "far_mm = 900", 'far_mm = 900\nname = "x"', 38, "[goal] name", "unknown"),
    (ARM, "robot.tool = [0, 0, 120.5, 90]\n", "", 4, "[robot] pose_of", "tool"),
    (ARM, "[0, 0, 120.5, 90]", "[0, 0, 120.5, 90, 0]", 5, "[robot] tool", "90"),
    (ARM, "[0.0, 0.0, 152.4]", "[0.0, 152.4]", 6, "[robot] tip_mm", "[0.0, 152.4]"),
    (ARM, "robot.tip_mm = [0.0, 0.0, 152.4]\n", "", 6, "[robot] tip_sigma_mm", "tip_mm"),
    (ARM, 'turns = "vertical"', 'turns = "level"', 1, "[station] turns", "level"),
    (ARM, "spacing_mm = 12.5", "spacing_mm = 12.5\nsquare_mm = 3", 18, "[board] square_mm", "circles"),
    (ARM, "spacing_mm = 12.5\n", "", 13, "[board] spacing_mm", "nothing"),
    (FIXED, "gap_mm = 5", "gap_mm = 1", 31, "[witness] gap_mm", "1"),
    (
        ARM,
        'kind = "circles"\ncolumns = 7\nrows = 5\nspacing_mm',
        'kind = "chessboard"\ncolumns = 5\nrows = 5\nsquare_mm',
        16,
        "[board] rows",
        "5",
    ),
]


@pytest.mark.parametrize(("good", "old", "new", "line", "key", "found"), ONE_FAULT, ids=lambda v: str(v)[:30])
def test_one_change_gives_one_fault(good: str, old: str, new: str, line: int, key: str, found: str) -> None:
    (fault,) = faults_of(replaced(good, old, new))
    assert (fault.line, fault.key) == (line, key)
    assert found in fault.found
    assert fault.allowed


@pytest.mark.parametrize(
    ("endpoint", "fine"),
    [
        ("tcp://127.0.0.1:4800", True),
        ("tcp://127.8.0.1:4800", True),
        ("tcp://[::1]:4800", True),
        ("tcp://localhost:4800", True),
        ("ipc:///run/cell/camera", True),
        ("tcp://192.168.7.9:4800", False),
        ("tcp://*:4800", False),
        ("tcp://bay-3.cell:4800", False),
        ("tcp://0.0.0.0:4800", False),
        ("tcp://[::]:4800", False),
        ("tcp://127.0.0.1", False),
        ("tcp://127.0.0.1:0", False),
        ("ipc://", False),
        ("ipc://" + "x" * 108, False),
        ("udp://127.0.0.1:4800", False),
        ("tcp://localhost.example:4800", False),
    ],
)
def test_endpoints_stay_on_this_computer(endpoint: str, fine: bool) -> None:
    text = replaced(FIXED, 'source = "device"\npath = "/dev/video0"', f'source = "push"\nendpoint = "{endpoint}"')
    if fine:
        assert parse_station(text, "bay-3.toml").camera.endpoint == endpoint
    else:
        assert places_of(text) == [(15, "[camera] endpoint")]


@pytest.mark.parametrize("name", ["../outside", "..", "a/b", "/etc", "", "x" * 33, "bay 3", "bay.3", "bäy"])
def test_a_stations_name_can_be_no_path(name: str) -> None:
    assert places_of(replaced(FIXED, 'name = "bay-3"', f'name = "{name}"')) == [(2, "[station] name")]


BEYOND = ["tcp://192.168.7.9:4800", "tcp://0.0.0.0:4800", "tcp://[::]:4800", "tcp://[fe80::1]:4800"]


@pytest.mark.parametrize("endpoint", BEYOND)
def test_endpoints_that_other_computers_reach_require_keys(endpoint: str) -> None:
    reached = replaced(FIXED, 'mount = "fixed"', f'mount = "fixed"\nstatus = "{endpoint}"')
    reached = replaced(reached, 'source = "device"\npath = "/dev/video0"', f'source = "push"\nendpoint = "{endpoint}"')
    # Both are reported at once, and one line corrects both.
    assert places_of(reached) == [(4, "[station] status"), (16, "[camera] endpoint")]
    for fault in faults_of(reached):
        assert "without keys" in fault.found and 'keys = "keys"' in fault.allowed
    station = parse_station(replaced(reached, 'mount = "fixed"', 'mount = "fixed"\nkeys = "keys"'), "bay-3.toml")
    assert (station.station.keys, station.station.status) == ("keys", endpoint)
    # The daemon connects to a simulated camera, but to none on another computer.
    called = replaced(reached, 'source = "push"', 'source = "simulated"')
    with_keys = replaced(called, 'mount = "fixed"', 'mount = "fixed"\nkeys = "keys"')
    assert places_of(with_keys) == [(17, "[camera] endpoint")]


@pytest.mark.parametrize(
    ("board", "kind"),
    [
        ('kind = "chessboard"\ncolumns = 9\nrows = 6\nsquare_mm = 20', "chessboard"),
        ('kind = "grid"\ncolumns = 5\nrows = 4\nmarker_mm = 30\ngap_mm = 6\ndictionary = "4X4_50"', "grid"),
        ('kind = "circles"\ncolumns = 7\nrows = 5\nspacing_mm = 12', "circles"),
    ],
)
def test_each_kind_of_board(board: str, kind: str) -> None:
    start, end = FIXED.index('kind = "charuco"'), FIXED.index("[witness]")
    assert parse_station(FIXED[:start] + board + "\n\n" + FIXED[end:], "x.toml").board.kind == kind


def test_dictionaries_are_those_of_the_board_classes() -> None:
    for spelling, name in {"ARUCO_ORIGINAL": "ARUCO_ORIGINAL", "DICT_6x6_250": "6X6_250"}.items():
        station = parse_station(replaced(FIXED, "5X5_100", spelling), "x.toml")
        assert station.board.dictionary == name
        assert station.board.to_board() == CharucoBoard(12, 9, 0.015, 0.011, name)


def test_a_witness_with_the_markers_of_the_board_is_refused_however_they_are_spelt() -> None:
    assert places_of(replaced(FIXED, "APRILTAG_36h11", "DICT_5x5_250")) == [(32, "[witness] dictionary")]


def test_a_fault_has_a_message_and_a_remedy() -> None:
    (fault,) = faults_of(replaced(FIXED, "far_mm = 900", "far_mm = 500"))
    assert fault.line == 37 and "line 37" in fault.message and "500" in fault.message
    assert "near_mm" in fault.remedy


def test_every_key_has_a_description_for_its_faults() -> None:
    for section in SECTIONS.values():
        assert all(field.description for field in section.model_fields.values())


def test_allowed_addresses() -> None:
    text = replaced(FIXED, 'length = "m"', 'length = "m"\nallow = ["192.168.7.0/24", "10.0.0.5", "::1"]')
    robot = parse_station(text, "x.toml").robot
    for address, expected in {
        "192.168.7.44": True,
        "::ffff:10.0.0.5": True,
        "::1": True,
        "192.168.8.1": False,
        "127.0.0.1": False,
        "no address": False,
    }.items():
        assert robot.allows(address) is expected, address


@pytest.mark.parametrize(
    ("old", "new", "line", "hint"),
    [
        ('mount = "fixed"', "mount = fixed", 3, "double quotes"),
        ("tolerance_mm = 1\n", "tolerance_mm = 0,5\n", 35, "decimal point"),
        ("tolerance_mm = 1\n", "tolerance_mm = .5\n", 35, "both sides of the point"),
        ('mount = "fixed"', 'mount "fixed"', 3, "key = value"),
        ('"/dev/video0"', '"C:\\data"', 15, "/ between the folders"),
        ('mount = "fixed"', 'mount = "fixed', 3, "quote it began with"),
        ('mount = "fixed"', 'mount = "fixed"\nmount = "arm"', 4, "each key once"),
        ("[goal]", "[board]", 34, "each section once"),
        ("far_mm = 900\n", "far_mm = [900\n", 37, "closed with ]"),
        ("[board]\n", "tip_mm = [1, 2\n[board]\n", 19, "line 18"),
        ("far_mm = 900\n", f"far_mm = {'9' * 5000}\n", 37, "few digits"),
        ("far_mm = 900\n", f"far_mm = {'[' * 3000}\n", 37, "key = value"),
    ],
)
def test_a_syntax_error_names_its_line_and_a_remedy(old: str, new: str, line: int, hint: str) -> None:
    (fault,) = faults_of(replaced(FIXED, old, new))
    assert fault.line == line
    assert hint in fault.allowed


def test_a_file_that_is_no_station_file_at_all() -> None:
    assert [key for _, key in places_of("")] == ["[station]", "[robot]", "[camera]", "[board]", "[goal]"]
    assert len(faults_of("x" * 100_000)) == 1
    assert places_of('robot = 5\n[[board]]\nkind = "grid"\n' + FIXED[: FIXED.index("[robot]")])[:2] == [
        (1, "[robot]"),
        (2, "[board]"),
    ]
    assert "\x1b" not in str(faults_of('"\\u001b[2J" = 1\n[robot]\n"\\u001b[2J" = "\\u001b[2J"\n'))


def test_a_byte_order_mark_and_windows_line_ends_are_no_fault() -> None:
    text = "\ufeff" + FIXED.replace("\n", "\r\n")
    assert parse_station(text, "x.toml") == parse_station(FIXED, "x.toml")
    assert places_of(text.replace("far_mm = 900", "far_mm = 9")) == [(37, "[goal] far_mm")]


def test_lines_of_keys_however_they_are_written() -> None:
    text = '''\
"a b".c = 1 # [x]

[ robot . arm ]
text = """
[fake]
k = 1"""
list = [ # [no]
  "]",
  { inner = 2 },
]
[[many]]
x = 1
[[many]]
y = { z = [1,
2] }
'''
    lines = key_lines(text)
    assert lines == {
        ("a b",): 1,
        ("a b", "c"): 1,
        ("robot",): 3,
        ("robot", "arm"): 3,
        ("robot", "arm", "text"): 4,
        ("robot", "arm", "list"): 7,
        ("robot", "arm", "list", "inner"): 7,
        ("many",): 11,
        ("many", "x"): 12,
        ("many", "y"): 14,
        ("many", "y", "z"): 14,
    }


@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_the_template_is_a_valid_station_file(mount: str) -> None:
    text = station_template("cell_9", mount, camera_lines=['source = "folder"', 'path = "pictures"'], tolerance_mm=0.4)
    station = parse_station(text, "new.toml")
    assert (station.station.name, station.station.mount, station.camera.source) == ("cell_9", mount, "folder")
    assert station.goal.tolerance_mm == 0.4
    assert "cannot be detected in the data" in text
    assert max(len(line) for line in text.splitlines()) <= 120


def test_the_template_refuses_what_would_make_no_station() -> None:
    with pytest.raises(InputFault) as caught:
        station_template('a"\nb')
    assert caught.value.code == "station-file"


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_no_damage_to_a_good_file_raises_anything_but_a_fault(data: st.DataObject) -> None:
    text = data.draw(st.sampled_from([FIXED, ARM, station_template()]))
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(text)))
        end = min(len(text), start + data.draw(st.integers(0, 12)))
        values = [
            "-1",
            "1e999",
            "nan",
            "true",
            '""',
            "[]",
            "{}",
            "1979-05-27",
            "9" * 400,
            "[[1]]",
            '"\\u0000"',
            "\n[robot]\n",
        ]
        patch = data.draw(st.one_of(st.sampled_from(values), st.text(max_size=6)))
        text = text[:start] + patch + text[end:]
    try:
        station = parse_station(text, "x.toml")
    except InputFault as fault:
        last_line = text.count("\n") + 1
        assert fault.data["faults"]
        assert all(1 <= f.line <= last_line and f.found and f.allowed for f in fault.data["faults"])  # type: ignore[attr-defined]
    else:
        assert isinstance(station, Station)


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_no_value_of_a_good_key_raises_anything_but_a_fault(data: st.DataObject) -> None:
    lines = FIXED.splitlines()
    settable = [i for i, line in enumerate(lines) if "=" in line]
    index = data.draw(st.sampled_from(settable))
    values = ["-1", "0", "1e999", "inf", "true", '""', '"x"', "[]", "[1]", "{}", "1979-05-27", "07:32:00", "9" * 400]
    value = data.draw(st.sampled_from(values))
    lines[index] = lines[index].partition("=")[0] + "= " + value
    try:
        parse_station("\n".join(lines), "x.toml")
    except InputFault as fault:
        # A fault may show on another line of the same section, or where its partner in another section stands.
        assert fault.code == "station-file"


def test_a_guided_session_needs_an_operator_and_a_live_camera() -> None:
    guided = replaced(FIXED, "[robot]\n", "[robot]\nguided = true\n")
    (fault,) = faults_of(guided)
    assert (fault.key, "control" in fault.allowed) == ("[robot] guided", True)
    with_control = replaced(guided, "[station]\n", '[station]\ncontrol = "tcp://127.0.0.1:4752"\n')
    assert parse_station(with_control, "x.toml").robot.guided
    assert not parse_station(FIXED, "x.toml").robot.guided
    recorded = replaced(replaced(with_control, 'source = "device"', 'source = "folder"'), '"/dev/video0"', '"pictures"')
    (fault,) = faults_of(recorded)
    assert (fault.key, "live camera" in fault.allowed) == ("[robot] guided", True)
