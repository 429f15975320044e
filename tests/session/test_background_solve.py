"""The solve follows the reply in the background wherever the reply cannot depend on it."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eyebolt.calibration.finding import Finding
from eyebolt.planning.stopping import Goal
from eyebolt.session import messages as msg
from eyebolt.session.facts import DetectionFact, SolveFact
from eyebolt.session.session_log import fold
from support import long_forms
from support.session_world import World, capture, check, config, detection, plain

KNOCKED = Finding("camera-moved", "stop", "the camera moved", {}, "fasten it")


def world_with(**goal):
    """A world far from its goal in which every pair agrees with the prediction."""
    world = World(config(goal=Goal(0.5, **({"min_pairs": 8, "max_pairs": 40} | goal))))
    world.departs_sigma, world.wanted = 0.5, 20
    return world


@pytest.fixture
def world():
    return world_with()


@pytest.fixture
def robot(world):
    return world.connect()


def run(world, robot, numbers):
    return [world.say(robot, capture(number)) for number in numbers]


def heard(world, robot, line):
    """The replies that are there at once after a line."""
    return world.say(robot, line, patiently=False)


def held(world, robot, line):
    """The reply to a line while every solve is held back: "" if it waits for one."""
    world.holds = (msg.Solve,)
    return heard(world, robot, line)


@pytest.mark.parametrize(("number", "waits"), [(1, False), (2, False), (3, False), (4, True), (5, True), (6, False)])
def test_only_the_fourth_and_fifth_pair_wait_for_the_diagnosis(world, robot, number, waits):
    run(world, robot, range(1, number))
    assert (held(world, robot, capture(number)) == "") == waits
    world.work_done()
    assert f"\n0,{number},{number},".encode() in b"\n" + robot.sent


def test_pairs_wanted_are_counted_down_until_the_next_solve(world, robot):
    run(world, robot, range(1, 7))
    assert world.say(robot, "status 1") == "0,1,6,20"
    assert held(world, robot, capture(7)) == "0,7,7,19"
    world.work_done()
    assert world.say(robot, "status 1") == "0,1,7,20"


def test_the_next_image_is_taken_and_searched_but_not_answered_before_the_solve(world, robot):
    run(world, robot, range(1, 7))
    assert held(world, robot, capture(7)) != ""
    world.done.clear()
    assert heard(world, robot, capture(8)) == ""
    assert {msg.Grab, msg.StoreImage, msg.Detect} <= {type(command) for command in world.done}
    robot.sent = b""
    world.work_done()
    assert robot.sent == b"0,8,8,19\n"
    order = [(f.type, f.kept if f.type == "solve" else f.count) for f in world.facts if f.type in ("reply", "solve")]
    assert order[-4:] == [("reply", 7), ("solve", 7), ("reply", 8), ("solve", 8)]
    assert [len(result.dataset.pairs) for result in world.commands(msg.WriteResult)] == [7, 8]


def test_a_robot_that_waits_for_the_background_solve_gets_10(world, robot):
    run(world, robot, range(1, 7))
    held(world, robot, capture(7))
    assert world.say(robot, capture(8)) == "10,8,7,19"
    world.work_done()
    assert world.say(robot, "again 8") == "0,8,8,19"


def test_the_background_solve_is_published_once_it_is_on_record(world, robot):
    run(world, robot, range(1, 7))
    before = world.status()
    held(world, robot, capture(7))
    assert world.status().p95_upper_mm == before.p95_upper_mm, "what stood before still stands"
    assert world.status().p95_upper_history_mm == (*before.p95_upper_history_mm, None)
    world.work_done()
    after = world.status()
    assert after.p95_upper_history_mm[-1] == after.p95_upper_mm != before.p95_upper_mm
    assert after.progress.next_view.message == "tilt it more"


def test_an_improbable_pair_waits_for_its_solve_and_is_27(world, robot):
    run(world, robot, range(1, 8))
    world.departs_sigma, world.excluded = 6.0, (7,)
    assert held(world, robot, capture(8)) == ""
    world.work_done()
    assert robot.sent.endswith(b"27,8,7,20\n")
    chances = [fact.p_value for fact in world.facts_of(DetectionFact)]
    assert chances[:3] == [None] * 3 and chances[-2] > 0.02 > chances[-1]


def test_an_improbable_pair_that_the_solve_confirms_is_kept(world, robot):
    run(world, robot, range(1, 8))
    world.departs_sigma = 6.0
    assert world.say(robot, capture(8)) == "0,8,8,20"


def test_without_a_prediction_every_capture_waits_for_its_solve(world, robot):
    world.departs_sigma = None
    run(world, robot, range(1, 6))
    assert held(world, robot, capture(6)) == ""
    world.work_done()
    assert robot.sent.endswith(b"0,6,6,20\n")


def test_a_stop_found_in_the_background_is_the_next_reply(world, robot):
    run(world, robot, range(1, 7))
    world.findings = (KNOCKED,)
    assert world.say(robot, capture(7)) == "0,7,7,19"
    assert world.say(robot, capture(8)) == "34,8,7,20"
    world.findings = ()
    assert world.say(robot, capture(9)) == "0,9,8,20", "the stop is gone with the solve that no longer finds it"


def test_a_pair_refused_with_38_by_a_solve_stays_usable_and_an_image_of_wrong_size_does_not(world, robot):
    run(world, robot, range(1, 4))
    world.findings = (Finding("board-scale", "stop", "the board is smaller", {}, "measure it"),)
    assert world.say(robot, capture(4)) == "38,4,3,20"
    world.sees = detection(size_px=(640, 480))
    assert world.say(robot, capture(5)) == "38,5,3,20"
    world.sees, world.findings = detection(), ()
    assert world.say(robot, capture(6)) == "0,6,4,20"
    assert [pair.index for pair in world.commands(msg.Solve)[-1].dataset.pairs] == [0, 1, 2, 3, 5]


def test_a_goal_met_in_the_background_is_the_next_reply(world, robot):
    run(world, robot, range(1, 9))
    world.goal_met = True
    assert world.say(robot, capture(9)) == "0,9,9,19"
    assert world.status().phase == "goal-met"
    assert world.say(robot, capture(10)) == "3,10,10,0"


@pytest.mark.parametrize(
    ("wanted", "goal", "number", "waits"),
    [
        (1, {}, 9, True),
        (2, {}, 9, False),
        (20, {"min_pairs": 8, "max_pairs": 9}, 9, True),
        (1, {"min_pairs": 12}, 9, False),
        (1, {"min_pairs": 3}, 3, True),
    ],
)
def test_a_pair_that_may_be_the_last_waits(wanted, goal, number, waits):
    world = world_with(**goal)
    robot = world.connect()
    world.wanted = wanted
    run(world, robot, range(1, number))
    assert (held(world, robot, capture(number)) == "") == waits


def test_the_result_is_written_before_the_reply_that_ends_the_program(world, robot):
    world.wanted = 1
    run(world, robot, range(1, 9))
    world.goal_met = True
    world.holds = (msg.WriteResult,)
    assert heard(world, robot, capture(9)) == ""
    world.work_done()
    assert robot.sent.endswith(b"3,9,9,0\n")


def test_a_check_never_waits_for_its_own_solve(world, robot):
    run(world, robot, range(1, 5))
    assert held(world, robot, check(5, 1)) == "0,5,4,20"
    world.work_done()
    assert [pair.index for pair in world.commands(msg.Solve)[-1].dataset.checks] == [4]


def test_a_restart_between_reply_and_solve_repeats_the_solve(world, robot):
    run(world, robot, range(1, 7))
    assert held(world, robot, capture(7)) == "0,7,7,19"
    world.holds = ()
    solves = len(world.commands(msg.Solve))
    world.restart()
    assert len(world.commands(msg.Solve)) == solves + 1
    robot = world.connect()
    assert world.say(robot, capture(7)) == "0,7,7,19", "the answer that was given"
    assert world.say(robot, "status 1") == "0,1,7,20"
    assert world.say(robot, capture(8)) == "0,8,8,19"
    solves = len(world.commands(msg.Solve))
    world.restart()
    assert len(world.commands(msg.Solve)) == solves, "nothing is owed"
    assert plain(world.state.log) == plain(fold(world.facts))


def test_a_restart_with_an_unanswered_image_during_a_background_solve(world, robot):
    run(world, robot, range(1, 7))
    held(world, robot, capture(7))
    heard(world, robot, capture(8))
    world.holds = ()
    world.restart()
    assert world.say(world.connect(), "again 8") == "0,8,8,19"


@pytest.mark.parametrize("trouble", ["breaks", "disk"])
def test_after_a_failed_background_solve_the_next_capture_waits(world, robot, trouble):
    run(world, robot, range(1, 7))
    assert held(world, robot, capture(7)) == "0,7,7,19"
    world.breaks, world.disk_full = ((msg.Solve,), False) if trouble == "breaks" else ((), True)
    world.work_done()
    world.breaks, world.disk_full = (), False
    assert held(world, robot, capture(8)) == ""
    world.work_done()
    assert robot.sent.endswith(b"0,8,8,20\n")
    assert world.status().kept == 8


def test_status_and_result_wait_for_the_background_solve(world, robot):
    run(world, robot, range(1, 7))
    held(world, robot, capture(7))
    assert heard(world, robot, "status 1") == ""
    world.work_done()
    assert robot.sent.endswith(b"0,1,7,20\n")
    held(world, robot, capture(8))
    assert heard(world, robot, "result 1") == ""
    world.work_done()
    assert robot.sent.endswith(b"36,1,0,0,0,0,0,0,0\n")


def test_status_waits_no_longer_than_a_robot(world, robot):
    run(world, robot, range(1, 7))
    held(world, robot, capture(7))
    assert world.say(robot, "status 1") == "0,1,7,19"


def test_a_restarted_daemon_answers_status_at_once(world, robot):
    """The missing solve may take seconds; the pairs are known before."""
    run(world, robot, range(1, 7))
    held(world, robot, capture(7))
    world.restart()
    robot = world.connect()
    assert heard(world, robot, "hello 0") == "0,0,7,7"
    assert heard(world, robot, "status 1") == "0,1,7,19"
    world.work_done()
    assert world.say(robot, "status 1") == "0,1,7,20"


@pytest.mark.parametrize("verb", ["solve", "undo", "bye"])
def test_requests_that_solve_queue_behind_the_background_solve(world, robot, verb):
    run(world, robot, range(1, 7))
    held(world, robot, capture(7))
    assert heard(world, robot, f"{verb} 8") == ""
    world.work_done()
    last_solve = world.facts_of(SolveFact)[-2:]
    assert [fact.is_background for fact in last_solve] == [True, False]
    assert plain(world.state.log) == plain(fold(world.facts))


def test_a_new_session_waits_for_the_background_solve_of_the_old_one(world, robot):
    run(world, robot, range(1, 7))
    held(world, robot, capture(7))
    assert world.say(robot, "begin 1") == "10,1,7,19"
    world.work_done()
    assert world.say(robot, "again 1") == "0,1,0,8"
    kinds = [fact.type for fact in world.facts]
    assert kinds == ["opened", "reply"]


@pytest.mark.parametrize(("line", "reply"), [("begin 1", "0,1,0,8"), ("bye 8", "0,8,7,20")])
def test_a_late_next_view_is_recorded_neither_in_a_new_session_nor_after_bye(world, robot, line, reply):
    run(world, robot, range(1, 7))
    world.holds = (msg.PlanNextView,)
    world.say(robot, capture(7))
    assert world.say(robot, line) == reply
    recorded = list(world.facts)
    world.work_done()
    assert world.facts == recorded
    assert recorded[-1].type == "reply"


@pytest.mark.parametrize(("line", "held"), [("begin 1", msg.OpenSession), ("bye 8", msg.RecordFacts)])
def test_a_next_view_is_not_recorded_while_the_session_ends(world, robot, line, held):
    run(world, robot, range(1, 7))
    world.holds = (msg.PlanNextView,)
    world.say(robot, capture(7))
    world.holds = (msg.PlanNextView, held)
    recorded = list(world.facts)
    assert heard(world, robot, line) == ""
    world.work_done()
    assert "next_view" not in [fact.type for fact in world.facts[len(recorded) :]]
    assert world.facts[-1].type == "reply"


def test_a_next_view_is_recorded_beside_the_capture_that_follows(world, robot):
    run(world, robot, range(1, 7))
    world.holds = (msg.PlanNextView,)
    world.say(robot, capture(7))
    world.holds = (msg.PlanNextView, msg.Detect)
    assert heard(world, robot, capture(8)) == ""
    world.work_done()
    order = [fact.type for fact in world.facts if fact.type in ("reply", "next_view")]
    assert order[-4:] == ["reply", "next_view", "reply", "next_view"]


LINES = st.one_of(
    st.builds(capture, st.integers(1, 30), st.integers(0, 30)),
    st.builds(check, st.integers(1, 30), st.integers(0, 30)),
    st.builds("{} {}".format, st.sampled_from(["undo", "solve", "place", "begin"]), st.integers(1, 30)),
)


@long_forms.examples(20, 60)
def test_replies_do_not_depend_on_the_speed_of_the_solves(examples):
    """Fast: every solve ends before the next line. Slow: some end only after the detection in the next image."""

    @settings(max_examples=examples)
    @given(st.lists(st.tuples(LINES, st.booleans(), st.sampled_from([0.5, 0.5, 6.0])), min_size=8, max_size=25))
    def compare_speeds(steps):
        replies = []
        for slow in (False, True):
            world = world_with(min_pairs=5, max_pairs=12)
            robot = world.connect()
            for number in range(40, 46):
                world.say(robot, capture(number))
            for line, late, departs in steps:
                world.departs_sigma = departs
                world.receive(robot, line.encode() + b"\n", patiently=False)
                if robot.waiting or not (slow and late):
                    world.work_done()
                if slow:
                    world.holds = (msg.Solve, msg.PlanNextView)
            world.work_done()
            replies.append(robot.sent)
            assert plain(world.state.log) == plain(fold(world.facts))
        assert replies[0] == replies[1]

    compare_speeds()
