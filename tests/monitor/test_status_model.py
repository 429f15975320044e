"""What counts as a status message, and the one-line form of it."""

import json

import pytest

from eyebolt.monitor.app import ascii_only
from eyebolt.monitor.screen import status_line
from eyebolt.monitor.status_model import UnreadableStatusError, decode_status, parse_status, sanitize

SMALLEST = {"schema": 1, "phase": "open", "kept": 3, "wanted": 4}


def parts(status):
    return [b"status", json.dumps(status).encode()]


def test_unknown_keys_are_let_through():
    status = decode_status(parts(SMALLEST | {"from": ["the", "future"]}))
    assert parse_status(status).total == 7


@pytest.mark.parametrize(
    ("message", "reason"),
    [
        ([], "two parts"),
        ([b"status"], "two parts"),
        ([b"weather", b"{}"], "two parts"),
        ([b"status", b"{}", b""], "two parts"),
        ([b"status", b"{"], "not JSON"),
        ([b"status", b"\xff\xfe\x00"], "not JSON"),
        ([b"status", b"[" * 100_000], "not JSON"),
        ([b"status", b'{"kept":' + b"9" * 5000 + b"}"], "not JSON"),
        ([b"status", b"[1]"], "not an object"),
        ([b"status", b"{}"], "no schema"),
        (parts(SMALLEST | {"schema": 2}), "of schema 2, this program reads 1"),
        (parts(SMALLEST | {"schema": True}), "no schema"),
        (parts(SMALLEST | {"kept": "seven"}), "'kept' is not a count"),
        (parts(SMALLEST | {"wanted": -1}), "'wanted' is not a count"),
        (parts(SMALLEST | {"phase": None}), "no phase"),
    ],
)
def test_a_malformed_message_is_named_as_such(message, reason):
    with pytest.raises(UnreadableStatusError, match=reason):
        decode_status(message)


def test_numbers_that_are_none_become_nothing():
    shown = parse_status(
        {"tolerance_mm": float("nan"), "expected_p95_mm": 10**400, "history_p95_mm": [1, "2", True, -1.0]}
    )
    assert shown.tolerance_mm is None
    assert shown.expected_p95_mm is None
    assert shown.history_p95_mm == (1.0, None, None, None)


def test_clean_keeps_words_and_drops_what_steers():
    assert sanitize("  Stra\u00dfe\t7 \x1b[31m\n\u200f end ") == "Stra\u00dfe 7 [31m end"


def test_the_line_changes_with_events_and_not_with_clock_or_ages():
    status = SMALLEST | {
        "timestamp": "2026-11-25T15:02:13Z",
        "camera": {"alive": True, "message": "last picture 0.3 s ago"},
    }
    later = status | {
        "timestamp": "2026-11-25T15:02:14Z",
        "camera": {"alive": True, "message": "last picture 0.8 s ago"},
    }
    assert status_line(status, 0.1) == status_line(later, 0.4)
    assert status_line(status, 0.1) != status_line(status | {"kept": 4}, 0.1)
    assert "camera alive" in status_line(status, 0.1)
    assert "camera not alive" in status_line(status | {"camera": {"alive": False}}, 0.1)
    assert "no daemon heard" in status_line(status, 9.0)
    assert "no daemon heard" in status_line(None, 9.0)


@pytest.mark.parametrize(
    ("environment", "encoding", "expected"),
    [
        ({"LANG": "en_GB.UTF-8"}, "utf-8", False),
        ({"LANG": "en_GB.utf8"}, "UTF-8", False),
        ({"LC_ALL": "C.UTF-8"}, "utf-8", False),
        ({"LC_ALL": "C", "LANG": "en_GB.UTF-8"}, "utf-8", True),
        ({"LC_CTYPE": "POSIX", "LANG": "en_GB.UTF-8"}, "utf-8", True),
        # What Python itself sets when nothing is said (PEP 538) says nothing about the terminal.
        ({"LC_CTYPE": "C.UTF-8"}, "utf-8", True),
        ({"LC_CTYPE": "C.UTF-8", "LANG": "en_GB.UTF-8"}, "utf-8", False),
        ({"LANG": "en_GB.ISO-8859-1"}, "utf-8", True),
        ({}, "utf-8", True),
        ({"LANG": "en_GB.UTF-8"}, "ascii", True),
        ({"LANG": "en_GB.UTF-8"}, None, True),
    ],
)
def test_only_a_locale_that_says_so_gets_more_than_ascii(environment, encoding, expected):
    assert ascii_only(environment, encoding) is expected
