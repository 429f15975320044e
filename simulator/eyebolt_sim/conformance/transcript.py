"""The protocol's transcripts: complete conversations of a robot with a daemon.

They are package data, in the notation of ``transcripts/FORMAT.md``: tests play them to the session in memory, and
``eyebolt-sim conform`` to a daemon over its socket.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

LINE_ENDINGS = {"LF": b"\n", "CR": b"\r", "CRLF": b"\r\n"}
_FOLDER = Path(__file__).parent / "transcripts"


@dataclass(frozen=True)
class Exchange:
    """A line of the robot and its reply."""

    data: bytes
    """The line with its ending."""
    reply: bytes
    """The reply with its ending; empty where none may come."""
    place: str
    """File, line number and text, for messages."""


@dataclass(frozen=True)
class Directive:
    """A line that begins with ``!``: something that happens to the cell, the daemon or the connection."""

    words: str
    """What follows the ``!``."""


def transcript_files() -> list[Path]:
    """The transcripts, by name."""
    return sorted(_FOLDER.glob("*.txt"))


def transcript_steps(path: Path) -> list[Exchange | Directive]:
    """The exchanges and directives of a transcript, in order. Raises ValueError for a line that is neither."""
    steps: list[Exchange | Directive] = []
    ending = LINE_ENDINGS["LF"]
    for number, line in enumerate(path.read_text(encoding="ascii").splitlines(), start=1):
        place = f"{path.name}:{number}: {line}"
        if not line or line.startswith("#"):
            continue
        if line.startswith("> "):
            steps.append(Exchange(line[2:].replace("\\0", "\0").encode("ascii") + ending, b"", place))
        elif line.startswith("< "):
            sent = steps[-1] if steps else None
            if not isinstance(sent, Exchange) or sent.reply:
                raise ValueError(f"{place}: a reply without a line")
            steps[-1] = replace(sent, reply=line[2:].encode("ascii") + ending)
        elif line.startswith("terminator "):
            ending = LINE_ENDINGS[line.split()[1]]
        elif line.startswith("! "):
            steps.append(Directive(line[2:]))
        else:
            raise ValueError(place)
    return steps
