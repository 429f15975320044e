"""Short form of `tests/bench/load`, without its clock: 50 watchers, 1000 connections, and nothing is lost."""

from bench.load.client_process import crowd
from eyebolt.session import ReplyFact
from eyebolt.store.names import list_sessions
from support.daemon_process import Robot
from support.recorded_facts import facts_in

CAPTURES = 6


def test_a_crowd_of_peers_costs_the_robot_no_pair(recorded_cell, start_daemon, tmp_path):
    station = recorded_cell.station(tmp_path)
    daemon = start_daemon(station)
    with crowd(station, daemon.port, watchers=50, connections=1000) as saw:
        # The robot comes when the door is crowded already.
        with Robot(daemon.port) as robot:
            robot.say("hello 0")
            told = [robot.final(recorded_cell.capture(seq)) for seq in range(1, CAPTURES + 1)]
        with Robot(daemon.port) as robot:
            assert robot.ask("hello 0")[2:] == (CAPTURES, CAPTURES)
    assert [reply[:3] for reply in told] == [(0, seq, seq) for seq in range(1, CAPTURES + 1)]
    assert saw["called"] >= 1000
    assert saw["hung_up"] >= 1000 - 32
    assert saw["least_heard"] >= CAPTURES
    assert daemon.terminate() == 0
    (session,) = list_sessions(tmp_path / "sessions")
    answers = facts_in(session, ReplyFact)
    assert [(f.request.seq, f.code) for f in answers] == [(seq, 0) for seq in range(1, CAPTURES + 1)]
    assert "Traceback" not in daemon.text()
    assert not [e for e in daemon.log() if e["level"] == "error"]
