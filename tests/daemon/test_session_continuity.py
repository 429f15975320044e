"""After any interruption the session is the same: pairs, replies and counter, and it continues alike."""

import contextlib
import subprocess

import pytest

from eyebolt.session import ImageFact, fold
from eyebolt.store.names import list_sessions
from support.daemon_process import DaemonProcess, Robot
from support.recorded_facts import facts_in, newest_facts

# A computer that has been running for eleven days.
LONG_UP = ("unshare", "--time", "--monotonic", "1000000")


def lines_of(cell):
    """What the robot says before it is interrupted, a refused pose and one that is taken back among it; and after."""
    before = ["begin 1", *(cell.capture(seq, seq - 2) for seq in range(2, 6)), cell.capture(6, 3), "undo 7"]
    before += [cell.capture(8, 5).replace("capture", "check"), cell.capture(9, 6)]
    return before, [cell.capture(10, 7), "solve 11", cell.capture(12, 8), "bye 13"]


def images_taken(station):
    """Sequence number and frame name of each image of the newest session."""
    return [(fact.request.seq, fact.frame.name) for fact in newest_facts(station, ImageFact)]


@pytest.fixture(scope="module")
def undisturbed(recorded_cell, tmp_path_factory):
    """The replies without an interruption, before and after it, and the images."""
    station = recorded_cell.station(tmp_path_factory.mktemp("undisturbed"))
    with DaemonProcess(station) as daemon, Robot(daemon.port) as robot:
        robot.say("hello 0")
        replies = [[robot.final(line) for line in lines] for lines in lines_of(recorded_cell)]
    assert [reply[0] for reply in replies[0]] == [0, 0, 0, 0, 0, 26, 0, 0, 0]
    return *replies, images_taken(station)


@pytest.fixture
def greet():
    """A robot's connection on which `hello` got one of these replies; all are closed with the test."""
    with contextlib.ExitStack() as connections:

        def greeted(daemon, *hellos):
            robot = connections.enter_context(Robot(daemon.port))
            assert robot.ask("hello 0") in hellos
            return robot

        yield greeted


def is_killed(daemon, robot, start):
    daemon.kill()
    return start(daemon.station_file)


def is_ended(daemon, robot, start):
    assert daemon.terminate() == 0
    return start(daemon.station_file)


def is_left_half_open(daemon, robot, start):
    """The old connection never hangs up: its cable was pulled."""
    return daemon


def restarts_in_the_middle(daemon, robot, start):
    """The program asks what was last, and goes on with the next number."""
    robot.close()
    return daemon


def work(start_daemon, greet, station, before, replies, under=()):
    """A daemon that runs ``under`` a command, and a robot that said all of ``before`` to it and heard ``replies``."""
    daemon = start_daemon(station, before=under)
    robot = greet(daemon, (0, 0, 0, 0))
    assert [robot.final(line) for line in before] == replies
    return daemon, robot


def check_it_is_the_same(robot, before, replies):
    """Every reply is repeated, to `again` and to the line itself; the counter is unchanged."""
    for line, reply in zip(before, replies, strict=True):
        assert robot.ask(f"again {reply[1]}") == reply
        if not line.startswith("begin"):
            assert robot.ask(line) == reply
    assert robot.ask("status 99")[2] == replies[-1][2]


INTERRUPTIONS = (is_killed, is_ended, is_left_half_open, restarts_in_the_middle)


@pytest.mark.parametrize(
    "interruptions",
    [
        pytest.param((is_left_half_open, is_killed), id="half open, killed"),
        pytest.param((restarts_in_the_middle, is_ended), id="restarts, ended"),
        *(pytest.param((each,), id=each.__name__, marks=pytest.mark.long) for each in INTERRUPTIONS),
    ],
)
def test_an_interruption_changes_nothing(interruptions, undisturbed, recorded_cell, start_daemon, greet, tmp_path):
    before, after = lines_of(recorded_cell)
    replies, replies_after, images = undisturbed
    station = recorded_cell.station(tmp_path)
    daemon, robot = work(start_daemon, greet, station, before, replies)
    for interrupted in interruptions:
        daemon = interrupted(daemon, robot, start_daemon)
        robot = greet(daemon, (0, 0, replies[-1][2], 9))
        check_it_is_the_same(robot, before, replies)
    assert [robot.final(line) for line in after] == replies_after
    assert images_taken(station) == images


def test_a_reboot_changes_nothing(undisturbed, recorded_cell, start_daemon, greet, tmp_path):
    """Its monotonic clock starts below the instants on record; one image there has no reply yet."""
    if subprocess.run([*LONG_UP, "true"], check=False, capture_output=True).returncode:
        pytest.skip("clocks of their own are not allowed here")
    before, after = lines_of(recorded_cell)
    replies, replies_after, images = undisturbed
    station = recorded_cell.station(tmp_path)
    daemon, robot = work(start_daemon, greet, station, before, replies, under=LONG_UP)
    daemon.kill()
    # As if the power had gone before the last answer was on the disk.
    (session,) = list_sessions(tmp_path / "sessions")
    journal = session / "facts.journal"
    facts = facts_in(session)
    taken = max(k for k, fact in enumerate(facts) if isinstance(fact, ImageFact))
    assert facts[taken].frame.received_ns > 1_000_000 * 10**9
    whole = journal.read_bytes().splitlines(keepends=True)
    journal.write_bytes(b"".join(whole[: taken + 2]))
    daemon = start_daemon(station)
    # The image is worked on: its seq is used, and `hello` waits for the reply as long as a robot does.
    robot = greet(daemon, (0, 0, replies[-1][2], 9), (0, 0, replies[-2][2], 9))
    assert robot.final(before[-1]) == replies[-1]
    check_it_is_the_same(robot, before, replies)
    assert [robot.final(line) for line in after] == replies_after
    assert images_taken(station) == images


@pytest.mark.parametrize("asks_again", [True, False], ids=["again", "the same line"])
def test_a_lost_reply_is_fetched_without_a_second_image(asks_again, undisturbed, recorded_cell, start_daemon, tmp_path):
    before, after = lines_of(recorded_cell)
    replies, replies_after, images = undisturbed
    station = recorded_cell.station(tmp_path)
    daemon = start_daemon(station)
    for line, reply in zip(before, replies, strict=True):
        # The robot hangs up before it hears anything, each time.
        with Robot(daemon.port) as robot:
            robot.say("hello 0")
            robot.send(line)
            daemon.wait_for_log("request received", line=line)
        with Robot(daemon.port) as robot:
            robot.say("hello 0")
            assert robot.final(f"again {reply[1]}" if asks_again else line) == reply
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        assert [robot.final(line) for line in after] == replies_after
    assert images_taken(station) == images


def test_a_restarted_robot_program_leaves_the_session_as_it_was(
    undisturbed, recorded_cell, start_daemon, greet, tmp_path
):
    """Its `begin` opens another session and the first stays on disk with all pairs; without it the first continues."""
    before, _ = lines_of(recorded_cell)
    replies, _, images = undisturbed
    station = recorded_cell.station(tmp_path)
    daemon, robot = work(start_daemon, greet, station, before, replies)
    (first,) = list_sessions(tmp_path / "sessions")
    log = fold(facts_in(first))
    robot.close()
    robot = greet(daemon, (0, 0, replies[-1][2], 9))
    # From the top, but without `begin`: each line gets its answer, and no image is taken.
    assert [robot.ask(line) for line in before[1:]] == replies[1:]
    assert images_taken(station) == images[: len(images_taken(station))] and len(list_sessions(first.parent)) == 1
    # From the very top.
    assert robot.final("begin 1")[:3] == (0, 1, 0)
    assert robot.final(recorded_cell.capture(2, 7))[:3] == (0, 2, 1)
    stands = fold(facts_in(first))
    assert (stands.replies, [c.request.seq for c in stands.kept]) == (log.replies, [c.request.seq for c in log.kept])
