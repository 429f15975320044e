"""The transcripts as far as the protocol alone decides them: lines at fault, and the form of every reply."""

import pytest

from eyebolt.protocol.codes import Code
from eyebolt.protocol.framing import LateLineFeed, LineSplitter, OverlongLine, ReplyEndings
from eyebolt.protocol.replies import Reply, encode
from eyebolt.protocol.requests import VERBS, LineFault, Request, overlong_fault, parse
from eyebolt_sim.conformance import Directive, Exchange, transcript_files, transcript_steps

FILES = transcript_files()
WORLD = {
    "sees board", "sees nothing", "frame late", "disk full", "disk fine", "work slow", "work done",
    "goal met", "goal open", "reconnect", "restart",
}  # fmt: skip
POSE_FIELDS = 7


def exchanges(path):
    steps = transcript_steps(path)
    for directive in (step for step in steps if isinstance(step, Directive)):
        words = directive.words.split()
        known = directive.words in WORLD or (words[0] in ("wanted", "connection") and int(words[1]) >= 0)
        assert known, f"{path.name}: {directive.words}"
    return [step for step in steps if isinstance(step, Exchange)]


def understood(item):
    return overlong_fault(item.prefix) if isinstance(item, OverlongLine) else parse(item.content, POSE_FIELDS)


def reply_of(text, numbers):
    values = [int(part) for part in text.strip(b"()\r\n").split(b",")]
    if numbers:
        return Reply(values[0], values[1], 0, 0, tuple((float(value), 3) for value in values[2:]))
    return Reply(*values)


def test_there_are_transcripts():
    assert len(FILES) == 17


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_replies_have_the_form_that_their_requests_ask_for(path):
    for exchange in exchanges(path):
        item, *_ = LineSplitter().feed(exchange.data)
        parsed = understood(item)
        verb = VERBS.get(parsed.verb)
        if verb is not None and not verb.has_reply:
            assert not exchange.reply, exchange
            continue
        assert exchange.reply, exchange
        chosen = parsed.numbers if isinstance(parsed, Request) else ()
        zeros = 0 if verb is None else verb.reply_number_count(POSE_FIELDS, chosen)
        reply, ending = reply_of(exchange.reply, zeros > 0), exchange.data[len(exchange.data.rstrip(b"\r\n")) :]
        assert encode(reply, parsed.bracketed, ending) == exchange.reply, exchange
        assert reply.code in list(Code)
        assert reply.seq == parsed.seq
        assert len(reply.numbers or ()) == zeros
        if isinstance(parsed, LineFault):
            assert reply.code == parsed.code, exchange
        else:
            # 43 is also the answer to `again` for an unknown seq, to `touch` for a missing corner, and to `result` for
            # numbers beyond its last.
            elsewhere = {43} if parsed.verb not in ("again", "touch", "result") else set()
            assert reply.code not in {40, 41, 42, 44} | elsewhere, exchange


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
@pytest.mark.parametrize("chunk_bytes", [1, 7, 100_000])
def test_the_bytes_of_a_conversation_are_the_same_for_any_chunking(path, chunk_bytes):
    conversation = exchanges(path)
    sent = b"".join(exchange.data for exchange in conversation)
    expected = b"".join(exchange.reply for exchange in conversation)
    splitter, endings, out, waiting = LineSplitter(), ReplyEndings(), b"", iter(conversation)
    for start in range(0, len(sent), chunk_bytes):
        for item in splitter.feed(sent[start : start + chunk_bytes]):
            if isinstance(item, LateLineFeed):
                out += endings.late_line_feed()
                continue
            line_id, parsed, exchange = endings.register(item.terminator), understood(item), next(waiting)
            if not exchange.reply:
                endings.discard(line_id)
                continue
            verb = VERBS.get(parsed.verb)
            numbers = verb is not None and verb.reply == "numbers"
            out += encode(reply_of(exchange.reply, numbers), parsed.bracketed, endings.ending_for(line_id))
    assert out == expected
    assert next(waiting, None) is None


def test_the_transcripts_use_every_verb_and_every_fault_of_a_line():
    conversation = [exchange for path in FILES for exchange in exchanges(path)]
    verbs, codes = set(), set()
    for exchange in conversation:
        item, *_ = LineSplitter().feed(exchange.data)
        parsed = understood(item)
        verbs.add(parsed.verb)
        if isinstance(parsed, LineFault):
            codes.add(parsed.code)
    assert verbs - {""} == set(VERBS)
    assert codes == {40, 41, 42, 43, 44}
