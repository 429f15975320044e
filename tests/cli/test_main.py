"""The command line itself: its version, its exit codes, and faults as text."""

import json
import tomllib
from importlib.metadata import version
from pathlib import Path

import pytest

from eyebolt import __version__

ROOT = Path(__file__).resolve().parents[2]


def test_the_version_has_one_source(eyebolt):
    code, out, err = eyebolt("--version")
    assert (code, err) == (0, "")
    stated = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    assert out.split() == ["eyebolt", stated]
    assert __version__ == version("eyebolt") == stated


def test_a_shell_completes_commands(eyebolt, monkeypatch):
    for name, value in (("_EYEBOLT_COMPLETE", "complete_bash"), ("COMP_WORDS", "eyebolt bo"), ("COMP_CWORD", "1")):
        monkeypatch.setenv(name, value)
    code, out, _ = eyebolt()
    assert (code, out.split()) == (0, ["board"])


@pytest.mark.parametrize(
    "arguments",
    [("solve",), ("accept", "folder"), ("new", "--mount", "ceiling"), ("no-such-command",), ("--nonsense",)],
)
def test_wrong_arguments_have_an_exit_code_of_their_own(eyebolt, arguments):
    code, out, err = eyebolt(*arguments)
    assert (code, out) == (2, "")
    assert err


def test_an_existing_station_file_is_never_overwritten(eyebolt, tmp_path):
    station = tmp_path / "cell" / "station.toml"
    assert eyebolt("new", station)[0] == 0
    before = station.read_bytes()
    code, out, err = eyebolt("new", station, "--name", "other")
    assert (code, out) == (1, "")
    assert "(file-exists)" in err
    assert "What to do: " in err
    assert station.read_bytes() == before


@pytest.mark.parametrize(
    "words",
    [("new", "TOO-LONG"), ("solve", "TOO-LONG"), ("inspect", "TOO-LONG"), ("keys", "TOO-LONG")],
    ids=lambda words: words[0],
)
def test_a_path_that_the_system_refuses_is_a_fault(eyebolt, tmp_path, words):
    code, out, err = eyebolt(*(tmp_path / ("a" * 300) if word == "TOO-LONG" else word for word in words))
    assert code == 1
    assert "internal error" not in out + err
    assert "File name too long" in out + err


@pytest.mark.parametrize(
    "endpoint",
    [
        "tcp://",
        "tcp://127.0.0.1",
        "tcp://127.0.0.1:99999",
        "tcp://*:4751",
        "inproc://x",
        "127.0.0.1:4751",
        "tcp://a b:1",
    ],
)
def test_an_invalid_status_address_is_a_fault_at_once(eyebolt, endpoint):
    code, out, err = eyebolt("watch", "--once", "--endpoint", endpoint)
    assert (code, out) == (1, "")
    assert "(status-address)" in err


@pytest.mark.parametrize("pose_format", ["", "deg,mm", "euler-ABC", "euler-ZYX,furlong"])
def test_an_invalid_pose_format_is_a_fault(eyebolt, tmp_path, pose_format):
    code, _, err = eyebolt("solve", tmp_path, "--pose-format", pose_format)
    assert code == 1
    assert "(pose-format)" in err


@pytest.mark.parametrize(
    ("pose_format", "remedy"),
    [
        ("euler-ZYX,deg,mm", "choose a format with 7 numbers for --pose-format."),
        ("quaternion-xyzw", None),
    ],
)
def test_a_pose_format_of_another_length_is_a_fault_of_the_option(eyebolt, pose_format, remedy):
    session = ROOT / "tests" / "store" / "golden" / "version-1"
    _, out, _ = eyebolt("solve", session, "--json", "--pose-format", pose_format)
    document = json.loads(out)
    assert document.get("remedy") == remedy
    assert (document.get("code") == "pose-numbers") is (remedy is not None)
