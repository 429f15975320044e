"""Results on disk: ``result.json`` of a session, and ``accepted.json``, the result that the station uses."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from eyebolt.bounded_file import read_bounded
from eyebolt.calibration import Refusal, ResultAcceptance, Solution
from eyebolt.context import StationContext
from eyebolt.errors import EyeboltError
from eyebolt.geometry import Array, CameraModel
from eyebolt.planning import Coverage
from eyebolt.results.document import Provenance, ResultDocument
from eyebolt.results.error_map import error_map_svg
from eyebolt.store import (
    ERROR_MAP_NAME,
    MAX_RESULT_BYTES,
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
    """The present time, UTC, ISO 8601 to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def write_result(
    context: StationContext,
    session: Path,
    outcome: Solution | Refusal,
    acceptance: ResultAcceptance,
    accept: bool,
    coverage: Coverage | None = None,
) -> None:
    """Writes result and error map of a session; with ``accept`` the station uses the result from now on.

    A person's acceptance of an earlier result of this session does not carry over to a new one. Raises RecordFault.
    """
    document = build_result(context, session.name, outcome, acceptance, coverage)
    if accept:
        _accept(context.record_folder, session, document, ACCEPTED_BY_RULE)
    else:
        _write(session / RESULT_NAME, document.to_text())
    _write_error_map(session / ERROR_MAP_NAME, error_map_svg(document, context.station.goal.tolerance_mm))


def build_result(
    context: StationContext,
    session: str,
    outcome: Solution | Refusal,
    acceptance: ResultAcceptance,
    coverage: Coverage | None = None,
    refined_lens: CameraModel | None = None,
) -> ResultDocument:
    """The document of one solve of the session of this name."""
    station = context.station
    provenance = Provenance(
        station.station.name, session, station.station.mount, context.pose_format, context.digests, utc_timestamp()
    )
    return ResultDocument.of(provenance, outcome, acceptance, coverage, refined_lens)


def read_result(session: Path) -> ResultDocument:
    """The result of a session. Raises RecordFault if it cannot be read, InputFault ``result-file`` if it is damaged."""
    return ResultDocument.from_text(_read(session / RESULT_NAME))


def accept_session(session: Path, by: str) -> ResultDocument:
    """Makes the result of a session the station's; returns it. Raises what ``read_result`` and ``accept`` raise."""
    return _accept(session.parent, session, read_result(session), by)


def read_accepted_transform(record_folder: Path) -> Array | None:
    """The transform (4, 4), metres, that the station uses; None before the first acceptance."""
    path = record_folder / ACCEPTED_NAME
    if not path.exists():
        return None
    transform = ResultDocument.from_text(_read(path)).transform
    return None if transform is None else transform.to_array()


def accepted_session_name(record_folder: Path) -> str | None:
    """Name of the session whose present result the station uses; None if that session was solved again since."""
    try:
        accepted = _read(record_folder / ACCEPTED_NAME)
        name = ResultDocument.from_text(accepted).session
        # The name comes from a file: `session_path` refuses one that would leave the record folder.
        result = session_path(record_folder, name) / RESULT_NAME
        return name if _read(result) == accepted else None
    except EyeboltError:
        return None


def _accept(record_folder: Path, session: Path, document: ResultDocument, by: str) -> ResultDocument:
    accepted = document.accept(by, utc_timestamp())
    # The station's copy outlives the deletion of old sessions. It is written first, so that no session is marked as
    # accepted without being in use.
    _write(record_folder / ACCEPTED_NAME, accepted.to_text())
    _write(session / RESULT_NAME, accepted.to_text())
    return accepted


def _write_error_map(path: Path, drawing: str | None) -> None:
    """Without a drawing, removes that of an earlier result, which would be mistaken for this one's."""
    if drawing is not None:
        _write(path, drawing)
        return
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise write_fault("the error map", path, error) from None


def _read(path: Path) -> str:
    try:
        return read_bounded(path, MAX_RESULT_BYTES).decode("utf-8")
    except FileNotFoundError:
        remedy = "name the folder of a solved session: one with result.json in it."
        raise read_fault("the result", path, "is missing", remedy) from None
    except OSError as error:
        raise read_fault("the result", path, f"cannot be read: {error.strerror}", "check the permission.") from None
    except UnicodeDecodeError as error:
        reason = f"is not text in UTF-8 (byte {error.start})"
        raise read_fault("the result", path, reason, "solve the session again; the record has all of it.") from None


def _write(path: Path, text: str) -> None:
    try:
        write_atomically(FileSystem(), path, text.encode("utf-8"))
    except OSError as error:
        raise write_fault("the result", path, error) from None
