"""Models of controllers: their habits, and whole sessions of each against the daemon on real sockets."""

from __future__ import annotations

import contextlib
import socket
import threading
from dataclasses import replace

import numpy as np
import pytest

from eyebolt.config.station_file import parse_station
from eyebolt.config.template import station_template
from eyebolt.errors import InputFault, MachineFault
from eyebolt.protocol import Code, Request, parse
from eyebolt_sim.cell import CellOptions, prepare_cell
from eyebolt_sim.controllers import CONTROLLERS, Connection, ControllerLink, ControllerProgram, find_controller
from eyebolt_sim.controllers.numbers import BlankPadded, ShortestWithExponents, SignificantDigits, SinglePrecision
from eyebolt_sim.controllers.sockets import CR, LF, FloatReader, Glued, HeldUntilCr, LineReader, OneString
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.robot_link import open_connection
from eyebolt_sim.waypoints import Waypoint
from support.daemon_process import LONGEST_S, Robot, free_ports
from support.prepared_daemon import PreparedCell, PreparedDaemon, prepared_daemons

ROWS = pytest.mark.parametrize("row", CONTROLLERS.values(), ids=CONTROLLERS.keys())
# Every row with each of its connections.
VARIANTS = [(row, connection) for row in CONTROLLERS.values() for connection in row.connections]
POSES = 9


def nothing(line):
    """For programs that print."""


def link_of(row):
    """The link of a row, and the other end of its connection."""
    near, far = socket.socketpair()
    far.settimeout(5)
    return ControllerLink(row, near), far


# ---- habits


@pytest.mark.parametrize(
    ("habit", "value", "text"),
    [
        (BlankPadded(9), -1.5, "   -1.500"),
        (ShortestWithExponents(), 0.00001, "1e-05"),
        (ShortestWithExponents(), 0.5000001, "0.5"),
        (SignificantDigits(7), 1234.56789, "1234.568"),
        # Single precision holds 24 bits of it.
        (SinglePrecision(SignificantDigits(10)), 1234.56789, "1234.567871"),
    ],
)
def test_numbers_are_printed_as_the_language_does(habit, value, text):
    assert habit.text(value, 3 if isinstance(habit, BlankPadded) else 6) == text


def test_a_line_that_is_too_long_for_the_string_is_a_fault():
    assert OneString(7).strings(["hello ", "0"], LF) == [b"hello 0\n"]
    with pytest.raises(InputFault) as caught:
        OneString(6).strings(["hello ", "0"], LF)
    assert caught.value.code == "sim-string"


def test_held_output_leaves_with_the_next_cr_and_glued_output_when_the_program_reads():
    assert HeldUntilCr().released(b"hello 0") == 0
    assert HeldUntilCr().released(b"hello 0\r\n") == len(b"hello 0\r")
    assert HeldUntilCr().released_by_reading(b"\n") == 0
    assert (Glued().released(b"pose 1\n"), Glued().released_by_reading(b"pose 1\n")) == (0, 7)


def test_a_line_reader_leaves_the_rest_and_rejects_what_its_string_does_not_hold():
    reader = LineReader(CR, 10, None)
    assert reader.take(b"0,1,0", 4) == (None, b"0,1,0")
    assert reader.take(b"\n0,1,0,8\r\n0", 4) == ((0, 1, 0, 8), b"\n0")
    for line, count in ((b"0,1,0,8,9\r", 4), (b"0,x,0,8\r", 4), (b"0,1,0,8,123\r", 5)):
        with pytest.raises(MachineFault) as caught:
            reader.take(line, count)
        assert caught.value.code == "sim-reply"


def test_a_float_reader_wants_brackets_and_takes_another_count_for_silence():
    reader = FloatReader()
    assert reader.take(b"0,1,0,8\n", 4) == (None, b"0,1,0,8\n")
    assert reader.take(b"(0,1,0", 4) == (None, b"(0,1,0")
    assert reader.take(b"(0,1,0,8)\n(9", 4) == ((0, 1, 0, 8), b"\n(9")
    assert reader.take(b"(0,1,0)\n", 4) == (None, b"\n")


# ---- rows


@ROWS
def test_the_longest_line_fits_the_strings_and_is_read_as_it_was_meant(row):
    form = row.pose_format
    numbers = form.numbers(PoseFormat("m", "rotation-vector", "rad").parse_pose([-1.2345678] * 3 + [1.8, -1.8, 1.8]))
    link, far = link_of(row)
    with far, contextlib.closing(link):
        # A line is sent before it, so that held output leaves.
        link.send(["status 1"])
        link.send([f"capture{row.separator}999{row.separator}", *row.pose_parts(numbers)])
        link.send(["status 2"])
        with contextlib.suppress(MachineFault):
            link._release(row.output.released_by_reading(link._pending))
        received = far.recv(4096)
    lines = [line for line in received.replace(b"\r", b"\n").split(b"\n") if line.strip(b"\0 ")]
    parsed = parse(lines[1], form.field_count)
    assert isinstance(parsed, Request), parsed
    assert parsed.bracketed == row.reader.wants_brackets
    length, rotation = row.decimals
    allowed = [0.51 * 10.0**-length] * 3 + [0.51 * 10.0**-rotation] * (form.field_count - 3)
    # Seven digits where the language prints its own literal.
    allowed = [max(a, 5.1e-7 * abs(n)) for a, n in zip(allowed, numbers, strict=True)]
    assert np.all(np.abs(np.subtract(parsed.pose, numbers)) <= allowed)


@ROWS
def test_a_station_of_another_format_is_refused_with_the_lines_that_it_needs(row, tmp_path):
    def station(connection, form, more=()):
        text = station_template(
            connection=connection, length=form.length, rotation=form.rotation, angle=form.angle, robot_lines=more
        )
        return parse_station(text, "station.toml")

    waits = [] if row.min_reply_wait_s is None else [f"reply_wait_s = {row.min_reply_wait_s:g}"]
    for connection in row.connections:
        row.check_fits(station(f'{connection} = "127.0.0.1:4750"', row.pose_format, waits).robot)
    other = station('listen = "127.0.0.1:4750"', PoseFormat("um", "euler-YXY", "rad"))
    with pytest.raises(InputFault) as caught:
        row.check_fits(other.robot)
    assert caught.value.code == "sim-controller"
    for line in ('rotation = "euler-YXY"', *row.station_lines(Connection.CLIENT, "127.0.0.1:4750")):
        assert line in caught.value.message + caught.value.remedy
    if Connection.LISTENER not in row.connections:
        with pytest.raises(InputFault) as caught:
            row.check_fits(station('dial = "127.0.0.1:4750"', row.pose_format, waits).robot)
        assert "dial" in caught.value.message


def test_the_cell_of_a_station_refuses_a_controller_that_does_not_fit(make_station):
    with pytest.raises(InputFault) as caught:
        prepare_cell(make_station(), CellOptions(controller=CONTROLLERS["krl"]))
    assert caught.value.code == "sim-controller"
    assert caught.value.message.endswith('rotation = "quaternion-wxyz"')


def test_an_unknown_controller_lists_the_known_ones():
    with pytest.raises(InputFault) as caught:
        find_controller("basic")
    assert all(name in caught.value.remedy for name in CONTROLLERS)


# ---- programs


class NoArm:
    """Nothing moves; ``moved`` is called with the number of the waypoint."""

    def __init__(self, moved):
        self._moved = moved

    def move_to(self, joints_rad, seconds, now_s):
        self._moved(round(joints_rad[0] / 0.01))

    def place_board(self, base_T_board):
        raise AssertionError("no board is placed")


def waypoints_of(cell):
    """The poses of a prepared cell, with joints that number them."""
    return [Waypoint(np.full(6, 0.01 * k), pose) for k, pose in enumerate(cell.problem.base_T_flange_reported)]


def run_program(row, connection, cell, moved, captures=2):
    points = waypoints_of(cell)
    with contextlib.closing(ControllerLink(row, connection)) as link:
        program = ControllerProgram(link, NoArm(moved), np.eye(4), 1e6, nothing)
        return program.run(points[:captures], [points[0], points[-1]])


@pytest.fixture(scope="module")
def accepted(tmp_path_factory):
    """A cell, the folder of its station with an accepted result, and that result as the daemon replied it."""
    cell, place = PreparedCell.draw("fixed", POSES, 3), tmp_path_factory.mktemp("accepted")
    station = cell.station(place)
    with prepared_daemons() as errors, PreparedDaemon(cell, station, {}) as daemon, Robot(daemon.port) as robot:
        assert robot.say("hello 0") == "0,0,0,0"
        for index in range(8):
            daemon.stands_at = index
            robot.final(f"capture {index + 1} {cell.pose(index)}")
        assert robot.final("solve 9")[0] == 0
        assert robot.final("bye 10")[0] == 0
        code, _, *numbers = robot.ask("result 11")
    assert (code, errors) == (0, [])
    return cell, place, PoseFormat().parse_pose(numbers)


@pytest.mark.parametrize(("row", "connection"), VARIANTS, ids=[f"{row.name}-{way}" for row, way in VARIANTS])
def test_every_model_runs_a_session_and_reads_the_result(row, connection, accepted):
    cell, place, transform = accepted
    form = row.pose_format
    station = cell.station(
        place,
        connection=f'{connection} = "127.0.0.1:{free_ports(1)[0]}"',
        length=form.length,
        rotation=form.rotation,
        angle=form.angle,
        robot_lines=[] if row.min_reply_wait_s is None else [f"reply_wait_s = {row.min_reply_wait_s}"],
    )
    with prepared_daemons() as errors, PreparedDaemon(cell, station, {}) as daemon:
        outcome = run_program(row, open_connection(daemon.context.station.robot, LONGEST_S), cell, daemon.stand_at)
        facts = daemon.captures()
    assert (errors, outcome.stop_code, outcome.kept) == ([], None, 2)
    # Two pairs do not solve; the result that is read is the accepted one.
    assert outcome.rejected_requests == (("solve", 1, Code(28)),)
    for raw_pose, index in zip(facts, (0, 1, 0, POSES - 1), strict=True):
        exact = form.numbers(cell.problem.base_T_flange_reported[index])
        assert list(raw_pose) == row.printed_numbers(exact)
    read = form.parse_pose(outcome.result)
    # The reply rounds both; single precision holds seven digits.
    assert read == pytest.approx(transform, abs=3e-6)


def test_a_refused_capture_is_tried_once_more_and_a_lost_reply_asked_for_again():
    row = replace(CONTROLLERS["rotation_vector_script"], reader=FloatReader(time_limit_s=1.0))
    near, far = socket.socketpair()
    lines = []

    def serve():
        replies = {
            "capture,2": ["", "(20,2,0,8)"],
            "capture,3": ["(10,3,0,8)"],
            "again,3": ["(1,3,1,7)"],
            "result,5": ["(36,5,0,0,0,0,0,0)"],
        }
        with far, far.makefile("rb") as stream:
            for raw in stream:
                line = raw.decode().strip("()\n")
                verb, seq = line.split(",")[:2]
                lines.append(f"{verb} {seq}")
                pending = replies.get(f"{verb},{seq}", [])
                text = pending.pop(0) if pending else f"(0,{seq},1,{0 if verb == 'hello' else 5})"
                far.sendall(text.encode() + b"\n" if text else b"")

    server = threading.Thread(target=serve)
    server.start()
    joints = np.array([0.1, 0.5, -2.0, 0.1, 0.6, 0.3])
    with contextlib.closing(ControllerLink(row, near)) as link:
        outcome = ControllerProgram(link, NoArm(lambda index: None), np.eye(4), 1e6, nothing).run(
            [Waypoint(joints, np.eye(4))], []
        )
    server.join()
    assert lines == [
        "hello 0",
        "begin 1",
        "capture 2",
        "capture 2",
        "capture 3",
        "again 3",
        "solve 4",
        "result 5",
        "bye 6",
    ]
    assert (outcome.stop_code, outcome.kept, outcome.result) == (None, 1, ())
