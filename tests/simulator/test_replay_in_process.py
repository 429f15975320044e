"""Decisions of a session, made again from its record: detections and poses as recorded, new solves."""

import pytest

from eyebolt.session import ReplyFact, SolveFact
from eyebolt.store.names import list_sessions
from eyebolt_sim.replay.fact_replay import InProcessReplay
from eyebolt_sim.replay.recording import RecordedReply, read_recorded
from support.daemon_process import Robot


@pytest.fixture(scope="module")
def session(recorded_cell, tmp_path_factory):
    """Folder and station file of a session with an outlier, an undone pair and a check."""
    place = tmp_path_factory.mktemp("replayed")
    station = recorded_cell.station(place, tolerance_mm=0.05)
    return place, station


def order_of(facts):
    """Replies and solves in the order in which they were recorded."""
    chosen = [fact for fact in facts if isinstance(fact, ReplyFact | SolveFact)]
    return [(fact.type, fact.kept if isinstance(fact, SolveFact) else None) for fact in chosen]


def test_the_same_facts_give_the_same_answers_however_fast_the_solves_are(session, start_daemon, recorded_cell):
    place, station = session
    daemon = start_daemon(station)
    lines = [recorded_cell.capture(seq) for seq in range(1, 8)]
    # The image of the eighth waypoint with the pose of the tenth.
    lines += [recorded_cell.capture(8, 9), recorded_cell.capture(9, 8), "undo 10", recorded_cell.capture(11, 9)]
    lines += [recorded_cell.capture(12, 10).replace("capture", "check"), recorded_cell.capture(13, 11), "solve 14"]
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        replies = [RecordedReply(code, count, aux) for code, _, count, aux in (robot.final(line) for line in lines)]
        robot.ask("status 0")
    daemon.terminate()
    assert replies[7].code == 27, replies
    recorded = read_recorded(list_sessions(place / "sessions")[-1])
    assert [line.reply for line in recorded.lines] == replies
    for defer_solves in (False, True):
        replay = InProcessReplay(recorded, defer_solves)
        assert replay.run() == replies
        assert order_of(replay.facts) == order_of(recorded.facts)
    assert any(fact.is_background for fact in recorded.facts if isinstance(fact, SolveFact)), (
        "some replies preceded their solves"
    )
