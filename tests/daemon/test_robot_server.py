"""Admission, takeover of the station, dialling."""

import socket

import pytest

from support.daemon_process import LONGEST_S, DaemonProcess, Robot, free_ports, until


@pytest.fixture(scope="module")
def daemon(recorded_cell, tmp_path_factory):
    with DaemonProcess(recorded_cell.station(tmp_path_factory.mktemp("manners"))) as running:
        yield running


def test_a_robot_from_an_address_that_is_not_allowed_gets_46_and_is_logged(daemon):
    with Robot(daemon.port, source="127.0.0.2") as stranger:
        assert stranger.reply() == "46,0,0,0"
        assert stranger.reply() == ""
    assert daemon.wait_for_log("connection rejected: address not in [robot] allow", peer="127.0.0.2")


def test_a_second_connection_takes_over_only_with_hello(daemon):
    with Robot(daemon.port) as old, Robot(daemon.port) as new:
        assert old.say("hello 0").startswith("0,0,")
        assert new.say("status 1").startswith("45,1,")
        assert old.say("status 1").startswith("0,1,")
        # The old one never hangs up: its cable was pulled.
        assert new.say("hello 0").startswith("0,0,")
        assert old.reply() == ""
        assert new.say("status 1").startswith("0,1,")


def test_a_robot_that_reconnects_during_a_capture_gets_its_reply(daemon, recorded_cell):
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        robot.send(recorded_cell.capture(1))
    with Robot(daemon.port) as robot:
        assert robot.say("hello 0").startswith("0,0,")
        assert robot.final("again 1")[:3] == (0, 1, 1)


def test_a_robot_that_sends_without_reading_is_disconnected(daemon):
    with Robot(daemon.port) as flood:
        flood.say("hello 0")
        flood.send(b"solve 800\n" * 5000)
        daemon.wait_for_log("connection closed: too many lines without waiting for replies")
    with Robot(daemon.port) as robot:
        assert robot.say("hello 0").startswith("0,0,")


def listen_as_robot(port):
    """A controller that can only wait for a connection."""
    listener = socket.create_server(("127.0.0.1", port))
    listener.settimeout(LONGEST_S)
    return listener


def test_a_dialling_daemon_retries_serves_and_dials_again(recorded_cell, start_daemon, tmp_path):
    (port,) = free_ports(1)
    daemon = start_daemon(recorded_cell.station(tmp_path, connection=f'dial = "127.0.0.1:{port}"'))
    daemon.wait_for_log("robot not reachable: retrying")
    with listen_as_robot(port) as listener:
        with Robot.on(listener.accept()[0]) as robot:
            assert robot.say("hello 0") == "0,0,0,0"
            assert robot.final(recorded_cell.capture(1))[:3] == (0, 1, 1)
        with Robot.on(listener.accept()[0]) as robot:
            assert robot.ask("hello 0")[3] == 1
            assert robot.ask("again 1")[:3] == (0, 1, 1)
    # The controller is off for a while.
    until(lambda: len(daemon.log("robot not reachable: retrying")) == 2, "the daemon is dialling again")
    with listen_as_robot(port) as listener, Robot.on(listener.accept()[0]) as robot:
        assert robot.final(recorded_cell.capture(2))[:3] == (0, 2, 2)


def test_a_dialling_daemon_ends_while_its_robot_is_connected(recorded_cell, start_daemon, tmp_path):
    (port,) = free_ports(1)
    daemon = start_daemon(recorded_cell.station(tmp_path, connection=f'dial = "127.0.0.1:{port}"'))
    with listen_as_robot(port) as listener, Robot.on(listener.accept()[0]) as robot:
        assert robot.say("hello 0") == "0,0,0,0"
        assert daemon.terminate(longest_s=8.0) == 0
        assert robot.reply() == ""
    assert "Traceback" not in daemon.text()


def test_live_poses_during_a_capture_change_nothing(recorded_cell, start_daemon, tmp_path):
    daemon = start_daemon(recorded_cell.station(tmp_path, settle_ms=1000))
    with Robot(daemon.port) as robot:
        assert robot.say("hello 0") == "0,0,0,0"
        robot.send(recorded_cell.capture(1))
        # Bare and malformed ones alike get no reply; those of an arm that stands still change nothing.
        robot.send("\n".join([f"pose {recorded_cell.poses[0]}"] * 200 + ["pose 520 0"] * 20))
        assert robot.reply().startswith(("0,1,1,", "10,1,"))
        assert robot.final("again 1")[:3] == (0, 1, 1)
        assert robot.say("status 2").startswith("0,2,1,")


def test_moving_live_poses_during_a_capture_are_21(recorded_cell, start_daemon, tmp_path):
    daemon = start_daemon(recorded_cell.station(tmp_path, settle_ms=1000))
    x, rest = recorded_cell.poses[0].split(" ", 1)
    with Robot(daemon.port) as robot:
        assert robot.say("hello 0") == "0,0,0,0"
        robot.send(recorded_cell.capture(1))
        robot.send("\n".join(f"pose {float(x) + 0.01 * k:.3f} {rest}" for k in range(30)))
        assert robot.final("again 1")[:3] == (21, 1, 0)
    assert "0.29 mm" in daemon.wait_for_log("reply sent", seq=1, code=21)["message"]
