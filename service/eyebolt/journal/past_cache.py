"""Writing a large file past the operating system's cache of files.

Nobody reads a picture soon after it was written. Where the memory for the cache has to be asked for first (a computer
that is a guest of another one), filling the cache takes longer than the disk: 20 ms against 5 for 5 MB, see
``tests/bench/capture --formats``. Nothing is durable before the sync that follows, one way or the other.
"""

from __future__ import annotations

import fcntl
import mmap
import os

import numpy as np

LARGE = 1 << 20
"""Below so many bytes the cache is as quick."""

# Disks take whole sectors from memory that begins with one. One with larger sectors refuses, and the cache is used.
_SECTOR = 4096


class PastCache:
    """Keeps the memory that a disk can read from, as large as the largest file so far. ``large``: from this size on."""

    def __init__(self, large: int = LARGE) -> None:
        self._large = large
        self._memory: mmap.mmap | None = None

    def write(self, descriptor: int, data: memoryview) -> int:
        """Writes from the beginning of an empty file; how many bytes of ``data`` are in it then.

        0 where it cannot be done or fails: written through the cache, a disk that really fails says so again.
        """
        whole = len(data) // _SECTOR * _SECTOR
        if whole < max(self._large, _SECTOR) or not hasattr(os, "O_DIRECT"):
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
        if self._memory is None or len(self._memory) < len(data):
            self._memory = mmap.mmap(-1, len(data))
        aligned = memoryview(self._memory)[: len(data)]
        # Unlike an assignment this lets other threads go on: the board is sought meanwhile.
        np.copyto(np.frombuffer(aligned, np.uint8), np.frombuffer(data, np.uint8))
        return aligned
