"""The dialogue over the operator's keys: what is requested, what is asked first, what is said afterwards."""

import pytest

from eyebolt.monitor.operator_keys import Bell, KeyRequest, OperatorKeys
from eyebolt.monitor.operator_prompt import Tone
from eyebolt.protocol import ControlAction, ControlOutcome, ControlReply
from support.status_messages import make_status


def state(kept=0, session="s-1", pose_age_s=0.1, outcome="done", message="", remedy=""):
    return ControlReply(
        id=1,
        outcome=ControlOutcome(outcome),
        message=message,
        remedy=remedy,
        station="bay-3",
        session=session,
        kept=kept,
        wanted=5,
        live_pose_age_s=pose_age_s,
    )


NO_SESSION = state(session=None)


@pytest.mark.parametrize(
    ("key", "at", "request_made"),
    [
        ("b", NO_SESSION, KeyRequest(ControlAction.BEGIN)),
        ("b", state(kept=0), KeyRequest(ControlAction.BEGIN)),
        ("t", state(kept=3), KeyRequest(ControlAction.TAKE)),
        # The daemon decides whether there is a pose.
        ("t", state(pose_age_s=None), KeyRequest(ControlAction.TAKE)),
    ],
)
def test_where_nothing_is_lost_a_key_requests_at_once(key, at, request_made):
    keys = OperatorKeys()
    assert keys.press(key, at, 0.0) == request_made
    assert not keys.rows(at, 0.0).is_question


@pytest.mark.parametrize(
    ("key", "request_made"),
    [
        ("b", KeyRequest(ControlAction.BEGIN, new=True)),
        ("u", KeyRequest(ControlAction.UNDO, session="s-1", kept=3)),
        ("f", KeyRequest(ControlAction.FINISH, session="s-1", kept=3)),
    ],
)
def test_where_something_is_lost_a_key_asks_first(key, request_made):
    at = state(kept=3)
    keys = OperatorKeys()
    assert keys.press(key, at, 0.0) is None
    assert keys.rows(at, 0.0).is_question
    assert keys.press("y", at, 1.0) == request_made
    # No other key, and no pasted text, is a yes; nor is one that comes much later.
    for other, now_s in (("n", 1.0), (key, 1.0), ("Y", 1.0), ("", 1.0), ("\x1b", 1.0), ("y", 30.0)):
        keys = OperatorKeys()
        keys.press(key, at, 0.0)
        assert keys.press(other, at, now_s) is None
        assert not keys.rows(at, now_s).is_question
        assert keys.press("y", at, now_s) is None


def test_the_request_is_for_what_was_asked():
    keys = OperatorKeys()
    keys.press("u", state(kept=3), 0.0)
    assert keys.press("y", state(kept=4), 1.0) == KeyRequest(ControlAction.UNDO, session="s-1", kept=3)


@pytest.mark.parametrize(("key", "at"), [("u", NO_SESSION), ("f", NO_SESSION), ("t", NO_SESSION), ("u", state(kept=0))])
def test_what_is_not_possible_is_said(key, at):
    keys = OperatorKeys()
    assert keys.press(key, at, 0.0) is None
    rows = keys.rows(at, 0.0)
    assert rows.prompt
    assert not rows.is_question
    assert not keys.rows(at, 60.0).prompt


def test_other_keys_do_nothing():
    keys = OperatorKeys()
    for key in ("y", "n", "q", "B", "", " ", "\r", "\x1b"):
        assert keys.press(key, state(kept=3), 0.0) is None
    assert not keys.rows(state(kept=3), 0.0).prompt
    assert keys.press("b", None, 0.0) is None


def test_one_request_at_a_time_and_its_reply_is_shown():
    at = state(kept=3)
    keys = OperatorKeys()
    request = keys.press("t", at, 0.0)
    keys.sent(request, True, 0.0)
    assert keys.rows(at, 0.0).tone is Tone.WAIT
    assert keys.press("t", at, 0.1) is None
    keys.replied(state(kept=4, message="kept"), 0.2)
    assert keys.rows(at, 0.3).tone is Tone.GOOD
    assert keys.press("t", at, 0.4) == request
    keys.sent(request, True, 0.4)
    keys.replied(state(kept=4, outcome="no-live-pose", message="no pose", remedy="start it"), 0.5)
    rows = keys.rows(at, 0.6)
    assert rows.tone is Tone.WAIT
    assert "no pose; start it" in rows.prompt


def test_a_session_that_turns_out_to_have_pairs_is_asked_about():
    keys = OperatorKeys()
    keys.sent(keys.press("b", NO_SESSION, 0.0), True, 0.0)
    keys.replied(state(kept=2, outcome="unconfirmed", message="2 pairs"), 0.1)
    assert keys.rows(state(kept=2), 0.2).is_question
    assert keys.press("y", state(kept=2), 0.3) == KeyRequest(ControlAction.BEGIN, new=True)


def test_a_daemon_that_is_lost_is_said_and_withdraws_a_question():
    at = state(kept=3)
    keys = OperatorKeys()
    request = keys.press("t", at, 0.0)
    keys.sent(request, False, 0.0)
    assert keys.rows(at, 0.0).tone is Tone.BAD
    keys.sent(request, True, 0.1)
    keys.lost(0.2)
    assert keys.rows(at, 0.2).tone is Tone.BAD
    keys.press("u", at, 0.3)
    keys.lost(0.4)
    assert keys.press("y", at, 0.5) is None
    # A reply that comes after all is not taken for another request's.
    keys.replied(state(message="late"), 0.6)
    assert "late" not in keys.rows(at, 0.7).prompt


def test_the_missing_stream_is_named():
    keys = OperatorKeys()
    assert keys.rows(state(pose_age_s=0.1), 0.0).keys != keys.rows(state(pose_age_s=9.0), 0.0).keys
    assert keys.rows(state(pose_age_s=None), 0.0).keys == keys.rows(state(pose_age_s=9.0), 0.0).keys


def test_the_bell_rings_once_for_each_new_pair():
    bell = Bell()

    def rings(seq, code, verb="capture", session="s-1"):
        reply = {"seq": seq, "verb": verb, "code": code, "message": "", "remedy": ""}
        return bell.rings(make_status(session=session, last_reply=reply))

    assert rings(3, 0) == 0
    assert rings(3, 0) == 0
    assert rings(4, 0) == 1
    assert rings(4, 0) == 0
    assert rings(5, 21) == 2
    assert rings(6, 0, "undo") == 0
    assert rings(7, 37) == 1
    assert rings(7, 0, session="s-2") == 1
    assert bell.rings(make_status(last_reply=None)) == 0
