"""The taxonomy of errors: a class for the party at fault, a stable code, and a remedy for the operator.

Only these exceptions reach an operator, as text or as JSON. An expected outcome (no board, not converged) is a value,
never one of them. Messages begin in lower case and name the thing and the place; remedies are sentences.
"""

from __future__ import annotations

import errno
from collections.abc import Mapping

from eyebolt.plain_text import clean_block


class EyeboltError(Exception):
    """An error with a remedy; raise one of the subclasses."""

    code: str
    """Stable identifier, lower-case words joined by hyphens."""
    message: str
    """What failed, and where."""
    remedy: str
    """What the operator does about it."""
    data: Mapping[str, object]
    """Details for a program, such as ``path``; never needed to understand the message."""

    def __init__(self, code: str, message: str, remedy: str, **data: object) -> None:
        super().__init__(code, message, remedy)
        self.code = code
        self.message = message
        self.remedy = remedy
        self.data = data

    def __str__(self) -> str:
        """For a terminal: words from outside are made safe, and only its first line is not indented."""
        return f"{clean_block(self.message)} ({self.code})\n  What to do: {clean_block(self.remedy)}"

    def to_json(self) -> dict[str, str]:
        """The keys ``code``, ``message`` and ``remedy``, for a program."""
        return {"code": self.code, "message": self.message, "remedy": self.remedy}


class InputFault(EyeboltError):
    """Invalid input: a station, lens or problem file, a command-line option, a value out of range."""


class CameraFault(EyeboltError):
    """The image source cannot deliver an image that was exposed after the request."""


class RecordFault(EyeboltError):
    """The record of a session cannot be written or read."""


class MachineFault(EyeboltError):
    """The computer lacks something: a library, a free port, a terminal."""


def writing_remedy(error: OSError) -> str:
    """What to do about a file that cannot be written at a place that a person named."""
    if error.errno == errno.ENOENT:
        return "make its folder first, or name another place."
    if error.errno in (errno.EACCES, errno.EPERM):
        return "get permission to write there, or name another place."
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "free space on that disk, or name another place."
    if error.errno == errno.EROFS:
        return "that disk is read-only: name another place."
    if error.errno == errno.EISDIR:
        return "that is a folder: name a file."
    if error.errno in (errno.ENOTDIR, errno.EEXIST):
        return "a part of that path is a file and no folder: name another place."
    return "name another place."


def reading_remedy(error: OSError) -> str:
    """What to do about a file that is there and cannot be read; empty for another error."""
    if error.errno in (errno.EACCES, errno.EPERM):
        return "get permission to read it, and to enter its folders."
    if error.errno == errno.EIO:
        return "the disk reports an error: check it, and take the file from a backup."
    return ""
