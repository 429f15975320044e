"""Programs of this distribution started as processes of their own: free ports, a log file, a polite end."""

from __future__ import annotations

import contextlib
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

Process = subprocess.Popen[bytes]


def free_ports(count: int) -> list[int]:
    """So many different ports of this computer on which nobody listens."""
    with contextlib.ExitStack() as stack:
        sockets = [stack.enter_context(socket.socket()) for _ in range(count)]
        for bound_socket in sockets:
            bound_socket.bind(("127.0.0.1", 0))
        return [int(bound_socket.getsockname()[1]) for bound_socket in sockets]


@contextlib.contextmanager
def run_program(arguments: list[str], log: Path) -> Iterator[Process]:
    """``python -m ...`` with its output in a file; ended politely at the end."""
    with log.open("wb") as output:
        process = subprocess.Popen([sys.executable, "-m", *arguments], stdout=output, stderr=subprocess.STDOUT)
        try:
            yield process
        finally:
            terminate(process)


def terminate(process: Process, stop_signal: signal.Signals = signal.SIGTERM) -> None:
    """Ends a process with a signal that it may answer; kills it after 10 s. Nothing happens to one that has ended."""
    if process.poll() is None:
        process.send_signal(stop_signal)
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def log_tail(log: Path) -> str:
    """The last lines of a log, for a message."""
    return " / ".join(log.read_text(encoding="utf-8", errors="replace").strip().splitlines()[-3:])
