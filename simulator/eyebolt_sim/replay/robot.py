"""The robot of a replay: says the recorded lines, with the faults laid over them, and hears the answers."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from eyebolt.cameras import Pixels
from eyebolt.errors import InputFault
from eyebolt.protocol import MAX_SEQ
from eyebolt_sim.replay.camera import ReplayCamera
from eyebolt_sim.replay.daemon_target import PlayedAgainst
from eyebolt_sim.replay.line_faults import FAULTS, Fault
from eyebolt_sim.replay.recording import RecordedLine, RecordedSession, Told
from eyebolt_sim.robot_link import Answer

# The patience of common controllers (their default limit for a read is two seconds).
_PATIENCE_S = 2.0
_LATE_S = 1.0
_BETWEEN_PIECES_S = 0.2
_GONE_S = 1.0


@dataclass(frozen=True)
class Played:
    """A line once more. ``heard``: each final answer to it, in order; the last one is compared with the record.

    With a fault that is refused, ``heard`` is the refusal and then what the retry was told.
    """

    line: RecordedLine
    heard: tuple[Told, ...]
    fault: Fault | None = None

    @property
    def as_recorded(self) -> bool:
        """Whether the answers are those on record."""
        kept = self.heard[1:] if self.fault is not None and self.fault.refused_with is not None else self.heard
        return bool(kept) and all(told == self.line.told for told in kept)

    @property
    def as_promised(self) -> bool:
        """Whether the fault did what the contract says; true without one."""
        refused_with = None if self.fault is None else self.fault.refused_with
        return self.as_recorded and (refused_with is None or self.heard[0].code == refused_with)


class ReplayRobot:
    """Says ``hello`` and then every line of a session, each when its time has come and the one before is answered.

    ``speed``: times real time; infinity does not wait. ``laid``: faults by line number; ``say`` gets each line played.
    Raises InputFault ``sim-refused`` or ``replay-session-open``, MachineFault ``sim-no-daemon``.
    """

    def __init__(
        self,
        session: RecordedSession,
        against: PlayedAgainst,
        camera: ReplayCamera,
        speed: float,
        laid: Mapping[int, Fault],
        say: Callable[[Played], None],
    ) -> None:
        self._session = session
        self._against = against
        self._camera = camera
        self._speed = speed
        self._laid = laid
        self._say = say
        self._spare_seq = max(line.seq for line in session.lines)
        self._in_view: Pixels = np.zeros(session.inputs.terms.lens_size_px[::-1], np.uint8)

    def run(self) -> list[Played]:
        """Plays all lines."""
        first = next((line for line in self._session.lines if line.picture is not None), None)
        if first is not None:
            self._look_at(first)
        self._camera.show(self._in_view)
        self._link = self._against.connect()
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
                self._say(played[-1])
            # What follows the last answer is done before this is answered, if it is not much.
            self._link.ask("status 0")
            return played
        finally:
            self._link.close()

    def _hello(self) -> int:
        answer = self._link.ask("hello 0")
        if answer.code:
            raise InputFault(
                "sim-refused",
                f"the daemon answered {answer.code} to hello",
                "46: add this address to [robot] allow; others: the daemon's log says why.",
            )
        return answer.aux

    def _play(self, line: RecordedLine) -> Played:
        fault = self._laid.get(line.number)
        self._show(line, fault)
        says = self._HOW[fault.name] if fault is not None and not fault.of_camera else ReplayRobot._plainly
        heard = [_told(answer) for answer in says(self, line)]
        if fault is not None and fault.refused_with is not None and 20 <= heard[0].code < 40:
            self._camera.show(self._in_view)
            heard.append(_told(self._retried(line)))
        return Played(line, tuple(heard), fault)

    def _show(self, line: RecordedLine, fault: Fault | None) -> None:
        if not line.wants_picture:
            return
        if line.picture is None:
            # None came, on record: the camera was gone, or there and had nothing fresh.
            self._camera.show(self._in_view, FAULTS["camera-gone" if line.told.code == 30 else "stale"])
            return
        self._look_at(line)
        if line.told.code == 21 and line.shift_px is not None and fault is None:
            self._camera.show_moving(self._in_view, line.shift_px)
        else:
            self._camera.show(self._in_view, fault if fault is not None and fault.of_camera else None)

    def _look_at(self, line: RecordedLine) -> None:
        if line.picture is not None:
            self._in_view = self._session.folder.load_picture(line.picture["picture"])

    def _retried(self, line: RecordedLine) -> Answer:
        """What a robot program does with a refusal: the same under a number that was not used."""
        self._spare_seq = (self._spare_seq + 1) % (MAX_SEQ + 1)
        verb, _, *rest = line.text.split(" ")
        return self._link.final(" ".join([verb, str(self._spare_seq), *rest]), self._spare_seq)

    # The ways to say a line; each gives the final answers that came of it.

    def _plainly(self, line: RecordedLine) -> Iterator[Answer]:
        yield self._link.final(line.text, line.seq)

    def _lost(self, line: RecordedLine) -> Iterator[Answer]:
        time.sleep(_PATIENCE_S)
        return self._plainly(line)

    def _late(self, line: RecordedLine) -> Iterator[Answer]:
        time.sleep(_LATE_S)
        return self._plainly(line)

    def _doubled(self, line: RecordedLine) -> Iterator[Answer]:
        self._link.send(2 * (line.text.encode("ascii") + b"\n"), line.text)
        both = [self._link.reply(line.text) for _ in range(2)]
        for answer in both:
            yield self._link.settled(answer, line.text, line.seq)

    def _glued(self, line: RecordedLine) -> Iterator[Answer]:
        self._link.send(b"status 0\n" + line.text.encode("ascii") + b"\n", line.text)
        self._link.reply("status 0")
        yield self._link.settled(self._link.reply(line.text), line.text, line.seq)

    def _cut(self, line: RecordedLine) -> Iterator[Answer]:
        data = line.text.encode("ascii") + b"\n"
        third = len(data) // 3
        for piece in (data[:third], data[third : 2 * third], data[2 * third :]):
            time.sleep(_BETWEEN_PIECES_S)
            self._link.send(piece, line.text)
        yield self._link.settled(self._link.reply(line.text), line.text, line.seq)

    def _torn(self, line: RecordedLine) -> Iterator[Answer]:
        self._gone_behind(line, len(line.text) // 2)
        return self._plainly(line)

    def _robot_gone(self, line: RecordedLine) -> Iterator[Answer]:
        self._gone_behind(line, len(line.text) + 1)
        return self._plainly(line)

    def _gone_behind(self, line: RecordedLine, sent: int) -> None:
        """The cable is pulled behind so many bytes of the line; a while later the robot calls again."""
        # That closes nothing: the old connection stays half-open until the robot says hello on a new one.
        with contextlib.closing(self._link) as gone:
            gone.send((line.text.encode("ascii") + b"\n")[:sent], line.text)
            time.sleep(_GONE_S)
            if self._against.station.robot.listen is None:
                # A controller that is dialled has no other connection to offer.
                gone.close()
            self._link = self._against.connect()
            self._hello()

    _HOW: Mapping[str, Callable[[ReplayRobot, RecordedLine], Iterator[Answer]]] = {
        "lost": _lost,
        "late": _late,
        "doubled": _doubled,
        "glued": _glued,
        "cut": _cut,
        "torn": _torn,
        "robot-gone": _robot_gone,
    }


def _told(answer: Answer) -> Told:
    return Told(answer.code, answer.count, answer.aux)
