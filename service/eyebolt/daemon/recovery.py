"""What a starting daemon finds on disk and goes on with."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import structlog

from eyebolt.daemon.inputs import StationInputs
from eyebolt.errors import RecordFault
from eyebolt.journal.folder import SessionFolder
from eyebolt.journal.names import list_sessions
from eyebolt.session.facts import fold
from eyebolt.session.state import State

_log = structlog.get_logger("session")


def recover(inputs: StationInputs) -> tuple[SessionFolder | None, State, str | None]:
    """The newest session of this station as it stands on disk: folder, state, and name of the last picture used.

    A session recorded under another station or lens file is not gone on with: its numbers may mean something else.
    """
    state = State(inputs.terms)
    sessions = list_sessions(inputs.record_folder)
    if not sessions:
        return None, state, None
    folder = SessionFolder.open(sessions[-1])
    if folder.loss:
        _log.warning("the record was damaged at its end", session=folder.path.name, loss=folder.loss)
    log = fold(folder.records)
    last_picture = (log.last_source_name if log is not None else None) or _last_picture(sessions[:-1])
    if log is None or any(_differs(folder.path, name, data) for name, data in inputs.keepsakes.items()):
        _log.info("the station or lens file has changed: the next request opens a new session")
        folder.close()
        return None, state, last_picture
    _log.info("going on with a session", session=log.name, kept=len(log.kept), closed=log.closed)
    return folder, replace(state, log=log), last_picture


def _last_picture(sessions: list[Path]) -> str | None:
    """The source's name of the last picture that any session took: recorded pictures are never handed out twice."""
    for path in reversed(sessions):
        try:
            log = fold(SessionFolder.view(path).records)
        except RecordFault as fault:
            _log.warning("an old session cannot be read", session=path.name, says=fault.message)
            continue
        if log is not None and log.last_source_name is not None:
            return log.last_source_name
    return None


def _differs(session: Path, name: str, data: bytes) -> bool:
    try:
        return (session / name).read_bytes() != data
    except OSError:
        return True
