"""Requests of the operator: a peer of its own beside the robot, with numbers of its own."""

import pytest

from eyebolt.session import messages as msg
from eyebolt.session.facts import ImageFact, ReplyFact, SessionFact
from support.session_world import World, capture, pose_text


@pytest.fixture
def world():
    return World()


@pytest.fixture
def robot(world):
    return world.connect()


def test_a_session_of_the_operator_is_recorded_as_a_robots(world):
    assert world.operate("begin") == "0,1,0,8"
    assert world.operate(f"capture {pose_text(1)}") == "0,1000001,1,7"
    assert world.operate(f"capture {pose_text(2)}") == "0,1000002,2,6"
    assert world.operate("undo") == "0,1000003,1,7"
    assert world.operate("bye") == "0,1000004,1,7"
    replies = world.facts_of(ReplyFact)
    assert [fact.request.line.split()[:2] for fact in replies] == [
        ["begin", "1"],
        ["capture", "1000001"],
        ["capture", "1000002"],
        ["undo", "1000003"],
        ["bye", "1000004"],
    ]
    image = world.facts_of(ImageFact)[0]
    assert image.request.line == f"capture 1000001 {pose_text(1)}"
    assert len(image.raw_pose) == 7
    assert world.state.log.is_closed


def test_the_operator_needs_an_open_session_but_for_begin(world, robot):
    for text in ("undo", "bye", f"capture {pose_text(1)}"):
        assert world.operate(text).startswith("45,")
    assert not world.disk
    world.operate("begin")
    assert world.operate("undo")[:3] == "45,"
    world.say(robot, capture(2))
    world.operate("begin")
    assert [fact.session for fact in world.facts_of(SessionFact)] == ["session-2"]
    assert len(world.disk) == 2


def test_another_verb_is_none_of_the_operators(world):
    world.operate("begin")
    for text in ("solve", "hello", "check " + pose_text(1)):
        assert world.operate(text).startswith("45,")


def test_numbers_of_the_robot_go_on_whatever_the_operator_requests(world, robot):
    assert world.say(robot, "begin 1") == "0,1,0,8"
    assert world.say(robot, capture(2)) == "0,2,1,7"
    assert world.operate(f"capture {pose_text(9)}") == "0,1000001,2,6"
    assert world.operate("undo") == "0,1000002,1,7"
    assert world.say(robot, capture(3)) == "0,3,2,6"
    assert world.say(robot, "hello 0") == "0,0,2,3"
    assert world.say(robot, "again 3") == "0,3,2,6"
    assert world.say(robot, "again 1000002") == "43,0,2,6"


def test_a_robot_that_comes_into_a_session_of_the_operator_goes_on_in_it(world, robot):
    world.operate("begin")
    world.operate(f"capture {pose_text(9)}")
    assert world.say(robot, "hello 0") == "0,0,1,1"
    assert world.say(robot, "again 1") == "0,1,0,8"
    assert world.say(robot, capture(2)) == "0,2,2,6"
    assert len(world.disk) == 1


def test_the_operator_takes_no_station_over(world, robot):
    world.say(robot, "hello 0")
    world.operate("begin")
    assert world.state.robot_connection == robot.number
    assert not world.commands(msg.CloseConnection)
    assert world.say(robot, "status 0")[:4] == "0,0,"


def test_a_working_reply_is_not_sent_to_the_operator(world):
    world.operate("begin")
    world.holds = (msg.Detect,)
    assert world.operate(f"capture {pose_text(1)}", patiently=False) == ""
    while world.wakes:
        world.time_passes()
    assert not any(command.reply.code == 10 for command in world.commands(msg.SendReply))
    world.work_done()
    assert world.commands(msg.SendReply)[-1].reply.seq == 1000001


def test_the_operator_waits_for_the_robot_and_is_told_so_if_it_takes_long(world, robot):
    world.operate("begin")
    world.holds = (msg.Detect,)
    world.say(robot, capture(2), patiently=False)
    assert world.operate("undo") == "45,1000001,0,8"
    world.work_done()
    world.holds = (msg.Detect,)
    world.say(robot, capture(3), patiently=False)
    world.operate("undo", patiently=False)
    world.work_done()
    assert world.commands(msg.SendReply)[-1].reply.seq == 1000001
    assert world.state.kept == 1


def test_two_requests_of_the_operator_follow_each_other(world):
    world.operate("begin")
    world.holds = (msg.Detect,)
    world.operate(f"capture {pose_text(1)}", patiently=False)
    world.operate("undo", patiently=False)
    world.work_done()
    assert [command.reply.seq for command in world.commands(msg.SendReply)] == [1, 1000001, 1000002]
    assert world.state.kept == 0


def test_a_robot_that_waits_for_the_operator_is_answered_10_and_then_served(world, robot):
    world.operate("begin")
    world.holds = (msg.Detect,)
    world.operate(f"capture {pose_text(9)}", patiently=False)
    assert world.say(robot, capture(2)) == "10,2,0,8"
    assert world.say(robot, "again 2") == "10,2,0,8"
    world.work_done()
    assert world.say(robot, "again 2") == "0,2,2,6"
    assert [fact.request.seq for fact in world.facts_of(ReplyFact)] == [1, 1000001, 2]


def test_a_robot_whose_request_is_refused_after_the_wait_hears_it_when_it_polls(world, robot):
    world.operate("begin")
    world.say(robot, capture(2))
    world.holds = (msg.Solve,)
    world.operate("undo", patiently=False)
    assert world.say(robot, "undo 3") == "10,3,1,7"
    world.work_done()
    # Nothing is left to undo, and nothing was recorded under 3.
    assert world.say(robot, "again 3") == "43,3,0,2"


def test_a_restart_takes_up_an_image_of_the_operator(world, robot):
    world.operate("begin")
    world.holds = (msg.Detect,)
    world.operate(f"capture {pose_text(1)}", patiently=False)
    world.holds = ()
    world.restart()
    assert (world.state.kept, world.state.last_seq) == (1, 1)
    assert world.operate("undo") == "0,1000002,0,8"


def test_a_request_that_cannot_be_recorded_leaves_its_number_free(world):
    world.operate("begin")
    world.disk_full = True
    assert world.operate(f"capture {pose_text(1)}") == "31,1000001,0,8"
    assert world.status().last_reply.code == 31
    world.disk_full = False
    assert world.operate(f"capture {pose_text(2)}") == "0,1000001,1,7"
