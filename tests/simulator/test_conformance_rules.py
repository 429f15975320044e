"""The kit's expectations, held against the transcripts themselves: what they state, the kit must expect."""

import pytest

from eyebolt_sim.conformance import (
    Answer,
    Conversation,
    Directive,
    Rule,
    parse_line,
    transcript_files,
    transcript_steps,
)
from eyebolt_sim.conformance.rewrite import FORMATS_BY_COUNT, rewrite_line
from eyebolt_sim.pose_format import PoseFormat

FILES = transcript_files()


def numbers_of(reply):
    code, seq, *numbers = (int(text) for text in reply.strip(b"()\r\n").split(b","))
    return Answer(code, seq, tuple(numbers))


def stated(path):
    """Each exchange with what the kit expects before its reply, and the conversation."""
    conversation, connection = Conversation(7, 7), 1
    for step in transcript_steps(path):
        if isinstance(step, Directive):
            words = step.words.split()
            if words[0] in ("reconnect", "restart"):
                connection += 1
            elif words[0] == "connection":
                connection = int(words[1])
            if words[0] == "restart":
                conversation.holder = None
            continue
        parsed = parse_line(step.data, 7, None)
        expected = conversation.expect(connection, parsed)
        yield step, parsed, expected, conversation
        if expected is not None:
            conversation.heard(connection, parsed, expected, numbers_of(step.reply))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_what_a_transcript_states_is_what_the_kit_expects(path):
    for step, parsed, expected, conversation in stated(path):
        if expected is None:
            assert not step.reply, step.place
            continue
        answer = numbers_of(step.reply)
        assert answer.code in expected.codes, step.place
        assert answer.seq == expected.seq, step.place
        if expected.number_count:
            assert len(answer.numbers) == expected.number_count, step.place
            continue
        count = expected.count
        if expected.is_new and answer.code != 10:
            count = conversation.count_after(parsed, answer.code)
        assert count in (None, answer.count), step.place
        assert expected.aux in (None, answer.aux), step.place


def test_the_transcripts_show_every_rule_that_needs_no_hand_in_the_cell():
    shown = {
        rule for path in FILES for *_, expected, _ in stated(path) if expected is not None for rule in expected.rules
    }
    assert shown >= {
        Rule.UNKNOWN_VERB, Rule.FIELD_COUNT, Rule.NOT_A_NUMBER, Rule.OUT_OF_RANGE, Rule.TOO_LONG, Rule.NUMBER_REPLIES,
        Rule.PIECES, Rule.HELLO, Rule.TAKEOVER, Rule.BEGIN_NEW, Rule.BEGIN_EMPTY, Rule.CAPTURE_OPENS, Rule.CAPTURE,
        Rule.CHECK, Rule.PLACE, Rule.TOUCH, Rule.UNDO, Rule.SOLVE, Rule.BYE, Rule.STATUS, Rule.STORED, Rule.SPELLING,
        Rule.REUSED, Rule.AGAIN, Rule.AGAIN_UNKNOWN, Rule.RECONNECTED,
    }  # fmt: skip


def test_a_reply_of_a_session_before_the_conversation_is_not_judged():
    conversation = Conversation(7, 7)
    asked, begun = parse_line(b"again 2\n", 7, None), parse_line(b"begin 1\n", 7, None)
    assert {28, 43} <= conversation.expect(1, asked).codes
    conversation.heard(1, begun, conversation.expect(1, begun), Answer(0, 1, (0, 8)))
    assert conversation.expect(1, asked).codes == {43}


@pytest.mark.parametrize(
    ("pose_format", "expected"),
    [
        (FORMATS_BY_COUNT[6], "( capture, 2, p[520.000, 0.000, 450.000], [0.0000, 0.0000, 180.0000] )"),
        (FORMATS_BY_COUNT[4], "( capture, 2, p[520.000, 0.000, 450.000], [0.0000] )"),
        (
            PoseFormat("m", "quaternion-xyzw"),
            "( capture, 2, p[0.520000, 0.000000, 0.450000], [1.000000, 0.000000, 0.000000, 0.000000] )",
        ),
    ],
)
def test_a_pose_is_rewritten_for_another_station_and_nothing_else_of_its_line(pose_format, expected):
    assert rewrite_line("( capture, 2, p[520, 0, 450], [0, 1, 0, 0] )", pose_format) == expected
    for unchanged in ("capture 2 520 0 450", "result 1 2", "undo 3", "capture 2 520 0 450 0 1 0 nan", "again 2\0"):
        assert rewrite_line(unchanged, pose_format) == unchanged
