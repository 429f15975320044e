"""Every transcript played to a session in an in-memory world: line by line, byte by byte, in chunks."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eyebolt_sim.conformance import LINE_ENDINGS, Directive, Exchange, transcript_steps
from support.transcripts import FILES, Robot

EACH = pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)


def blocks(path):
    """Consecutive lines between directives, and the directives."""
    found = []
    for step in transcript_steps(path):
        if isinstance(step, Directive):
            found.append(step)
        elif found and isinstance(found[-1], list):
            found[-1].append(step)
        else:
            found.append([step])
    return found


def play_in_chunks(path, cut):
    robot = Robot()
    for block in blocks(path):
        if isinstance(block, Directive):
            robot.heed(block.words)
            continue
        got = b"".join(robot.say(chunk) for chunk in cut(b"".join(said.data for said in block)))
        assert got == b"".join(said.reply for said in block), block[0].place
    return robot


def test_there_are_transcripts():
    assert len(FILES) >= 14


@EACH
def test_line_by_line(path):
    robot = Robot()
    for step in transcript_steps(path):
        if isinstance(step, Directive):
            robot.heed(step.words)
        else:
            assert robot.say(step.data) == step.reply, step.place


@EACH
def test_byte_by_byte(path):
    play_in_chunks(path, lambda data: [data[k : k + 1] for k in range(len(data))])


@EACH
def test_lines_between_directives_in_one_chunk(path):
    play_in_chunks(path, lambda data: [data])


@settings(max_examples=40, deadline=None)
@given(path=st.sampled_from(FILES), data=st.data())
def test_chunking_does_not_change_the_replies(path, data):
    def cut(sent):
        places = data.draw(st.lists(st.integers(0, len(sent)), max_size=8).map(sorted))
        return [sent[a:b] for a, b in zip([0, *places], [*places, len(sent)], strict=True)]

    play_in_chunks(path, cut)


@pytest.mark.parametrize("path", [p for p in FILES if "! connection" not in p.read_text()], ids=lambda path: path.stem)
def test_a_restart_before_any_line_changes_no_reply(path):
    """Everything acknowledged is on record, so that a restarted daemon gives the same replies."""
    robot = Robot()
    for step in transcript_steps(path):
        if isinstance(step, Directive):
            robot.heed(step.words)
            continue
        if not robot.world.held:
            robot.heed("restart")
        assert robot.say(step.data) == step.reply, step.place


def test_transcripts_are_parsed_as_their_format_says(tmp_path):
    path = tmp_path / "one.txt"
    path.write_text("# a remark\n\n> hello 1\n< 0,1,0,0\nterminator CRLF\n! work slow\n> pose 1\n")
    assert transcript_steps(path) == [
        Exchange(b"hello 1\n", b"0,1,0,0\n", "one.txt:3: > hello 1"),
        Directive("work slow"),
        Exchange(b"pose 1" + LINE_ENDINGS["CRLF"], b"", "one.txt:7: > pose 1"),
    ]
