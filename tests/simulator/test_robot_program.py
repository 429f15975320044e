"""The simulated robot's program over a real socket, against daemons that answer as each test wants."""

import socket
import threading

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.errors import InputFault, MachineFault
from eyebolt_sim.arm import Arm
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.robot_link import accept_daemon, connect_to_daemon
from eyebolt_sim.robot_program import RobotProgram, active_tool
from eyebolt_sim.transforms import matrix
from eyebolt_sim.waypoints import Waypoint

JOINTS = [np.array([0.1 * k, 0.5, -2.0, 0.1, 0.6, 0.3]) for k in range(4)]
PLACES = [Waypoint(joints, Arm().forward(joints)) for joints in JOINTS]


class Arms:
    def __init__(self):
        self.moves = []

    def move_to(self, joints_rad, seconds, now_s):
        self.moves.append(joints_rad)


def play(daemon, waypoints, checks=(), tool=None):
    said, arm = [], Arms()
    link = connect_to_daemon("127.0.0.1", daemon.port, 2.0)
    try:
        program = RobotProgram(link, arm, PoseFormat(), np.eye(4) if tool is None else tool, 1e6, said.append)
        return program.run(waypoints, checks), said, arm
    finally:
        link.close()


def script(captures, **others):
    """Answers: ``captures`` one after the other, others by verb; hello says that 41 was the last number used."""
    left = list(captures)

    def answer(line):
        verb, seq, *_ = line.split()
        if verb in ("capture", "again", "check"):
            return left.pop(0).replace("SEQ", seq)
        return others.get(verb, "0,SEQ,0,5" if verb != "hello" else "0,0,0,41").replace("SEQ", seq)

    return answer


def test_a_session_runs_from_hello_to_bye(scripted_daemon):
    daemon = scripted_daemon(
        script(["0,SEQ,1,2", "1,SEQ,2,1", "3,SEQ,3,0", "0,SEQ,3,0"], solve="0,SEQ,3,640", result="0,SEQ,1,2,3,1,0,0,0")
    )
    outcome, said, arm = play(daemon, PLACES, PLACES[:1])
    pose = PoseFormat().format_pose(PLACES[1].base_T_flange)
    assert [line.split()[:2] for line in daemon.lines] == [
        ["hello", "0"], ["begin", "42"], ["capture", "43"], ["capture", "44"], ["capture", "45"], ["check", "46"],
        ["solve", "47"], ["result", "48"], ["bye", "49"],
    ]  # fmt: skip
    assert daemon.lines[3] == f"capture 44 {pose}"
    assert (outcome.stop_code, outcome.kept) == (None, 3)
    assert [list(q) for q in arm.moves] == [list(q) for q in [*JOINTS[:3], JOINTS[0]]]
    assert said[0] == "waypoint 1/4: kept (0), 1 pairs, 2 wanted"
    assert "solve: 0, p95 0.640 mm" in said
    assert "result: 1 2 3 1 0 0 0" in said


def test_working_is_asked_again_and_a_refusal_is_passed_over(scripted_daemon):
    daemon = scripted_daemon(script(["10,SEQ,0,8", "10,SEQ,0,8", "0,SEQ,1,7", "20,SEQ,1,7", "0,SEQ,2,6", "26,SEQ,2,6"]))
    outcome, said, _ = play(daemon, PLACES)
    assert [line.split()[:2] for line in daemon.lines[2:8]] == [
        ["capture", "43"], ["again", "43"], ["again", "43"], ["capture", "44"], ["capture", "45"], ["capture", "46"],
    ]  # fmt: skip
    assert outcome.stop_code is None
    assert "waypoint 2/4: refused (20)" in said


def test_stop_codes_end_the_program_at_once(scripted_daemon):
    daemon = scripted_daemon(script(["0,SEQ,1,7", "34,SEQ,1,7"]))
    outcome, said, _ = play(daemon, PLACES)
    assert (outcome.stop_code, outcome.kept) == (34, 1)
    assert [line.split()[0] for line in daemon.lines] == ["hello", "begin", "capture", "capture"]
    assert said[-1] == "waypoint 2/4: stop (34)"


@pytest.mark.parametrize("verb", ["begin", "solve"])
def test_stop_codes_of_other_requests_end_it_too(scripted_daemon, verb):
    daemon = scripted_daemon(script(["3,SEQ,1,0"], **{verb: "31,SEQ,0,0"}))
    outcome, _, _ = play(daemon, PLACES)
    assert outcome.stop_code == 31
    assert daemon.lines[-1].split()[0] == verb


def test_a_result_that_is_not_accepted_is_told(scripted_daemon):
    daemon = scripted_daemon(script(["3,SEQ,1,0"], result="36,SEQ,0,0,0,0,0,0,0"))
    outcome, said, _ = play(daemon, PLACES)
    assert outcome.stop_code is None
    assert "result: 36, none is accepted yet" in said
    daemon = scripted_daemon(script(["3,SEQ,1,0"], solve="36,SEQ,1,0", result="36,SEQ,0,0,0,0,0,0,0"))
    outcome, _, _ = play(daemon, PLACES)
    assert outcome.stop_code == 36
    assert daemon.lines[-1].split()[0] == "bye"


def test_what_was_not_kept_is_told_in_order(scripted_daemon):
    """A capture, a check and the solve; whoever plays the program has it without reading sentences."""
    daemon = scripted_daemon(
        script(["0,SEQ,1,7", "26,SEQ,1,7", "3,SEQ,2,0", "0,SEQ,2,0", "20,SEQ,2,0"], solve="28,SEQ,2,4")
    )
    outcome, _, _ = play(daemon, PLACES, PLACES[:2])
    assert outcome.rejected_requests == (("capture", 2, 26), ("check", 2, 20), ("solve", 1, 28))
    assert (outcome.stop_code, outcome.solved) == (None, False)
    assert outcome.message == "the daemon could not solve: 28"


@pytest.mark.parametrize(
    ("answers", "others", "message"),
    [
        (["41,SEQ,0,0"], {}, "finds fault with 'capture 43"),
        ([], {"hello": "46,0,0,0"}, "finds fault with 'hello 0'"),
        ([], {"begin": "22,SEQ,0,0"}, "begin was answered 22"),
    ],
)
def test_faults_of_the_program_are_one_clear_text(scripted_daemon, answers, others, message):
    with pytest.raises(InputFault, match=message):
        play(scripted_daemon(script(answers, **others)), PLACES)


@pytest.mark.parametrize(("answer", "message"), [(None, "closed the"), ("what?", "no reply"), ("0,1", "no reply")])
def test_a_daemon_that_hangs_up_or_talks_nonsense_is_told(scripted_daemon, answer, message):
    with pytest.raises(MachineFault, match=message):
        play(scripted_daemon(lambda line: answer), PLACES)


def test_nobody_there_is_told_either_way(free_port):
    with pytest.raises(MachineFault, match="no daemon listens"):
        connect_to_daemon("127.0.0.1", free_port(), 0.2)
    with pytest.raises(MachineFault, match="no daemon called"):
        accept_daemon("127.0.0.1", free_port(), 0.2)
    with socket.create_server(("127.0.0.1", 0)) as taken, pytest.raises(MachineFault, match="cannot listen"):
        accept_daemon("127.0.0.1", taken.getsockname()[1], 0.2)


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


def test_a_tool_in_force_changes_the_reported_pose(scripted_daemon):
    tool = active_tool(PoseFormat(), "tool", [0, 0, 150, 1, 0, 0, 0])
    assert (active_tool(PoseFormat(), "flange", None) == np.eye(4)).all()
    turned = Waypoint(JOINTS[0], matrix(Rotation.from_euler("Y", 90, degrees=True), [0.3, 0, 0.2]))
    daemon = scripted_daemon(script(["3,SEQ,1,0"]))
    play(daemon, [turned], tool=tool)
    assert daemon.lines[2] == "capture 43 450.000 0.000 200.000 0.707107 0.000000 0.707107 0.000000"
