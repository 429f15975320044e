"""A command on a pseudo-terminal, as a person runs it."""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import select
import struct
import subprocess
import termios
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from support.processes import LIMIT_S, end

CTRL_C = "\x03"


def on_a_terminal(
    command: Sequence[str | Path],
    typed: Sequence[tuple[str, str]] = (),
    size: tuple[int, int] = (80, 24),
    environment: Mapping[str, str] | None = None,
    cwd: Path | None = None,
) -> tuple[int, str]:
    """Exit code and everything that the terminal received.

    ``typed``: pairs of a text that the command shows, and what is typed then; a Ctrl-C is typed again while nothing
    happens, as a person does: one that comes just before the interpreter waits for a line is noticed at the next.
    ``size``: columns, rows.
    """
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", size[1], size[0], 0, 0))
    process = subprocess.Popen(
        # The terminal is its controlling one, so that a typed Ctrl-C is a signal.
        ["setsid", "--ctty", *(str(part) for part in command)],
        stdin=slave,
        stdout=slave,
        stderr=slave,
        cwd=cwd,
        env={**os.environ, "TERM": "xterm", **(environment or {})},
    )
    os.close(slave)
    received, searched, waiting, keys = "", 0, list(typed), ""
    deadline_s = time.monotonic() + LIMIT_S
    try:
        while time.monotonic() < deadline_s:
            if waiting and waiting[0][0] in received[searched:]:
                shown, keys = waiting.pop(0)
                searched += received[searched:].index(shown) + len(shown)
                os.write(master, keys.encode("utf-8"))
            if not select.select([master], [], [], 0.5 if keys == CTRL_C else 0.05)[0]:
                if keys == CTRL_C:
                    os.write(master, CTRL_C.encode("utf-8"))
                continue
            data = b""
            with contextlib.suppress(OSError):  # EIO: the other end is closed
                data = os.read(master, 65536)
            if not data:
                break
            received += data.decode("utf-8", "replace")
        else:
            raise AssertionError(f"the command did not end; it shows:\n{received}")
        exit_code = process.wait(LIMIT_S)
    finally:
        end(process)
        os.close(master)
    if waiting:
        raise AssertionError(f"never shown: {waiting[0][0]!r} in\n{received}")
    return exit_code, received
