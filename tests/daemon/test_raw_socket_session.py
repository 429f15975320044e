"""A session by hand over netcat or a bare socket, and the replies to malformed lines."""

import json
import shutil
import subprocess

import pytest

from support.daemon_process import DaemonProcess, Robot
from support.processes import until

POSE = "100.0 200.0 300.0 1.0 0.0 0.0 0.0"
WRONG = {
    "unknown verb": ("capturr 7 " + POSE, 40, 7, "'capturr' is not a verb"),
    "too few fields": ("capture 7 100 200 300", 41, 7, "got 4"),
    "decimal comma": (
        "capture 7 100,0 200,0 300,0 1,0 0,0 0,0 0,0", 41, 7, "a decimal comma is the likely cause"
    ),
    "a word for a number": ("capture 7 100 200 here 1 0 0 0", 42, 7, "'here' is not a number"),
    "not a number": ("capture 7 100 200 nan 1 0 0 0", 42, 7, "'nan' is not a number"),
    "seq out of range": ("capture -7 " + POSE, 43, 0, "seq is a whole number from 0 to 999999, got '-7'"),
    "no quaternion": ("capture 7 100 200 300 1 1 1 1", 43, 7, "a quaternion has 1"),
    "far too long": ("capture 7 " + POSE + " 0" * 200, 44, 7, "longer than 256 bytes"),
}  # fmt: skip


@pytest.fixture(scope="module")
def daemon(recorded_cell, tmp_path_factory):
    station = recorded_cell.station(tmp_path_factory.mktemp("by-hand"))
    with DaemonProcess(station) as running:
        yield running


@pytest.mark.skipif(shutil.which("nc") is None, reason="no netcat here: apt-get install netcat-openbsd")
def test_a_person_can_run_a_session_with_netcat(daemon, recorded_cell):
    netcat = subprocess.Popen(
        ["nc", "127.0.0.1", str(daemon.port)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
    )
    with netcat:

        def type_in(line):
            netcat.stdin.write(line + "\n")
            return netcat.stdout.readline().rstrip("\n")

        assert type_in("hello 0") == "0,0,0,0"
        assert type_in("begin 1") == "0,1,0,8"
        for seq in (2, 3):
            reply = type_in(recorded_cell.capture(seq, seq - 2))
            while reply.startswith("10,"):
                reply = type_in(f"again {seq}")
            assert reply == f"0,{seq},{seq - 1},{8 - (seq - 1)}"
        assert type_in("status 4") == "0,4,2,6"
        assert type_in("hopla 5").startswith("40,5,2,")
        netcat.kill()


@pytest.mark.parametrize("name", WRONG)
def test_a_malformed_line_gets_its_code_and_is_logged(daemon, name):
    line, code, seq, words = WRONG[name]
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        reply = robot.ask(line)
    assert reply[:2] == (code, seq)

    def entries():
        return [e for e in daemon.log() if e.get("code") == code and words in str(e.get("message"))]

    # The log has a thread of its own: an entry may come after the reply.
    assert until(entries, f"{words!r} in the log", process=daemon.process)[-1]["level"] == "warning"


def test_a_failed_numbers_reply_keeps_its_number_count(daemon):
    """A controller that reads a fixed count would otherwise wait for ever."""
    with Robot(daemon.port) as robot:
        assert robot.say("hello 0").startswith("0,0,")
        assert robot.say("result 3") == "36,3,0,0,0,0,0,0,0"
        assert robot.say("result 3 4 5 6") == "41,3,0,0,0,0,0,0,0"
        assert robot.say("result 3 4 2") == "36,3,0,0"
        assert robot.say("locate 3 1 2 3") == "45,3,0,0,0"


def test_replies_have_the_ending_and_brackets_of_their_line(daemon):
    with Robot(daemon.port) as robot:
        robot.send(b"(hello 0)\r")
        assert robot.connection.recv(64).startswith(b"(0,0,")
        robot.send(b"hello,0\r\n")
        assert robot.connection.recv(64).endswith(b"\r\n")


def test_live_poses_and_empty_lines_get_no_reply(daemon):
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        robot.send(b"\n\r\n")
        robot.send(f"pose {POSE}")
        robot.send("pose rubbish")
        assert robot.say("status 77").startswith("0,77,")


def test_many_lines_in_one_packet_are_answered_in_order(daemon):
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        robot.send("".join(f"status {n}\n" for n in range(1, 31)).encode())
        replies = [robot.reply() for _ in range(30)]
    assert [r.split(",")[1] for r in replies] == [str(n) for n in range(1, 31)]


def test_every_line_of_the_log_is_json(daemon):
    assert all(json.loads(line)["timestamp"] for line in daemon.text().splitlines())
