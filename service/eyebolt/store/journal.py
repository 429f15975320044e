"""The journal: one record per line of text, each with its length, sequence number and CRC-32.

    00000028 0000000001 51a17195 {"type":"opened","at_ns":17}

README.md beside this file specifies the fields. A reader uses a journal up to the first record that deviates from them.

Records written together begin at a sector boundary and are padded to the next one: no later write touches a sector
that holds a durable record, so a torn write cannot destroy one.

Recovery: the valid prefix stays, anything behind it is moved to a file beside the journal.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from eyebolt.bounded_text import parse_json
from eyebolt.errors import RecordFault
from eyebolt.store.filesystem import FileSystem, write_atomically

FORMAT = "eyebolt-facts"
VERSION = 1
HEADER = b'{"format":"%b","version":%d}' % (FORMAT.encode(), VERSION)
MAX_PAYLOAD_BYTES = 16 * 1024 * 1024

# The unit in which disks write atomically (512 bytes, or 4096 on those with large sectors), and the kernel's page size.
SECTOR_BYTES = 4096

_HEAD = re.compile(rb"([0-9]{8}) ([0-9]{10}) ([0-9a-f]{8}) ")
_CHECKED_HEAD_BYTES = 20
_HEAD_BYTES = 29
_MAX_SEQUENCE = 10**10 - 1


@dataclass(frozen=True)
class ReadResult:
    """The longest valid prefix of a journal."""

    records: list[bytes]
    """Payloads of the records after the header, in order, without padding."""
    valid_bytes: int
    """Length of the prefix, header included."""
    damage: str | None
    """Why the next record is not valid, for an operator; None if the prefix is the whole journal."""
    last_offset: int = 0
    """Byte at which the last record of the prefix begins."""


def encode_record(sequence: int, payload: bytes, padding: int = 0) -> bytes:
    """One record as bytes; ``payload`` is one JSON object on one line.

    Raises RecordFault ``record-payload`` if it is not.
    """
    body = payload + b" " * padding
    if b"\n" in payload or _json_object(payload) is None:
        raise _payload_fault(f"record {sequence} is not a JSON object on one line")
    if len(body) > MAX_PAYLOAD_BYTES or not 0 <= sequence <= _MAX_SEQUENCE:
        raise _payload_fault(f"record {sequence} of {len(body)} bytes does not fit the format")
    checked_head = b"%08d %010d " % (len(body), sequence)
    return checked_head + b"%08x " % zlib.crc32(body, zlib.crc32(checked_head)) + body + b"\n"


def encode_padded(first: int, payloads: Sequence[bytes], begin: int = 0) -> list[bytes]:
    """Records ``first``, ``first + 1``, ... written together from byte ``begin``; the last is padded to a sector's end.

    Raises as encode_record.
    """
    lines = [encode_record(first + i, payload) for i, payload in enumerate(payloads)]
    padding = -(begin + sum(map(len, lines))) % SECTOR_BYTES
    lines[-1] = encode_record(first + len(lines) - 1, payloads[-1], padding)
    return lines


def read_records(data: bytes) -> ReadResult:
    """The longest valid prefix of a journal.

    Raises RecordFault ``record-version`` if the header is valid but of another format or version.
    """
    records: list[bytes] = []
    offset = last_offset = 0
    sequence = 0
    while offset < len(data) or sequence == 0:
        payload, defect = _read_one(data, offset, sequence)
        if payload is None:
            name = "record 0 (the header)" if sequence == 0 else f"record {sequence}"
            return ReadResult(records, offset, f"{name} at byte {offset}: {defect}", last_offset)
        if sequence == 0:
            _check_header(payload)
        else:
            records.append(payload)
        last_offset = offset
        offset += _HEAD_BYTES + int(data[offset : offset + 8]) + 1
        sequence += 1
    return ReadResult(records, offset, None, last_offset)


def count_valid_records(data: bytes) -> int:
    """The number of lines in ``data`` that are complete records, in any order: what a person can still read."""
    count = 0
    for line in data.split(b"\n"):
        match = _HEAD.match(line)
        if match and _read_one(line + b"\n", 0, int(match.group(2)))[0] is not None:
            count += 1
    return count


def _read_one(data: bytes, offset: int, sequence: int) -> tuple[bytes | None, str]:
    """The payload of the record at ``offset``, or None and its defect."""
    left = len(data) - offset
    if left == 0:
        return None, "it is missing"
    head = _HEAD.match(data, offset)
    if head is None:
        return None, "the file ends within it" if left < _HEAD_BYTES else "its length, number or checksum is unreadable"
    length, found_sequence, checksum = int(head.group(1)), int(head.group(2)), int(head.group(3), 16)
    if length > MAX_PAYLOAD_BYTES:
        return None, f"its length of {length} bytes exceeds the limit"
    if left < _HEAD_BYTES + length + 1:
        return None, "the file ends within it"
    body = data[offset + _HEAD_BYTES : offset + _HEAD_BYTES + length]
    checked_head = data[offset : offset + _CHECKED_HEAD_BYTES]
    if zlib.crc32(body, zlib.crc32(checked_head)) != checksum:
        return None, "its content does not match its checksum"
    if data[offset + _HEAD_BYTES + length] != 0x0A:
        return None, "its line does not end after its length"
    if found_sequence != sequence:
        return None, f"it carries the number {found_sequence}"
    if _json_object(body) is None:
        return None, "its content is not a JSON object"
    return body.rstrip(b" "), ""


def _json_object(payload: bytes) -> dict[str, object] | None:
    """The object in ``payload``; None for anything but one JSON object (RFC 8259) within the limits of a text."""
    try:
        found = parse_json(payload)
    except ValueError:
        return None
    return found if isinstance(found, dict) else None


def _check_header(record: bytes) -> None:
    payload = _json_object(record) or {}
    if payload.get("format") != FORMAT or payload.get("version") != VERSION:
        raise RecordFault(
            "record-version",
            f"this journal is of format {payload.get('format')!r}, version {payload.get('version')!r}; "
            f"this program reads {FORMAT}, version {VERSION}",
            "open it with the version of eyebolt that wrote it, or a newer one; nothing was changed.",
            found=payload.get("version"),
        )


def _payload_fault(message: str) -> RecordFault:
    return RecordFault("record-payload", message, "this is a defect of the program, not of the cell: please report it.")


def recover_journal(files: FileSystem, journal: Path, data: bytes, result: ReadResult) -> tuple[int, str | None]:
    """Reduces ``journal`` to its valid prefix, padded, so that it can be appended to.

    The bytes behind the prefix are kept as ``facts.damaged-<n>``. ``data`` is the journal's content and ``result`` its
    reading. Returns the journal's new length in bytes and a description of the loss, None without one. Raises OSError;
    the journal is then unchanged. An interrupted recovery can be repeated.
    """
    padded = result.valid_bytes > 0 and result.valid_bytes % SECTOR_BYTES == 0
    if result.damage is None and padded:
        return result.valid_bytes, None
    tail = data[result.valid_bytes :]
    aside = _save_damaged_tail(files, journal.parent, tail) if tail else None
    good = data[: result.valid_bytes] if padded else _repad(data, result)
    # Written beside it and renamed: truncating and padding in place would touch the sector of the last good record.
    write_atomically(files, journal, good)
    return len(good), describe_loss(data, result, aside) if result.damage else None


def _repad(data: bytes, result: ReadResult) -> bytes:
    """The valid prefix, its last record padded: of records written together, only the last one was."""
    last = result.records[-1] if result.records else HEADER
    return data[: result.last_offset] + b"".join(encode_padded(len(result.records), [last], result.last_offset))


def describe_loss(data: bytes, result: ReadResult, aside: Path | None) -> str:
    """The damage of a journal in words for an operator."""
    tail = data[result.valid_bytes :]
    complete = count_valid_records(tail)
    count = len(result.records)
    kept = {0: "there is no record before it", 1: "the 1 record before it is kept"}.get(
        count, f"the {count} records before it are kept"
    )
    text = f"{result.damage}; {kept}, {len(tail)} bytes from there on are ignored"
    if complete:
        text += (
            f" ({complete} later {'records' if complete != 1 else 'record'} among them can still be read by a person)"
        )
    return text + (f"; they were moved to {aside.name}" if aside is not None else "")


def _save_damaged_tail(files: FileSystem, folder: Path, tail: bytes) -> Path:
    """A durable copy of ``tail``; one from an interrupted recovery is reused."""
    number = 1
    while (aside := folder / f"facts.damaged-{number}").exists():
        if aside.stat().st_size == len(tail) and aside.read_bytes() == tail:
            files.sync_folder(folder)
            return aside
        number += 1
    write_atomically(files, aside, tail)
    return aside
