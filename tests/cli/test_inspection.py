"""``eyebolt inspect``: captures, findings and damage; it changes nothing."""

import json
import shutil

import pytest

from eyebolt.cli.inspection import SessionReport, inspect_session
from eyebolt.store.names import list_sessions
from support.daemon_process import DaemonProcess, Robot


@pytest.fixture(scope="module")
def closed_session(recorded_cell, tmp_path_factory):
    """A closed session: eight pairs, the sixth undone, one pose sent twice, one check."""
    place = tmp_path_factory.mktemp("closed")
    with DaemonProcess(recorded_cell.station(place)) as daemon, Robot(daemon.port) as robot:
        robot.say("hello 0")
        for seq in range(1, 7):
            assert robot.final(recorded_cell.capture(seq))[0] <= 9
        assert robot.final(recorded_cell.capture(7, 4))[0] == 26
        assert robot.final("undo 8")[0] == 0
        assert robot.final(recorded_cell.capture(9, 7))[0] <= 9
        assert robot.final(recorded_cell.capture(10, 8))[0] <= 9
        assert robot.final(recorded_cell.capture(11, 9).replace("capture", "check"))[0] <= 9
        robot.final("bye 12")
    (path,) = list_sessions(place / "sessions")
    return path


@pytest.fixture
def session(closed_session, tmp_path):
    """A copy of it, to be damaged."""
    return shutil.copytree(closed_session, tmp_path / "sessions" / closed_session.name)


def everything_in(folder):
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_the_report_lists_every_capture(session, eyebolt):
    before = everything_in(session)
    code, out, err = eyebolt("inspect", session)
    assert (code, err) == (0, "")
    assert "images: 10; pairs kept: 7, checks: 1, refused: 1, undone: 1; touches: 0" in out
    rows = [line.split() for line in out.splitlines() if line[:4].strip().isdigit()]
    assert [(int(row[0]), int(row[1]), row[2], int(row[3])) for row in rows][5:] == [
        (5, 6, "capture", 0),
        (6, 7, "capture", 26),
        (7, 9, "capture", 0),
        (8, 10, "capture", 0),
        (9, 11, "check", 0),
    ]
    assert "(undone)" in out.splitlines()[9]
    assert "the record is intact" in out
    assert everything_in(session) == before


def test_the_report_as_json(session, eyebolt):
    code, out, _ = eyebolt("inspect", session, "--json")
    found = json.loads(out)
    assert (code, out.count("\n")) == (0, 1)
    assert found["is_closed"] is True
    assert [c["pair"] for c in found["captures"] if c["is_kept"]] == [0, 1, 2, 3, 4, 7, 8, 9]
    assert found["result"]["pairs"]["used"] == 7
    assert found["damage"] == []
    assert found["solve_error"] is None
    report, again = SessionReport.model_validate(found), inspect_session(session)
    # The time of the solve is that of the command.
    result = again.result.model_copy(update={"timestamp": report.result.timestamp})
    assert report == again.model_copy(update={"result": result})


def lose_a_picture(session):
    (session / "images/0003.tif").unlink()


def change_a_picture(session):
    path = session / "images/0003.tif"
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


def cut_the_journal(session):
    path = session / "facts.journal"
    path.write_bytes(path.read_bytes()[:-10])


def lose_the_lens(session):
    (session / "camera.json").unlink()


def spoil_the_result(session):
    (session / "result.json").write_text("{")


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lose_a_picture, "image 0003.tif is missing"),
        (change_a_picture, "image 0003.tif differs from the recorded one"),
        (cut_the_journal, "the file ends within it"),
        (lose_the_lens, "camera.json is missing"),
        (spoil_the_result, "result.json cannot be read"),
    ],
)
def test_damage_is_named_and_in_the_exit_status(session, eyebolt, tmp_path, spoil, words):
    copy = tmp_path / "copy" / session.name
    shutil.copytree(session, copy)
    spoil(copy)
    before = everything_in(copy)
    code, out, err = eyebolt("inspect", copy)
    assert (code, err) == (1, "")
    assert words in out.split("DAMAGED:")[1]
    assert everything_in(copy) == before


def test_a_folder_that_is_no_session(eyebolt, tmp_path):
    code, out, err = eyebolt("inspect", tmp_path)
    assert (code, out) == (1, "")
    assert "(record-read)" in err
    assert "What to do: " in err
