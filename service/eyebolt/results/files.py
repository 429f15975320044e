"""Results on disk: the session's own, and the one that the station uses."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from eyebolt.calibration import Judgement, Refusal, Solution
from eyebolt.context import StationInputs
from eyebolt.errors import RecordFault
from eyebolt.geometry import Array
from eyebolt.planning import Knowledge
from eyebolt.results.document import Origin, accepted_document, accepted_transform, result_document, to_text
from eyebolt.results.error_map import error_map_svg
from eyebolt.store import ERROR_MAP_NAME, RESULT_NAME, Files, read_fault, session_folder, write_fault, write_whole

ACCEPTED_NAME = "accepted.json"
BY_THE_STATION = "the station's rule (when-proven)"


def wall_now() -> str:
    """Now, UTC, ISO 8601 in seconds."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def write_result(
    inputs: StationInputs,
    session: Path,
    outcome: Solution | Refusal,
    judgement: Judgement,
    accept: bool,
    knowledge: Knowledge | None = None,
) -> None:
    """Writes the session's result, and its error map as a picture; with ``accept`` it becomes the station's.

    A person's acceptance of an earlier result of this session does not carry over to a new one.
    """
    document = result_of(inputs, session.name, outcome, judgement, knowledge)
    text = to_text(document)
    if accept:
        _accept(inputs.record_folder, session, text, BY_THE_STATION)
    else:
        _write(session / RESULT_NAME, text)
    _write_error_map(session / ERROR_MAP_NAME, error_map_svg(document, inputs.station.goal.tolerance_mm))


def result_of(
    inputs: StationInputs,
    session: str,
    outcome: Solution | Refusal,
    judgement: Judgement,
    knowledge: Knowledge | None = None,
) -> dict[str, Any]:
    """The result of the session of this name, as a document."""
    station = inputs.station
    origin = Origin(station.station.name, session, station.station.mount, station.reading, inputs.digests, wall_now())
    return result_document(origin, outcome, judgement, knowledge)


def accept_session(session: Path, by: str) -> dict[str, object]:
    """Makes a session's result the station's; returns the document. Raises InputFault or RecordFault."""
    path = session / RESULT_NAME
    return _accept(session.parent, session, _read(path), by)


def find_accepted(record_folder: Path) -> Array | None:
    """The transform (4, 4), metres, that the station uses; None if none was accepted."""
    path = record_folder / ACCEPTED_NAME
    return accepted_transform(_read(path)) if path.exists() else None


def accepted_session(record_folder: Path) -> str | None:
    """Name of the session whose result, as it stands, the station uses; None once that session was solved anew."""
    try:
        accepted = (record_folder / ACCEPTED_NAME).read_text(encoding="utf-8")
        name = str(json.loads(accepted)["session"])
        result = session_folder(record_folder, name) / RESULT_NAME
        return name if result.read_text(encoding="utf-8") == accepted else None
    except (OSError, ValueError, KeyError, TypeError, RecordFault):
        return None


def _accept(record_folder: Path, session: Path, text: str, by: str) -> dict[str, object]:
    document = accepted_document(text, by, wall_now())
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
        write_whole(Files(), path, text.encode("utf-8"))
    except OSError as error:
        raise write_fault("the result", path, error) from None
