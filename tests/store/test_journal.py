"""Records as bytes: the layout of the field table, every truncation, every damaged byte."""

from __future__ import annotations

import json
import zlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eyebolt.errors import RecordFault
from eyebolt.store import journal as records
from eyebolt.store.journal import HEADER, count_valid_records, encode_record, read_records


def line(record: object) -> bytes:
    """A record's payload."""
    return json.dumps(record, ensure_ascii=False, separators=(",", ":")).encode("utf-8")


PAYLOADS = [
    line({"type": "opened", "at_ns": 17}),
    line({"text": 'Größe \n\r\u2028 "x"'}),
    line({}),
    line({"list": [1, 2.5, None, True, {"a": []}]}),
]


def journal_of(payloads: list[bytes]) -> bytes:
    return encode_record(0, HEADER) + b"".join(encode_record(i, p) for i, p in enumerate(payloads, start=1))


def test_the_layout_is_that_of_the_field_table() -> None:
    body = b'{"type":"opened","at_ns":17}'
    head = b"00000028 0000000001 "
    expected = head + f"{zlib.crc32(head + body):08x} ".encode() + body + b"\n"
    assert encode_record(1, PAYLOADS[0]) == expected
    assert expected.decode() in str(records.__doc__)
    readme = Path(str(records.__file__)).with_name("README.md")
    assert expected.decode() in readme.read_text(encoding="utf-8")
    assert encode_record(0, HEADER)[29:] == b'{"format":"eyebolt-facts","version":1}\n'


def test_round_trip() -> None:
    data = journal_of(PAYLOADS)
    result = read_records(data)
    assert (result.records, result.valid_bytes, result.damage) == (PAYLOADS, len(data), None)
    assert data.count(b"\n") == len(PAYLOADS) + 1


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)
# Lone surrogates are not text and cannot be written as UTF-8.
clean_objects = st.dictionaries(st.text(max_size=8), json_values, max_size=4)


@settings(max_examples=100, deadline=None)
@given(st.lists(clean_objects, max_size=5))
def test_round_trip_of_any_objects(payloads: list[dict]) -> None:
    lines = [line(payload) for payload in payloads]
    assert read_records(journal_of(lines)).records == lines


def test_the_longest_payload_is_written_and_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(records, "MAX_PAYLOAD_BYTES", 64)
    longest = line({"text": "x" * (64 - len(line({"text": ""})))})
    assert len(longest) == 64
    data = encode_record(0, HEADER) + encode_record(1, longest)
    result = read_records(data)
    assert (result.records, result.damage) == ([longest], None)
    with pytest.raises(RecordFault) as caught:
        encode_record(1, longest, padding=1)
    assert caught.value.code == "record-payload"
    # Nor is a longer one read.
    monkeypatch.setattr(records, "MAX_PAYLOAD_BYTES", 63)
    assert read_records(data).records == []


def test_every_truncation_gives_the_complete_records_before_it() -> None:
    data = journal_of(PAYLOADS)
    ends = [i + 1 for i, byte in enumerate(data) if byte == 0x0A]
    for cut in range(len(data) + 1):
        result = read_records(data[:cut])
        whole = [end for end in ends if end <= cut]
        assert result.valid_bytes == (whole[-1] if whole else 0)
        assert result.records == PAYLOADS[: max(len(whole) - 1, 0)]
        if cut in ends:
            assert result.damage is None
        else:
            assert result.damage is not None
            name = f"record {len(whole)}" if whole else "record 0 (the header)"
            assert result.damage.startswith(f"{name} at byte {result.valid_bytes}: ")


def test_every_changed_byte_is_detected_in_place() -> None:
    data = journal_of(PAYLOADS)
    ends = [i + 1 for i, byte in enumerate(data) if byte == 0x0A]
    for place in range(len(data)):
        hit = sum(end <= place for end in ends)
        for change in range(1, 256):
            damaged = bytearray(data)
            damaged[place] ^= change
            result = read_records(bytes(damaged))
            assert result.records == PAYLOADS[: max(hit - 1, 0)], (place, change)
            assert result.damage is not None, (place, change)
            assert result.valid_bytes == (ends[hit - 1] if hit else 0)


def test_a_missing_or_repeated_record_is_detected() -> None:
    header, lines = encode_record(0, HEADER), [encode_record(i, line({"n": i})) for i in (1, 2, 3)]
    for order, good in (([0, 2], 1), ([0, 0, 1], 1), ([1], 0), ([0, 1, 0], 2)):
        result = read_records(header + b"".join(lines[i] for i in order))
        assert [json.loads(r)["n"] for r in result.records] == [1, 2, 3][:good]
        assert result.damage is not None and "number" in result.damage
    assert read_records(lines[0]).valid_bytes == 0


def test_complete_records_after_a_damage_are_counted() -> None:
    data = journal_of(PAYLOADS)
    second = data.index(b"\n") + 1
    assert count_valid_records(data[second + 5 :]) == len(PAYLOADS) - 1
    assert count_valid_records(b"") == count_valid_records(b"\n\nnothing\n") == 0


@pytest.mark.parametrize("header", [{"format": "eyebolt-facts", "version": 2}, {"format": "other", "version": 1}, {}])
def test_another_format_or_version_is_refused_not_called_damage(header: dict) -> None:
    with pytest.raises(RecordFault) as caught:
        read_records(encode_record(0, line(header)) + encode_record(1, b"{}"))
    assert caught.value.code == "record-version"


@pytest.mark.parametrize(
    "payload",
    [b'{"x":NaN}', b'{"x":-Infinity}', b'{"x":"\xed\xa0\x80"}', b"[1]", b'"x"', b'{"x":1', b'{"x":\n1}'],
    ids=repr,
)
def test_a_payload_that_is_not_one_json_object_on_one_line_is_refused(payload: bytes) -> None:
    with pytest.raises(RecordFault) as caught:
        encode_record(1, payload)
    assert caught.value.code == "record-payload"


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=200), st.booleans())
def test_no_bytes_raise(data: bytes, with_header: bool) -> None:
    result = read_records(encode_record(0, HEADER) + data if with_header else data)
    assert result.records == []
    assert (result.damage is None) == (with_header and not data)


def test_content_that_matches_its_checksum_but_is_no_object_is_damage() -> None:
    for body in (b"[1]", b"{", b"\xff", b"[" * 100_000):
        head = b"%08d %010d " % (len(body), 1)
        line = head + b"%08x " % zlib.crc32(head + body) + body + b"\n"
        result = read_records(encode_record(0, HEADER) + line)
        assert result.records == [] and "JSON" in str(result.damage)
    assert json.loads(encode_record(0, HEADER)[29:])["version"] == 1
