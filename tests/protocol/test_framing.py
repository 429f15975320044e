"""Cutting bytes into lines: the table, every chunking, the bound on memory."""

import itertools

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from eyebolt.protocol.framing import (
    MAX_LINE_BYTES,
    TRANSITIONS,
    ByteClass,
    LateLineFeed,
    Line,
    LineSplitter,
    LineState,
    OverlongLine,
    ReplyEndings,
)

# Bytes weighted to what the table distinguishes, with runs long enough to overflow a line.
pieces = st.one_of(
    st.sampled_from([b"\r", b"\n", b"\r\n", b"\n\r", b" ", b"\t", b"hello 1", b"(", b"\x00", b"\xff"]),
    st.sampled_from([b"x" * 250, b"x" * 256, b"x" * 257, b" " * 256, b" " * 300]),
    st.binary(max_size=6),
)
streams = st.lists(pieces, max_size=14).map(b"".join)


def chunked(data, cuts):
    places = sorted({min(cut, len(data)) for cut in cuts} | {0, len(data)})
    return [data[a:b] for a, b in itertools.pairwise(places)]


def items_of(chunks):
    splitter = LineSplitter()
    return [item for chunk in chunks for item in splitter.feed(chunk)]


def plain_lines(data):
    """An oracle without a table: (content, ending) of each line that is not only blanks."""
    found, start, at = [], 0, 0
    while at < len(data):
        if data[at : at + 2] == b"\r\n":
            ending = b"\r\n"
        elif data[at : at + 1] in (b"\r", b"\n"):
            ending = data[at : at + 1]
        else:
            at += 1
            continue
        content = data[start:at]
        if text := content.lstrip(b" \t\0"):
            # NUL bytes before the text are padding of the buffer that the line came in.
            found.append((content[: -len(text)].replace(b"\0", b"") + text, ending))
        at += len(ending)
        start = at
    return found


def joined(items):
    """Items as (content or None if overlong, ending) with the late line feeds put where they belong."""
    lines = []
    for item in items:
        if isinstance(item, LateLineFeed):
            content, ending = lines[-1]
            assert ending == b"\r"
            lines[-1] = (content, b"\r\n")
        elif isinstance(item, OverlongLine):
            lines.append((None, item.terminator))
        else:
            lines.append((item.content, item.terminator))
    return lines


@given(streams, st.lists(st.integers(0, 2000), max_size=12))
@example(b"hello 1\r\nhello 2\r\n", [8])
@example(b"\r\n\r\nhello 1\r\r\n", [1, 3])
def test_any_chunking_gives_the_same_items(data, cuts):
    whole = items_of([data])
    assert items_of(chunked(data, cuts)) == whole
    assert items_of([bytes([byte]) for byte in data]) == whole


@given(streams)
def test_the_table_agrees_with_a_plain_search_for_endings(data):
    expected = [(c if len(c) <= MAX_LINE_BYTES else None, ending) for c, ending in plain_lines(data)]
    assert joined(items_of([data])) == expected


def reply_bytes(chunks, answer_at_once):
    """What goes out for ``chunks``: each line is answered with its number, at once or after all has come in."""
    splitter, endings, out, owed, count = LineSplitter(), ReplyEndings(), b"", [], 0
    for chunk in chunks:
        for item in splitter.feed(chunk):
            if isinstance(item, LateLineFeed):
                out += endings.late_line_feed()
                continue
            count += 1
            line_id = endings.register(item.terminator)
            if isinstance(item, Line) and item.content.startswith(b"pose"):
                endings.discard(line_id)
            elif answer_at_once:
                out += b"%d" % count + endings.ending_for(line_id)
            else:
                owed.append((line_id, count))
    return out + b"".join(b"%d" % number + endings.ending_for(line_id) for line_id, number in owed)


@given(
    st.lists(
        st.tuples(st.sampled_from([b"hello 1", b"pose 1 2", b"", b"y" * 300]), st.sampled_from([b"\r", b"\n", b"\r\n"]))
    ),
    st.lists(st.integers(0, 400), max_size=8),
)
def test_the_reply_stream_is_the_same_for_any_chunking_and_any_time_of_replying(lines, cuts):
    data = b"".join(content + ending for content, ending in lines)
    expected = b""
    for number, (content, ending) in enumerate(plain_lines(data), start=1):
        if not content.startswith(b"pose"):
            expected += b"%d" % number + ending
    for chunks in ([data], chunked(data, cuts), [bytes([byte]) for byte in data]):
        assert reply_bytes(chunks, answer_at_once=True) == expected
        assert reply_bytes(chunks, answer_at_once=False) == expected


@pytest.mark.parametrize(
    ("data", "items"),
    [
        (b"hello 1\n", [Line(b"hello 1", b"\n")]),
        (b"hello 1\r", [Line(b"hello 1", b"\r")]),
        (b"hello 1\r\n", [Line(b"hello 1", b"\r"), LateLineFeed()]),
        (b"hello 1\r\r\n", [Line(b"hello 1", b"\r")]),
        (b"hello 1\n\r", [Line(b"hello 1", b"\n")]),
        (b"a\r\nb\r\n", [Line(b"a", b"\r"), LateLineFeed(), Line(b"b", b"\r"), LateLineFeed()]),
        (b"\n\r\n \t \r\n\r", []),
        (b"  a \n", [Line(b"  a ", b"\n")]),
        (b"a\0\0\nb\0\n", [Line(b"a\0\0", b"\n"), Line(b"b\0", b"\n")]),
        (b"a\r\n" + b"\0" * 300 + b"b\r\n", [Line(b"a", b"\r"), LateLineFeed(), Line(b"b", b"\r"), LateLineFeed()]),
        (b"a\r" + b"\0" * 300 + b"b\r", [Line(b"a", b"\r"), Line(b"b", b"\r")]),
        (b"\0\0\n \0\r\0\n", []),
        (b"a" + b"\0" * 256 + b"\n", [OverlongLine(b"a" + b"\0" * 255, b"\n")]),
        (b"not ended", []),
        (b"x" * 256 + b"\n", [Line(b"x" * 256, b"\n")]),
        (b"x" * 257 + b"\n", [OverlongLine(b"x" * 256, b"\n")]),
        (b"x" * 999 + b"\r\na\n", [OverlongLine(b"x" * 256, b"\r"), LateLineFeed(), Line(b"a", b"\n")]),
        (b" " * 999 + b"\n", []),
        (b" " * 256 + b"a\n", [OverlongLine(b" " * 256, b"\n")]),
    ],
)
def test_lines(data, items):
    assert items_of([data]) == items


def test_a_line_that_ends_in_cr_is_emitted_before_anything_follows():
    splitter = LineSplitter()
    assert splitter.feed(b"hello 1\r") == [Line(b"hello 1", b"\r")]
    assert splitter.feed(b"") == []
    assert splitter.feed(b"\n") == [LateLineFeed()]
    assert splitter.feed(b"\n") == []


@pytest.mark.parametrize("filler", [b"x", b" ", b"\x00", b" x"])
def test_memory_is_bounded_and_one_item_comes_at_the_end(filler):
    splitter = LineSplitter()
    for _ in range(200):
        assert splitter.feed(filler * 1000) == []
        assert splitter.buffered_bytes <= MAX_LINE_BYTES
    ended = splitter.feed(b"\n")
    assert len(ended) == (0 if filler in (b" ", b"\x00") else 1)
    assert splitter.buffered_bytes == 0
    assert splitter.feed(b"hello 1\n") == [Line(b"hello 1", b"\n")]


def test_the_table_omits_only_impossible_pairs():
    impossible = {
        (LineState.TOO_LONG, ByteClass.BLANK),
        (LineState.TOO_LONG, ByteClass.NUL),
        (LineState.TOO_LONG, ByteClass.OTHER),
        (LineState.AFTER_CR, ByteClass.EXCESS_BLANK),
        (LineState.AFTER_CR, ByteClass.EXCESS_OTHER),
    }
    assert set(TRANSITIONS) == set(itertools.product(LineState, ByteClass)) - impossible


@pytest.mark.parametrize(
    ("data", "unfinished"),
    [
        (b"", False),
        (b" \t", False),
        (b" \0", False),
        (b"hello 1", True),
        (b"x" * 300, True),
        (b"hello 1\r", False),
        (b"a\nb", True),
    ],
)
def test_a_line_is_unfinished_from_its_first_character_to_its_ending(data, unfinished):
    splitter = LineSplitter()
    splitter.feed(data)
    assert splitter.has_unfinished_line is unfinished
    splitter.feed(b"\n")
    assert splitter.has_unfinished_line is False


def test_a_line_without_a_reply_is_forgotten():
    """Live poses come hundreds of times a second, for hours."""
    endings = ReplyEndings()
    line_id = endings.register(b"\n")
    endings.discard(line_id)
    with pytest.raises(KeyError):
        endings.ending_for(line_id)
