"""Faults injected into a replay over real sockets, and the daemon's promise under each of them."""

import json
import shutil
from concurrent.futures import ThreadPoolExecutor

import pytest

from eyebolt.errors import InputFault
from eyebolt.session import ReplyFact, encode_fact
from eyebolt.store.names import list_sessions
from eyebolt.store.session_folder import SessionFolder
from eyebolt_sim import processes
from eyebolt_sim.replay.faults import REPLAY_FAULTS, ImageFault, ReplayFaultName, injected_faults
from eyebolt_sim.replay.recording import RecordedReply, read_recorded
from eyebolt_sim.replay.report import Report
from eyebolt_sim.replay.robot import Played
from eyebolt_sim.replay.run import LiveOptions, replay_in_process, replay_live
from support.recorded_facts import facts_in

AT_LINES = (
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
AT_THE_LAST_LINE = "reset-after-line@13"


def beginning_of(session, place, replies):
    """The session as it was after ``replies`` replies."""
    facts = facts_in(session)
    last = [number for number, fact in enumerate(facts) if isinstance(fact, ReplyFact)][replies - 1]
    kept = {name: (session / name).read_bytes() for name in ("station.toml", "camera.json")}
    SessionFolder.create(place, session.name, kept, first=[encode_fact(fact) for fact in facts[: last + 1]]).close()
    shutil.copytree(session / "images", place / session.name / "images", dirs_exist_ok=True)
    return place / session.name


@pytest.fixture(params=["short", pytest.param("long", marks=pytest.mark.long)])
def limits(request, monkeypatch):
    """Those of a cell, or shorter ones."""
    if request.param == "long":
        return
    monkeypatch.setattr("eyebolt_sim.replay.robot._RECONNECT_AFTER_S", 0.3)
    monkeypatch.setattr("eyebolt_sim.replay.faults._REPLY_TIMEOUT_S", 0.5)
    monkeypatch.setattr("eyebolt_sim.replay.faults._DELAY_S", 0.3)
    request.getfixturevalue("warm_daemons")
    warm = processes.run_program

    def run_program(arguments, log):
        assert arguments[0] == "eyebolt.cli.main"
        return warm(["support.short_grabs", *arguments[1:]], log)

    monkeypatch.setattr(processes, "run_program", run_program)


@pytest.mark.usefixtures("limits")
def test_the_promise_holds_under_every_fault(recorded_session, tmp_path):
    short = beginning_of(recorded_session, tmp_path, 3)
    replays = {"lines": (recorded_session, (*AT_LINES, AT_THE_LAST_LINE))}
    replays |= {
        fault.name: (short, (f"{fault.name}@2",)) for fault in REPLAY_FAULTS.values() if fault.expected_code is not None
    }

    def replay(name):
        session, injected = replays[name]
        return replay_live(session, LiveOptions(injected=injected, folder=tmp_path / name), lambda _: None)

    # Run in parallel because they mostly wait: the daemon allows a camera seconds.
    with ThreadPoolExecutor(len(replays)) as pool:
        reports = dict(zip(replays, pool.map(replay, replays), strict=True))
    for name, report in reports.items():
        assert report.same, "\n".join([name, *report.lines()])
    assert {fault.name for report in reports.values() for fault in report.injected} == set(REPLAY_FAULTS)

    at_lines = reports["lines"]
    assert at_lines.result_differences == []
    assert [len(one.replies) for one in at_lines.played if one.fault is REPLAY_FAULTS["duplicated"]] == [2, 2]
    # The log of the daemon shows repeated lines, and hello on new connections.
    log = [json.loads(line) for line in (tmp_path / "lines" / "daemon.log").read_text().splitlines()]
    requests = [entry["line"].split()[:2] for entry in log if entry["event"] == "request received"]
    assert [requests.count(["capture", seq]) for seq in ("2", "4", "5", "8")] == [2, 1, 1, 2]
    assert [requests.count(line) for line in (["hello", "0"], ["status", "0"], ["undo", "10"], ["bye", "13"])] == [
        4,
        2,
        2,
        2,
    ]

    for name, code in (("stale", 22), ("truncated", 22), ("camera-lost", 30)):
        begin, refused, after = reports[name].played
        assert refused.replies == (RecordedReply(code, 0, begin.line.reply.aux), refused.line.reply)
        assert refused.line.reply.count == 1
        assert after.replies == (after.line.reply,)
        # The record of the replay contains a request without an image.
        again = replay_in_process(list_sessions(tmp_path / name / "sessions")[-1])
        assert [one.line.reply.code for one in again.played] == [0, code, 0, 0]
        assert again.same


def test_a_violated_promise_is_reported(recorded_session):
    """A stale image that was accepted as fresh, and one image too many."""
    session = read_recorded(recorded_session)
    played = [
        Played(line, (line.reply,), REPLAY_FAULTS["stale"] if line.number == 3 else None) for line in session.lines
    ]
    report = Report(session, "by hand", played, session.result)
    assert not report.same
    lines = list(report.lines())
    assert any("VIOLATED at line 3" in line for line in lines)
    assert lines[-1] == "NOT the same as recorded"
    counted = Report(session, "by hand", [Played(line, (line.reply,)) for line in session.lines], session.result, 10)
    assert not counted.same
    assert not counted.same_image_count


@pytest.mark.parametrize(
    "specs", [["sunk"], ["stale@1"], ["fragmented@14"], ["fragmented@x"], ["fragmented@2", "delayed@2"]]
)
def test_an_invalid_specification_is_refused(recorded_session, specs):
    with pytest.raises(InputFault) as fault:
        injected_faults(specs, read_recorded(recorded_session).lines)
    assert fault.value.code == "replay-fault"


def test_every_name_has_one_fault():
    assert set(REPLAY_FAULTS) == set(ReplayFaultName)
    assert all(fault.name == name for name, fault in REPLAY_FAULTS.items())


def test_a_fault_without_a_line_is_injected_at_every_line_that_it_applies_to(recorded_session):
    lines = read_recorded(recorded_session).lines
    assert list(injected_faults(["fragmented"], lines)) == [line.number for line in lines]
    assert list(injected_faults(["stale"], lines)) == [*range(2, 10), 11]
    assert all(isinstance(fault, ImageFault) or fault.expected_code is None for fault in REPLAY_FAULTS.values())
