"""A transform with an unknown direction, or one that the pose format cannot hold, is never given to the robot."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.calibration.result_format import ResultGap
from eyebolt.geometry.pose_format import PoseFormat
from eyebolt.protocol import Code
from eyebolt.session import messages as msg
from eyebolt.session.facts import ReplyFact, SolveFact
from eyebolt.session.messages import AcceptedResult
from support.session_world import TOLERANCE_MM, World, capture, config
from support.solutions import made_up_solution, result_format

HEIGHT = "height of the camera above the base"
OPEN = f"{HEIGHT}: touch corners of the board"
TILTED = np.eye(4)
TILTED[:3, :3] = Rotation.from_euler("xz", [13, 159], degrees=True).as_matrix()


def captured(world, robot, pairs=8):
    for seq in range(1, pairs + 1):
        world.say(robot, capture(seq))


def accepted(**changes):
    chosen = {"session": "session-1", "by": "R. Ode", "transform": TILTED, "board_transform": None, "gap": None}
    chosen |= {"is_newest": True, "board_corners_m": np.zeros((1, 0, 3))}
    return AcceptedResult(**(chosen | changes))


@pytest.mark.parametrize("cause", ["height", "format"])
def test_solve_is_36_with_the_reason_and_the_rule_does_not_accept(cause):
    made = {"unobservable": (OPEN,)} if cause == "height" else {"X": TILTED}
    terms = PoseFormat() if cause == "height" else PoseFormat(rotation="angle-z")
    world = World(config(accept_when_proven=True, result_format=result_format(terms, TOLERANCE_MM)))
    robot = world.connect()
    world.outcome = made_up_solution(0.1, pairs_used=8, **made)
    captured(world, robot)
    assert world.say(robot, "solve 9").startswith("36,9,8,")
    reply = world.facts_of(ReplyFact)[-1]
    assert (HEIGHT if cause == "height" else "angle-z") in reply.message
    assert ("board_height_mm" if cause == "height" else "result_rotation") in reply.remedy
    assert world.facts_of(SolveFact)[-1].gap.message == reply.message
    assert not any(command.accept for command in world.commands(msg.WriteResult))


def test_a_complete_result_of_the_same_solve_is_0_and_accepted_by_the_rule():
    terms = result_format(PoseFormat(), TOLERANCE_MM)
    world = World(config(accept_when_proven=True, result_format=terms))
    robot = world.connect()
    world.outcome = made_up_solution(0.1, pairs_used=8, X=TILTED)
    captured(world, robot)
    assert world.say(robot, "solve 9") == "0,9,8,100"
    assert world.commands(msg.WriteResult)[-1].accept


def test_captures_end_with_3_that_names_what_is_open_and_how_to_close_it():
    world = World()
    robot = world.connect()
    world.outcome = made_up_solution(0.1, pairs_used=8, unobservable=(OPEN,))
    captured(world, robot)
    reply = world.facts_of(ReplyFact)[-1]
    assert reply.code is Code.GOAL_MET
    assert HEIGHT in reply.message
    assert "board_height_mm" in reply.remedy
    assert HEIGHT in world.status().result.gap.message


def test_result_is_36_with_the_reason_while_the_accepted_result_has_a_gap():
    world = World(config())
    robot = world.connect()
    world.accepted = accepted(gap=ResultGap("the mount was 'fixed', and is now 'arm'", "calibrate again."))
    assert world.say(robot, "result 1") == "36,1,0,0,0,0,0,0,0"
    (sent,) = world.commands(msg.SendReply)
    assert "the mount was 'fixed', and is now 'arm': calibrate again." in sent.message
    world.accepted = accepted(transform=None)
    assert world.say(robot, "result 2").startswith("36,2,")


def test_a_4_axis_arm_gets_the_transform_in_a_full_form():
    full = result_format(PoseFormat(rotation="quaternion-wxyz"), TOLERANCE_MM)
    world = World(config(pose_format=PoseFormat(rotation="angle-z"), result_format=full))
    robot = world.connect()
    assert world.say(robot, "result 1") == "36,1,0,0,0,0,0,0,0", "as many zeros as numbers"
    world.accepted = accepted()
    code, _, *numbers = (float(n) for n in world.say(robot, "result 2").split(","))
    assert code == 0
    found = Rotation.from_quat(numbers[3:], scalar_first=True).as_matrix()
    assert np.abs(found - TILTED[:3, :3]).max() < 2e-6


def test_the_status_shows_the_accepted_result_and_its_gap():
    world = World()
    world.say(world.connect(), capture(1))
    assert world.status().accepted_result is None
    world.happens(msg.AcceptedResultChanged(accepted(session="session-1")))
    assert world.status().is_accepted
    assert world.status().accepted_result.by == "R. Ode"
    for changes in ({"is_newest": False}, {"session": "session-0"}, {"gap": ResultGap("no", "do")}):
        world.happens(msg.AcceptedResultChanged(accepted(**changes)))
        assert not world.status().is_accepted
    assert world.status().accepted_result.gap.message == "no"
