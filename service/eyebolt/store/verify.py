"""Integrity of a session: whether its files are still as they were recorded. Nothing is repaired here."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from types import MappingProxyType

from eyebolt.bounded_file import read_bounded
from eyebolt.bounded_text import parse_json
from eyebolt.errors import RecordFault
from eyebolt.store import names
from eyebolt.store.session_folder import IMAGE_LOST_REMEDY, SessionFolder

MAX_RESULT_BYTES = 1 << 22
"""Of ``result.json`` and ``accepted.json``; the largest so far have 100 kB."""


def find_damage(
    folder: SessionFolder,
    snapshots: Iterable[str],
    images: Iterable[tuple[str, str]],
    inputs: Mapping[str, str] = MappingProxyType({}),
) -> list[str]:
    """The files that are missing or changed, a sentence each; empty if the session is intact.

    ``snapshots``: names of the configuration files that a session begins with; ``images``: file name and SHA-256
    (hexadecimal) of each image that the journal mentions; ``inputs``: SHA-256 of configuration files, by name.
    """
    found = [] if folder.loss is None else [f"the journal: {folder.loss}"]
    for name, digest in images:
        found += _image_damage(folder, name, digest)
    for name in snapshots:
        found += _snapshot_damage(folder, name, inputs.get(name))
    return found + _result_damage(folder)


def damaged_tails(folder: SessionFolder) -> list[str]:
    """Names of the files to which earlier recoveries moved a damaged end of the journal."""
    return sorted(path.name for path in folder.path.glob("facts.damaged-*"))


def _image_damage(folder: SessionFolder, name: str, digest: str) -> list[str]:
    try:
        data = folder.image_bytes(name)
    except RecordFault as fault:
        return [f"image {name} {fault.data.get('reason', fault.message)}: {fault.remedy}"]
    if hashlib.sha256(data).hexdigest() != digest:
        return [f"image {name} differs from the recorded one ({len(data)} bytes; another SHA-256): {IMAGE_LOST_REMEDY}"]
    return []


def _snapshot_damage(folder: SessionFolder, name: str, digest: str | None) -> list[str]:
    try:
        data = folder.snapshot(name)
    except RecordFault as fault:
        return [f"{fault.message}: {fault.remedy}"]
    if digest is not None and hashlib.sha256(data).hexdigest() != digest:
        return [
            f"{name} is not the file that the session was recorded with (another SHA-256), and what is solved from it"
            " is not the result of this session: restore it from a backup"
        ]
    return []


def _result_damage(folder: SessionFolder) -> list[str]:
    path = folder.path / names.RESULT_NAME
    try:
        parse_json(read_bounded(path, MAX_RESULT_BYTES))
    except FileNotFoundError:
        return []
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        return [f"{names.RESULT_NAME} cannot be read ({reason}); 'eyebolt solve' computes it again from the record"]
    return []
