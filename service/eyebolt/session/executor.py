"""Carrying out the commands of a session: one method per command. Daemon, replay and tests each have an executor."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol, assert_never

from eyebolt.session import messages as msg


class Executor(Protocol):
    """Carries out commands; the event that answers one comes back to ``step`` later (``messages.ANSWERS``)."""

    def send_reply(self, command: msg.SendReply) -> None:
        """Write a reply to its line."""

    def close_connection(self, command: msg.CloseConnection) -> None:
        """Close a robot connection."""

    def open_session(self, command: msg.OpenSession) -> None:
        """Create a session folder."""

    def grab(self, command: msg.Grab) -> None:
        """Take a frame."""

    def store_image(self, command: msg.StoreImage) -> None:
        """Write the image file."""

    def detect(self, command: msg.Detect) -> None:
        """Search the board in the image."""

    def solve(self, command: msg.Solve) -> None:
        """Solve the pairs."""

    def plan_next_view(self, command: msg.PlanNextView) -> None:
        """Plan the next view."""

    def write_result(self, command: msg.WriteResult) -> None:
        """Write the result document."""

    def record_facts(self, command: msg.RecordFacts) -> None:
        """Append facts to the journal."""

    def read_accepted_result(self, command: msg.ReadAcceptedResult) -> None:
        """Look up the accepted result."""

    def start_timer(self, command: msg.StartTimer) -> None:
        """Wait until an instant."""

    def publish_status(self, command: msg.PublishStatus) -> None:
        """Publish the status message."""


def execute_all(commands: Iterable[msg.Command], executor: Executor) -> None:
    """Carries out commands in order."""
    for command in commands:
        execute(command, executor)


def execute(command: msg.Command, executor: Executor) -> None:
    """Carries out one command."""
    match command:
        case msg.SendReply():
            executor.send_reply(command)
        case msg.CloseConnection():
            executor.close_connection(command)
        case msg.OpenSession():
            executor.open_session(command)
        case msg.Grab():
            executor.grab(command)
        case msg.StoreImage():
            executor.store_image(command)
        case msg.Detect():
            executor.detect(command)
        case msg.Solve():
            executor.solve(command)
        case msg.PlanNextView():
            executor.plan_next_view(command)
        case msg.WriteResult():
            executor.write_result(command)
        case msg.RecordFacts():
            executor.record_facts(command)
        case msg.ReadAcceptedResult():
            executor.read_accepted_result(command)
        case msg.StartTimer():
            executor.start_timer(command)
        case msg.PublishStatus():
            executor.publish_status(command)
        case _:
            assert_never(command)
