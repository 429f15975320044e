"""Reads the transcripts of tests/wire/transcripts and plays them to a world; FORMAT.md there says what they mean."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from eyebolt.boards.detection import NoDetection
from eyebolt.session import messages as msg
from support.session_world import GOOD_LIGHT, SIZE_PX, World, detection

FOLDER = Path(__file__).resolve().parents[1] / "protocol" / "transcripts"
FILES = sorted(FOLDER.glob("*.txt"))
ENDINGS = {"LF": b"\n", "CR": b"\r", "CRLF": b"\r\n"}


@dataclass
class Said:
    """A line of the robot with its ending, the bytes that must come back, and where it stands."""

    data: bytes
    reply: bytes
    place: str


@dataclass
class Directive:
    """A directive."""

    words: str


def steps(path: Path) -> list[Said | Directive]:
    """Said and Directive in order."""
    found: list[Said | Directive] = []
    ending = ENDINGS["LF"]
    for number, line in enumerate(path.read_text(encoding="ascii").splitlines(), start=1):
        if line.startswith("> "):
            found.append(
                Said(line[2:].replace("\\0", "\0").encode("ascii") + ending, b"", f"{path.name}:{number}: {line}")
            )
        elif line.startswith("< "):
            said = found[-1]
            assert isinstance(said, Said), f"{path.name}:{number}: a reply without a line"
            said.reply = line[2:].encode("ascii") + ending
        elif line.startswith("terminator "):
            ending = ENDINGS[line.split()[1]]
        elif line.startswith("! "):
            found.append(Directive(line[2:]))
    return found


class Robot:
    """Plays a conversation: keeps the world as the directives say, and the connection that lines go over."""

    def __init__(self) -> None:
        self.world = World()
        self.connection = self.world.connect()

    def say(self, data: bytes) -> bytes:
        """Sends ``data`` in one piece; the bytes that came back."""
        before = len(self.connection.sent)
        self.world.receive(self.connection, data)
        return bytes(self.connection.sent[before:])

    def heed(self, words: str) -> None:
        """Carries out one directive."""
        world = self.world
        match words.split():
            case ["sees", "board"]:
                world.sees, world.grab_fails = detection(), None
            case ["sees", "nothing"]:
                world.sees = NoDetection("no-board", GOOD_LIGHT, SIZE_PX)
            case ["frame", "late"]:
                world.grab_fails = "no-fresh-frame"
            case ["disk", state]:
                world.disk_full = {"full": True, "fine": False}[state]
            case ["work", "slow"]:
                world.holds = (msg.Grab,)
            case ["work", "done"]:
                world.work_done()
            case ["goal", state]:
                world.goal_met = {"met": True, "open": False}[state]
            case ["wanted", number]:
                world.wanted = int(number)
            case ["reconnect"]:
                self.connection = world.connect()
            case ["connection", number]:
                wanted = int(number)
                self.connection = world.connections.get(wanted) or world.connect()
                assert self.connection.number == wanted
            case ["restart"]:
                world.restart()
                self.connection = world.connect()
            case _:
                raise ValueError(f"unknown directive: {words}")
