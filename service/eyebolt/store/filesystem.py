"""Every operation by which the journal changes the disk, in one place, so that each of them can be made to fail.

Writing a large file past the operating system's cache of files.

Nobody reads a picture soon after it was written. Where the memory for the cache has to be asked for first (a computer
that is a guest of another one), filling the cache takes longer than the disk: 20 ms against 5 for 5 MB, see
``tests/bench/capture --formats``. Nothing is durable before the sync that follows, one way or the other.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import mmap
import os
import shutil
from pathlib import Path

import numpy as np

from eyebolt.errors import RecordFault

DIRECT_IO_MIN_BYTES = 1 << 20
"""Below so many bytes the cache is as quick."""


class FileSystem:
    """Operations on real files. All raise OSError. A file or folder is durable only after ``sync`` or ``sync_folder``.

    Files of ``direct_min_bytes`` bytes and more pass by the operating system's cache. Put another object of this class in its
    place to count, fail or interrupt calls.
    """

    def __init__(self, direct_min_bytes: int = DIRECT_IO_MIN_BYTES) -> None:
        self._direct_writer = DirectWriter(direct_min_bytes)

    def make_folder(self, path: Path) -> None:
        """A new folder; its parent must exist."""
        path.mkdir()

    def create(self, path: Path) -> int:
        """Descriptor of an empty file for writing; an existing one is emptied."""
        return os.open(path, os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o644)

    def open_existing(self, path: Path) -> int:
        """Descriptor of an existing file, for reading and writing."""
        return os.open(path, os.O_RDWR | os.O_CLOEXEC)

    def write(self, descriptor: int, data: bytes, offset: int) -> None:
        """All of ``data`` at ``offset``; a part of it may be there after an OSError."""
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
        """Makes a file's content durable."""
        os.fsync(descriptor)

    def sync_folder(self, path: Path) -> None:
        """Makes the names in a folder durable."""
        descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def replace(self, old: Path, new: Path) -> None:
        """Gives a file or folder its final name in one step."""
        old.replace(new)

    def remove(self, path: Path) -> None:
        """Removes a file, or a folder with all it holds."""
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink()

    def close(self, descriptor: int) -> None:
        """Lets go of a descriptor."""
        os.close(descriptor)


def make_durable_folder(files: FileSystem, path: Path) -> None:
    """The folder and the folders above it, as far as they are missing. Raises OSError."""
    if path.is_dir():
        return
    make_durable_folder(files, path.parent)
    files.make_folder(path)
    try:
        files.sync_folder(path.parent)
    except OSError:
        # Left there, the next attempt would take it for durable.
        with contextlib.suppress(OSError):
            files.remove(path)
        raise


def write_atomically(files: FileSystem, path: Path, data: bytes) -> None:
    """A file that is there whole and durable, or not at all (then an older one of that name still is)."""
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


def write_fault(what: str, path: Path, error: OSError) -> RecordFault:
    """RecordFault ``record-write``: ``what`` could not be written at ``path``."""
    remedies = {
        errno.ENOSPC: f"free space on the disk that holds {path.parent}, then go on.",
        errno.EDQUOT: f"free space in the quota of the disk that holds {path.parent}, then go on.",
        errno.EROFS: "the disk is read-only, often after a disk error: check it and mount it writable again.",
        errno.EACCES: f"give the user that runs eyebolt the right to write in {path.parent}.",
        errno.EPERM: f"give the user that runs eyebolt the right to write in {path.parent}.",
        errno.EIO: "the disk reports an error: save what is on it and replace it.",
    }
    reason = error.strerror or str(error)
    return RecordFault(
        "record-write",
        f"{what} cannot be written at {path}: {reason}",
        remedies.get(error.errno or 0, f"check the disk and the folder {path.parent}, then go on."),
        path=str(path),
        errno=error.errno,
    )


def read_fault(what: str, path: Path, reason: str, remedy: str) -> RecordFault:
    """RecordFault ``record-read``: ``what`` at ``path`` is missing or cannot be read."""
    return RecordFault("record-read", f"{what} at {path} {reason}", remedy, path=str(path), reason=reason)


# Disks take whole sectors from memory that begins with one. One with larger sectors refuses, and the cache is used.
_SECTOR = 4096


class DirectWriter:
    """Keeps the memory that a disk can read from, as large as the largest file so far. ``direct_min_bytes``: from this size on."""

    def __init__(self, direct_min_bytes: int = DIRECT_IO_MIN_BYTES) -> None:
        self._min_bytes = direct_min_bytes
        self._buffer: mmap.mmap | None = None

    def write(self, descriptor: int, data: memoryview) -> int:
        """Writes from the beginning of an empty file; how many bytes of ``data`` are in it then.

        0 where it cannot be done or fails: written through the cache, a disk that really fails says so again.
        """
        whole = len(data) // _SECTOR * _SECTOR
        if whole < max(self._min_bytes, _SECTOR) or not hasattr(os, "O_DIRECT"):
            return 0
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
        # Unlike an assignment this lets other threads go on: the board is sought meanwhile.
        np.copyto(np.frombuffer(aligned, np.uint8), np.frombuffer(data, np.uint8))
        return aligned
