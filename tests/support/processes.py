"""Child processes of the tests, and waits that do not fail because the machine is busy.

A limit in seconds of the wall clock is either too short under load or too long for a failure. The limits here are
seconds of a machine with a free processor: while more threads want to run than there are processors, the clock of
``Patience`` runs slower by that ratio. A child that has ended ends the wait for it at once.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

LIMIT_S = 40.0
POLL_S = 0.005
_PR_SET_PDEATHSIG, _PR_SET_CHILD_SUBREAPER, _PR_GET_CHILD_SUBREAPER = 1, 36, 37

T = TypeVar("T")
Command = Sequence[str | os.PathLike[str]]


def processor_share() -> float:
    """The part of a processor that each runnable thread of this machine gets at this instant, at most 1."""
    # The fourth field counts the threads that run or want to, this one among them.
    runnable = int(Path("/proc/loadavg").read_text(encoding="ascii").split()[3].split("/")[0])
    return min(1.0, (os.cpu_count() or 1) / max(1, runnable))


class Patience:
    """``limit_s`` of waiting, counted in seconds of a machine with a free processor."""

    def __init__(self, limit_s: float = LIMIT_S) -> None:
        self.limit_s = limit_s
        self._spent_s = 0.0
        self._last = time.monotonic()

    def is_over(self) -> bool:
        """Whether the limit has passed; to be called often, since the load is sampled here."""
        now = time.monotonic()
        self._spent_s += (now - self._last) * processor_share()
        self._last = now
        return self._spent_s > self.limit_s


def until(
    condition: Callable[[], T],
    what: str,
    longest_s: float = LIMIT_S,
    process: subprocess.Popen[bytes] | subprocess.Popen[str] | None = None,
) -> T:
    """Waits for ``condition()`` to be true and returns it; fails the test with ``what`` if it never is.

    ``process``: the child that is to bring it about; when that has ended, the condition is looked at once more.
    """
    patience = Patience(longest_s)
    while True:
        # Before the condition: what the process did last must not be missed.
        ended = process is not None and process.poll() is not None
        if result := condition():
            return result
        if ended and process is not None:
            raise AssertionError(f"the process ended with {process.returncode} before: {what}")
        if patience.is_over():
            raise AssertionError(f"waited {longest_s:.0f} s in vain: {what}")
        time.sleep(POLL_S)


def wait_for_exit(process: subprocess.Popen[bytes] | subprocess.Popen[str], longest_s: float = LIMIT_S) -> int:
    """The exit code of a child that ends by itself; fails the test if it does not."""
    until(lambda: process.poll() is not None, f"the end of {process.args!r}", longest_s)
    return process.returncode


def end(process: subprocess.Popen[bytes] | subprocess.Popen[str]) -> None:
    """Kills a child if it still runs, and reaps it."""
    if process.poll() is None:
        process.kill()
    process.wait()


def run(
    command: Command,
    *,
    limit_s: float = LIMIT_S,
    stdin_text: str | None = None,
    cwd: Path | None = None,
    env: dict[str, str] | None = None,
    check: bool = False,
) -> subprocess.CompletedProcess[str]:
    """A command that ends by itself, with its output; killed, and the test failed, after ``limit_s`` (see Patience)."""
    patience, pending = Patience(limit_s), stdin_text
    with subprocess.Popen(
        command,
        stdin=subprocess.PIPE if stdin_text is not None else subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=cwd,
        env=env,
    ) as process:
        try:
            while True:
                try:
                    output, errors = process.communicate(pending, timeout=0.5)
                    break
                except subprocess.TimeoutExpired:
                    # The object keeps what is still to be written.
                    pending = None
                    if patience.is_over():
                        raise AssertionError(f"waited {limit_s:.0f} s in vain: the end of {command!r}") from None
        finally:
            end(process)
    if check and process.returncode != 0:
        raise AssertionError(f"{command!r} ended with {process.returncode}:\n{output}{errors}")
    return subprocess.CompletedProcess(command, process.returncode, output, errors)


@dataclass(frozen=True)
class RunningProcess:
    """A process as /proc shows it."""

    pid: int
    """Process id."""
    parent: int
    """Process id of its parent."""
    state: str
    """One letter, as in proc(5): R, S, D, Z, ..."""
    command: str
    """Its command line, or its name in brackets."""


def adopt_orphans() -> None:
    """From now on a descendant whose parent has ended becomes a child of this process, instead of init's."""
    ctypes.CDLL(None).prctl(_PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)


def end_with_parent() -> None:
    """From now on this process is killed when its parent ends, however that happens."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)


def adopts_orphans() -> bool:
    """Whether this process adopts orphans."""
    found = ctypes.c_int()
    ctypes.CDLL(None).prctl(_PR_GET_CHILD_SUBREAPER, ctypes.byref(found), 0, 0, 0)
    return bool(found.value)


def _all_processes() -> Iterator[RunningProcess]:
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            # It may end while it is looked at.
            with contextlib.suppress(OSError):
                name, fields = (folder / "stat").read_text(encoding="utf-8", errors="replace").rsplit(")", 1)
                words = (folder / "cmdline").read_bytes().rstrip(b"\0").split(b"\0")
                command = b" ".join(words).decode(errors="replace") or f"[{name.split('(', 1)[1]}]"
                state, parent = fields.split()[:2]
                yield RunningProcess(int(folder.name), int(parent), state, command)


def descendants(pid: int | None = None) -> list[RunningProcess]:
    """All living processes that ``pid`` (this process) has started, and what those have started."""
    processes = [process for process in _all_processes() if process.state not in "ZX"]
    family, found = {os.getpid() if pid is None else pid}, []
    grown = True
    while grown:
        children = [p for p in processes if p.parent in family and p.pid not in family]
        family |= {child.pid for child in children}
        found += children
        grown = bool(children)
    return found


def kill(processes: Sequence[RunningProcess]) -> None:
    """Kills these processes."""
    for process in processes:
        with contextlib.suppress(ProcessLookupError):
            os.kill(process.pid, signal.SIGKILL)
