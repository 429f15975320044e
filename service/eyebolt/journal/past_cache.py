"""Writing a large file past the operating system's cache of files.

Nobody reads a picture soon after it was written. Where the memory for the cache has to be asked for first (a computer
that is a guest of another one), filling the cache takes longer than the disk: 20 ms against 5 for 5 MB, see
``tests/bench/capture --formats``. Nothing is durable before the sync that follows, one way or the other.
"""

from __future__ import annotations

import errno
import fcntl
import mmap
import os

# Disks take whole sectors from memory that begins with one; no sector in use is larger.
_SECTOR = 4096
# Below, the cache is as quick.
_LARGE = 1 << 20


class PastCache:
    """Keeps the memory that a disk can read from, as large as the largest file so far."""

    def __init__(self) -> None:
        self._memory: mmap.mmap | None = None

    def write(self, descriptor: int, data: memoryview) -> int:
        """Writes from the beginning of an empty file; how many bytes of ``data`` are in it: 0 if this cannot be done.

        Raises OSError if the disk failed, as any write does.
        """
        whole = len(data) // _SECTOR * _SECTOR
        if whole < _LARGE or not hasattr(os, "O_DIRECT"):
            return 0
        flags = fcntl.fcntl(descriptor, fcntl.F_GETFL)
        try:
            fcntl.fcntl(descriptor, fcntl.F_SETFL, flags | os.O_DIRECT)
            try:
                with memoryview(self._filled(data[:whole])) as filled:
                    return os.pwrite(descriptor, filled[:whole], 0)
            finally:
                fcntl.fcntl(descriptor, fcntl.F_SETFL, flags)
        except OSError as error:
            # The file system, or the disk below it, knows no such writing.
            if error.errno in (errno.EINVAL, errno.EOPNOTSUPP):
                return 0
            raise

    def _filled(self, data: memoryview) -> mmap.mmap:
        if self._memory is None or len(self._memory) < len(data):
            self._memory = mmap.mmap(-1, len(data))
        self._memory[: len(data)] = data
        return self._memory
