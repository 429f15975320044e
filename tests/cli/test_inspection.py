"""``eyebolt inspect``: captures, findings and damage; it changes nothing."""

import json
import shutil
import stat

import pytest

from eyebolt.cli.inspection import SessionReport, inspect_session, report_lines
from eyebolt.store.journal import HEADER, encode_padded, read_records
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


def test_only_the_owner_can_read_what_the_daemon_recorded(closed_session):
    record_folder = closed_session.parent
    paths = [record_folder, *record_folder.rglob("*")]
    assert closed_session / "images/0000.tif" in paths
    assert closed_session / "result.json" in paths
    for path in paths:
        assert stat.S_IMODE(path.stat().st_mode) == (0o700 if path.is_dir() else 0o600), path


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


def lose_an_image(session):
    (session / "images/0003.tif").unlink()


def change_an_image(session):
    path = session / "images/0003.tif"
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


def cut_the_journal(session):
    path = session / "facts.journal"
    path.write_bytes(path.read_bytes()[:-10])


def lose_the_lens(session):
    (session / "camera.json").unlink()


def change_the_lens(session):
    path = session / "camera.json"
    before = path.read_text()
    path.write_text(before.replace("1400", "1430", 1))
    assert path.read_text() != before


def change_the_board(session):
    path = session / "station.toml"
    before = path.read_text()
    path.write_text(before.replace("square_mm = ", "square_mm = 1", 1))
    assert path.read_text() != before


def change_the_lens_of_a_record_without_digests(session):
    """As before digests were recorded: those of the last result are left."""
    rewrite_opening(session, lambda fact: {key: value for key, value in fact.items() if key != "inputs"})
    change_the_lens(session)


def change_the_lens_of_a_session_without_a_result(session):
    (session / "result.json").unlink()
    change_the_lens(session)


def rewrite_opening(session, change):
    journal = session / "facts.journal"
    first, *rest = read_records(journal.read_bytes()).records
    journal.write_bytes(b"".join(encode_padded(0, [HEADER, json.dumps(change(json.loads(first))).encode(), *rest])))


def spoil_the_result(session):
    (session / "result.json").write_text("{")


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lose_an_image, "image 0003.tif is missing"),
        (change_an_image, "image 0003.tif differs from the recorded one"),
        (cut_the_journal, "the file ends within it"),
        (lose_the_lens, "camera.json is missing"),
        (change_the_lens, "camera.json is not the file that the session was recorded with"),
        (change_the_board, "station.toml is not the file that the session was recorded with"),
        (change_the_lens_of_a_record_without_digests, "camera.json is not the file"),
        (change_the_lens_of_a_session_without_a_result, "camera.json is not the file"),
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


def test_neither_blanks_nor_length_make_a_recorded_word_another_line(session):
    """On a terminal of any width."""
    report = inspect_session(session)
    padded = " " * 200 + "the record is intact" + " " * 5000 + "x" * 5000
    capture = report.captures[0].model_copy(update={"message": padded})
    row = report_lines(report.model_copy(update={"captures": (capture,)}))[4]
    assert "  the record is intact x" in row
    assert len(row) < 700
