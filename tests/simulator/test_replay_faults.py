"""Faults laid over a replay, and what holds by contract under each of them, over real sockets."""

import json
import shutil
from concurrent.futures import ThreadPoolExecutor

import pytest

from eyebolt.errors import InputFault
from eyebolt.session import ReplyFact, encode_fact
from eyebolt.store.names import list_sessions
from eyebolt.store.session_folder import SessionFolder
from eyebolt_sim.replay.line_faults import FAULTS, injected_faults
from eyebolt_sim.replay.recording import RecordedReply, read_recorded
from eyebolt_sim.replay.report import Report
from eyebolt_sim.replay.robot import Played
from eyebolt_sim.replay.run import LiveOptions, replay_in_process, replay_live
from support.recorded_facts import facts_in

OVER_LINES = (
    "fragmented@1",
    "duplicated@2",
    "coalesced@3",
    "reset-mid-line@4",
    "lost@5",
    "delayed@6",
    "dropped@7",
    "reset-after-line@8",
    "duplicated@10",
)
OVER_THE_LAST = "reset-after-line@13"


def beginning_of(session, place, answers):
    """The session as it was after so many answers."""
    facts = facts_in(session)
    last = [number for number, fact in enumerate(facts) if isinstance(fact, ReplyFact)][answers - 1]
    kept = {name: (session / name).read_bytes() for name in ("station.toml", "camera.json")}
    SessionFolder.create(place, session.name, kept, first=[encode_fact(fact) for fact in facts[: last + 1]]).close()
    shutil.copytree(session / "images", place / session.name / "images", dirs_exist_ok=True)
    return place / session.name


def test_the_contract_holds_under_every_fault(recorded_session, tmp_path):
    short = beginning_of(recorded_session, tmp_path, 3)
    plays = {"lines": (recorded_session, (*OVER_LINES, OVER_THE_LAST))}
    plays |= {fault.name: (short, (f"{fault.name}@2",)) for fault in FAULTS.values() if fault.expected_code is not None}

    def play(name):
        session, injected = plays[name]
        return replay_live(session, LiveOptions(injected=injected, folder=tmp_path / name), lambda _: None)

    # They wait most of the time: the daemon gives a camera ten seconds.
    with ThreadPoolExecutor(len(plays)) as pool:
        reports = dict(zip(plays, pool.map(play, plays), strict=True))
    for name, report in reports.items():
        assert report.same, "\n".join([name, *report.lines()])
    assert {fault.name for report in reports.values() for fault in report.injected} == set(FAULTS)

    over_lines = reports["lines"]
    assert over_lines.result_differences == []
    assert [len(one.replies) for one in over_lines.played if one.fault is FAULTS["duplicated"]] == [2, 2]
    # The daemon heard what was laid over: the same line again, and the robot on new connections.
    log = [json.loads(line) for line in (tmp_path / "lines" / "daemon.log").read_text().splitlines()]
    asked = [entry["line"].split()[:2] for entry in log if entry["event"] == "request received"]
    assert [asked.count(["capture", seq]) for seq in ("2", "4", "5", "8")] == [2, 1, 1, 2]
    assert [asked.count(line) for line in (["hello", "0"], ["status", "0"], ["undo", "10"], ["bye", "13"])] == [
        4,
        2,
        2,
        2,
    ]

    for name, code in (("stale", 22), ("truncated", 22), ("camera-lost", 30)):
        begun, refused, after = reports[name].played
        assert refused.replies == (RecordedReply(code, 0, begun.line.reply.aux), refused.line.reply)
        assert refused.line.reply.count == 1
        assert after.replies == (after.line.reply,)
        # The record of that, in its turn, holds a request without a picture.
        again = replay_in_process(list_sessions(tmp_path / name / "sessions")[-1])
        assert [one.line.reply.code for one in again.played] == [0, code, 0, 0]
        assert again.same


def test_a_promise_that_is_broken_is_told(recorded_session, tmp_path):
    """A stale picture that was taken for a fresh one, and a picture too many."""
    session = read_recorded(recorded_session)
    played = [Played(line, (line.reply,), FAULTS["stale"] if line.number == 3 else None) for line in session.lines]
    report = Report(session, "by hand", played, session.result)
    assert not report.same
    said = list(report.lines())
    assert any("NOT so at line 3" in line for line in said)
    assert said[-1] == "NOT the same as recorded"
    counted = Report(session, "by hand", [Played(line, (line.reply,)) for line in session.lines], session.result, 10)
    assert not counted.same
    assert "PICTURES: 10 were taken, 9 are on record" in list(counted.lines())


@pytest.mark.parametrize(
    ("wishes", "message"),
    [
        (["sunk"], "'sunk' is no fault"),
        (["stale@1"], "names no line that it can be laid over"),
        (["fragmented@14"], "names no line"),
        (["fragmented@x"], "names no line"),
        (["fragmented@2", "delayed@2"], "two faults are laid over line 2"),
    ],
)
def test_what_cannot_be_laid_over_is_told(recorded_session, wishes, message):
    with pytest.raises(InputFault, match=message) as fault:
        injected_faults(wishes, read_recorded(recorded_session).lines)
    assert fault.value.code == "replay-fault"


def test_a_fault_without_a_line_is_laid_over_all_it_suits(recorded_session):
    lines = read_recorded(recorded_session).lines
    assert list(injected_faults(["fragmented"], lines)) == [line.number for line in lines]
    assert list(injected_faults(["stale"], lines)) == [*range(2, 10), 11]
    assert all(fault.is_camera_fault or fault.expected_code is None for fault in FAULTS.values())
