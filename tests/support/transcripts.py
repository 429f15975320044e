"""Plays the protocol's transcripts to a world; FORMAT.md beside them defines their notation."""

from __future__ import annotations

from eyebolt.boards.detection import NoDetection
from eyebolt.session import messages as msg
from eyebolt_sim.conformance import transcript_files
from support.session_world import GOOD_LIGHT, SIZE_PX, World, detection

FILES = transcript_files()


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
