"""Files that somebody else wrote: no nesting, size or number of theirs is a defect, and no word steers a terminal."""

import json
import os
import shutil
import time
from pathlib import Path

import pytest
import structlog

from eyebolt.bounded_file import read_bounded
from eyebolt.bounded_text import MAX_DEPTH, TextLimitError, parse_json, parse_toml
from eyebolt.calibration import read_problem
from eyebolt.config import parse_lens, parse_station
from eyebolt.context import load_context
from eyebolt.errors import InputFault
from eyebolt.logs import configure_log
from eyebolt.plain_text import clean_block, clean_line, sanitize
from eyebolt.results import ACCEPTED_NAME, read_accepted
from eyebolt.security import key_files
from eyebolt.store.journal import HEADER, encode_padded, read_records
from support.folder_camera_cell import write_station

GOLDEN = Path(__file__).resolve().parents[1] / "store/golden/version-1"
INTACT = "the record is intact"
# A line break of every kind, then the report's own words; and what moves a cursor, reverses reading, or rings.
FORGED = f"kept\n{INTACT}\r{INTACT}\x0b{INTACT}\u2028{INTACT}\x85{INTACT}\x1b[2J\x1b]0;x\x07\u202e\u200b\ue000"


@pytest.fixture
def session(tmp_path):
    """A recorded session without its images."""
    return shutil.copytree(GOLDEN, tmp_path / "sessions/20260314-091500-01")


def rewrite(session, change):
    """Writes the journal again with the facts that ``change`` makes of its facts."""
    journal = session / "facts.journal"
    records = [json.loads(record) for record in read_records(journal.read_bytes()).records]
    payloads = [json.dumps(change(record), ensure_ascii=False).encode() for record in records]
    journal.write_bytes(b"".join(encode_padded(0, [HEADER, *payloads])))


def test_a_recorded_word_cannot_forge_a_line_of_the_report(session, eyebolt):
    (session / "result.json").write_text("[" * 1000)
    rewrite(session, lambda fact: {**fact, "message": FORGED} if fact["type"] == "reply" else fact)
    code, out, err = eyebolt("inspect", session)
    assert (code, err) == (1, "")
    assert "DAMAGED:" in out
    assert INTACT in out, "the words are there"
    assert not [line for line in out.splitlines() if line.strip().startswith(INTACT)]
    assert all(c == "\n" or c.isprintable() for c in out)
    code, out, _ = eyebolt("inspect", session, "--json")
    assert code == 1
    assert out.count("\n") == 1
    assert all(c == "\n" or c.isprintable() for c in out)


def test_the_name_of_a_file_cannot_forge_a_line(tmp_path, eyebolt):
    for command in ("inspect", "solve"):
        place = tmp_path / f"x\n{INTACT}\x1b[2J"
        place.mkdir(exist_ok=True)
        code, out, err = eyebolt(command, place)
        assert code == 1
        assert not [line for line in (out + err).splitlines() if line.startswith(INTACT)]
        assert "\x1b" not in out + err


def test_a_log_line_is_one_line(capsys):
    configure_log("console")
    try:
        structlog.get_logger("robot").warning("line not understood", line=FORGED, peer="\x1b[31m10.0.0.1")
        out = capsys.readouterr().err
    finally:
        structlog.reset_defaults()
    assert out.count("\n") == 1
    assert "\x1b" not in out
    assert "10.0.0.1" in out


@pytest.mark.parametrize("clean", [clean_line, sanitize])
def test_one_line_of_printable_characters(clean):
    text = clean(FORGED)
    assert text.isprintable()
    assert clean(text) == text
    assert clean("45 \u00b0, \u00fc, \u4e16") == "45 \u00b0, \u00fc, \u4e16"


def test_only_the_first_line_of_a_block_begins_at_the_margin():
    lines = clean_block(f"two faults:\n  one\n{INTACT}\r{INTACT}").split("\n")
    assert [line[:2] for line in lines[1:]] == ["  ", "  "]


@pytest.mark.parametrize("parse", [parse_json, parse_toml, lambda text: parse_station(text, "s")])
@pytest.mark.parametrize("depth", [MAX_DEPTH + 1, 400, 990, 20_000])
def test_deep_nesting_is_text_that_cannot_be_read(parse, depth):
    text = "[" * depth + "]" * depth
    with pytest.raises((ValueError, InputFault)):
        parse(text if parse is parse_json else f"a = {text}")


@pytest.mark.parametrize("text", ["a." * 400 + "a = 1", "[" + "a." * 400 + "a]", "a = 1" + "0" * 5000])
def test_keys_and_numbers_without_end(text):
    started_s = time.process_time()
    with pytest.raises(TextLimitError) as caught:
        parse_toml("b = 'a.a'\n" + text)
    assert caught.value.line == 2
    with pytest.raises(InputFault) as shown:
        parse_station(text, "station.toml")
    assert shown.value.code == "station-file"
    assert time.process_time() - started_s < 5


def test_brackets_and_points_in_texts_and_comments_do_not_count():
    many = "[" * 100 + "." * 100
    assert parse_json(json.dumps({"a": f'\\"{many}', "b": [1, [2]]})) == {"a": f'\\"{many}', "b": [1, [2]]}
    text = f"""a = "\\"{many}" # {many}\nb = '{many}'\nc = \"\"\"{many}"\n\\"{many}\"\"\"\nd = '''{many}'{many}'''"""
    assert parse_toml(text)["d"] == f"{many}'{many}"


@pytest.mark.parametrize("unfinished", ['"' + '\\"' * 200_000, '"' * 100_001, "'''" + "'" * 100_000])
def test_unfinished_texts_take_one_pass(unfinished):
    started_s = time.process_time()
    for parse in (parse_json, parse_toml):
        with pytest.raises(ValueError):
            parse("[" * MAX_DEPTH + "[" + unfinished)
    assert time.process_time() - started_s < 10


@pytest.mark.parametrize("number", ["1e999", "-1e999", "NaN", "Infinity", "1" + "0" * 500])
def test_numbers_beyond_every_limit(number):
    with pytest.raises(TextLimitError):
        parse_json(f'{{"a": {number}}}')


@pytest.mark.parametrize("value", ["9" * 5000, "[" * 900 + "]" * 900, "1e999", "9" * 300])
def test_a_problem_or_lens_file_of_such_numbers_has_a_fault_and_no_defect(tmp_path, eyebolt, value):
    path = tmp_path / "problem.json"
    path.write_text(f'{{"camera": {{"width": {value}, "height": 1, "matrix": {value}}}, "mount": "fixed"}}')
    code, out, err = eyebolt("solve", path)
    assert (code, err, json.loads(out)["code"]) == (1, "", "problem-file")
    with pytest.raises(InputFault) as caught:
        read_problem(path.read_text(), "p")
    assert caught.value.code == "problem-file"
    with pytest.raises(InputFault) as caught:
        parse_lens(f'{{"width": {value}, "matrix": {value}}}', "camera.json")
    assert caught.value.code == "lens-file"


@pytest.mark.parametrize("content", ["[" * 1000, '{"schema": 1, "a": ' + "[" * 900 + "]" * 900 + "}", "9" * 5000])
def test_a_damaged_accepted_result_is_a_fault_of_the_file(tmp_path, content):
    context = load_context(write_station(tmp_path))
    context.record_folder.mkdir()
    (context.record_folder / ACCEPTED_NAME).write_text(content)
    with pytest.raises(InputFault) as caught:
        read_accepted(context)
    assert caught.value.code == "result-file"


def test_a_file_beyond_its_size_or_without_an_end_is_not_read(tmp_path):
    large = tmp_path / "large"
    large.touch()
    os.truncate(large, 1 << 40)
    os.mkfifo(tmp_path / "pipe")
    for path in (large, tmp_path / "pipe", tmp_path, Path("/dev/zero")):
        with pytest.raises(OSError) as caught:
            read_bounded(path, 1000)
        assert caught.value.strerror
    os.truncate(large, 1000)
    assert len(read_bounded(large, 1000)) == 1000


@pytest.mark.parametrize("content", [b"a = " + b"[" * 20_000, b"a." * 9000 + b"a = 1", b"\xff\xfe", b"#" * 100_000])
def test_a_bad_key_file_locks_nobody_out(tmp_path, content):
    keys = tmp_path / "keys"
    key_files.make_station_secret(keys)
    key_files.make_client_keys(keys, "watcher", "hall")
    (keys / "watchers/bad.public").write_bytes(content)
    os.mkfifo(keys / "watchers/pipe.public")
    assert sorted(key_files.authorized_keys(keys, "watcher").values()) == ["hall", "the station's own"]
