"""What becomes of a journal whose end is damaged: the good part stays, the rest is kept beside it."""

from __future__ import annotations

from pathlib import Path

from eyebolt.journal.files import Files, write_whole
from eyebolt.journal.records import ReadResult, count_whole_records, encode_header


def recover_journal(
    files: Files, folder: Path, descriptor: int, data: bytes, result: ReadResult
) -> tuple[int, str | None]:
    """Cuts the journal open at ``descriptor`` to its valid prefix, after keeping the rest as ``facts.damaged-<n>``.

    ``data`` is the journal's content and ``result`` what was read of it. Returns the journal's new length in bytes and
    what was lost, None if nothing was. Raises OSError; the journal is then as it was or already cut, and nothing is
    lost. Interrupted anywhere, it can be done again.
    """
    if result.damage is None:
        return result.valid_bytes, None
    tail = data[result.valid_bytes :]
    aside = _keep_aside(files, folder, tail) if tail else None
    length = result.valid_bytes
    files.truncate(descriptor, length)
    if length == 0:
        header = encode_header()
        files.write(descriptor, header, 0)
        length = len(header)
    files.sync(descriptor)
    return length, loss_in_words(data, result, aside)


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
