"""The robot of a replay: says the recorded lines, with the faults laid over them, and hears the answers."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from eyebolt.cameras import Pixels
from eyebolt.errors import InputFault
from eyebolt.protocol import MAX_SEQ, Code
from eyebolt_sim.replay.camera import ReplayCamera
from eyebolt_sim.replay.daemon_target import ReplayTarget
from eyebolt_sim.replay.line_faults import FAULTS, ReplayFault
from eyebolt_sim.replay.recording import RecordedLine, RecordedReply, RecordedSession
from eyebolt_sim.robot_link import Reply

# The patience of common controllers (their default limit for a read is two seconds).
_REPLY_TIMEOUT_S = 2.0
_LATE_S = 1.0
_BETWEEN_PIECES_S = 0.2
_RECONNECT_AFTER_S = 1.0


@dataclass(frozen=True)
class Played:
    """A line once more. ``replies``: each final answer to it, in order; the last one is compared with the record.

    With a fault that is refused, ``replies`` is the refusal and then what the retry was told.
    """

    line: RecordedLine
    replies: tuple[RecordedReply, ...]
    fault: ReplayFault | None = None

    @property
    def matches_recording(self) -> bool:
        """Whether the answers are those on record."""
        final_replies = (
            self.replies[1:] if self.fault is not None and self.fault.expected_code is not None else self.replies
        )
        return bool(final_replies) and all(reply == self.line.reply for reply in final_replies)

    @property
    def as_expected(self) -> bool:
        """Whether the fault did what the contract says; true without one."""
        expected_code = None if self.fault is None else self.fault.expected_code
        return self.matches_recording and (expected_code is None or self.replies[0].code == expected_code)


class ReplayRobot:
    """Says ``hello`` and then every line of a session, each when its time has come and the one before is answered.

    ``speed``: times real time; infinity does not wait. ``injected``: faults by line number; ``on_played`` gets each line played.
    Raises InputFault ``sim-refused`` or ``replay-session-open``, MachineFault ``sim-no-daemon``.
    """

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
        self._unused_seq = max(line.seq for line in session.lines)
        self._visible_pixels: Pixels = np.zeros(session.context.session_config.lens_size_px[::-1], np.uint8)

    def run(self) -> list[Played]:
        """Plays all lines."""
        first = next((line for line in self._session.lines if line.picture is not None), None)
        if first is not None:
            self._load_view(first)
        self._camera.show(self._visible_pixels)
        self._link = self._target.connect()
        try:
            last_seq = self._hello()
            if last_seq and self._session.lines[0].verb != "begin":
                raise InputFault(
                    "replay-session-open",
                    f"the daemon has a session open (last number {last_seq}), and this record does not say begin",
                    f"send it 'bye {last_seq + 1}' first, or leave --station out: a daemon is started then.",
                )
            played = []
            begun_s = time.monotonic()
            for line in self._session.lines:
                time.sleep(max(0.0, begun_s + line.at_s / self._speed - time.monotonic()))
                played.append(self._play(line))
                self._on_played(played[-1])
            # What follows the last answer is done before this is answered, if it is not much.
            self._link.exchange("status 0")
            return played
        finally:
            self._link.close()

    def _hello(self) -> int:
        answer = self._link.exchange("hello 0")
        if answer.code is not Code.OK:
            raise InputFault(
                "sim-refused",
                f"the daemon answered {answer.code} to hello",
                "46: add this address to [robot] allow; others: the daemon's log says why.",
            )
        return answer.aux

    def _play(self, line: RecordedLine) -> Played:
        fault = self._injected.get(line.number)
        self._show(line, fault)
        send_line = (
            self._SENDERS[fault.name] if fault is not None and not fault.is_camera_fault else ReplayRobot._send_plain
        )
        replies = [_recorded_reply(answer) for answer in send_line(self, line)]
        if (
            fault is not None
            and fault.expected_code is not None
            and (replies[0].code.is_refusal or replies[0].code.is_stop)
        ):
            self._camera.show(self._visible_pixels)
            replies.append(_recorded_reply(self._retry(line)))
        return Played(line, tuple(replies), fault)

    def _show(self, line: RecordedLine, fault: ReplayFault | None) -> None:
        if not line.wants_picture:
            return
        if line.picture is None:
            # None came, on record: the camera was gone, or there and had nothing fresh.
            self._camera.show(
                self._visible_pixels, FAULTS["camera-lost" if line.reply.code is Code.CAMERA_LOST else "stale"]
            )
            return
        self._load_view(line)
        if line.reply.code is Code.MOVING and line.shift_px is not None and fault is None:
            self._camera.show_moving(self._visible_pixels, line.shift_px)
        else:
            self._camera.show(self._visible_pixels, fault if fault is not None and fault.is_camera_fault else None)

    def _load_view(self, line: RecordedLine) -> None:
        if line.picture is not None:
            self._visible_pixels = self._session.folder.load_image(line.picture.file)

    def _retry(self, line: RecordedLine) -> Reply:
        """What a robot program does with a refusal: the same under a number that was not used."""
        self._unused_seq = (self._unused_seq + 1) % (MAX_SEQ + 1)
        verb, _, *rest = line.text.split(" ")
        return self._link.exchange_until_final(" ".join([verb, str(self._unused_seq), *rest]), self._unused_seq)

    # The ways to say a line; each gives the final answers that came of it.

    def _send_plain(self, line: RecordedLine) -> Iterator[Reply]:
        yield self._link.exchange_until_final(line.text, line.seq)

    def _send_lost(self, line: RecordedLine) -> Iterator[Reply]:
        time.sleep(_REPLY_TIMEOUT_S)
        return self._send_plain(line)

    def _send_delayed(self, line: RecordedLine) -> Iterator[Reply]:
        time.sleep(_LATE_S)
        return self._send_plain(line)

    def _send_duplicated(self, line: RecordedLine) -> Iterator[Reply]:
        self._link.send(2 * (line.text.encode("ascii") + b"\n"), line.text)
        pair = [self._link.reply(line.text) for _ in range(2)]
        for answer in pair:
            yield self._link.await_final(answer, line.text, line.seq)

    def _send_coalesced(self, line: RecordedLine) -> Iterator[Reply]:
        self._link.send(b"status 0\n" + line.text.encode("ascii") + b"\n", line.text)
        self._link.reply("status 0")
        yield self._link.await_final(self._link.reply(line.text), line.text, line.seq)

    def _send_fragmented(self, line: RecordedLine) -> Iterator[Reply]:
        data = line.text.encode("ascii") + b"\n"
        third = len(data) // 3
        for piece in (data[:third], data[third : 2 * third], data[2 * third :]):
            time.sleep(_BETWEEN_PIECES_S)
            self._link.send(piece, line.text)
        yield self._link.await_final(self._link.reply(line.text), line.text, line.seq)

    def _send_reset_mid_line(self, line: RecordedLine) -> Iterator[Reply]:
        self._reset_after(line, len(line.text) // 2)
        return self._send_plain(line)

    def _send_reset_after_line(self, line: RecordedLine) -> Iterator[Reply]:
        self._reset_after(line, len(line.text) + 1)
        return self._send_plain(line)

    def _reset_after(self, line: RecordedLine, sent: int) -> None:
        """The cable is pulled behind so many bytes of the line; a while later the robot calls again."""
        # That closes nothing: the old connection stays half-open until the robot says hello on a new one.
        with contextlib.closing(self._link) as gone:
            gone.send((line.text.encode("ascii") + b"\n")[:sent], line.text)
            time.sleep(_RECONNECT_AFTER_S)
            if self._target.station.robot.listen is None:
                # A controller that is dialled has no other connection to offer.
                gone.close()
            self._link = self._target.connect()
            self._hello()

    _SENDERS: Mapping[str, Callable[[ReplayRobot, RecordedLine], Iterator[Reply]]] = {
        "lost": _send_lost,
        "delayed": _send_delayed,
        "duplicated": _send_duplicated,
        "coalesced": _send_coalesced,
        "fragmented": _send_fragmented,
        "reset-mid-line": _send_reset_mid_line,
        "reset-after-line": _send_reset_after_line,
    }


def _recorded_reply(answer: Reply) -> RecordedReply:
    return RecordedReply(answer.code, answer.count, answer.aux)
