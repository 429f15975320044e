"""The result of the session that the status names, read from the record folder of this computer."""

from __future__ import annotations

import json
from pathlib import Path

from eyebolt.errors import EyeboltError
from eyebolt.protocol import StatusMessage
from eyebolt.results import ResultDocument, read_result
from eyebolt.store import RESULT_NAME, session_path


class ResultReader:
    """Follows ``result.json`` of the newest session. ``follow`` and ``text`` may be called from different threads."""

    def __init__(self, record_folder: Path) -> None:
        self._record_folder = record_folder
        self._signature: object = None
        self.text: bytes | None = None
        """What the page shows of it, JSON; None while there is none."""
        self._key: str | None = None

    def follow(self, status: StatusMessage) -> str | None:
        """Reads the result if it is another one; a key of it, None while there is none."""
        signature, path = None, None
        if status.session is not None:
            try:
                path = session_path(self._record_folder, status.session)
                found = (path / RESULT_NAME).stat()
                signature = (status.session, found.st_mtime_ns, found.st_ino, found.st_size)
            except (OSError, EyeboltError):
                signature = None
        if signature != self._signature:
            self._signature = signature
            self.text = self._key = None
            if signature is not None and path is not None:
                try:
                    document = read_result(path)
                except EyeboltError:
                    # Half a file cannot be seen: it is replaced as a whole. A damaged one is told by `eyebolt inspect`.
                    return None
                self.text = _shown(document)
                self._key = f"{document.session} {document.timestamp} {signature[1]}"
        return self._key


def _shown(document: ResultDocument) -> bytes:
    error = document.expected_error_mm
    shown = {
        "session": document.session,
        "timestamp": document.timestamp,
        "transform": None if document.transform is None else document.transform.name,
        "translation_mm": None if document.transform is None else document.transform.translation_mm,
        "quaternion_wxyz": None if document.transform is None else document.transform.quaternion_wxyz,
        "tolerance_mm": document.tolerance_mm,
        "p95_mm": None if error is None else error.p95,
        "pairs_used": document.pairs.used,
        "cross_validation": document.cross_validation.model_dump(mode="json"),
        "checks": document.checks.model_dump(mode="json"),
        "error_map": None if document.error_map is None else document.error_map.model_dump(mode="json"),
    }
    return json.dumps(shown, ensure_ascii=False, allow_nan=False).encode()
