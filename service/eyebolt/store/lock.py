"""One process at a time writes in a record folder."""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path
from types import TracebackType

from eyebolt.errors import RecordFault
from eyebolt.store.filesystem import FileSystem, make_durable_folder, write_fault

_LOCK_NAME = ".lock"


class RecordLock:
    """Context in which this process alone may write in ``record_folder``, which is created if missing.

    Entering raises RecordFault ``record-locked`` while another process (or another RecordLock) holds the lock. The
    kernel releases it when the process ends, however it ends. A process forked inside the context without an exec
    holds the lock too: start workers with "spawn".
    """

    def __init__(self, record_folder: Path) -> None:
        self._path = record_folder / _LOCK_NAME
        self._descriptor: int | None = None

    def __enter__(self) -> RecordLock:
        try:
            make_durable_folder(FileSystem(), self._path.parent)
            descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise write_fault("the record folder's lock", self._path, error) from None
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.pread(descriptor, 20, 0).decode("ascii", "replace").strip()
            os.close(descriptor)
            if not isinstance(error, BlockingIOError):
                raise write_fault("the record folder's lock", self._path, error) from None
            who = f"process {holder}" if holder.isdigit() else "another process"
            raise RecordFault(
                "record-locked",
                f"the record folder {self._path.parent} is in use by {who}",
                "stop the other eyebolt daemon first, or give this station a record folder of its own.",
                path=str(self._path.parent),
                holder=holder,
            ) from None
        # The process id serves only the message above; the lock holds without it, on a full disk too.
        with contextlib.suppress(OSError):
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, f"{os.getpid()}\n".encode("ascii"), 0)
        self._descriptor = descriptor
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None
