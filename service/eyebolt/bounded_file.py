"""Files from outside, read up to a limit: no larger than their kind can be, and no device that never ends."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

# Missing on some platforms. O_NONBLOCK: opening a pipe that nobody writes to would wait for ever.
_FLAGS = os.O_RDONLY | sum(getattr(os, name, 0) for name in ("O_CLOEXEC", "O_BINARY"))
_NONBLOCK = getattr(os, "O_NONBLOCK", 0)


def read_bounded(path: Path, max_bytes: int, allow_pipe: bool = False) -> bytes:
    """The content of a file. ``allow_pipe``: also of a pipe, to its end.

    Raises OSError, its ``strerror`` in words: EFBIG for more than ``max_bytes`` bytes, EINVAL for a device, a socket or
    a pipe.
    """
    descriptor = os.open(path, _FLAGS if allow_pipe else _FLAGS | _NONBLOCK)
    try:
        mode = os.fstat(descriptor).st_mode
        if not stat.S_ISREG(mode) and not (allow_pipe and stat.S_ISFIFO(mode)):
            is_folder = stat.S_ISDIR(mode)
            raise OSError(errno.EINVAL, "it is a folder" if is_folder else "it is not a regular file", str(path))
        with os.fdopen(descriptor, "rb", closefd=False) as file:
            data = file.read(max_bytes + 1)
    finally:
        os.close(descriptor)
    if len(data) > max_bytes:
        raise OSError(errno.EFBIG, f"it has more than {max_bytes} bytes, which no file of this kind has", str(path))
    return data
