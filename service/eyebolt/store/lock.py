"""One daemon at a time writes in a record folder, and one process at a time the results in it."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType

from eyebolt.access import Access
from eyebolt.errors import RecordFault
from eyebolt.store.filesystem import FileSystem, make_durable_folder, write_fault

_LOCK_NAME = ".lock"


class RecordLock:
    """Context in which this process alone may write in ``record_folder``, which is created if missing.

    ``access``: who may read the folder if it is created.
    Entering raises RecordFault ``record-locked`` while another process (or another RecordLock) holds the lock. The
    kernel releases it when the process ends, however it ends. A process forked inside the context without an exec
    holds the lock too: start workers with "spawn". Needs POSIX.
    """

    def __init__(self, record_folder: Path, access: Access = Access.OWNER) -> None:
        self._files = FileSystem(access=access)
        self._path = record_folder / _LOCK_NAME
        self._descriptor: int | None = None

    @property
    def path(self) -> Path:
        """The file that is locked."""
        return self._path

    def __enter__(self) -> RecordLock:
        import fcntl  # absent on Windows, where records can still be read

        try:
            make_durable_folder(self._files, self._path.parent)
            descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
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


_POLL_S = 0.005


@contextlib.contextmanager
def results_lock(record_folder: Path, wait_s: float = 10.0) -> Iterator[None]:
    """Context in which this thread alone reads and replaces the results in ``record_folder``, which exists.

    Beside the RecordLock, for the milliseconds of one replacement: a person accepts a result while the daemon runs. The
    lock is on the folder itself, so that it needs no file that another user might own. Raises RecordFault
    ``results-busy`` if it is not free within ``wait_s`` seconds, ``record-write`` if the folder cannot be opened.
    """
    try:
        descriptor = os.open(record_folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError as error:
        raise write_fault("the result", record_folder, error) from None
    try:
        deadline = time.monotonic() + wait_s
        while not _try_lock(descriptor):
            if time.monotonic() > deadline:
                raise RecordFault(
                    "results-busy",
                    f"another process has been replacing the result in {record_folder} for {wait_s:g} s",
                    "end the 'eyebolt accept' that hangs, or the daemon; then try again.",
                    path=str(record_folder),
                )
            time.sleep(_POLL_S)
        yield
    finally:
        os.close(descriptor)


def _try_lock(descriptor: int) -> bool:
    """Whether the lock was free. A file system without locks (some network ones) counts as free."""
    import fcntl  # absent on Windows, where records can still be read

    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True
    return True
