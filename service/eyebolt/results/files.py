"""Results on disk: ``result.json`` of a session, and ``accepted.json``, the result that the station uses.

Every replacement of these files happens under ``results_lock``: a person may accept a result while the daemon writes
the next one, and the newer one must stay.
"""

from __future__ import annotations

import contextlib
import json
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from eyebolt.boards import Board
from eyebolt.bounded_file import read_bounded
from eyebolt.calibration import Refusal, ResultAcceptance, ResultGap, Solution
from eyebolt.context import StationContext, load_session
from eyebolt.errors import EyeboltError, InputFault, RecordFault, reading_remedy
from eyebolt.geometry import Array, CameraModel, se3
from eyebolt.observations import Dataset, half_turn_about_centre
from eyebolt.planning import Coverage
from eyebolt.results.document import Basis, Provenance, ResultDocument, Setup
from eyebolt.results.error_map import error_map_svg
from eyebolt.results.setup import find_setup_change
from eyebolt.session import AcceptedResult
from eyebolt.store import (
    ERROR_MAP_NAME,
    MAX_RESULT_BYTES,
    RESULT_NAME,
    FileSystem,
    SessionFolder,
    access_of,
    read_fault,
    results_lock,
    session_path,
    write_atomically,
    write_fault,
)

_NAME_A_SESSION = "name the folder of a solved session: one with result.json in it."
ACCEPTED_NAME = "accepted.json"
REPLACED_NAME = "accepted-before.jsonl"
ACCEPTED_BY_RULE = "the station's rule (when-proven)"


@dataclass(frozen=True)
class Acceptance:
    """An acceptance that was carried out."""

    document: ResultDocument
    """The accepted result."""
    replaced: ResultDocument | None
    """The result that the station used before; None if there was none, or an unreadable one."""
    record_folder: Path
    """Where ``accepted.json`` is, without symbolic links."""


def utc_timestamp() -> str:
    """The present time, UTC, ISO 8601 to the second."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def write_result(
    context: StationContext,
    session: Path,
    dataset: Dataset,
    outcome: Solution | Refusal,
    acceptance: ResultAcceptance,
    accept: bool,
    coverage: Coverage | None = None,
) -> None:
    """Writes result and error map of a session; with ``accept`` the station uses the result from now on.

    An acceptance stands while the transform of the session is the accepted one, and does not carry over to another.
    Raises RecordFault.
    """
    document = build_result(context, session.name, dataset, outcome, acceptance, coverage)
    record_folder = context.record_folder
    with results_lock(record_folder):
        in_use = _accepted_document(record_folder)
        if in_use is not None and in_use.has_transform_of(document):
            _write(session / RESULT_NAME, document.accepted_as(in_use).to_text(), session)
        elif accept:
            _accept(record_folder, session, document.accept(ACCEPTED_BY_RULE, utc_timestamp()), in_use)
        else:
            _write(session / RESULT_NAME, document.to_text(), session)
        _write_error_map(session / ERROR_MAP_NAME, error_map_svg(document, context.station.goal.tolerance_mm))


def build_result(
    context: StationContext,
    session: str,
    dataset: Dataset,
    outcome: Solution | Refusal,
    acceptance: ResultAcceptance,
    coverage: Coverage | None = None,
    refined_lens: CameraModel | None = None,
) -> ResultDocument:
    """The document of one solve of ``dataset``, recorded in the session of this name."""
    station = context.station.station
    provenance = Provenance(
        station.name,
        session,
        station.mount,
        context.result_format,
        context.digests,
        utc_timestamp(),
        Setup.of(context.lens, context.station.board),
        Basis.of(dataset),
        context.station.goal.tolerance_of,
    )
    return ResultDocument.of(provenance, outcome, acceptance, coverage, refined_lens)


def read_result(session: Path) -> ResultDocument:
    """The result of a session. Raises RecordFault if it cannot be read, InputFault ``result-file`` if it is damaged."""
    path = session / RESULT_NAME
    text = _read(path)
    try:
        return ResultDocument.from_text(text)
    except InputFault as fault:
        raise InputFault(fault.code, f"{path}: {fault.message}", fault.remedy, path=str(path)) from None


def accept_session(session: Path, by: str, *, incomplete: bool = False, few_pairs: bool = False) -> Acceptance:
    """Makes the result of a session the station's.

    ``incomplete``: also one that the robot is not given yet; ``few_pairs``: also one of fewer pairs than [goal]
    min_pairs. Raises what ``read_result`` and ``ResultDocument.accept`` raise, RecordFault for a record that cannot be
    read, InputFault ``result-copied``, ``result-outdated``, ``too-few-pairs``, ``result-incomplete``.
    """
    # "." and symbolic links have another parent than the folder that they lead to.
    session = session.resolve()
    record_folder = session.parent
    read_result(session)
    with results_lock(record_folder):
        document = read_result(session)
        accepted = document.accept(by, utc_timestamp())
        _require_current(session, document, few_pairs)
        if accepted.incomplete is not None and not incomplete:
            gap = accepted.incomplete
            raise InputFault(
                "result-incomplete",
                f"the robot cannot be given this result: {gap.message}",
                f"{gap.remedy} To accept it nevertheless, add --incomplete: the robot is given it once that is mended.",
            )
        replaced = _accepted_document(record_folder)
        _accept(record_folder, session, accepted, replaced)
    return Acceptance(accepted, replaced, record_folder)


def read_accepted(context: StationContext) -> AcceptedResult | None:
    """The result that the station uses, and whether the robot can be given it; None before the first acceptance.

    Raises RecordFault or InputFault for a file that cannot be read.
    """
    path = context.record_folder / ACCEPTED_NAME
    if not path.exists():
        return None
    document = ResultDocument.from_text(_read(path))
    if document.transform is None:
        return None
    transform, board = document.transform.to_array(), document.board_transform
    gap = find_setup_change(document, context)
    if gap is None:
        # By the present station file: another form of the reply may hold what that of the session did not.
        gap = context.result_format.find_gap(transform, document.unobservable)
    return AcceptedResult(
        session=document.session,
        by="" if document.accepted is None else document.accepted.by,
        transform=transform,
        board_transform=None if board is None else board.to_array(),
        gap=gap,
        is_newest=_is_newest(context.record_folder, document),
        board_corners_m=_numberings(context.board),
        prediction=None if document.prediction is None else document.prediction.model(),
    )


def unreadable_accepted(message: str) -> AcceptedResult:
    """In place of an accepted result that cannot be read, for ``message``."""
    gap = ResultGap(
        f"the accepted result cannot be read: {message}", "accept the result of a session again (eyebolt accept)."
    )
    no_corners = np.zeros((1, 0, 3))
    return AcceptedResult("", "", None, None, gap, is_newest=False, board_corners_m=no_corners)


def _numberings(board: Board) -> Array:
    """(k, n, 3), metres: the corners of the board, and once more from the other end if nothing tells the two apart."""
    corners = board.corners_m()
    if not board.half_turn_ambiguous:
        return corners[None]
    return np.stack([corners, se3.apply(half_turn_about_centre(corners), corners)])


def accepted_signature(record_folder: Path, last: AcceptedResult | None) -> tuple[object, ...]:
    """Changes when ``read_accepted`` may give another result than ``last``: identity and age of the files it reads."""
    paths = [record_folder / ACCEPTED_NAME]
    if last is not None:
        # A name that is no session's has no result that could change.
        with contextlib.suppress(RecordFault):
            paths.append(session_path(record_folder, last.session) / RESULT_NAME)
    return tuple(_signature(path) for path in paths)


def _signature(path: Path) -> tuple[int, int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_ino, found.st_mtime_ns, found.st_size


def _is_newest(record_folder: Path, accepted: ResultDocument) -> bool:
    try:
        # The name comes from a file: `session_path` refuses one that would leave the record folder.
        newest = read_result(session_path(record_folder, accepted.session))
    except EyeboltError:
        return False
    return accepted.has_transform_of(newest)


def _require_current(session: Path, document: ResultDocument, few_pairs: bool) -> None:
    """Refuses a result of another session, one that does not rest on all of the record, and one of too few pairs."""
    if document.session != session.name:
        raise InputFault(
            "result-copied",
            f"the result in {session} is that of session {document.session!r}",
            "name the folder of that session, in the station's record folder.",
        )
    recorded = load_session(SessionFolder.open_read_only(session))
    basis = Basis.of(recorded.log.dataset)
    if document.based_on != basis:
        raise InputFault(
            "result-outdated",
            f"the result of session {session.name} does not rest on what is recorded: {_counts(document.based_on)} in"
            f" the result, {_counts(basis)} in the record; the newest solve could not be written, is on its way, or"
            " follows with solve or bye",
            "try again in a few seconds. If it recurs, free space on the disk and send solve or, once the session is"
            f" closed, run: eyebolt solve --json {session} > result.json, and put that file into {session}.",
        )
    min_pairs = recorded.context.station.goal.min_pairs
    if document.pairs.used < min_pairs and not few_pairs:
        raise InputFault(
            "too-few-pairs",
            f"the result rests on {document.pairs.used} pairs, and [goal] min_pairs of the station file is {min_pairs}",
            "capture more waypoints and solve again. To accept it nevertheless, add --few-pairs.",
        )


def _counts(basis: Basis | None) -> str:
    if basis is None:
        return "nothing stated"
    return f"{len(basis.pairs)} pairs, {len(basis.checks)} checks, {basis.touches} touches"


def _accepted_document(record_folder: Path) -> ResultDocument | None:
    """The accepted result as it is on disk; None without one that can be read."""
    try:
        return ResultDocument.from_text(_read(record_folder / ACCEPTED_NAME))
    except EyeboltError:
        return None


def _accept(record_folder: Path, session: Path, accepted: ResultDocument, replaced: ResultDocument | None) -> None:
    # Nobody's acceptance is lost: the one that is replaced is noted before it is gone.
    if replaced is not None:
        _note_replaced(record_folder / REPLACED_NAME, replaced, session)
    # The station's copy outlives the deletion of old sessions. It is written first, so that no session is marked as
    # accepted without being in use.
    _write(record_folder / ACCEPTED_NAME, accepted.to_text(), session)
    _write(session / RESULT_NAME, accepted.to_text(), session)


def _note_replaced(path: Path, replaced: ResultDocument, session: Path) -> None:
    """Appends one line about a result that is no longer used."""
    accepted, transform = replaced.accepted, replaced.transform
    note = {
        "session": replaced.session,
        "by": None if accepted is None else accepted.by,
        "timestamp": None if accepted is None else accepted.timestamp,
        "acceptance": replaced.acceptance,
        "transform": None if transform is None else {"name": transform.name, "matrix_m": transform.matrix_m},
        "replaced": utc_timestamp(),
    }
    try:
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o600), "ab") as file:
            path.chmod(access_of(session).file_mode)
            file.write(json.dumps(note).encode("utf-8") + b"\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise write_fault("the note of the replaced result", path, error) from None


def _write_error_map(path: Path, drawing: str | None) -> None:
    """Without a drawing, removes that of an earlier result, which would be mistaken for this one's."""
    if drawing is not None:
        _write(path, drawing, path.parent)
        return
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise write_fault("the error map", path, error) from None


def _read(path: Path) -> str:
    try:
        return read_bounded(path, MAX_RESULT_BYTES).decode("utf-8")
    except FileNotFoundError:
        raise read_fault("the result", path, "is missing", _NAME_A_SESSION) from None
    except OSError as error:
        remedy = reading_remedy(error) or _NAME_A_SESSION
        raise read_fault("the result", path, f"cannot be read: {error.strerror}", remedy) from None
    except UnicodeDecodeError as error:
        reason = f"is not text in UTF-8 (byte {error.start})"
        raise read_fault("the result", path, reason, "solve the session again; the record has all of it.") from None


def _write(path: Path, text: str, session: Path) -> None:
    """Writes a result, as readable as its session is."""
    try:
        write_atomically(FileSystem(access=access_of(session)), path, text.encode("utf-8"))
    except OSError as error:
        raise write_fault("the result", path, error) from None
