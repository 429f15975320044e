"""The last reply that subscribers hear of: every failure, recorded or not, until it is over; no poll hides it."""

import pytest

from eyebolt.protocol import Code, Phase
from eyebolt.session import messages as msg
from support.session_world import World, capture


@pytest.fixture
def world():
    return World()


@pytest.fixture
def robot(world):
    return world.connect()


def shown(world):
    """Code, seq, whether it is recorded, and the phase, as published."""
    status = world.status()
    reply = status.last_reply
    return None if reply is None else (int(reply.code), reply.seq, reply.is_recorded, status.phase)


def test_a_line_at_fault_is_shown_until_a_recorded_reply_follows(world, robot):
    world.say(robot, capture(1))
    decimal_commas = capture(2).replace(".", ",")
    assert world.say(robot, decimal_commas).startswith("41,2,")
    assert shown(world) == (41, 2, False, Phase.OPEN)
    assert world.status().last_reply.remedy
    for poll in ("status 3", "hello 0"):
        world.say(robot, poll)
        assert shown(world) == (41, 2, False, Phase.OPEN)
    world.say(robot, capture(2))
    assert shown(world) == (0, 2, True, Phase.OPEN)


@pytest.mark.parametrize(
    ("line", "code"),
    [("grab 2", 40), ("capture 2 1 2", 41), ("capture 2 1 2 x 1 0 0 0", 42), ("capture 2 1 2 3 0 0 0 0", 43),
     ("capture " + "1" * 300, 44), ("touch 2 0 1 2 3 1 0 0 0", 45), ("capture 1 1 2 3 1 0 0 0", 47)],
)  # fmt: skip
def test_every_line_fault_is_shown(world, robot, line, code):
    world.say(robot, capture(1))
    assert world.say(robot, line).startswith(str(code))
    assert shown(world)[0] == code
    assert not shown(world)[2]


def test_a_poll_with_success_hides_nothing(world, robot):
    world.grab_fails = "no-fresh-frame"
    world.say(robot, capture(1))
    for poll in ("hello 0", "status 2", "again 1"):
        world.say(robot, poll)
        assert shown(world) == (22, 1, True, Phase.OPEN)


def test_a_full_disk_is_a_stop_on_the_screen_and_ends_with_the_next_recorded_reply(world, robot):
    world.say(robot, capture(1))
    world.disk_full = True
    assert world.say(robot, capture(2)).startswith("31,2,")
    assert shown(world) == (31, 2, False, Phase.STOPPED)
    world.disk_full = False
    world.say(robot, "hello 0")
    assert shown(world) == (31, 2, False, Phase.STOPPED)
    world.say(robot, capture(2))
    assert shown(world) == (0, 2, True, Phase.OPEN)
    assert world.status().last_reply.ended_stop is Code.CANNOT_RECORD
    world.say(robot, capture(3))
    assert world.status().last_reply.ended_stop is None


def test_a_full_disk_is_shown_without_a_session(world, robot):
    world.disk_full = True
    assert world.say(robot, "begin 1").startswith("31,1,")
    assert shown(world) == (31, 1, False, Phase.STOPPED)


def test_a_31_after_10_is_shown_before_the_robot_polls(world, robot):
    world.say(robot, capture(1))
    world.holds = (msg.StoreImage,)
    world.say(robot, capture(2))
    world.disk_full = True
    world.work_done()
    assert shown(world) == (31, 2, False, Phase.STOPPED)


def test_a_camera_that_is_back_ends_its_stop(world, robot):
    world.say(robot, capture(1))
    world.grab_fails = "camera-lost"
    world.say(robot, capture(2))
    assert shown(world) == (30, 2, True, Phase.STOPPED)
    world.grab_fails = None
    world.say(robot, capture(3))
    assert shown(world) == (0, 3, True, Phase.OPEN)
    assert world.status().last_reply.ended_stop is Code.CAMERA_LOST


def test_a_line_refused_during_a_task_is_the_last_reply_until_the_robot_hears_another(world, robot):
    world.say(robot, capture(1))
    world.holds = (msg.Grab,)
    assert world.say(robot, capture(2)).startswith("10,2,")
    assert world.say(robot, capture(3)).startswith("45,3,")
    world.work_done()
    assert shown(world) == (45, 3, False, Phase.OPEN)
    world.say(robot, "again 2")
    assert shown(world) == (0, 2, True, Phase.OPEN)


def test_lines_of_a_connection_that_does_not_hold_the_station_are_not_shown(world, robot):
    world.say(robot, capture(1))
    other = world.connect()
    world.say(other, "GET / HTTP/1.1")
    world.say(other, "status 1")
    assert shown(world) == (0, 1, True, Phase.OPEN)
    world.say(other, capture(2))
    assert shown(world) == (45, 2, False, Phase.OPEN)


def test_a_result_that_is_not_accepted_is_shown_and_does_not_hide_the_end_of_the_session(world, robot):
    world.say(robot, capture(1))
    world.say(robot, "result 2")
    assert shown(world) == (36, 2, False, Phase.STOPPED)
    world.say(robot, "bye 3")
    world.say(robot, "result 4")
    assert shown(world) == (36, 4, False, Phase.CLOSED)


def test_a_failure_is_published_when_it_is_told(world, robot):
    world.say(robot, capture(1))
    before = len(world.commands(msg.PublishStatus))
    world.say(robot, "grab 2")
    assert len(world.commands(msg.PublishStatus)) == before + 1


def test_the_request_in_progress_is_announced_before_its_image_is_taken(world, robot):
    world.say(robot, "begin 1")
    world.done.clear()
    world.holds = (msg.Grab,)
    line = capture(2)
    world.say(robot, line)
    kinds = [type(command) for command in world.done]
    assert kinds.index(msg.PublishStatus) < kinds.index(msg.Grab)
    request = world.status().request
    assert (request.seq, request.verb, list(request.pose)) == (2, "capture", [float(v) for v in line.split()[2:]])
    world.work_done()
    assert world.status().request is None
