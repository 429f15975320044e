"""Every golden conversation, played to a session in a world of values: whole lines, single bytes, and glued chunks."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from transcript_reader import ENDINGS, FILES, Directive, Robot, Said, steps

EACH = pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)


def blocks(path):
    """Consecutive lines between directives, and the directives."""
    found = []
    for step in steps(path):
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
    for step in steps(path):
        if isinstance(step, Directive):
            robot.heed(step.words)
        else:
            assert robot.say(step.data) == step.reply, step.place


@EACH
def test_byte_by_byte(path):
    play_in_chunks(path, lambda data: [data[k : k + 1] for k in range(len(data))])


@EACH
def test_lines_between_directives_glued_into_one_chunk(path):
    play_in_chunks(path, lambda data: [data])


@settings(max_examples=60, deadline=None)
@given(path=st.sampled_from(FILES), data=st.data())
def test_any_chunking_gives_the_same_bytes(path, data):
    def cut(sent):
        places = data.draw(st.lists(st.integers(0, len(sent)), max_size=8).map(sorted))
        return [sent[a:b] for a, b in zip([0, *places], [*places, len(sent)], strict=True)]

    play_in_chunks(path, cut)


@EACH
def test_a_restart_before_any_line_changes_no_answer(path):
    """Everything that was acknowledged is on disk, so that a daemon which died meanwhile says the same."""
    robot = Robot()
    for step in steps(path):
        if isinstance(step, Directive):
            robot.heed(step.words)
            continue
        connections = robot.world.connections
        if robot.world.disk and not robot.world.held and len(connections) == 1 and robot.connection.number == 1:
            robot.world.restart()
            connections.clear()
            robot.connection = robot.world.connect()
        assert robot.say(step.data) == step.reply, step.place


@EACH
def test_what_is_on_disk_and_the_robot_agree_at_the_end(path):
    """The robot's own memory of the conversation against the facts: every answer it was given last for a seq."""
    robot = Robot()
    told = {}
    for step in steps(path):
        if isinstance(step, Directive):
            robot.heed(step.words)
            continue
        assert robot.say(step.data) == step.reply, step.place
        begun = re.match(rb"\(?begin", step.data) is not None
        code, seq, *rest = (int(number) for number in step.reply.strip(b"()\r\n").split(b",")[:4] if step.reply)
        if begun and len(robot.world.facts) == 2:
            told = {}
        asks = re.match(rb"\(?\s*(capture|check|undo|begin|bye)", step.data, re.IGNORECASE)
        if asks and code not in (10, 31, 41, 42, 43, 44, 45, 47):
            told[seq] = (code, *rest)
    assert told
    stored = {seq: robot.world.stored(seq) for seq in told}
    assert {seq: answer for seq, answer in told.items() if stored[seq] is not None} == {
        seq: answer for seq, answer in stored.items() if answer is not None
    }


def test_endings_and_steps_are_read_as_the_format_says(tmp_path):
    path = tmp_path / "one.txt"
    path.write_text("# a remark\n\n> hello 1\n< 0,1,0,0\nterminator CRLF\n! work slow\n> pose 1\n")
    assert steps(path) == [
        Said(b"hello 1\n", b"0,1,0,0\n", "one.txt:3: > hello 1"),
        Directive("work slow"),
        Said(b"pose 1" + ENDINGS["CRLF"], b"", "one.txt:7: > pose 1"),
    ]
