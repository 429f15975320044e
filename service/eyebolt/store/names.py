"""Names of sessions and of the files in them; only a name that passes these checks becomes a path."""

from __future__ import annotations

import re
from collections.abc import Collection
from datetime import datetime
from pathlib import Path

from eyebolt.errors import RecordFault
from eyebolt.store.images import IMAGE_SUFFIX

JOURNAL_NAME = "facts.journal"
RESULT_NAME = "result.json"
ERROR_MAP_NAME = "error-map.svg"
IMAGES_NAME = "images"

_SESSION = re.compile(r"([0-9]{8}-[0-9]{6})-([0-9]{2,6})", re.ASCII)
_FILE = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_-]*(?:\.[A-Za-z0-9_-]+)*", re.ASCII)
_IMAGE = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_-]{0,63}", re.ASCII)
_MAX_NAME_LENGTH = 100


def session_name(wall_time: datetime, existing: Collection[str]) -> str:
    """``YYYYMMDD-HHMMSS-nn`` for a session begun at ``wall_time`` (no time zone is applied).

    Never sorts before a session in ``existing``: the newest session is the one that a restart resumes, so if the clock
    was set back, the newest session's time is used again with the next number.
    """
    stamp, number = wall_time.strftime("%Y%m%d-%H%M%S").zfill(15), 1
    known = [key for key in map(_sort_key, existing) if key is not None]
    if known:
        newest_stamp, newest_number = max(known)
        if newest_stamp >= stamp:
            stamp, number = newest_stamp, newest_number + 1
    return f"{stamp}-{number:02d}"


def list_sessions(record_folder: Path) -> list[Path]:
    """Folders of the sessions in a record folder, newest last; empty if there is no such folder.

    Raises RecordFault ``record-read``.
    """
    try:
        entries = list(record_folder.iterdir())
    except FileNotFoundError:
        return []
    except OSError as error:
        remedy = "check [record] folder in the station file, and the permission to read that folder."
        message = f"the record folder {record_folder} cannot be listed: {error.strerror}"
        raise RecordFault("record-read", message, remedy, path=str(record_folder)) from None
    found = [(key, entry) for entry in entries if (key := _sort_key(entry.name)) and (entry / JOURNAL_NAME).is_file()]
    return [entry for _, entry in sorted(found)]


def session_path(record_folder: Path, name: str) -> Path:
    """Path of the session ``name``. Raises RecordFault ``record-name``."""
    if not _SESSION.fullmatch(name):
        raise _name_fault(name, "the name of a session has the form 20260314-091500-01")
    return record_folder / name


def snapshot_file_name(name: str) -> str:
    """The checked name of a configuration snapshot, a file beside the journal. Raises RecordFault ``record-name``."""
    reserved = name in (RESULT_NAME, ERROR_MAP_NAME, IMAGES_NAME) or name.startswith("facts.")
    if len(name) > _MAX_NAME_LENGTH or not _FILE.fullmatch(name) or reserved:
        raise _name_fault(
            name, "the name of a snapshot has letters, digits, - _ and points, and is not one of the session's own"
        )
    return name


def image_file_name(name: str) -> str:
    """The checked name of an image file, such as ``0007.tif``. Raises RecordFault ``record-name``."""
    stem, suffix = name[: -len(IMAGE_SUFFIX)], name[-len(IMAGE_SUFFIX) :]
    if suffix != IMAGE_SUFFIX or not _IMAGE.fullmatch(stem):
        raise _name_fault(
            name, f"the name of an image has 1 to 64 letters, digits, - and _, and ends in {IMAGE_SUFFIX}"
        )
    return name


def _sort_key(name: str) -> tuple[str, int] | None:
    match = _SESSION.fullmatch(name)
    return (match.group(1), int(match.group(2))) if match else None


def _name_fault(name: str, rule: str) -> RecordFault:
    return RecordFault("record-name", f"{name[:120]!r} is not a valid name: {rule}", "give another name.", name=name)
