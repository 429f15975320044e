"""A long session whose goal is met goes on without a solve for each pair; its replies are those with one for each."""

import functools
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.calibration.long_sessions import compare
from eyebolt.calibration.finding import Finding
from eyebolt.planning.stopping import Goal, stopping_factor
from eyebolt.protocol.status import Phase
from eyebolt.session import messages as msg
from eyebolt.session.facts import SolveFact
from eyebolt.session.session_log import fold
from support.session_world import EXPECTATION, TOLERANCE_MM, World, capture, check, config, plain, solution

KNOCKED = Finding("camera-moved", "stop", "the camera moved", {}, "fasten it")
MANY = 41


@functools.cache
def long_record(pairs):
    """The record of a session of ``pairs`` kept pairs that meet the goal with a fifth of the tolerance to spare."""
    world = new_world()
    robot = world.connect()
    for number in range(1, pairs + 1):
        world.say(robot, capture(number))
    return tuple(world.disk[-1])


def new_world():
    world = World(config(goal=Goal(TOLERANCE_MM, 8, 1000)))
    world.departs_sigma, world.goal_met = 0.5, True
    return world


def long_world(pairs=MANY):
    """A world that goes on with such a session."""
    world = new_world()
    world.disk = [list(long_record(pairs))]
    world.restart()
    world.done.clear()
    robot = world.connect()
    return world, robot


@pytest.fixture
def settled():
    return long_world()


def solves(world):
    return world.commands(msg.Solve)


def held(world, robot, line):
    """The reply to a line while every solve is held back: "" if it waits for one."""
    world.holds = (msg.Solve,)
    return world.say(robot, line, patiently=False)


def phase(world):
    return world.status().phase


def test_inliers_are_answered_3_without_a_solve(settled):
    world, robot = settled
    assert world.facts_of(SolveFact)[-1].is_settled
    for number in range(42, 46):
        assert held(world, robot, capture(number)) == f"3,{number},{number},0"
    assert not solves(world)
    assert world.say(robot, "status 1") == "0,1,45,0"
    assert phase(world) == Phase.GOAL_MET


def test_the_next_solve_follows_a_tenth_more_pairs_in_the_background(settled):
    world, robot = settled
    for number in range(42, 46):
        world.say(robot, capture(number))
    assert held(world, robot, capture(46)) == "3,46,46,0"
    assert [len(solve.dataset.pairs) for solve in solves(world)] == [46]
    assert world.say(robot, capture(47), patiently=False) == "", "what it finds may decide the reply"
    world.work_done()
    assert robot.sent.endswith(b"3,47,47,0\n")
    assert [fact.kept for fact in world.facts_of(SolveFact)[-2:]] == [41, 46]


def test_a_stop_of_that_solve_is_the_next_reply(settled):
    world, robot = settled
    world.findings = (KNOCKED,)
    codes = [world.say(robot, capture(number)).split(",")[0] for number in range(42, 49)]
    assert codes == ["3"] * 5 + ["34"] * 2


def test_an_improbable_pair_waits_for_the_solve_of_all_pairs(settled):
    world, robot = settled
    world.departs_sigma, world.excluded = 6.0, (41,)
    assert held(world, robot, capture(42)) == ""
    world.work_done()
    assert robot.sent.endswith(b"27,42,41,0\n")
    world.departs_sigma = 0.5
    assert held(world, robot, capture(43)) == "", "beside an outlier each pair is solved"


def test_solve_and_bye_rest_on_all_pairs(settled):
    world, robot = settled
    world.say(robot, capture(42))
    world.say(robot, capture(43))
    for verb in ("solve 44", "bye 45"):
        assert world.say(robot, verb).startswith("0,")
        assert len(solves(world)[-1].dataset.pairs) == 43


def test_an_undone_pair_that_the_last_solve_rests_on_ends_it(settled):
    world, robot = settled
    assert world.say(robot, "undo 42") == "0,42,40,0"
    assert held(world, robot, capture(43)) == "", "40 pairs: each is solved"


def test_a_check_is_solved_as_ever(settled):
    world, robot = settled
    assert held(world, robot, check(42, 3)).startswith("0,42,41")
    assert len(solves(world)) == 1


@pytest.mark.parametrize("pairs", [40, 41])
def test_up_to_40_pairs_each_pair_is_solved(pairs):
    world, robot = long_world(pairs)
    assert (held(world, robot, capture(pairs + 1)) == "") == (pairs == 40)


@pytest.mark.parametrize(("share", "is_settled"), [(0.88, True), (0.91, False)])
def test_a_goal_that_is_just_met_is_not_settled(share, is_settled):
    world, robot = long_world(40)
    world.outcome = made_up(share)
    world.say(robot, capture(41))
    assert world.facts_of(SolveFact)[-1].goal_met
    assert world.facts_of(SolveFact)[-1].is_settled is is_settled


def made_up(share):
    """A solution from 41 pairs that meets the goal with this share of the tolerance."""
    return replace(solution(TOLERANCE_MM * share / stopping_factor(41, 0.0), 41), prediction=EXPECTATION)


def test_a_failed_solve_is_repeated_before_the_next_reply(settled):
    world, robot = settled
    for number in range(42, 46):
        world.say(robot, capture(number))
    world.breaks = (msg.Solve,)
    world.say(robot, capture(46))
    world.breaks = ()
    assert held(world, robot, capture(47)) == ""
    world.work_done()
    assert robot.sent.endswith(b"3,47,47,0\n")


STEPS = st.lists(
    st.tuples(st.sampled_from(["capture"] * 9 + ["check", "undo", "solve"]), st.sampled_from([0.5, 0.5, 0.5, 6.0])),
    min_size=8,
    max_size=16,
)


@settings(max_examples=6, deadline=None)
@given(STEPS, st.booleans())
def test_replies_depend_neither_on_the_speed_of_the_solves_nor_on_restarts(steps, restart):
    replies = []
    for slow in (False, True):
        world, robot = long_world(42)
        for seq, (verb, departs) in enumerate(steps, 43):
            world.departs_sigma = departs
            line = {"capture": capture(seq), "check": check(seq, seq)}.get(verb, f"{verb} {seq}")
            world.receive(robot, line.encode() + b"\n", patiently=False)
            world.work_done()
            replies.append((slow, robot.sent))
            if slow:
                if restart:
                    world.restart()
                    robot = world.connect()
                world.holds = (msg.Solve, msg.PlanNextView)
            robot.sent = b""
        world.work_done()
        assert plain(world.state.log) == plain(fold(world.facts))
    half = len(replies) // 2
    assert [sent for _, sent in replies[:half]] == [sent for _, sent in replies[half:]]


@pytest.mark.parametrize(("seed", "fault"), [(4, "none"), (1, "stale poses")])
def test_the_replies_and_the_result_are_those_of_a_solve_for_each_pair(seed, fault):
    """The short form of ``bench.calibration long-sessions``, with the solver."""
    found = compare(seed, "fixed", more=3, ratio=2.0)
    assert found.fault == fault
    assert not found.differ
    assert not found.result_differs
    assert found.waited_each == 3
    assert fault != "none" or found.waited < 3
