"""Which messages are accepted as a status, and how their strings are cleaned."""

import json

import pytest

from eyebolt.monitor.app import ascii_only
from eyebolt.monitor.screen import status_line
from eyebolt.monitor.subscriber import UnreadableStatusError, decode_status
from eyebolt.plain_text import sanitize
from support.status_messages import STATUS, make_status


def parts(status):
    return [b"status", json.dumps(status).encode()]


def test_what_the_daemon_writes_is_what_the_monitor_reads():
    status = make_status(p95_upper_mm=float("inf"), station="b\u00fchne")
    assert decode_status([b"status", status.to_json()]) == status
    assert json.loads(status.to_json()).keys() == STATUS.keys()
    assert status.p95_upper_mm is None


def test_unknown_keys_are_ignored():
    assert decode_status(parts(STATUS | {"from": ["the", "future"]})) == make_status()


@pytest.mark.parametrize("key", STATUS)
def test_a_missing_key_is_an_invalid_message(key):
    with pytest.raises(UnreadableStatusError, match=f"'?{key}"):
        decode_status(parts({k: v for k, v in STATUS.items() if k != key}))


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
        ([b"status", b"{}"], "schema is None"),
        (parts(STATUS | {"schema": 2}), "schema is 2, this program reads 1"),
        (parts(STATUS | {"kept": "seven"}), "'kept'"),
        (parts(STATUS | {"wanted": -1}), "'wanted'"),
        (parts(STATUS | {"phase": None}), "'phase'"),
        (parts(STATUS | {"tolerance_mm": 0}), "'tolerance_mm'"),
        (parts(STATUS | {"robot": {"is_connected": "perhaps"}}), "'robot.is_connected'"),
        (parts(STATUS | {"result": {"acceptance": {"status": "maybe", "reason": ""}, "p95_upper_mm": 1}}), "'result"),
    ],
)
def test_a_malformed_message_is_refused_with_the_reason(message, reason):
    with pytest.raises(UnreadableStatusError, match=reason):
        decode_status(message)


def test_numbers_that_are_not_finite_are_unknown():
    status = decode_status(parts(STATUS | {"p95_upper_mm": float("nan"), "p95_upper_history_mm": [1, float("inf")]}))
    assert status.p95_upper_mm is None
    assert status.p95_upper_history_mm == (1.0, None)


NASTY = "a\x1b[2Jb\x07\x9b31mc\r\nd\u202ee\u200bf\ud800"
CLEAN = "a[2Jb31mc def?"


def test_strings_are_cleaned_wherever_they_stand():
    status = decode_status(
        parts(
            STATUS
            | {
                "station": NASTY,
                "last_reply": {"seq": 1, "code": 20, "message": NASTY, "remedy": NASTY},
                "robot": {"is_connected": True, "message": NASTY},
                "progress": {"message": NASTY, "next_view": {"message": NASTY}},
            }
        )
    )
    assert status.station == status.last_reply.message == status.last_reply.remedy == status.robot.message == CLEAN
    assert status.progress.message == status.progress.next_view.message == CLEAN


def test_sanitize_keeps_words_and_drops_control_characters():
    assert sanitize("  Stra\u00dfe\t7 \x1b[31m\n\u200f end ") == "Stra\u00dfe 7 [31m end"


def test_the_line_changes_with_events_and_not_with_times():
    status = make_status()
    later = make_status(
        timestamp="2026-11-25T15:02:14Z", camera={"is_connected": True, "message": "last image 0.8 s ago"}
    )
    assert status_line(status, 0.1) == status_line(later, 0.4)
    for changes in (
        {"kept": 8},
        {"camera": {"is_connected": False, "message": ""}},
        {"robot": {"is_connected": False, "message": ""}},
        {"phase": "working"},
    ):
        assert status_line(status, 0.1) != status_line(make_status(**changes), 0.1)
    assert status_line(status, 9.0) == status_line(None, 9.0) != status_line(status, 0.1)


@pytest.mark.parametrize(
    ("environment", "encoding", "expected"),
    [
        ({"LANG": "en_GB.UTF-8"}, "utf-8", False),
        ({"LANG": "en_GB.utf8"}, "UTF-8", False),
        ({"LC_ALL": "C.UTF-8"}, "utf-8", False),
        ({"LC_ALL": "C", "LANG": "en_GB.UTF-8"}, "utf-8", True),
        ({"LC_CTYPE": "POSIX", "LANG": "en_GB.UTF-8"}, "utf-8", True),
        # Python itself sets this where the locale is not set (PEP 538): no evidence about the terminal.
        ({"LC_CTYPE": "C.UTF-8"}, "utf-8", True),
        ({"LC_CTYPE": "C.UTF-8", "LANG": "en_GB.UTF-8"}, "utf-8", False),
        ({"LANG": "en_GB.ISO-8859-1"}, "utf-8", True),
        ({}, "utf-8", True),
        ({"LANG": "en_GB.UTF-8"}, "ascii", True),
        ({"LANG": "en_GB.UTF-8"}, None, True),
    ],
)
def test_only_a_locale_with_utf8_gets_more_than_ascii(environment, encoding, expected):
    assert ascii_only(environment, encoding) is expected
