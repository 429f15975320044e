"""The table of the state machine: complete, consistent with what is outstanding in each stage, and true."""

import re
from itertools import product

import pytest

from eyebolt.session import messages as msg
from eyebolt.session import state_diagram, step
from eyebolt.session.state import STAGES, DeferringStage, Grabbing
from eyebolt.session.step import EVENTS, TABLE, Handled, Impossible, SessionDefect
from support.session_transitions import declared, undeclared, watched_transitions
from support.session_world import World, capture, check, touch


def test_every_pair_of_stage_and_event_is_handled_or_explicitly_impossible():
    assert set(TABLE) == set(product(STAGES, EVENTS))
    assert all(isinstance(cell, Handled) or cell.reason for cell in TABLE.values())


def test_a_stage_handles_exactly_the_events_that_answer_its_outstanding_commands():
    for stage in STAGES:
        answers = {event for command in stage.OUTSTANDING for event in msg.ANSWERS[command]}
        assert {event for event in EVENTS if isinstance(TABLE[stage, event], Handled)} == answers, stage


def test_only_a_deferring_stage_has_events_that_defer():
    defer = {stage for (stage, _), cell in TABLE.items() if isinstance(cell, Handled) and cell.defers}
    assert defer == {stage for stage in STAGES if issubclass(stage, DeferringStage)}


def test_every_event_with_a_number_answers_a_command():
    assert {event for answers in msg.ANSWERS.values() for event in answers} == set(EVENTS)


def test_an_impossible_event_is_a_defect_and_changes_nothing():
    world = World()
    world.holds = (msg.Grab,)
    world.say(world.connect(), capture(1), patiently=False)
    before = world.state
    assert isinstance(TABLE[type(before.task), msg.ResultWritten], Impossible)
    with pytest.raises(SessionDefect):
        step(before, msg.ResultWritten(before.task.job.number))
    assert world.state is before


HOLDABLE = (
    msg.OpenSession,
    msg.Grab,
    msg.StoreImage,
    msg.RecordFacts,
    msg.Detect,
    msg.Solve,
    msg.PlanNextView,
    msg.WriteResult,
)


def far_from_its_goal():
    """A world in which every pair agrees with the solution, so that most replies do not wait for their solve."""
    world = World()
    world.departs_sigma, world.wanted = 0.5, 20
    return world, world.connect()


def kept(world, robot, count):
    for seq in range(1, count + 1):
        world.say(robot, capture(seq))


def every_timer_expires(world):
    while world.wakes:
        world.time_passes()


def each_command_held_until_the_timer_expires():
    """Every stage is still there when the reply 10 is sent."""
    for held in HOLDABLE:
        captures = [capture(seq) for seq in range(1, 8)]
        placed = [capture(1), "place 2", touch(3, 0)]
        for lines in (captures[:1], captures[:4], captures, ["begin 1"], placed):
            world, robot = far_from_its_goal()
            for line in lines[:-1]:
                world.say(robot, line)
            world.holds = (held,)
            world.say(robot, lines[-1], patiently=False)
            every_timer_expires(world)
            world.work_done()
        world, robot = far_from_its_goal()
        kept(world, robot, 7)
        world.goal_met, world.holds = True, (held,)
        world.say(robot, "solve 8", patiently=False)
        every_timer_expires(world)
        world.work_done()


def each_write_fails():
    """The disk refuses the first, second, ... write of a session with captures that wait for their solve and others."""
    for write in range(1, 30):
        world, robot = far_from_its_goal()
        world.disk_fails_at = write
        kept(world, robot, 8)
        world.say(robot, check(9, 1))
    for held in (msg.StoreImage, msg.RecordFacts):
        for count in (1, 4):
            world, robot = far_from_its_goal()
            kept(world, robot, count - 1)
            world.holds = (held, msg.Solve)
            world.say(robot, capture(count), patiently=False)
            world.disk_full = True
            world.work_done()


def each_worker_fails():
    """Also while the image is still on its way to the disk."""
    for broken in (msg.Detect, msg.Solve, msg.PlanNextView):
        for held in ((), (msg.StoreImage,)):
            for count in (2, 4, 7):
                world, robot = far_from_its_goal()
                kept(world, robot, count - 1)
                world.breaks, world.holds = (broken,), held
                world.say(robot, capture(count), patiently=False)
                world.work_done()
                world.say(robot, f"solve {count + 1}")


def a_slow_disk():
    """Detection and solve end before the image is on record, and after a request for another session."""
    for count in (1, 4):
        world, robot = far_from_its_goal()
        kept(world, robot, count - 1)
        world.holds = (msg.StoreImage,)
        world.say(robot, capture(count), patiently=False)
        world.work_done()
        world.say(robot, capture(20))
    world, robot = far_from_its_goal()
    kept(world, robot, 3)
    world.holds = (msg.StoreImage, msg.Solve)
    world.say(robot, capture(4), patiently=False)
    (store,) = [command for command in world.held if isinstance(command, msg.StoreImage)]
    world.held.remove(store)
    world.holds = (msg.Solve,)
    world.carry_out(store)
    world.work_done()


def a_slow_solve():
    """Requests that come during a background solve, with timers that expire meanwhile."""
    for line in ("status 1", "begin 1", "bye 9", capture(9)):
        for held in (msg.Solve, msg.RecordFacts):
            world, robot = far_from_its_goal()
            kept(world, robot, 6)
            world.holds = (msg.Solve,)
            world.say(robot, capture(7), patiently=False)
            (solve,) = world.held
            world.held, world.holds = [], (held,)
            world.carry_out(solve)
            world.say(robot, line, patiently=False)
            every_timer_expires(world)
            world.work_done()


def no_image_and_late_next_views():
    world, robot = far_from_its_goal()
    world.grab_fails = "camera-lost"
    world.say(robot, capture(1))
    world.grab_fails = None
    for line in ("bye 20", "begin 1"):
        world, robot = far_from_its_goal()
        kept(world, robot, 6)
        world.holds = (msg.PlanNextView, msg.OpenSession)
        world.say(robot, capture(7))
        world.say(robot, line, patiently=False)
        world.work_done()


STORIES = (
    each_command_held_until_the_timer_expires,
    each_write_fails,
    each_worker_fails,
    a_slow_disk,
    a_slow_solve,
    no_image_and_late_next_views,
)


def test_every_transition_that_the_table_declares_is_made_and_no_other():
    with watched_transitions() as made:
        for story in STORIES:
            story()
    assert not undeclared(made)
    missing = declared() - made
    assert not missing, sorted(f"{s.__name__}, {e.__name__} -> {g.__name__ if g else None}" for s, e, g in missing)


def test_the_diagram_shows_every_stage():
    diagram = state_diagram()
    assert diagram.startswith("stateDiagram-v2\n")
    assert all(f" {stage.__name__}" in diagram for stage in STAGES)


def test_an_impossible_event_is_told_by_the_commands_that_it_would_answer():
    reason = TABLE[Grabbing, msg.FactsRecorded].reason
    named = {command.__name__ for command in msg.ANSWERS if command.__name__ in re.findall(r"\w+", reason)}
    assert named == {"RecordFacts"}
