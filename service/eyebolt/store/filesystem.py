"""Every operation that changes the record on disk, in one class, so that a test can make each of them fail.

Large files are written with direct I/O, past the page cache: an image is not read again soon, and where the memory for
the cache has to be obtained first (in a virtual machine), filling the cache takes longer than the disk: 20 ms against
5 ms for 5 MB, see ``tests/bench/capture --formats``. Either way a file is durable only after the sync that follows.
"""

from __future__ import annotations

import contextlib
import errno
import mmap
import os
import shutil
from pathlib import Path

import numpy as np

from eyebolt.access import Access
from eyebolt.errors import RecordFault

DIRECT_IO_MIN_BYTES = 1 << 20
"""Below this size the page cache is as fast."""


class FileSystem:
    """Operations on real files. All raise OSError. A file or folder is durable only after ``sync`` or ``sync_folder``.

    Files of at least ``direct_min_bytes`` bytes are written with direct I/O. New files and folders are readable as
    ``access`` states, whatever the process's umask is. A subclass can count, fail or interrupt calls.
    """

    def __init__(self, direct_min_bytes: int = DIRECT_IO_MIN_BYTES, access: Access = Access.OWNER) -> None:
        self._direct_writer = DirectWriter(direct_min_bytes)
        self._access = access

    def make_folder(self, path: Path) -> None:
        """Creates a folder; its parent must exist."""
        path.mkdir(0o700)
        # Given only now: mkdir and open take away the bits of the umask.
        path.chmod(self._access.folder_mode)

    def create(self, path: Path) -> int:
        """Descriptor of an empty file for writing; an existing one is emptied."""
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
        try:
            path.chmod(self._access.file_mode)
        except OSError:
            os.close(descriptor)
            raise
        return descriptor

    def open_existing(self, path: Path) -> int:
        """Descriptor of an existing file, for reading and writing."""
        return os.open(path, os.O_RDWR | os.O_CLOEXEC)

    def write(self, descriptor: int, data: bytes, offset: int) -> None:
        """Writes all of ``data`` at ``offset``; after an OSError a part of it may be there."""
        rest = memoryview(data)
        if offset == 0:
            offset = self._direct_writer.write(descriptor, rest)
            rest = rest[offset:]
        while rest:
            done = os.pwrite(descriptor, rest, offset)
            rest, offset = rest[done:], offset + done

    def truncate(self, descriptor: int, length: int) -> None:
        """Cuts a file to ``length`` bytes."""
        os.ftruncate(descriptor, length)

    def sync(self, descriptor: int) -> None:
        """Makes the content of a file durable (fsync)."""
        os.fsync(descriptor)

    def sync_folder(self, path: Path) -> None:
        """Makes the names in a folder durable (fsync of the directory)."""
        descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def replace(self, old: Path, new: Path) -> None:
        """Renames a file or folder atomically, over an existing file."""
        old.replace(new)

    def remove(self, path: Path) -> None:
        """Removes a file, or a folder with its content."""
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink()

    def close(self, descriptor: int) -> None:
        """Closes a descriptor."""
        os.close(descriptor)


def access_of(folder: Path) -> Access:
    """Who may read a folder; OWNER if that cannot be determined."""
    try:
        return Access.of_mode(folder.stat().st_mode)
    except OSError:
        return Access.OWNER


def make_durable_folder(files: FileSystem, path: Path) -> None:
    """Creates the folder and its missing parents, durably. Raises OSError."""
    if path.is_dir():
        return
    make_durable_folder(files, path.parent)
    files.make_folder(path)
    try:
        files.sync_folder(path.parent)
    except OSError:
        # Left behind, the next attempt would take it for durable.
        with contextlib.suppress(OSError):
            files.remove(path)
        raise


def write_atomically(files: FileSystem, path: Path, data: bytes) -> None:
    """Writes a file durably and atomically: after a crash the new content is there, or the old one. Raises OSError."""
    partial = path.with_name(f".{path.name}.partial")
    try:
        descriptor = files.create(partial)
        try:
            files.write(descriptor, data, 0)
            files.sync(descriptor)
        finally:
            files.close(descriptor)
        files.replace(partial, path)
    except OSError:
        with contextlib.suppress(OSError):
            files.remove(partial)
        raise
    files.sync_folder(path.parent)


def write_fault(subject: str, path: Path, error: OSError) -> RecordFault:
    """RecordFault ``record-write``: ``subject`` could not be written at ``path``."""
    remedies = {
        errno.ENOSPC: f"free space on the disk that holds {path.parent}, then continue.",
        errno.EDQUOT: f"free space in the quota of the disk that holds {path.parent}, then continue.",
        errno.EROFS: "the disk is read-only, often after a disk error: check it and mount it writable again.",
        errno.EACCES: f"give the user that runs eyebolt permission to write in {path.parent}.",
        errno.EPERM: f"give the user that runs eyebolt permission to write in {path.parent}.",
        errno.EIO: "the disk reports an error: back it up and replace it.",
    }
    reason = error.strerror or str(error)
    return RecordFault(
        "record-write",
        f"{subject} cannot be written at {path}: {reason}",
        remedies.get(error.errno or 0, f"check the disk and the folder {path.parent}, then continue."),
        path=str(path),
        errno=error.errno,
    )


def read_fault(subject: str, path: Path, reason: str, remedy: str) -> RecordFault:
    """RecordFault ``record-read``: ``subject`` at ``path`` is missing or cannot be read."""
    return RecordFault("record-read", f"{subject} at {path} {reason}", remedy, path=str(path), reason=reason)


# O_DIRECT transfers whole sectors from sector-aligned memory (open(2)). A disk with larger sectors refuses, and the
# page cache is used.
_SECTOR = 4096


class DirectWriter:
    """Direct I/O from an aligned buffer, which grows to the largest file so far, for files of ``direct_min_bytes``."""

    def __init__(self, direct_min_bytes: int = DIRECT_IO_MIN_BYTES) -> None:
        self._min_bytes = direct_min_bytes
        self._buffer: mmap.mmap | None = None

    def write(self, descriptor: int, data: memoryview) -> int:
        """Writes the leading sectors of ``data`` into an empty file; returns the number of bytes written.

        0 where direct I/O is not possible or fails: the caller then writes through the page cache, and a failing disk
        reports its error again.
        """
        whole = len(data) // _SECTOR * _SECTOR
        if whole < max(self._min_bytes, _SECTOR) or not hasattr(os, "O_DIRECT"):
            return 0
        import fcntl  # absent on Windows, where records can still be read

        try:
            aligned = self._aligned(data[:whole])
            flags = fcntl.fcntl(descriptor, fcntl.F_GETFL)
            fcntl.fcntl(descriptor, fcntl.F_SETFL, flags | os.O_DIRECT)
            try:
                return os.pwrite(descriptor, aligned, 0)
            finally:
                fcntl.fcntl(descriptor, fcntl.F_SETFL, flags)
        except OSError:
            return 0

    def _aligned(self, data: memoryview) -> memoryview:
        if self._buffer is None or len(self._buffer) < len(data):
            self._buffer = mmap.mmap(-1, len(data))
        aligned = memoryview(self._buffer)[: len(data)]
        # Unlike a slice assignment, copyto releases the interpreter lock: board detection runs meanwhile.
        np.copyto(np.frombuffer(aligned, np.uint8), np.frombuffer(data, np.uint8))
        return aligned
