"""Faults that people can act on: a stable code, what to do, and the data behind it.

An expected outcome (no board, too similar, not converged) is a value, never one of these.
"""

from __future__ import annotations

from collections.abc import Mapping


class EyeboltError(Exception):
    """A fault with a stable ``code``, a ``message`` naming thing and place, a ``remedy``, and ``data`` fields.

    Subclasses say whose fault it is; ``code`` says which.
    """

    def __init__(self, code: str, message: str, remedy: str, **data: object) -> None:
        super().__init__(code, message, remedy)
        self.code = code
        self.message = message
        self.remedy = remedy
        self.data: Mapping[str, object] = data

    def __str__(self) -> str:
        return f"{self.message} ({self.code})\n  What to do: {self.remedy}"


class InputFault(EyeboltError):
    """What somebody gave us is wrong: a station file, a problem file, a lens file, a value out of range."""


class CameraFault(EyeboltError):
    """The picture source cannot give a picture that was exposed after the request."""


class RecordFault(EyeboltError):
    """The session cannot be written or read."""


class MachineFault(EyeboltError):
    """The computer lacks something: a library, a port that is taken, a terminal."""
