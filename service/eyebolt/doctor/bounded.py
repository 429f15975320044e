"""Checks in a process of their own, which is given up where it hangs: a frozen camera, a file server that is gone.

A thread could not be given up: a process does not end while one of its threads waits for a disk.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import time
from collections.abc import Callable, Iterator
from typing import NoReturn

from pydantic import ValidationError

from eyebolt.doctor.report import CheckResult, State, sentence
from eyebolt.errors import EyeboltError

Report = Callable[[CheckResult], None]
"""Given each result as it is found."""
Work = Callable[[Report], None]
"""Checks; may raise EyeboltError."""

_MAX_BYTES = 1 << 20


def run_bounded(subject: str, work: Work, limit_s: float) -> Iterator[CheckResult]:
    """The results of ``work``, as they come, from a process that has ``limit_s`` seconds.

    Its standard streams lead nowhere. A fault that it raises, a defect of it, and the end of its time are results of
    ``subject``. Call it while this process has one thread. Needs POSIX.
    """
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        _work_in_child(subject, work, writing)
    os.close(writing)
    try:
        yield from _results(subject, reading, time.monotonic() + limit_s, limit_s)
    finally:
        os.close(reading)
        with contextlib.suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)
        _reap(child)


def _work_in_child(subject: str, work: Work, writing: int) -> NoReturn:
    """Ends this process without anything that the parent has prepared for its own end."""

    def report(result: CheckResult) -> None:
        os.write(writing, result.model_dump_json().encode("utf-8") + b"\n")

    try:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        nowhere = os.open(os.devnull, os.O_RDWR)
        for stream in range(3):
            os.dup2(nowhere, stream)
        carry_out(subject, work, report)
    finally:
        os._exit(0)


def carry_out(subject: str, work: Work, report: Report) -> None:
    """Runs ``work`` in this process, however long it takes; what it raises becomes a result."""
    try:
        work(report)
    except EyeboltError as fault:
        report(CheckResult(subject=subject, state=State.FAULT, message=fault.message, remedy=sentence(fault.remedy)))
    except Exception as defect:
        report(_defect(subject, repr(defect)))


def _results(subject: str, reading: int, deadline_s: float, limit_s: float) -> Iterator[CheckResult]:
    buffer = b""
    while True:
        ready, _, _ = select.select([reading], [], [], max(deadline_s - time.monotonic(), 0.0))
        if not ready:
            yield CheckResult(
                subject=subject,
                state=State.FAULT,
                message=f"no answer within {limit_s:g} s: a device, a disk or a network drive hangs",
                remedy="Check what the station file names there; unplug the device and plug it in again.",
            )
            return
        data = os.read(reading, 65536)
        *lines, buffer = (buffer + data).split(b"\n")
        for line in lines:
            try:
                yield CheckResult.model_validate_json(line)
            except ValidationError:
                yield _defect(subject, "an unreadable result")
        if not data or len(buffer) > _MAX_BYTES:
            return


def _defect(subject: str, what: str) -> CheckResult:
    return CheckResult(
        subject=subject,
        state=State.FAULT,
        message=f"the check failed: {what}",
        remedy="This is a defect of the program: report this line.",
    )


def _reap(child: int) -> None:
    # A process that waits for a disk outlives SIGKILL; it is left to the system.
    for _ in range(20):
        if os.waitpid(child, os.WNOHANG)[0]:
            return
        time.sleep(0.01)
