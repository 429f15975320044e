"""Sequence numbers, who holds the station, and the replies to a robot that waits."""

from datetime import datetime

import numpy as np
import pytest

from eyebolt.geometry import PoseFormat
from eyebolt.session import messages as msg
from eyebolt.session.facts import ImageFact, ReplyFact
from eyebolt.session.messages import AcceptedResult
from support.session_world import World, capture, check, config, pose_text


@pytest.fixture
def world():
    return World()


@pytest.fixture
def robot(world):
    return world.connect()


def test_a_repeated_line_gets_the_recorded_reply_and_has_no_effect(world, robot):
    assert world.say(robot, capture(1)) == "0,1,1,7"
    assert world.say(robot, capture(2)) == "0,2,2,6"
    before = (len(world.commands(msg.Grab)), list(world.facts))
    assert world.say(robot, capture(1)) == "0,1,1,7"
    assert (len(world.commands(msg.Grab)), world.facts) == before


def test_the_same_numbers_with_other_digits_are_the_same_line(world, robot):
    line = capture(1)
    verb, seq, *numbers = line.split()
    spelled = " ".join([verb, f"{seq}.0", *(f"{float(number):.7e}" for number in numbers)])
    assert world.say(robot, line) == world.say(robot, spelled) == "0,1,1,7"
    world.holds = (msg.Grab,)
    assert world.say(robot, capture(2)) == "10,2,1,7"
    assert world.say(robot, capture(2).replace("capture 2 ", "capture 2.0 ")) == "10,2,1,7"
    assert world.say(robot, capture(2, 9)) == "47,2,1,2"
    # The record keeps what was sent first.
    assert world.facts_of(ReplyFact)[-1].request.line == line


def test_another_line_under_a_used_seq_is_47_with_the_last_seq(world, robot):
    world.say(robot, capture(1))
    world.say(robot, capture(5))
    before = world.facts
    assert world.say(robot, capture(1, 9)) == "47,1,2,5"
    assert world.say(robot, check(1, 1)) == "47,1,2,5"
    assert world.say(robot, "undo 5") == "47,5,2,5"
    assert world.facts == before


@pytest.mark.parametrize(
    ("question", "answer"),
    [
        ("status 2", "0,2,1,7"),
        ("hello 2", "0,2,1,1"),
        ("again 0", "43,0,1,1"),
        ("again 2", "43,2,1,1"),
        ("result 2", "36,2,0,0,0,0,0,0,0"),
        ("locate 2 1 2 3", "45,2,0,0,0"),
        ("pixel 2 1 2 3", "45,2,0,0,0"),
    ],
)
def test_requests_that_are_not_recorded_leave_no_fact(world, robot, question, answer):
    world.say(robot, capture(1))
    before = world.facts
    assert [world.say(robot, question) for _ in range(2)] == [answer] * 2
    assert world.facts == before
    assert world.say(robot, capture(2)) == "0,2,2,6"


def test_result_is_the_accepted_transform_in_the_robots_pose_format(world, robot):
    transform = np.array([[1, 0, 0, 0.5201], [0, -1, 0, -0.0305], [0, 0, -1, 0.9], [0, 0, 0, 1.0]])
    world.accepted = AcceptedResult(
        "session-1", "R. Ode", transform, None, None, is_newest=True, board_corners_m=np.zeros((1, 0, 3))
    )
    assert world.say(robot, "result 1") == "0,1,520.1,-30.5,900,0,1,0,0"


@pytest.mark.parametrize("rotation", ["quaternion-wxyz", "euler-ZYX"])
def test_the_pieces_of_a_result_are_the_whole(rotation):
    pose_format = PoseFormat("mm", rotation, "deg")
    world = World(config(pose_format=pose_format))
    robot, world.accepted = world.connect(), a_result(-1.5204321)
    whole = world.say(robot, "result 1").split(",")[2:]
    assert len(whole) == pose_format.field_count
    ones = [world.say(robot, f"result {n} {n}") for n in range(1, len(whole) + 1)]
    assert ones == [f"0,{n},{number}" for n, number in enumerate(whole, start=1)]
    for first in range(1, len(whole) + 1):
        for amount in range(1, len(whole) - first + 2):
            piece = ",".join(whole[first - 1 : first - 1 + amount])
            assert world.say(robot, f"result 7 {first} {amount}") == f"0,7,{piece}"
        assert world.say(robot, f"result 7 {first} {amount + 1}").startswith("43,7,0")


@pytest.mark.parametrize("wait_s", [0, 0.5, 30])
def test_a_station_states_how_long_a_reply_is_held(wait_s):
    world = World(config(reply_wait_ns=round(wait_s * 1e9)))
    robot, world.holds = world.connect(), (msg.Grab,)
    started_ns = world.now_ns
    assert world.say(robot, capture(1)) == "10,1,0,8"
    assert world.now_ns - started_ns == wait_s * 1e9
    # Those that do not wait for an image keep their own limit.
    new, asked_ns = world.connect(), world.now_ns
    assert world.say(new, "hello 2") == "0,2,0,1"
    assert world.now_ns - asked_ns == 1_400_000_000


def test_a_reply_that_is_held_long_is_the_final_one():
    world = World(config(reply_wait_ns=30_000_000_000))
    robot, world.holds = world.connect(), (msg.Grab,)
    assert world.say(robot, capture(1), patiently=False) == ""
    world.now_ns += 29_000_000_000
    world.work_done()
    assert robot.sent == b"0,1,1,7\n"


def a_result(x_m):
    transform = np.array([[1, 0, 0, x_m], [0, -1, 0, -0.0305], [0, 0, -1, 0.9], [0, 0, 0, 1.0]])
    return msg.AcceptedResult(
        "session-1", "R. Ode", transform, None, None, is_newest=True, board_corners_m=np.zeros((1, 0, 3))
    )


def test_result_does_not_wait_for_a_slow_disk_but_is_what_was_read_before(world, robot):
    world.happens(msg.AcceptedResultChanged(a_result(0.5201)))
    world.holds, world.accepted = (msg.ReadAcceptedResult,), a_result(0.6)
    asked_ns = world.now_ns
    assert world.say(robot, "result 1") == "0,1,520.1,-30.5,900,0,1,0,0"
    assert world.now_ns - asked_ns == 1_400_000_000
    sent = robot.sent
    world.work_done()
    assert robot.sent == sent, "one reply to a line"
    assert world.say(robot, "result 2") == "0,2,600,-30.5,900,0,1,0,0"


def test_result_is_36_where_the_disk_is_slow_and_nothing_was_read_before(world, robot):
    world.holds, world.accepted = (msg.ReadAcceptedResult,), a_result(0.6)
    assert world.say(robot, "result 1") == "36,1,0,0,0,0,0,0,0"


def test_result_behind_a_background_solve_and_a_slow_disk_waits_no_longer_than_a_robot(world, robot):
    waiting_for_the_background_solve(world, robot, "result 1")
    world.happens(msg.AcceptedResultChanged(a_result(0.5201)))
    asked_ns, world.holds = world.now_ns, (msg.Solve, msg.ReadAcceptedResult)
    while robot.waiting:
        world.time_passes()
    assert robot.sent.endswith(b"0,1,520.1,-30.5,900,0,1,0,0\n")
    assert world.now_ns - asked_ns == 1_400_000_000


def test_the_reading_for_a_connection_that_ended_answers_nobody(world, robot):
    world.holds, world.accepted = (msg.ReadAcceptedResult,), a_result(0.6)
    world.say(robot, "result 1", patiently=False)
    world.hang_up(robot)
    world.work_done()
    assert robot.sent == b"" and not world.state.deferred_requests


def test_begin_in_an_empty_session_uses_it(world, robot):
    assert world.say(robot, "begin 1") == "0,1,0,8"
    assert world.say(robot, "begin 2") == "0,2,0,8"
    assert len(world.disk) == 1


def test_begin_on_a_session_that_is_not_empty_opens_another(world, robot):
    world.say(robot, "begin 1")
    world.say(robot, capture(2))
    assert world.say(robot, "begin 3") == "0,3,0,8"
    assert len(world.disk) == 2
    assert world.say(robot, capture(2, 7)) == "0,2,1,7", "numbering of its own"


def test_a_session_with_a_refused_capture_is_not_empty(world, robot):
    world.say(robot, "begin 1")
    world.grab_fails = "no-fresh-frame"
    assert world.say(robot, capture(2)) == "22,2,0,8"
    world.say(robot, "begin 1")
    assert len(world.disk) == 2


def test_begin_after_bye_opens_another(world, robot):
    world.say(robot, "begin 1")
    world.say(robot, capture(2))
    assert world.say(robot, "bye 3") == "0,3,1,7"
    assert world.say(robot, "begin 1") == "0,1,0,8"
    assert len(world.disk) == 2


@pytest.mark.parametrize("line", ["undo 4", "solve 4", "bye 4"])
def test_a_closed_session_accepts_no_requests(world, robot, line):
    world.say(robot, capture(2))
    world.say(robot, "bye 3")
    assert world.say(robot, line) == "45,4,1,7"
    assert world.say(robot, "bye 3") == "0,3,1,7", "the stored answer"
    assert world.say(robot, "hello 9") == "0,9,1,0"


def test_without_a_session_undo_and_solve_are_45(world, robot):
    for verb in ("undo", "solve", "bye"):
        assert world.say(robot, f"{verb} 1") == "45,1,0,8"
    assert not world.disk


def test_hello_takes_the_station_over_from_an_older_connection(world, robot):
    world.say(robot, capture(1))
    other = world.connect()
    assert world.say(other, "hello 2") == "0,2,1,1"
    assert world.commands(msg.CloseConnection) == [msg.CloseConnection(robot.number)]
    assert robot.dropped
    assert world.say(other, capture(2)) == "0,2,2,6"


@pytest.mark.parametrize("line", ["begin 2", capture(2), "again 1", "status 2", "bye 2", "undo 2"])
def test_any_other_verb_of_a_second_connection_is_45(world, robot, line):
    world.say(robot, capture(1))
    before = world.facts
    seq = line.split()[1]
    assert world.say(world.connect(), line) == f"45,{seq},1,7"
    assert world.facts == before
    assert world.say(robot, "status 3") == "0,3,1,7", "the first one still holds the station"


def test_after_a_disconnect_the_station_is_free(world, robot):
    world.say(robot, capture(1))
    world.hang_up(robot)
    assert world.say(world.connect(), "status 2") == "0,2,1,7"


def test_the_end_of_a_superseded_connection_does_not_free_the_station(world, robot):
    world.say(robot, capture(1))
    other = world.connect()
    world.say(other, "hello 2")
    world.hang_up(robot)
    assert world.say(world.connect(), "status 2") == "45,2,1,7"


def test_10_when_the_timer_expires_and_again_until_the_final_code(world, robot):
    world.say(robot, capture(1))
    world.holds = (msg.Detect,)
    asked_ns = world.now_ns
    assert world.say(robot, capture(2)) == "10,2,1,7"
    assert world.now_ns - asked_ns == 1_400_000_000
    assert world.say(robot, "again 2") == "10,2,1,7"
    assert world.say(robot, capture(2)) == "10,2,1,7"
    assert world.say(robot, capture(2, 9)) == "47,2,1,2"
    assert world.say(robot, capture(3)) == "45,3,1,7"
    assert world.say(robot, check(3, 1)) == "45,3,1,7"
    sent = robot.sent
    world.work_done()
    assert robot.sent == sent, "nobody asked just then"
    assert world.say(robot, "again 2") == "0,2,2,6"
    assert world.say(robot, capture(3)) == "0,3,3,5"


def test_a_late_timer_sends_no_10(world, robot):
    world.say(robot, capture(1))
    sent = robot.sent
    while world.wakes:
        world.time_passes()
    assert robot.sent == sent


def test_a_second_timer_sends_nothing(world, robot):
    world.holds = (msg.Grab,)
    world.say(robot, capture(1))
    (woken,) = world.commands(msg.StartTimer)
    sent = robot.sent
    world.wakes.append((0, woken.task))
    world.time_passes()
    assert robot.sent == sent


def test_a_connection_that_takes_over_gets_the_reply_of_the_request_in_progress(world, robot):
    world.holds = (msg.Solve, msg.Grab)
    world.say(robot, capture(1), patiently=False)
    other = world.connect()
    assert world.say(other, "hello 8") == "0,8,0,1"
    assert world.say(other, "again 1") == "10,1,0,8"
    world.work_done()
    assert world.say(other, "again 1") == "0,1,1,7"
    assert robot.sent == b""


def killed_with_an_image_pending(world, robot):
    """A capture under seq 2 whose image is on record and whose reply is not, after a restart that is searching it."""
    world.say(robot, capture(1))
    world.holds = (msg.Detect,)
    world.say(robot, capture(2), patiently=False)
    world.restart()
    return world.connect()


def test_hello_after_a_kill_waits_for_the_pending_image_and_counts_its_seq_as_used(world, robot):
    robot = killed_with_an_image_pending(world, robot)
    assert world.say(robot, "hello 0", patiently=False) == ""
    world.work_done()
    assert robot.sent == b"0,0,2,2\n"
    assert world.say(robot, capture(3)) == "0,3,3,5"


def test_a_reply_that_is_taken_up_after_a_kill_has_the_timestamp_of_its_image(world, robot):
    killed_with_an_image_pending(world, robot)
    world.work_done()
    reply, image = world.facts_of(ReplyFact)[-1], world.facts_of(ImageFact)[-1]
    assert (reply.request.seq, reply.timestamp) == (2, image.timestamp)
    assert datetime.fromisoformat(reply.timestamp).tzinfo is not None


def test_hello_waits_for_the_request_in_progress_no_longer_than_a_robot(world, robot):
    robot = killed_with_an_image_pending(world, robot)
    asked_ns = world.now_ns
    assert world.say(robot, "hello 0") == "0,0,1,2"
    assert world.now_ns - asked_ns == 1_400_000_000
    assert world.say(robot, "again 2") == "10,2,1,7"
    world.work_done()
    assert world.say(robot, "again 2") == "0,2,2,6"
    assert world.say(robot, capture(3)) == "0,3,3,5"


def test_the_timer_of_a_request_that_was_answered_is_not_that_of_the_next(world, robot):
    world.say(robot, "result 1")
    answered = robot.sent
    world.now_ns += 500_000_000
    world.holds = (msg.Grab,)
    world.say(robot, capture(2), patiently=False)
    started_ns = world.now_ns
    world.time_passes()
    assert robot.sent == answered
    world.time_passes()
    assert robot.sent == answered + b"10,2,0,8\n"
    assert world.now_ns - started_ns == 1_400_000_000


@pytest.mark.parametrize("ends", ["work", "timer"])
def test_the_first_request_after_a_restart_waits_for_the_pending_image(world, robot, ends):
    robot = killed_with_an_image_pending(world, robot)
    world.say(robot, "hello 0")
    assert world.say(robot, capture(3), patiently=False) == ""
    if ends == "work":
        world.work_done()
        assert robot.sent.endswith(b"0,3,3,5\n")
    else:
        asked_ns = world.now_ns
        world.time_passes()
        assert robot.sent.endswith(b"45,3,1,7\n")
        assert world.now_ns - asked_ns == 1_400_000_000
        world.work_done()
        assert world.say(robot, capture(3)) == "0,3,3,5"


def test_a_request_on_a_new_connection_waits_for_the_task_of_the_old_one(world, robot):
    world.holds = (msg.Detect,)
    world.say(robot, capture(1), patiently=False)
    world.hang_up(robot)
    other = world.connect()
    assert world.say(other, capture(2), patiently=False) == ""
    assert world.state.robot_connection == other.number
    world.work_done()
    assert other.sent == b"0,2,2,6\n"


def test_a_seq_whose_reply_could_not_be_recorded_is_free_again(world, robot):
    robot = killed_with_an_image_pending(world, robot)
    world.disk_full = True
    world.work_done()
    world.disk_full = False
    assert world.say(robot, "hello 0") == "0,0,1,1"
    assert world.say(robot, capture(2, 9)) == "0,2,2,6"


def test_the_first_request_of_a_session_in_progress_has_a_seq_too(world, robot):
    world.holds = (msg.OpenSession,)
    world.say(robot, "begin 7", patiently=False)
    assert world.say(world.connect(), "hello 0") == "0,0,0,7"


def waiting_for_the_background_solve(world, robot, line):
    """Seven pairs, the solve of the last one in progress, and a line whose reply rests on it."""
    world.departs_sigma, world.wanted = 0.5, 20
    for seq in range(1, 8):
        if seq == 7:
            world.holds = (msg.Solve,)
        world.say(robot, capture(seq))
    assert world.say(robot, line, patiently=False) == ""


@pytest.mark.parametrize("line", ["status 1", "result 1"])
@pytest.mark.parametrize("ends", ["solve", "timer"])
def test_a_connection_that_ended_while_its_line_waited_does_not_get_the_station_back(world, robot, line, ends):
    waiting_for_the_background_solve(world, robot, line)
    world.hang_up(robot)
    if ends == "solve":
        world.work_done()
    else:
        while world.wakes:
            world.time_passes()
    assert world.state.robot_connection is None
    assert not world.state.deferred_requests
    assert world.say(world.connect(), "status 2")[:5] == "0,2,7"


@pytest.mark.parametrize("line", ["status 1", "result 1", "hello 1"])
def test_a_superseded_connection_does_not_get_the_station_back(world, robot, line):
    if line == "hello 1":
        world.holds = (msg.Detect,)
        other = world.connect()
        world.say(other, capture(1), patiently=False)
        assert world.say(robot, line, patiently=False) == ""
    else:
        waiting_for_the_background_solve(world, robot, line)
    newest = world.connect()
    world.say(newest, "hello 2")
    world.hang_up(robot)
    world.work_done()
    assert world.state.robot_connection == newest.number
    assert world.say(newest, "status 3").startswith("0,3,")


def test_again_for_an_unknown_seq_is_43_with_the_last_seq(world, robot):
    assert world.say(robot, "again 1") == "43,1,0,0"
    world.say(robot, capture(4))
    assert world.say(robot, "again 3") == "43,3,1,4"


def test_a_live_pose_gets_no_reply_and_changes_nothing(world, robot):
    state = world.state
    assert world.say(robot, f"pose {pose_text(1)}") == ""
    assert world.state is state


@pytest.mark.parametrize("rotation", ["0.6 0.6 0.6 0.6", "0 0 0 0", "0 0 180 0"])
def test_an_invalid_quaternion_is_43_and_the_seq_stays_free(world, robot, rotation):
    world.say(robot, "begin 1")
    before = world.facts
    assert world.say(robot, f"capture 2 520 0 450 {rotation}") == "43,2,0,8"
    assert world.say(robot, f"check 2 520 0 450 {rotation}") == "43,2,0,8"
    assert world.facts == before
    assert not world.commands(msg.Grab)
    assert world.say(robot, capture(2)) == "0,2,1,7"


def test_an_invalid_pose_opens_no_session(world, robot):
    assert world.say(robot, "capture 2 520 0 450 1 1 1 1") == "43,2,0,8"
    assert not world.disk


def test_the_order_of_the_quaternion_matters():
    world = World(config(pose_format=type(config().pose_format)("mm", "quaternion-xyzw", "deg")))
    world.say(world.connect(), "capture 1 0 0 0 0 0 0 1")
    (image_fact,) = world.facts_of(ImageFact)
    assert np.array(image_fact.base_T_flange).tolist() == np.eye(4).tolist()
