"""Invariants under any sequence of what robots, disk, camera and clock may do."""

import json

from hypothesis import given, settings
from hypothesis import strategies as st

from eyebolt.boards.detection import NoDetection
from eyebolt.boards.exposure import ExposureStats
from eyebolt.planning.stopping import Goal
from eyebolt.session import messages as msg
from eyebolt.session.session_log import fold
from support.session_transitions import undeclared, watched_transitions
from support.session_world import GOOD_LIGHT, SIZE_PX, World, capture, check, config, detection, plain, pose_text, touch

SEQS = st.integers(0, 6)
LINES = st.one_of(
    st.builds(capture, SEQS, st.integers(0, 9)),
    st.builds(check, SEQS, st.integers(0, 9)),
    st.builds(
        "{} {}".format,
        st.sampled_from(["hello", "hello", "again", "again", "undo", "undo", "status", "solve", "begin", "bye"]),
        SEQS,
    ),
    st.builds("{} {}".format, st.sampled_from(["result", "place", "place", "grab", "capture"]), SEQS),
    *[st.builds(touch, SEQS, st.sampled_from([0, 1, 19, 20]))] * 2,
    st.builds("locate {} 1 2 3".format, SEQS),
    st.sampled_from(["pose 1 2 3", f"pose {pose_text(1)}", "capture 3 1 2 3 1 1 1 1", "(again,1)", ""]),
)
VIEWS = st.sampled_from(
    [
        detection(),
        detection(),
        detection(ExposureStats(0.1, 0.7, 0.1, 0.0, 0.75)),
        NoDetection("no-board", GOOD_LIGHT, SIZE_PX),
        detection(size_px=(640, 480)),
    ]
)
HELD = st.sets(
    st.sampled_from(
        [msg.OpenSession, msg.Grab, msg.StoreImage, msg.RecordFacts, msg.Detect, msg.Solve, msg.PlanNextView]
    ),
    max_size=2,
).map(tuple)


def set_to(name, values):
    return st.tuples(st.just("set"), st.just(name), values)


STEPS = st.one_of(
    # A robot that goes about its work, so that much is kept for the rest to upset.
    *[st.tuples(st.just("next_view"), st.sampled_from(["capture", "capture", "capture", "check"]), st.integers(0, 30))]
    * 14,
    *[st.tuples(st.just("say"), st.booleans(), LINES)] * 4,
    st.tuples(
        st.just("operate"), st.sampled_from(["begin", "undo", "bye", *(f"capture {pose_text(n)}" for n in (31, 32))])
    ),
    set_to("sees", VIEWS),
    set_to("grab_fails", st.sampled_from([None, None, "no-fresh-frame", "camera-lost"])),
    set_to("disk_full", st.sampled_from([False, False, True])),
    set_to("goal_met", st.booleans()),
    set_to("wanted", st.sampled_from([None, 1, 12])),
    set_to("departs_sigma", st.sampled_from([None, 0.5, 6.0])),
    set_to("excluded", st.sets(st.integers(0, 9), max_size=2).map(tuple)),
    set_to("breaks", st.sampled_from([(), (), (msg.Detect,), (msg.Solve,), (msg.PlanNextView,)])),
    set_to("holds", HELD),
    *[st.just(("calm",))] * 3,
    st.sampled_from([("time",), ("done",), ("connect",), ("hang up",), ("restart",), ("fail once",)]),
)


class Play:
    """Plays any steps in one world and checks the invariants after each."""

    def __init__(self):
        self.world = World(config(goal=Goal(0.5, min_pairs=3, max_pairs=5)))
        self.lines = [self.world.connect()]
        self.seq = 6
        self.checked = None

    def take(self, step):
        world = self.world
        match step:
            case ("next_view", verb, waypoint):
                if self.lines[0].dropped:
                    self.lines[0] = world.connect()
                    world.receive(self.lines[0], b"hello 0\n")
                self.seq += 1
                line = f"{verb} {self.seq} {pose_text(waypoint)}\n"
                world.receive(self.lines[0], line.encode())
            case ("say", first, text):
                world.receive(self.lines[0 if first else -1], text.encode() + b"\n", patiently=False)
            case ("operate", text):
                world.operate(text, patiently=False)
            case ("set", name, value):
                setattr(world, name, value)
            case ("time",) if world.wakes:
                world.time_passes()
            case ("done",):
                world.work_done()
            case ("calm",):
                world.work_done()
                world.sees, world.grab_fails, world.disk_full, world.breaks = detection(), None, False, ()
            case ("connect",):
                self.lines.append(world.connect())
            case ("hang up",):
                world.hang_up(self.lines[-1])
                self.lines.append(world.connect())
            case ("restart",):
                world.restart()
                self.lines = [world.connect()]
            case ("fail once",):
                world.disk_fails_at = world.disk_writes + 2
        self.check()

    def end(self):
        """All work is finished and all time has passed."""
        self.world.work_done()
        while self.world.wakes:
            self.world.time_passes()
        self.check()
        assert self.world.state.task is None

    def check(self):
        """What holds at every moment; the world itself checks that facts come before words."""
        world = self.world
        written = [len(session) for session in world.disk]
        if world.state.task is None and written != self.checked:
            self.checked = written
            assert plain(world.state.log) == plain(fold(world.facts))
        assert all(len(answers) == 1 for answers in world.answers.values())
        assert set(world.answers) <= world.owed


@settings(max_examples=60, deadline=None)
@given(st.lists(STEPS, min_size=25, max_size=50))
def test_any_sequence_keeps_the_invariants(steps):
    play = Play()
    with watched_transitions() as made:
        for step in steps:
            play.take(step)
        play.end()
    assert not undeclared(made)
    world = play.world
    unanswered = world.owed - set(world.answers)
    assert all(world.connections[caller.connection].dropped for caller in unanswered)


RUNS = st.lists(
    st.one_of(
        st.builds(capture, st.integers(0, 30), st.integers(0, 30)),
        st.builds(check, st.integers(0, 30), st.integers(0, 30)),
        st.builds("{} {}".format, st.sampled_from(["begin", "undo", "solve", "bye", "place"]), st.integers(0, 30)),
        st.builds(touch, st.integers(0, 30), st.integers(0, 20)),
    ),
    min_size=1,
    max_size=15,
)


@settings(max_examples=60, deadline=None)
@given(RUNS, st.integers(1, 30))
def test_one_failed_write_costs_only_its_request(lines, write):
    """All other replies are those of a world in which the request that met the fault was never sent.

    What is written behind an answer costs no request at all.
    """
    lines = [line for line in lines if not line.startswith(("begin", "bye"))]
    failing, without = World(), World()
    robot, other = failing.connect(), without.connect()
    assert failing.say(robot, capture(31)) == without.say(other, capture(31)) == "0,31,1,7"
    failing.disk_fails_at = failing.disk_writes + write
    lost = []
    for line in lines:
        reply = failing.say(robot, line)
        if reply.startswith("31,"):
            lost.append(line)
        else:
            assert without.say(other, line) == reply
    costly = [command for command in failing.failed_writes if not is_behind(command)]
    assert len(lost) == len(costly)


def is_behind(command):
    """Whether this is written after the reply to its request."""
    return isinstance(command, msg.RecordFacts) and command.facts[-1].type in ("solve", "next_view")


@settings(max_examples=40, deadline=None)
@given(RUNS, st.sets(st.integers(0, 14)))
def test_restarts_change_no_reply(lines, restarts):
    steady, shaken = World(), World()
    one, other = steady.connect(), shaken.connect()
    for number, line in enumerate(lines):
        if number in restarts:
            shaken.restart()
            other = shaken.connect()
        assert shaken.say(other, line) == steady.say(one, line)
    assert [json.loads(line)["type"] for session in shaken.disk for line in session] == [
        json.loads(line)["type"] for session in steady.disk for line in session
    ]
