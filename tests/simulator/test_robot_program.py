"""The program of the simulated robot on a real socket, against scripted daemons."""

import contextlib
import socket
import threading
import time

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.config import RobotSection
from eyebolt.errors import InputFault, MachineFault
from eyebolt_sim import robot_link
from eyebolt_sim.arm import Arm
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.robot_link import accept_daemon, connect_to_daemon, open_link
from eyebolt_sim.robot_program import RobotProgram, active_tool
from eyebolt_sim.transforms import matrix
from eyebolt_sim.waypoints import Waypoint

JOINTS = [np.array([0.1 * k, 0.5, -2.0, 0.1, 0.6, 0.3]) for k in range(4)]
WAYPOINTS = [Waypoint(joints, Arm().forward(joints)) for joints in JOINTS]


class RecordingArm:
    def __init__(self):
        self.moves = []

    def move_to(self, joints_rad, seconds, now_s):
        self.moves.append(joints_rad)


def run_program(daemon, waypoints, checks=(), tool=None):
    printed, arm = [], RecordingArm()
    link = connect_to_daemon("127.0.0.1", daemon.port, 2.0)
    try:
        program = RobotProgram(link, arm, PoseFormat(), np.eye(4) if tool is None else tool, 1e6, printed.append)
        return program.run(waypoints, checks), printed, arm
    finally:
        link.close()


def script(captures, **others):
    """Replies: ``captures`` one after the other, others by verb; the last sequence number in use is 41."""
    pending = list(captures)

    def answer(line):
        verb, seq, *_ = line.split()
        if verb in ("capture", "again", "check"):
            return pending.pop(0).replace("SEQ", seq)
        return others.get(verb, "0,SEQ,0,5" if verb != "hello" else "0,0,0,41").replace("SEQ", seq)

    return answer


def test_a_session_runs_from_hello_to_bye(scripted_daemon):
    daemon = scripted_daemon(
        script(["0,SEQ,1,2", "1,SEQ,2,1", "3,SEQ,3,0", "0,SEQ,3,0"], solve="0,SEQ,3,640", result="0,SEQ,1,2,3,1,0,0,0")
    )
    outcome, printed, arm = run_program(daemon, WAYPOINTS, WAYPOINTS[:1])
    pose = PoseFormat().format_pose(WAYPOINTS[1].base_T_flange)
    assert [line.split()[:2] for line in daemon.lines] == [
        ["hello", "0"], ["begin", "42"], ["capture", "43"], ["capture", "44"], ["capture", "45"], ["check", "46"],
        ["solve", "47"], ["result", "48"], ["bye", "49"],
    ]  # fmt: skip
    assert daemon.lines[3] == f"capture 44 {pose}"
    assert (outcome.stop_code, outcome.kept) == (None, 3)
    assert [list(q) for q in arm.moves] == [list(q) for q in [*JOINTS[:3], JOINTS[0]]]
    assert printed[0] == "waypoint 1/4: kept (0), 1 pairs, 2 wanted"
    assert "solve: 0, p95 0.640 mm" in printed
    assert "result: 1 2 3 1 0 0 0" in printed


def test_working_is_polled_and_the_program_continues_after_a_refusal(scripted_daemon):
    daemon = scripted_daemon(script(["10,SEQ,0,8", "10,SEQ,0,8", "0,SEQ,1,7", "20,SEQ,1,7", "0,SEQ,2,6", "26,SEQ,2,6"]))
    outcome, _, _ = run_program(daemon, WAYPOINTS)
    assert [line.split()[:2] for line in daemon.lines[2:8]] == [
        ["capture", "43"], ["again", "43"], ["again", "43"], ["capture", "44"], ["capture", "45"], ["capture", "46"],
    ]  # fmt: skip
    assert outcome.stop_code is None
    assert [(rejected.number, rejected.code) for rejected in outcome.rejected_requests] == [(2, 20), (4, 26)]


def test_stop_codes_end_the_program_at_once(scripted_daemon):
    daemon = scripted_daemon(script(["0,SEQ,1,7", "34,SEQ,1,7"]))
    outcome, _, _ = run_program(daemon, WAYPOINTS)
    assert (outcome.stop_code, outcome.kept) == (34, 1)
    assert [line.split()[0] for line in daemon.lines] == ["hello", "begin", "capture", "capture"]


@pytest.mark.parametrize("verb", ["begin", "solve"])
def test_stop_codes_of_other_requests_end_the_program_too(scripted_daemon, verb):
    daemon = scripted_daemon(script(["3,SEQ,1,0"], **{verb: "31,SEQ,0,0"}))
    outcome, _, _ = run_program(daemon, WAYPOINTS)
    assert outcome.stop_code == 31
    assert daemon.lines[-1].split()[0] == verb


def test_a_result_that_is_not_accepted_stops_the_program_only_after_the_solve(scripted_daemon):
    daemon = scripted_daemon(script(["3,SEQ,1,0"], result="36,SEQ,0,0,0,0,0,0,0"))
    outcome, printed, _ = run_program(daemon, WAYPOINTS)
    assert outcome.stop_code is None
    assert any(line.startswith("result: 36") for line in printed)
    daemon = scripted_daemon(script(["3,SEQ,1,0"], solve="36,SEQ,1,0", result="36,SEQ,0,0,0,0,0,0,0"))
    outcome, _, _ = run_program(daemon, WAYPOINTS)
    assert outcome.stop_code == 36
    assert daemon.lines[-1].split()[0] == "bye"


def test_rejected_requests_are_listed_in_order(scripted_daemon):
    daemon = scripted_daemon(
        script(["0,SEQ,1,7", "26,SEQ,1,7", "3,SEQ,2,0", "0,SEQ,2,0", "20,SEQ,2,0"], solve="28,SEQ,2,4")
    )
    outcome, _, _ = run_program(daemon, WAYPOINTS, WAYPOINTS[:2])
    assert outcome.rejected_requests == (("capture", 2, 26), ("check", 2, 20), ("solve", 1, 28))
    assert (outcome.stop_code, outcome.solved) == (None, False)


@pytest.mark.parametrize(
    ("captures", "others", "code", "line"),
    [
        (["41,SEQ,0,0"], {}, 41, "capture 43"),
        ([], {"hello": "46,0,0,0"}, 46, "hello 0"),
        ([], {"begin": "22,SEQ,0,0"}, 22, "begin"),
    ],
)
def test_a_rejected_line_is_a_fault_of_the_input(scripted_daemon, captures, others, code, line):
    with pytest.raises(InputFault) as refused:
        run_program(scripted_daemon(script(captures, **others)), WAYPOINTS)
    assert refused.value.code == "sim-refused"
    assert str(code) in refused.value.message
    assert line in refused.value.message


@pytest.mark.parametrize(("reply", "words"), [(None, "closed"), ("what?", "b'what?'"), ("0,1", "b'0,1'")])
def test_a_closed_connection_or_a_malformed_reply_is_a_fault(scripted_daemon, reply, words):
    with pytest.raises(MachineFault) as broken:
        run_program(scripted_daemon(lambda line: reply), WAYPOINTS)
    assert broken.value.code == "sim-no-daemon"
    assert words in broken.value.message


def test_a_missing_daemon_or_a_used_port_is_a_fault(free_port):
    with pytest.raises(MachineFault) as no_listener:
        connect_to_daemon("127.0.0.1", free_port(), 0.2)
    with pytest.raises(MachineFault) as no_dialler:
        accept_daemon("127.0.0.1", free_port(), 0.2)
    with socket.create_server(("127.0.0.1", 0)) as used, pytest.raises(MachineFault) as port_in_use:
        accept_daemon("127.0.0.1", used.getsockname()[1], 0.2)
    codes = [caught.value.code for caught in (no_listener, no_dialler, port_in_use)]
    assert codes == ["sim-no-daemon", "sim-no-daemon", "sim-port"]


def test_the_robot_waits_for_a_daemon_that_dials(scripted_daemon, free_port):
    port = free_port()
    daemon = scripted_daemon(script([]))

    def dial():
        for _ in range(100):
            try:
                daemon.serve(socket.create_connection(("127.0.0.1", port), timeout=5))
                return
            except ConnectionRefusedError:
                threading.Event().wait(0.02)

    dialler = threading.Thread(target=dial)
    dialler.start()
    link = accept_daemon("127.0.0.1", port, 5.0)
    assert link.exchange("hello 0").aux == 41
    link.close()
    dialler.join(5)
    assert not dialler.is_alive()


def test_an_active_tool_changes_the_reported_pose(scripted_daemon):
    tool = active_tool(PoseFormat(), "tool", [0, 0, 150, 1, 0, 0, 0])
    assert (active_tool(PoseFormat(), "flange", None) == np.eye(4)).all()
    rotated = Waypoint(JOINTS[0], matrix(Rotation.from_euler("Y", 90, degrees=True), [0.3, 0, 0.2]))
    daemon = scripted_daemon(script(["3,SEQ,1,0"]))
    run_program(daemon, [rotated], tool=tool)
    assert daemon.lines[2] == "capture 43 450.000 0.000 200.000 0.707107 0.000000 0.707107 0.000000"


def test_a_reply_is_waited_for_longer_than_the_daemon_holds_it(scripted_daemon, monkeypatch):
    def answer(line):
        time.sleep(0.4)
        return "0,1,0,8"

    monkeypatch.setattr(robot_link, "_REPLY_TIMEOUT_S", 0.1)
    daemon = scripted_daemon(answer)
    robot = RobotSection(listen=f"127.0.0.1:{daemon.port}", reply_wait_s=20.0)
    with contextlib.closing(open_link(robot, 2.0)) as link:
        assert link.exchange("solve 1").code == 0
