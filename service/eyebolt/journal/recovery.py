"""What becomes of a journal whose end is damaged or not padded: the good part stays, the rest is kept beside it."""

from __future__ import annotations

from pathlib import Path

from eyebolt.journal.files import Files, write_whole
from eyebolt.journal.records import HEADER, SECTOR_BYTES, ReadResult, count_whole_records, encode_padded


def recover_journal(files: Files, journal: Path, data: bytes, result: ReadResult) -> tuple[int, str | None]:
    """Makes ``journal`` one to go on with: its valid prefix, padded; the rest is kept as ``facts.damaged-<n>``.

    ``data`` is the journal's content and ``result`` what was read of it. Returns the journal's new length in bytes and
    what was lost, None if nothing was. Raises OSError; the journal is then as it was. Interrupted anywhere, it can be
    done again.
    """
    padded = result.valid_bytes > 0 and result.valid_bytes % SECTOR_BYTES == 0
    if result.damage is None and padded:
        return result.valid_bytes, None
    tail = data[result.valid_bytes :]
    aside = _keep_aside(files, journal.parent, tail) if tail else None
    good = data[: result.valid_bytes] if padded else _padded_anew(data, result)
    # Written beside it and renamed: cutting and padding in place would touch the sector of the last good record.
    write_whole(files, journal, good)
    return len(good), loss_in_words(data, result, aside) if result.damage else None


def _padded_anew(data: bytes, result: ReadResult) -> bytes:
    """The valid prefix with its last record padded: of an earlier version, or the first of some written together."""
    last = result.records[-1] if result.records else HEADER
    return data[: result.last_at] + b"".join(encode_padded(len(result.records), [last], result.last_at))


def loss_in_words(data: bytes, result: ReadResult, aside: Path | None) -> str:
    """What an operator reads about a damaged journal."""
    tail = data[result.valid_bytes :]
    whole = count_whole_records(tail)
    count = len(result.records)
    kept = {0: "no record stands before it", 1: "the 1 record before it is kept"}.get(
        count, f"the {count} records before it are kept"
    )
    words = f"{result.damage}; {kept}, {len(tail)} bytes from there on are not used"
    if whole:
        words += f" ({whole} later {'records' if whole != 1 else 'record'} among them can still be read by a person)"
    return words + (f"; they were moved to {aside.name}" if aside is not None else "")


def _keep_aside(files: Files, folder: Path, tail: bytes) -> Path:
    """A durable copy of ``tail``. One from an interrupted recovery is used again."""
    number = 1
    while (aside := folder / f"facts.damaged-{number}").exists():
        if aside.read_bytes() == tail:
            files.sync_folder(folder)
            return aside
        number += 1
    write_whole(files, aside, tail)
    return aside
