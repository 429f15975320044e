"""What can be laid over a replay, and what then holds by contract."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from eyebolt.errors import InputFault
from eyebolt_sim.replay.recording import RecordedLine


@dataclass(frozen=True)
class Fault:
    """``refused_with``: the code to be answered; the line's retry under a new number is then answered as recorded.

    None: the line itself is answered as recorded, however often it is asked.
    """

    name: str
    does: str
    of_camera: bool = False
    refused_with: int | None = None

    @property
    def promise(self) -> str:
        """What is to come of it, in words."""
        if self.refused_with is None:
            return "the answer as recorded"
        return f"{self.refused_with}, and the retry as recorded"


FAULTS: Mapping[str, Fault] = {
    fault.name: fault
    for fault in (
        Fault("lost", "the line never arrives; the robot sends it again after 2 s"),
        Fault("late", "the line arrives 1 s late"),
        Fault("doubled", "the line arrives twice"),
        Fault("glued", "the line arrives in one piece with a 'status' before it"),
        Fault("cut", "the line arrives in three pieces, 0.2 s apart"),
        Fault(
            "torn", "the cable is pulled in the middle of the line; 1 s later the robot calls again and sends it whole"
        ),
        Fault("robot-gone", "the cable is pulled behind the line; 1 s later the robot calls again and repeats it"),
        Fault("dropped", "the pictures of the first 0.5 s do not arrive", of_camera=True),
        Fault("stale", "every picture was exposed before the line", of_camera=True, refused_with=22),
        Fault("damaged", "of every picture the last bytes are missing", of_camera=True, refused_with=22),
        Fault("camera-gone", "no picture at all; then the camera starts anew", of_camera=True, refused_with=30),
    )
}


def laid_over(wishes: Sequence[str], lines: Sequence[RecordedLine]) -> dict[int, Fault]:
    """The fault of each line, by its number. A wish is ``FAULT`` (every line it suits) or ``FAULT@LINE``.

    A fault of the camera suits lines with a picture on record. Raises InputFault ``replay-fault``.
    """
    laid: dict[int, Fault] = {}
    for wish in wishes:
        name, at, number = wish.partition("@")
        if name not in FAULTS:
            raise _fault(f"'{name}' is no fault that can be laid over a replay", f"take one of: {', '.join(FAULTS)}.")
        fault = FAULTS[name]
        suited = [line.number for line in lines if line.picture is not None or not fault.of_camera]
        if at and (not number.isdecimal() or int(number) not in suited):
            raise _fault(
                f"'{wish}' names no line that it can be laid over",
                f"take one of the lines {', '.join(map(str, suited))}, or write {name} for all of them.",
            )
        for line in [int(number)] if at else suited:
            if line in laid:
                raise _fault(f"two faults are laid over line {line}", "lay one at a time over a line.")
            laid[line] = fault
    return laid


def _fault(says: str, remedy: str) -> InputFault:
    return InputFault("replay-fault", says, remedy)
