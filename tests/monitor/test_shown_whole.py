"""No sentence for the operator is cut short at 80 x 24: every reply code, and whatever texts come together."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eyebolt.monitor.operator_keys import KeyRows
from eyebolt.monitor.operator_prompt import Tone
from eyebolt.protocol import Code
from support.shown_whole import assert_shown_whole
from support.status_messages import make_status

KEYS = KeyRows(
    "b: begin, t: take a pair (no pose comes), u: undo, f: finish",
    "undo: the newest of 12 pairs is taken back. y: yes, any other key: no",
    Tone.ACT,
    True,
)


@pytest.mark.parametrize("code", [*Code, Code(17), Code(57)])
def test_every_reply_code_is_shown_whole(code):
    for verb, phase in itertools.product(("capture", "solve", ""), ("open", "stopped", "closed")):
        reply = {"seq": 12, "verb": verb, "code": code, "message": code.message, "remedy": code.remedy}
        assert_shown_whole(make_status(last_reply=reply, phase=phase), keys=KEYS)


def sentences(longest):
    """Words of a sentence, none so long that it would need a line of its own."""
    words = st.lists(st.text("abcdefgh0.%", min_size=1, max_size=12).filter(lambda w: w.strip(".")), min_size=1)
    return words.map(lambda found: " ".join(word.strip(".") for word in found)[:longest].strip())


# The longest that the daemon makes have about these lengths.
@settings(max_examples=100, deadline=None)
@given(
    message=sentences(340),
    remedy=sentences(260),
    other=sentences(340),
    code=st.sampled_from([0, 1, 20, 27, 30, 31, 32, 34, 41]),
    phase=st.sampled_from(["open", "working", "goal-met", "stopped", "closed"]),
    status=st.sampled_from(["accept", "unproven", "reject"]),
    wanted=st.sampled_from([0, 3]),
    gap=st.booleans(),
)
def test_whatever_comes_together_is_shown_whole(message, remedy, other, code, phase, status, wanted, gap):
    result = {"acceptance": {"status": status, "reason": other}, "p95_upper_mm": 0.41, "used": 8, "excluded": 2}
    assert_shown_whole(
        make_status(
            phase=phase,
            wanted=wanted,
            last_reply={"seq": 12, "verb": "capture", "code": code, "message": message, "remedy": remedy},
            result=result | {"gap": {"message": other, "remedy": remedy} if gap else None},
            findings=[{"code": "board-moved", "severity": "warn", "message": other[:200], "remedy": remedy}],
            progress={"message": other, "next_view": {"message": message, "pose": [1.0]}},
            camera={"is_connected": True, "message": "tcp://127.0.0.1:4801: connected; " + message},
        ),
        note=f"keys are off: {message}",
    )
