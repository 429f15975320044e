"""Placed boards and touches: what is recorded, what the solver gets, what is refused."""

import numpy as np
import pytest

from eyebolt.boards.detection import NoDetection
from eyebolt.calibration.uncertainty.touch_test import TouchCheck
from eyebolt.geometry import Mount
from eyebolt.session import messages as msg
from eyebolt.session.facts import ImageFact, ReplyFact, TouchFact
from eyebolt.session.session_log import fold
from support.session_world import (
    GOOD_LIGHT,
    SIZE_PX,
    World,
    capture,
    check,
    config,
    detection,
    plain,
    pose_text,
    solution,
    touch,
)


@pytest.fixture
def world():
    return World()


@pytest.fixture
def robot(world):
    return world.connect()


def run(world, robot, count, first=1):
    return [world.say(robot, capture(seq)) for seq in range(first, first + count)]


def given(world):
    """Placed boards and touched corners of the last solve."""
    return [(b.index, [t.corner for t in b.touches]) for b in world.commands(msg.Solve)[-1].dataset.placed_boards]


def test_place_takes_the_path_of_a_capture_and_is_no_pair(world, robot):
    run(world, robot, 3)
    world.done.clear()
    assert world.say(robot, "place 4") == "0,4,3,5"
    kinds = [type(command).__name__ for command in world.done]
    assert [kind for kind in kinds if kind not in ("PublishStatus", "StartTimer")] == [
        "Grab", "StoreImage", "RecordFacts", "Detect", "RecordFacts", "SendReply",
    ]  # fmt: skip
    (fact,) = [f for f in world.facts if f.type == "image" and f.verb == "place"]
    assert (fact.index, fact.base_T_flange) == (3, None)
    assert world.say(robot, capture(5)) == "0,5,4,4"
    assert [pair.index for pair in world.commands(msg.Solve)[-1].dataset.pairs] == [0, 1, 2, 4]
    assert given(world) == [], "nothing of it was touched"


def test_the_solver_gets_every_touch_of_every_board_that_was_touched(world, robot):
    run(world, robot, 3)
    world.say(robot, "place 4")
    assert [world.say(robot, touch(5, 0)), world.say(robot, touch(6, 7))] == ["0,5,3,5", "0,6,3,5"]
    assert given(world) == [(3, [0, 7])]
    world.say(robot, "place 7"), world.say(robot, touch(8, 19))
    assert given(world) == [(3, [0, 7]), (4, [19])]
    for seq, line in ((9, "check"), (10, "capture")):
        world.say(robot, check(seq, 9) if line == "check" else capture(seq))
        assert given(world) == [(3, [0, 7]), (4, [19])]
    for line in ("undo 11", "solve 12", "bye 13"):
        world.say(robot, line)
        assert given(world) == [(3, [0, 7]), (4, [19])]


def test_the_solver_gets_touched_poses_in_metres_at_the_flange(world, robot):
    run(world, robot, 3)
    world.say(robot, "place 4 500 0 400 0 1 0 0")
    world.say(robot, "touch 5 3 520 -30 450.5 0 1 0 0")
    (board,) = world.commands(msg.Solve)[-1].dataset.placed_boards
    turned = np.diag([1.0, -1.0, -1.0, 1.0])
    np.testing.assert_allclose(board.base_T_flange, turned + np.outer([0.5, 0, 0.4, 0], [0, 0, 0, 1]), atol=1e-12)
    pose = board.touches[0].base_T_flange
    np.testing.assert_allclose(pose, turned + np.outer([0.52, -0.03, 0.4505, 0], [0, 0, 0, 1]), atol=1e-12)
    assert board.corners_px.tolist() == world.exposed(detection(), 3).corners_px.tolist()


def test_tool_poses_of_touches_are_converted_to_flange_poses():
    flange_T_tool = np.eye(4)
    flange_T_tool[2, 3] = 0.15
    world = World(config(flange_T_tool=flange_T_tool))
    robot = world.connect()
    run(world, robot, 3)
    world.say(robot, "place 4"), world.say(robot, "touch 5 3 520 0 450 0 1 0 0")
    pose = world.commands(msg.Solve)[-1].dataset.placed_boards[0].touches[0].base_T_flange
    np.testing.assert_allclose(pose[:3, 3], [0.52, 0, 0.6], atol=1e-12)


def test_the_joints_of_a_touch_are_recorded_as_sent(world, robot):
    world.say(robot, "place 1")
    world.say(robot, touch(2, 5) + " j 1 -2.50 3e1")
    world.say(robot, touch(3, 6))
    assert [fact.joints for fact in world.facts_of(TouchFact)] == [(1.0, -2.5, 30.0), None]


def test_a_touch_is_recorded_before_its_reply_and_counts_only_with_it(world, robot):
    world.say(robot, "place 1")
    world.say(robot, touch(2, 5))
    *_, fact, answer = world.facts
    assert (fact.type, fact.placed_board, fact.corner, fact.request.seq) == ("touch", 0, 5, 2)
    assert (answer.type, answer.request.seq, answer.code) == ("reply", 2, 0)
    # A power cut may leave the first of two facts that were written together.
    world.disk[-1].pop()
    world.restart()
    robot = world.connect()
    assert fold(world.facts).touches == ()
    assert world.say(robot, touch(2, 5)) == "0,2,0,8"
    assert [t.corner for t in fold(world.facts).touches] == [5], "counted once"
    assert plain(world.state.log) == plain(fold(world.facts))


def test_a_restart_resumes_an_unanswered_place(world, robot):
    run(world, robot, 3)
    world.holds = (msg.Detect,)
    world.say(robot, "place 4", patiently=False)
    world.holds = ()
    grabs = len(world.commands(msg.Grab))
    world.restart()
    robot = world.connect()
    assert world.say(robot, "again 4") == "0,4,3,5"
    assert world.say(robot, "place 4") == "0,4,3,5"
    assert len(world.commands(msg.Grab)) == grabs
    assert world.say(robot, touch(5, 1)) == "0,5,3,5"


def test_a_slow_touch_is_answered_10_and_then_0(world, robot):
    run(world, robot, 3)
    world.say(robot, "place 4")
    world.holds = (msg.Solve,)
    assert world.say(robot, touch(5, 1)) == "10,5,3,5"
    assert world.say(robot, touch(5, 1)) == "10,5,3,5"
    assert world.say(robot, touch(6, 2)) == "45,6,3,5"
    world.work_done()
    assert world.say(robot, "again 5") == "0,5,3,5"


def test_a_failed_solve_does_not_lose_the_touch(world, robot):
    run(world, robot, 3)
    world.say(robot, "place 4")
    world.breaks = (msg.Solve,)
    assert world.say(robot, touch(5, 1)) == "0,5,3,5"
    world.breaks = ()
    world.say(robot, touch(6, 2))
    assert given(world) == [(3, [1, 2])]


def test_without_a_placed_board_nothing_can_be_touched(world, robot):
    assert world.say(robot, touch(1, 0)) == "45,1,0,8", "no session"
    run(world, robot, 1)
    assert world.say(robot, touch(2, 0)) == "45,2,1,7", "no board"
    world.say(robot, "place 2")
    assert world.say(robot, touch(3, 0)) == "0,3,1,7"
    world.sees = NoDetection("no-board", GOOD_LIGHT, SIZE_PX)
    assert world.say(robot, "place 4") == "20,4,1,7"
    assert world.say(robot, touch(5, 0)) == "45,5,1,7", "it may lie anywhere now"
    assert "place" in world.commands(msg.SendReply)[-1].message


def test_without_a_tip_the_message_names_the_missing_key():
    world = World(config(has_tip=False))
    robot = world.connect()
    assert world.say(robot, "place 1") == "0,1,0,8"
    assert world.say(robot, touch(2, 0)) == "45,2,0,8"
    message = world.commands(msg.SendReply)[-1].message
    assert "tip_mm" in message
    assert "[robot]" in message


@pytest.mark.parametrize(
    "line", ["touch 2 20 520 0 450 0 1 0 0", "touch 2 999999 520 0 450 0 1 0 0", "touch 2 0 1 2 3 1 1 1 1"]
)
def test_a_number_or_pose_out_of_range_is_43_and_its_seq_stays_free(world, robot, line):
    world.say(robot, "place 1")
    before = world.facts
    assert world.say(robot, line) == "43,2,0,8"
    assert world.facts == before
    assert world.say(robot, touch(2, 19)) == "0,2,0,8"


def test_place_needs_a_pose_with_the_camera_on_the_arm():
    world = World(config(mount=Mount.ARM))
    robot = world.connect()
    assert world.say(robot, "place 1") == "41,1,0,8"
    assert not world.disk, "nothing was opened for it"
    assert "pose" in world.commands(msg.SendReply)[-1].message
    assert world.say(robot, f"place 1 {pose_text(3)}") == "0,1,0,8"
    (fact,) = world.facts_of(ImageFact)
    assert np.array(fact.base_T_flange)[3].tolist() == [0, 0, 0, 1]


def test_place_records_a_pose_with_a_fixed_camera(world, robot):
    assert world.say(robot, f"place 1 {pose_text(3)}") == "0,1,0,8"
    assert "noted" in world.facts_of(ReplyFact)[-1].message
    (fact,) = world.facts_of(ImageFact)
    assert fact.base_T_flange is not None


def test_a_board_may_be_placed_at_the_pose_of_a_pair(world, robot):
    run(world, robot, 1)
    assert world.say(robot, f"place 2 {pose_text(1)}") == "0,2,1,7", "never 26"
    assert world.say(robot, f"capture 3 {pose_text(1)}") == "26,3,1,7"


def test_the_reply_to_a_touch_has_the_residuals_of_all_touches(world, robot):
    run(world, robot, 4)
    world.say(robot, "place 5")
    outcome = solution(0.25, 4)
    check_of_touches = TouchCheck(3, 0.31, 0.44, 1.1, 9, 12)
    world.outcome = type(outcome)(**{**outcome.__dict__, "touches": check_of_touches})
    world.say(robot, touch(6, 0))
    message = world.facts_of(ReplyFact)[-1].message
    assert "0.31 mm" in message
    assert "0.44 mm" in message


def test_places_and_touches_do_not_change_the_counters(world, robot):
    run(world, robot, 3)
    world.say(robot, "place 4"), world.say(robot, touch(5, 0))
    status = world.status()
    assert (status.kept, status.checks, status.wanted) == (3, 0, 5)
    assert len(status.p95_upper_history_mm) == 3
    assert status.p95_upper_mm is not None
