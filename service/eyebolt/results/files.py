"""Results on disk: the session's own, and the one that the station uses."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from eyebolt.calibration import Refusal, ResultAcceptance, Solution
from eyebolt.context import StationContext
from eyebolt.errors import RecordFault
from eyebolt.geometry import Array
from eyebolt.planning import Coverage
from eyebolt.results.document import Provenance, accepted_document, accepted_transform, result_document, to_text
from eyebolt.results.error_map import error_map_svg
from eyebolt.store import (
    ERROR_MAP_NAME,
    RESULT_NAME,
    FileSystem,
    read_fault,
    session_path,
    write_atomically,
    write_fault,
)

ACCEPTED_NAME = "accepted.json"
ACCEPTED_BY_RULE = "the station's rule (when-proven)"


def utc_timestamp() -> str:
    """Now, UTC, ISO 8601 in seconds."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def write_result(
    context: StationContext,
    session: Path,
    outcome: Solution | Refusal,
    acceptance: ResultAcceptance,
    accept: bool,
    coverage: Coverage | None = None,
) -> None:
    """Writes the session's result, and its error map as a picture; with ``accept`` it becomes the station's.

    A person's acceptance of an earlier result of this session does not carry over to a new one.
    """
    document = build_result(context, session.name, outcome, acceptance, coverage)
    text = to_text(document)
    if accept:
        _accept(context.record_folder, session, text, ACCEPTED_BY_RULE)
    else:
        _write(session / RESULT_NAME, text)
    _write_error_map(session / ERROR_MAP_NAME, error_map_svg(document, context.station.goal.tolerance_mm))


def build_result(
    context: StationContext,
    session: str,
    outcome: Solution | Refusal,
    acceptance: ResultAcceptance,
    coverage: Coverage | None = None,
) -> dict[str, Any]:
    """The result of the session of this name, as a document."""
    station = context.station
    provenance = Provenance(
        station.station.name, session, station.station.mount, station.pose_format, context.digests, utc_timestamp()
    )
    return result_document(provenance, outcome, acceptance, coverage)


def accept_session(session: Path, by: str) -> dict[str, object]:
    """Makes a session's result the station's; returns the document. Raises InputFault or RecordFault."""
    path = session / RESULT_NAME
    return _accept(session.parent, session, _read(path), by)


def read_accepted_transform(record_folder: Path) -> Array | None:
    """The transform (4, 4), metres, that the station uses; None if none was accepted."""
    path = record_folder / ACCEPTED_NAME
    return accepted_transform(_read(path)) if path.exists() else None


def accepted_session_name(record_folder: Path) -> str | None:
    """Name of the session whose result, as it stands, the station uses; None once that session was solved anew."""
    try:
        accepted = (record_folder / ACCEPTED_NAME).read_text(encoding="utf-8")
        name = str(json.loads(accepted)["session"])
        result = session_path(record_folder, name) / RESULT_NAME
        return name if result.read_text(encoding="utf-8") == accepted else None
    except (OSError, ValueError, KeyError, TypeError, RecordFault):
        return None


def _accept(record_folder: Path, session: Path, text: str, by: str) -> dict[str, object]:
    document = accepted_document(text, by, utc_timestamp())
    accepted = to_text(document)
    # A copy of its own: the station's transform must outlive the cleaning up of old sessions. Written first, so that a
    # session never calls itself accepted when it is not.
    _write(record_folder / ACCEPTED_NAME, accepted)
    _write(session / RESULT_NAME, accepted)
    return document


def _write_error_map(path: Path, picture: str | None) -> None:
    """Writes the picture; without one, takes away that of an earlier result, which would be taken for this one's."""
    if picture is not None:
        _write(path, picture)
        return
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise write_fault("the error map", path, error) from None


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        remedy = "name the folder of a session that was solved: one with result.json in it."
        raise read_fault("the result", path, "is missing", remedy) from None
    except (OSError, UnicodeDecodeError) as error:
        raise read_fault("the result", path, f"cannot be read: {error}", "check the permission.") from None


def _write(path: Path, text: str) -> None:
    try:
        write_atomically(FileSystem(), path, text.encode("utf-8"))
    except OSError as error:
        raise write_fault("the result", path, error) from None
