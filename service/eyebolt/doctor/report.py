"""What a check found: its state, the finding, the remedy, and the exit code of all of them together."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum

from pydantic import BaseModel, ConfigDict

EXIT_READY = 0
"""Nothing but ``ok``, and what was not tried."""
EXIT_FAULT = 1
"""At least one fault."""
EXIT_WARNING = 3
"""Warnings, no fault. (2 is the command line's own: wrong arguments.)"""


class State(StrEnum):
    """The state of one thing."""

    OK = "ok"
    """As it has to be."""
    WARNING = "warning"
    """A session works with it, but worse, or for a part of the job only."""
    FAULT = "fault"
    """No session works with it."""
    NOT_TRIED = "not tried"
    """Not known; the message gives the reason, and the remedy how to try it."""


class CheckResult(BaseModel):
    """One line of the report."""

    model_config = ConfigDict(frozen=True)

    subject: str
    """The thing, as in `camera`."""
    state: State
    """Its state."""
    message: str
    """What was found; no full stop."""
    remedy: str = ""
    """What to do about it, in sentences; empty if it is ok."""


def exit_code(results: Iterable[CheckResult]) -> int:
    """The exit code of the command, for scripts."""
    states = {result.state for result in results}
    if State.FAULT in states:
        return EXIT_FAULT
    return EXIT_WARNING if State.WARNING in states else EXIT_READY


def sentence(text: str) -> str:
    """A remedy that begins in lower case, as those of faults do, as a sentence."""
    return text[:1].upper() + text[1:]
