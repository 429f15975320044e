"""``kill -9`` during a session, and what a restarted daemon has of it.

The oracle: every pair that was answered 0 is there, and nothing that was answered changes its answer.
"""

import json

from eyebolt.session import ImageFact, ReplyFact, SolveFact
from eyebolt.session.facts import SolveBasis
from eyebolt.store.names import list_sessions
from eyebolt_sim.replay import replay_in_process
from support.daemon_process import Robot, until
from support.recorded_facts import newest_facts


def test_every_pair_answered_0_is_there_after_every_kill(start_daemon, recorded_cell, tmp_path):
    station = recorded_cell.station(tmp_path)
    replies = {}
    for goal in (0, 1, 4, 9):
        daemon = start_daemon(station)
        with Robot(daemon.port) as robot:
            # The capture under way at the kill may have come to its end on the disk, but to nothing in between.
            aux = robot.ask("hello 0")[3]
            assert aux in (len(replies), len(replies) + 1)
            for seq, reply in replies.items():
                assert robot.ask(f"again {seq}") == reply
                assert robot.ask(recorded_cell.capture(seq)) == reply
            for seq in range(len(replies) + 1, goal + 1):
                replies[seq] = robot.final(recorded_cell.capture(seq))
                assert replies[seq][:3] == (3 if seq >= 8 else 0, seq, seq)
            assert robot.ask("status 90")[2] == max(goal, aux)
            if goal < 9:
                robot.send(recorded_cell.capture(goal + 1))
                daemon.wait_for_log("request received", line=recorded_cell.capture(goal + 1))
                daemon.kill()
    with Robot(daemon.port) as robot:
        solved = robot.final("solve 20")
        assert solved[:3] == (0, 20, 9)
        assert robot.final("bye 21")[0] == 0
        daemon.kill()
    # Each pair has its own image: none was used twice, none was passed over.
    taken = {fact.request.seq: fact.frame.name for fact in newest_facts(station, ImageFact)}
    assert taken == {seq: f"{seq - 1:03d}.png" for seq in range(1, 10)}
    result = json.loads((list_sessions(tmp_path / "sessions")[-1] / "result.json").read_text())
    assert result["pairs"] == {"used": 9, "excluded": []}
    assert round(result["expected_pick_error_mm"]["p95_upper"] * 1e3) == solved[3]
    # The end of a session is remembered too: the next capture opens another one.
    daemon = start_daemon(station)
    with Robot(daemon.port) as robot:
        assert robot.ask("hello 0") == (0, 0, 9, 0)
        assert robot.final("bye 21")[0] == 0
        assert robot.final(recorded_cell.capture(1, 9))[:3] == (0, 1, 1)
    assert len(list_sessions(tmp_path / "sessions")) == 2


def test_an_image_on_record_without_a_reply_is_finished_after_a_kill(start_daemon, recorded_cell, tmp_path):
    """Killed between the fact of the image and the reply; repeated if the reply was faster."""
    station = recorded_cell.station(tmp_path)
    daemon = start_daemon(station)

    def images_recorded():
        return sum(path.read_bytes().count(b'"type":"image"') for path in tmp_path.glob("sessions/2*/facts.journal"))

    for seq in range(1, 7):
        with Robot(daemon.port) as robot:
            robot.say("hello 0")
            robot.send(recorded_cell.capture(seq))
            until(lambda seq=seq: images_recorded() == seq, "the image's fact")
            daemon.kill()
        answered = {fact.request.seq for fact in newest_facts(station, ReplyFact)}
        daemon = start_daemon(station)
        if seq not in answered:
            break
    assert seq not in answered

    with Robot(daemon.port) as robot:
        # The request has its seq already: the robot goes on after it.
        assert robot.ask("hello 0")[3] == seq
        finished = robot.final(f"again {seq}")
        assert finished[:3] == (0, seq, seq)
        # The robot that never got its answer sends the line once more: no second pair comes of it.
        assert robot.ask(recorded_cell.capture(seq)) == finished
        assert robot.final(recorded_cell.capture(seq + 1))[:3] == (0, seq + 1, seq + 1)
    assert [fact.request.seq for fact in newest_facts(station, ReplyFact)] == list(range(1, seq + 2))
    assert len(newest_facts(station, ImageFact)) == seq + 1
    replayed = replay_in_process(list_sessions(tmp_path / "sessions")[-1])
    assert all(played.as_expected for played in replayed.played)


def test_a_kill_between_reply_and_solve_loses_nothing(start_daemon, recorded_cell, tmp_path):
    """The solve follows the reply: killed in between, the daemon has the pair and solves after the restart."""
    station = recorded_cell.station(tmp_path, tolerance_mm=0.05)
    daemon, gaps = start_daemon(station), 0
    for seq in range(1, 11):
        with Robot(daemon.port) as robot:
            robot.say("hello 0")
            reply = robot.final(recorded_cell.capture(seq))
            assert reply[:3] == (0, seq, seq)
            if seq < 7:
                continue
            daemon.kill()
        gaps += newest_facts(station, SolveFact)[-1].kept < seq
        daemon = start_daemon(station)
        until(lambda seq=seq: newest_facts(station, SolveFact)[-1].kept == seq, "the solve that was owed")
        assert newest_facts(station, SolveFact)[-1].based_on == SolveBasis(pairs=tuple(range(seq)), checks=())
        with Robot(daemon.port) as robot:
            assert robot.ask("hello 0") == (0, 0, seq, seq)
            assert robot.ask(f"again {seq}") == reply
            assert robot.ask("status 99")[2] == seq
        if gaps == 2:
            break
    assert gaps, "every solve was faster than the kill"
