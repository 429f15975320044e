"""A session of the operator against a real daemon: `eyebolt session` beside a robot that only streams its pose."""

import threading

import pytest

from eyebolt.cli.session import EXIT_REFUSED, EXIT_UNCONFIRMED, control_source, run_session
from eyebolt.errors import InputFault, MachineFault
from eyebolt.protocol import ControlAction
from eyebolt.session import ImageFact, ReplyFact
from support.daemon_process import Robot, free_ports
from support.processes import Patience
from support.recorded_facts import newest_facts


class Operator:
    """`eyebolt session` of one station; what it prints is in ``lines``."""

    def __init__(self, station, answer=None):
        self.station, self.answer, self.lines = station, answer, []

    def __call__(self, action, new=False):
        ask = None if self.answer is None else lambda question: self.answer
        source = control_source(self.station, None, None)
        return run_session(ControlAction(action), source, new, self.lines.append, ask)

    def fault_of(self, action):
        with pytest.raises((InputFault, MachineFault)) as fault:
            self(action)
        assert fault.value.remedy
        return fault.value.code


def take_at(operator, robot, pose):
    """The exit code of a take while the robot streams a pose."""
    ended = threading.Event()

    def stream():
        while not ended.wait(0.02):
            robot.send(f"pose {pose}")

    streaming, patience = threading.Thread(target=stream), Patience()
    streaming.start()
    try:
        while True:
            try:
                return operator("take")
            except InputFault as fault:
                # A busy machine makes pauses between two poses.
                assert fault.code == "no-live-pose"
                assert not patience.is_over()
    finally:
        ended.set()
        streaming.join()


@pytest.fixture
def station(recorded_cell, tmp_path):
    (port,) = free_ports(1)
    return recorded_cell.station(tmp_path, control=f"tcp://127.0.0.1:{port}")


def test_a_session_of_the_operator(station, start_daemon, recorded_cell, monkeypatch):
    monkeypatch.setattr("eyebolt.monitor.control_client._CONNECT_TIMEOUT_S", 0.2)
    operator = Operator(station)
    assert operator.fault_of("begin") == "control-unreachable"
    monkeypatch.undo()
    daemon = start_daemon(station)
    assert operator.fault_of("undo") == "session-none"
    assert operator("begin") == 0
    assert operator.fault_of("take") == "no-live-pose"
    with Robot(daemon.port) as robot:
        assert take_at(operator, robot, recorded_cell.poses[0]) == 0
        assert take_at(operator, robot, recorded_cell.poses[1]) == 0
        # A pose that was there already.
        assert take_at(operator, robot, recorded_cell.poses[1]) == EXIT_REFUSED
        assert operator("undo") == 0
        # The robot's own numbers go on, and its pairs count in the same session.
        assert robot.ask("hello 0")[2:] == (1, 1)
        assert operator("begin") == EXIT_UNCONFIRMED
        assert Operator(station, answer=False)("begin") == EXIT_UNCONFIRMED
        assert operator("finish") == 0
        assert Operator(station, answer=True)("begin") == 0
    verbs = [fact.request.line.split()[0] for fact in newest_facts(station, ReplyFact)]
    assert verbs == ["begin"]
    daemon.terminate()


def test_what_was_taken_is_there_after_a_restart(station, start_daemon, recorded_cell):
    operator = Operator(station)
    daemon = start_daemon(station)
    assert operator("begin") == 0
    with Robot(daemon.port) as robot:
        assert take_at(operator, robot, recorded_cell.poses[0]) == 0
    daemon.kill()
    daemon = start_daemon(station)
    (image,) = newest_facts(station, ImageFact)
    assert (image.request.seq, image.request.line) == (1000001, f"capture 1000001 {recorded_cell.poses[0]}")
    with Robot(daemon.port) as robot:
        assert robot.ask("hello 0")[2:] == (1, 1)
    assert operator("undo") == 0
    assert [fact.request.seq for fact in newest_facts(station, ReplyFact)] == [1, 1000001, 1000002]


def test_a_station_without_a_control_address_names_the_line_to_add(recorded_cell, tmp_path):
    operator = Operator(recorded_cell.station(tmp_path))
    assert operator.fault_of("begin") == "control-none"


def test_from_another_computer_a_key_is_needed():
    with pytest.raises(InputFault) as fault:
        control_source(None, "tcp://192.0.2.7:4752", None)
    assert fault.value.code == "keys-needed"
    assert "--operator" in fault.value.remedy
    with pytest.raises(MachineFault) as fault:
        control_source(None, "tcp://192.0.2.7", None)
    assert fault.value.code == "control-address"
