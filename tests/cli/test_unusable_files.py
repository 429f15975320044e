"""Files that cannot be read or written: the fault names the file, and the remedy fits the reason."""

import errno

import pytest

from eyebolt.boards import parse_detection
from eyebolt.errors import InputFault, reading_remedy, writing_remedy

REASONS = (errno.ENOENT, errno.EACCES, errno.ENOSPC, errno.EROFS, errno.EISDIR, errno.ENOTDIR, errno.EIO)


def test_each_reason_has_a_remedy_of_its_own():
    assert len({writing_remedy(OSError(reason, "")) for reason in REASONS}) == len(REASONS)
    assert reading_remedy(OSError(errno.EACCES, "")) != reading_remedy(OSError(errno.EIO, "")) != ""
    assert reading_remedy(OSError(errno.ENOENT, "")) == ""


@pytest.mark.parametrize(
    ("words", "code", "named", "remedy"),
    [
        (("new", "FILE/a.toml"), "file-unwritable", "FILE/a.toml", "a part of that path is a file"),
        (("serve", "FOLDER"), "file-unreadable", "it is a folder", "eyebolt new"),
        (("serve", "NOWHERE"), "file-unreadable", "No such file", "eyebolt new"),
        (("accept", "FILE", "--by", "me"), "record-read", "FILE/result.json", "name the folder of a solved session"),
        (("accept", "DAMAGED", "--by", "me"), "result-file", "DAMAGED/result.json", "solve the session again"),
    ],
    ids=["no-folder", "a-folder", "missing", "no-session", "damaged"],
)
def test_the_fault_names_the_file_and_what_to_do(eyebolt, tmp_path, monkeypatch, words, code, named, remedy):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "FILE").write_text("no folder")
    (tmp_path / "FOLDER").mkdir()
    (tmp_path / "DAMAGED").mkdir()
    (tmp_path / "DAMAGED" / "result.json").write_text("no JSON")
    exit_code, _, err = eyebolt(*words)
    assert exit_code == 1
    message, _, what_to_do = err.partition("What to do: ")
    assert f"({code})" in message
    assert named in message
    assert remedy in what_to_do


def test_a_damaged_detection_is_named_in_one_line():
    with pytest.raises(InputFault) as fault:
        parse_detection({"found": True, "ids": [1]})
    assert fault.value.code == "detection-record"
    assert "corners_px" in fault.value.message
    assert "\n" not in fault.value.message
