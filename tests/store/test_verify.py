"""The integrity of a session: every kind of damage is named, with its file, and an intact session has none."""

import hashlib

import numpy as np
import pytest

from eyebolt.store import SessionFolder, damaged_tails, find_damage

STATION = b"[station]\n"
IMAGE, RESULT, JOURNAL = "images/0001.tif", "result.json", "facts.journal"
NAMES = ("image 0001.tif", "station.toml", RESULT, "the journal:")


@pytest.fixture
def session(tmp_path):
    with SessionFolder.create(tmp_path, "20260314-091500-01", {"station.toml": STATION}) as made:
        made.append([b"{}"])
        made.store_image("0001.tif", np.zeros((4, 6), np.uint8))
    return made


def damage_after(session, change):
    digest = hashlib.sha256((session.path / IMAGE).read_bytes()).hexdigest()
    change(session.path)
    inputs = {"station.toml": hashlib.sha256(STATION).hexdigest()}
    return find_damage(SessionFolder.open_read_only(session.path), ["station.toml"], [("0001.tif", digest)], inputs)


def padded_result(size):
    return lambda path: (path / RESULT).write_bytes(b"{}".ljust(size))


def without_end(path):
    (path / JOURNAL).write_bytes((path / JOURNAL).read_bytes()[:-1])


@pytest.mark.parametrize("change", [lambda path: None, padded_result(2), padded_result(2**22)])
def test_an_intact_session_has_no_damage(session, change):
    assert damage_after(session, change) == []


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("image 0001.tif", lambda path: (path / IMAGE).unlink()),
        ("image 0001.tif", lambda path: (path / IMAGE).write_bytes(b"another")),
        ("station.toml", lambda path: (path / "station.toml").unlink()),
        ("station.toml", lambda path: (path / "station.toml").write_bytes(STATION + b"#")),
        (RESULT, lambda path: (path / RESULT).write_text("{")),
        (RESULT, lambda path: (path / RESULT).mkdir()),
        (RESULT, padded_result(2**22 + 1)),
        ("the journal:", without_end),
    ],
)
def test_damage_is_named_with_its_file(session, name, change):
    (sentence,) = damage_after(session, change)
    assert [n for n in NAMES if n in sentence] == [name]


def test_a_configuration_file_of_unknown_digest_has_only_to_be_there(session):
    (session.path / "station.toml").write_bytes(b"another")
    assert find_damage(session, ["station.toml"], []) == []


def test_the_damaged_ends_of_earlier_recoveries_are_listed(session):
    assert damaged_tails(session) == []
    for number in (2, 1):
        (session.path / f"facts.damaged-{number}").touch()
    assert damaged_tails(session) == ["facts.damaged-1", "facts.damaged-2"]
