"""The robot of a replay: sends the recorded lines, with injected faults, and collects the replies."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from eyebolt.cameras import Pixels
from eyebolt.errors import InputFault
from eyebolt.protocol import MAX_SEQ, Code
from eyebolt_sim.replay.camera import ReplayCamera
from eyebolt_sim.replay.daemon_target import ReplayTarget
from eyebolt_sim.replay.faults import LOST_CAMERA, STALE_IMAGE, ImageFault, LineFault, ReplayFault
from eyebolt_sim.replay.recording import RecordedLine, RecordedReply, RecordedSession
from eyebolt_sim.robot_link import Reply, RobotLink

_RECONNECT_AFTER_S = 1.0


@dataclass(frozen=True)
class Played:
    """A replayed line."""

    line: RecordedLine
    """the recorded line"""
    replies: tuple[RecordedReply, ...]
    """the final replies, in order; under a fault with an expected code the first is that refusal, the second the reply
    to the retry"""
    fault: ReplayFault | None = None
    """injected fault"""

    @property
    def matches_recording(self) -> bool:
        """Whether every reply but an expected refusal is the recorded one."""
        has_refusal = self.fault is not None and self.fault.expected_code is not None
        replies = self.replies[1:] if has_refusal else self.replies
        return bool(replies) and all(reply == self.line.reply for reply in replies)

    @property
    def as_expected(self) -> bool:
        """Whether the replies match the recording and, under a fault, the promise."""
        expected_code = None if self.fault is None else self.fault.expected_code
        return self.matches_recording and (expected_code is None or self.replies[0].code == expected_code)


class ReplayRobot:
    """Sends ``hello`` and then each line of a session, when it is due and the line before has its reply.

    ``speed`` is a multiple of real time; infinity does not wait. ``injected`` maps line numbers to faults;
    ``on_played`` receives each line with its replies.
    Raises InputFault ``sim-refused`` or ``replay-session-open``, MachineFault ``sim-no-daemon``.
    """

    link: RobotLink
    """the current connection"""

    def __init__(
        self,
        session: RecordedSession,
        target: ReplayTarget,
        camera: ReplayCamera,
        speed: float,
        injected: Mapping[int, ReplayFault],
        on_played: Callable[[Played], None],
    ) -> None:
        self._session = session
        self._target = target
        self._camera = camera
        self._speed = speed
        self._injected = injected
        self._on_played = on_played
        self._last_seq = max(line.seq for line in session.lines)
        self._visible_pixels: Pixels = np.zeros(session.context.session_config.lens_size_px[::-1], np.uint8)

    def run(self) -> list[Played]:
        """Replays all lines."""
        first = next((line for line in self._session.lines if line.image is not None), None)
        if first is not None:
            self._load_image(first)
        self._camera.show(self._visible_pixels)
        self.link = self._target.connect()
        try:
            last_seq = self._hello()
            if last_seq and self._session.lines[0].verb != "begin":
                raise InputFault(
                    "replay-session-open",
                    f"the daemon has an open session (last number {last_seq}), and the record lacks its begin",
                    f"send 'bye {last_seq + 1}' to the daemon first, or omit --station to start a new one.",
                )
            played = []
            start_s = time.monotonic()
            for line in self._session.lines:
                time.sleep(max(0.0, start_s + line.at_s / self._speed - time.monotonic()))
                played.append(self._play(line))
                self._on_played(played[-1])
            # The daemon replies to this after the short work that follows its last reply.
            self.link.exchange("status 0")
            return played
        finally:
            self.link.close()

    def reset_connection(self, line: RecordedLine, sent_bytes: int) -> None:
        """Break the connection after the first ``sent_bytes`` bytes of the line, and connect again after 1 s.

        The old connection stays half-open, as after a pulled cable, until the robot has said hello on the new one.
        """
        with contextlib.closing(self.link) as broken:
            broken.send(line.encoded[:sent_bytes], line.text)
            time.sleep(_RECONNECT_AFTER_S)
            if self._target.station.robot.listen is None:
                # A controller that the daemon dials accepts one connection at a time.
                broken.close()
            self.link = self._target.connect()
            self._hello()

    def _hello(self) -> int:
        """Say hello; the last sequence number of an open session, 0 without one."""
        reply = self.link.exchange("hello 0")
        if reply.code is not Code.OK:
            raise InputFault(
                "sim-refused",
                f"the daemon rejects hello with {reply.code}: {reply.code.message}",
                reply.code.remedy,
            )
        return reply.aux

    def _play(self, line: RecordedLine) -> Played:
        fault = self._injected.get(line.number)
        self._show(line, fault)
        if isinstance(fault, LineFault):
            replies = [_recorded_reply(reply) for reply in fault.send(self, line)]
        else:
            replies = [_recorded_reply(self.link.exchange_until_final(line.text, line.seq))]
        is_refused = replies[0].code.is_refusal or replies[0].code.is_stop
        if fault is not None and fault.expected_code is not None and is_refused:
            self._camera.show(self._visible_pixels)
            replies.append(_recorded_reply(self._retry(line)))
        return Played(line, tuple(replies), fault)

    def _show(self, line: RecordedLine, fault: ReplayFault | None) -> None:
        if not line.needs_image:
            return
        if line.image is None:
            # No image is recorded: the camera was lost, had no fresh image, or one of the wrong size.
            if line.reply.code is Code.BOARD_OR_LENS_MISMATCH:
                self._camera.show(np.zeros((1, 1), np.uint8))
                return
            self._camera.show(self._visible_pixels, LOST_CAMERA if line.reply.code is Code.CAMERA_LOST else STALE_IMAGE)
            return
        self._load_image(line)
        if line.reply.code is Code.MOVING and line.shift_px is not None and fault is None:
            self._camera.show_moving(self._visible_pixels, line.shift_px)
        else:
            self._camera.show(self._visible_pixels, fault if isinstance(fault, ImageFault) else None)

    def _load_image(self, line: RecordedLine) -> None:
        if line.image is not None:
            self._visible_pixels = self._session.folder.load_image(line.image.file)

    def _retry(self, line: RecordedLine) -> Reply:
        """Send the request again under an unused number, as a robot program does after a refusal."""
        self._last_seq = (self._last_seq + 1) % (MAX_SEQ + 1)
        verb, _, *arguments = line.text.split(" ")
        return self.link.exchange_until_final(" ".join([verb, str(self._last_seq), *arguments]), self._last_seq)


def _recorded_reply(reply: Reply) -> RecordedReply:
    return RecordedReply(reply.code, reply.count, reply.aux)
