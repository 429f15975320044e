"""Faults of the robot's line and of the camera that a replay can inject, and what the daemon promises under each."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar, Protocol

from eyebolt.errors import InputFault
from eyebolt.protocol import Code
from eyebolt_sim.replay.recording import RecordedLine
from eyebolt_sim.robot_link import Reply, RobotLink

# The default read time-out of common robot controllers.
_REPLY_TIMEOUT_S = 2.0
_DELAY_S = 1.0
_FRAGMENT_INTERVAL_S = 0.2
_DROPPED_NS = 500_000_000
_TRUNCATED_BYTES = 7


class ReplayFaultName(StrEnum):
    """Names of the faults, as on the command line."""

    LOST = "lost"
    DELAYED = "delayed"
    DUPLICATED = "duplicated"
    COALESCED = "coalesced"
    FRAGMENTED = "fragmented"
    RESET_MID_LINE = "reset-mid-line"
    RESET_AFTER_LINE = "reset-after-line"
    DROPPED = "dropped"
    STALE = "stale"
    TRUNCATED = "truncated"
    CAMERA_LOST = "camera-lost"


@dataclass(frozen=True)
class ReplayFault:
    """A fault; each kind is a subclass of `LineFault` or `ImageFault` with its own behaviour."""

    name: ReplayFaultName
    """name on the command line"""
    description: str
    """what happens, in a few words"""
    expected_code: Code | None = None
    """code of the first reply, after which the retry under a new number has the recorded reply; None: the line itself
    has the recorded reply, however often it is sent"""

    @property
    def expectation(self) -> str:
        """The promise in words."""
        if self.expected_code is None:
            return "the recorded reply"
        return f"{self.expected_code}, then the recorded reply to the retry"

    def applies_to(self, line: RecordedLine) -> bool:
        """Whether the fault can be injected at ``line``."""
        return True


class LineTransport(Protocol):
    """The robot's side of the connection, as a `LineFault` uses it."""

    @property
    def link(self) -> RobotLink:
        """The current connection."""

    def reset_connection(self, line: RecordedLine, sent_bytes: int) -> None:
        """Break the connection after the first ``sent_bytes`` bytes of the line, and connect again."""


class LineFault(ReplayFault):
    """A fault of the line between robot and daemon."""

    def send(self, transport: LineTransport, line: RecordedLine) -> Iterator[Reply]:
        """Send ``line`` with the fault; the final replies to it, in order."""
        yield transport.link.exchange_until_final(line.text, line.seq)


class ImageFault(ReplayFault):
    """A fault of the camera while a line is in work. This class delivers every image unchanged."""

    restarts_camera: ClassVar[bool] = False
    """whether the camera restarts afterwards, with a new boot id"""

    def applies_to(self, line: RecordedLine) -> bool:
        """Whether an image is recorded for ``line``."""
        return line.image is not None

    def delivers(self, age_ns: int) -> bool:
        """Whether an image is sent ``age_ns`` after the line was."""
        return True

    def timestamp_ns(self, exposed_ns: int, line_ns: int) -> int:
        """The exposure time in the header of an image exposed at ``exposed_ns``, for a line sent at ``line_ns``."""
        return exposed_ns

    def payload(self, raw: bytes) -> bytes:
        """The pixels as sent."""
        return raw


class _Lost(LineFault):
    def send(self, transport: LineTransport, line: RecordedLine) -> Iterator[Reply]:
        time.sleep(_REPLY_TIMEOUT_S)
        yield from super().send(transport, line)


class _Delayed(LineFault):
    def send(self, transport: LineTransport, line: RecordedLine) -> Iterator[Reply]:
        time.sleep(_DELAY_S)
        yield from super().send(transport, line)


class _Duplicated(LineFault):
    def send(self, transport: LineTransport, line: RecordedLine) -> Iterator[Reply]:
        transport.link.send(2 * line.encoded, line.text)
        replies = [transport.link.reply(line.text) for _ in range(2)]
        for reply in replies:
            yield transport.link.await_final(reply, line.text, line.seq)


class _Coalesced(LineFault):
    def send(self, transport: LineTransport, line: RecordedLine) -> Iterator[Reply]:
        transport.link.send(b"status 0\n" + line.encoded, line.text)
        transport.link.reply("status 0")
        yield transport.link.await_final(transport.link.reply(line.text), line.text, line.seq)


class _Fragmented(LineFault):
    def send(self, transport: LineTransport, line: RecordedLine) -> Iterator[Reply]:
        data = line.encoded
        third = len(data) // 3
        for fragment in (data[:third], data[third : 2 * third], data[2 * third :]):
            time.sleep(_FRAGMENT_INTERVAL_S)
            transport.link.send(fragment, line.text)
        yield transport.link.await_final(transport.link.reply(line.text), line.text, line.seq)


class _ResetMidLine(LineFault):
    def send(self, transport: LineTransport, line: RecordedLine) -> Iterator[Reply]:
        transport.reset_connection(line, len(line.text) // 2)
        yield from super().send(transport, line)


class _ResetAfterLine(LineFault):
    def send(self, transport: LineTransport, line: RecordedLine) -> Iterator[Reply]:
        transport.reset_connection(line, len(line.encoded))
        yield from super().send(transport, line)


class _Dropped(ImageFault):
    def delivers(self, age_ns: int) -> bool:
        return age_ns >= _DROPPED_NS


class _Stale(ImageFault):
    def timestamp_ns(self, exposed_ns: int, line_ns: int) -> int:
        return line_ns


class _Truncated(ImageFault):
    def payload(self, raw: bytes) -> bytes:
        return raw[:-_TRUNCATED_BYTES]


class _CameraLost(ImageFault):
    restarts_camera = True

    def delivers(self, age_ns: int) -> bool:
        return False


STALE_IMAGE = _Stale(ReplayFaultName.STALE, "every image was exposed before the line", Code.NO_FRESH_FRAME)
LOST_CAMERA = _CameraLost(ReplayFaultName.CAMERA_LOST, "no images at all; then the camera restarts", Code.CAMERA_LOST)
_CATALOGUE: tuple[ReplayFault, ...] = (
    _Lost(ReplayFaultName.LOST, "the line is lost; the robot sends it again after 2 s"),
    _Delayed(ReplayFaultName.DELAYED, "the line arrives 1 s late"),
    _Duplicated(ReplayFaultName.DUPLICATED, "the line arrives twice"),
    _Coalesced(ReplayFaultName.COALESCED, "the line arrives in one segment with a 'status' before it"),
    _Fragmented(ReplayFaultName.FRAGMENTED, "the line arrives in three fragments, 0.2 s apart"),
    _ResetMidLine(
        ReplayFaultName.RESET_MID_LINE,
        "the connection breaks in the middle of the line; the robot reconnects after 1 s and sends it whole",
    ),
    _ResetAfterLine(
        ReplayFaultName.RESET_AFTER_LINE,
        "the connection breaks after the line; the robot reconnects after 1 s and repeats it",
    ),
    _Dropped(ReplayFaultName.DROPPED, "the images of the first 0.5 s are dropped"),
    STALE_IMAGE,
    _Truncated(ReplayFaultName.TRUNCATED, "the last bytes of every image are missing", Code.NO_FRESH_FRAME),
    LOST_CAMERA,
)
REPLAY_FAULTS: Mapping[ReplayFaultName, ReplayFault] = {fault.name: fault for fault in _CATALOGUE}
"""All faults by name."""


def injected_faults(specs: Sequence[str], lines: Sequence[RecordedLine]) -> dict[int, ReplayFault]:
    """The fault of each line, by line number.

    A specification is ``FAULT`` (every line that it applies to) or ``FAULT@LINE``. Raises InputFault ``replay-fault``.
    """
    injected: dict[int, ReplayFault] = {}
    for spec in specs:
        name, at, number = spec.partition("@")
        if name not in set(REPLAY_FAULTS):
            known = "".join(f"\n    {fault.name}: {fault.description}" for fault in REPLAY_FAULTS.values())
            raise _fault(f"'{name}' is not a fault of a replay", f"write one of{known}")
        fault = REPLAY_FAULTS[ReplayFaultName(name)]
        applicable = [line.number for line in lines if fault.applies_to(line)]
        if at and (not number.isdecimal() or int(number) not in applicable):
            raise _fault(
                f"'{spec}' does not name a line that the fault applies to",
                f"choose one of the lines {', '.join(map(str, applicable))}, or write {name} for all of them.",
            )
        for line in [int(number)] if at else applicable:
            if line in injected:
                raise _fault(f"two faults are injected at line {line}", "inject at most one fault at a line.")
            injected[line] = fault
    return injected


def _fault(message: str, remedy: str) -> InputFault:
    return InputFault("replay-fault", message, remedy)
