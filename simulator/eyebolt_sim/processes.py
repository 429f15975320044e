"""Child processes of the simulator: free ports, ``python -m`` with a log file, orderly termination."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

Process = subprocess.Popen[bytes]

_TERMINATION_TIMEOUT_S = 10.0


def free_ports(count: int) -> list[int]:
    """``count`` different unused TCP ports of this computer."""
    with contextlib.ExitStack() as stack:
        sockets = [stack.enter_context(socket.socket()) for _ in range(count)]
        for bound_socket in sockets:
            bound_socket.bind(("127.0.0.1", 0))
        return [int(bound_socket.getsockname()[1]) for bound_socket in sockets]


@contextlib.contextmanager
def run_program(arguments: list[str], log: Path) -> Iterator[Process]:
    """``python -m ARGUMENTS`` with its output in the file ``log``; terminated on leaving."""
    # The log can hold what the record holds: it is readable by its owner alone.
    with os.fdopen(os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600), "wb") as output:
        process = subprocess.Popen([sys.executable, "-m", *arguments], stdout=output, stderr=subprocess.STDOUT)
        try:
            yield process
        finally:
            terminate(process)


def run_daemon(station_file: Path, log: Path) -> contextlib.AbstractContextManager[Process]:
    """``eyebolt serve`` of a station file with its JSON log in the file ``log``; terminated on leaving."""
    return run_program(["eyebolt.cli.main", "serve", str(station_file), "--log", "json"], log)


def terminate(process: Process, stop_signal: signal.Signals = signal.SIGTERM) -> None:
    """Ends a process with a signal that it can handle, and kills it after 10 s; no effect on one that has ended."""
    if process.poll() is None:
        process.send_signal(stop_signal)
    try:
        process.wait(_TERMINATION_TIMEOUT_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def log_tail(log: Path) -> str:
    """The last three lines of a log, for a message."""
    return " / ".join(log.read_text(encoding="utf-8", errors="replace").strip().splitlines()[-3:])
