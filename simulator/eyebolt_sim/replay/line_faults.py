"""What can be laid over a replay, and what then holds by contract."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from eyebolt.errors import InputFault
from eyebolt.protocol import Code
from eyebolt_sim.replay.recording import RecordedLine


@dataclass(frozen=True)
class ReplayFault:
    """``expected_code``: the code to be answered; the line's retry under a new number is then answered as recorded.

    None: the line itself is answered as recorded, however often it is asked.
    """

    name: str
    description: str
    is_camera_fault: bool = False
    expected_code: Code | None = None

    @property
    def expectation(self) -> str:
        """What is to come of it, in words."""
        if self.expected_code is None:
            return "the answer as recorded"
        return f"{self.expected_code}, and the retry as recorded"


FAULTS: Mapping[str, ReplayFault] = {
    fault.name: fault
    for fault in (
        ReplayFault("lost", "the line never arrives; the robot sends it again after 2 s"),
        ReplayFault("delayed", "the line arrives 1 s late"),
        ReplayFault("duplicated", "the line arrives twice"),
        ReplayFault("coalesced", "the line arrives in one piece with a 'status' before it"),
        ReplayFault("fragmented", "the line arrives in three pieces, 0.2 s apart"),
        ReplayFault(
            "reset-mid-line",
            "the cable is pulled in the middle of the line; 1 s later the robot calls again and sends it whole",
        ),
        ReplayFault(
            "reset-after-line", "the cable is pulled behind the line; 1 s later the robot calls again and repeats it"
        ),
        ReplayFault("dropped", "the pictures of the first 0.5 s do not arrive", is_camera_fault=True),
        ReplayFault(
            "stale",
            "every picture was exposed before the line",
            is_camera_fault=True,
            expected_code=Code.NO_FRESH_FRAME,
        ),
        ReplayFault(
            "truncated",
            "of every picture the last bytes are missing",
            is_camera_fault=True,
            expected_code=Code.NO_FRESH_FRAME,
        ),
        ReplayFault(
            "camera-lost",
            "no picture at all; then the camera starts anew",
            is_camera_fault=True,
            expected_code=Code.CAMERA_LOST,
        ),
    )
}


def injected_faults(specs: Sequence[str], lines: Sequence[RecordedLine]) -> dict[int, ReplayFault]:
    """The fault of each line, by its number. A wish is ``EXIT_FAULT`` (every line it suits) or ``EXIT_FAULT@LINE``.

    A fault of the camera suits lines with a picture on record. Raises InputFault ``replay-fault``.
    """
    injected: dict[int, ReplayFault] = {}
    for spec in specs:
        name, at, number = spec.partition("@")
        if name not in FAULTS:
            raise _fault(f"'{name}' is no fault that can be laid over a replay", f"take one of: {', '.join(FAULTS)}.")
        fault = FAULTS[name]
        applicable = [line.number for line in lines if line.picture is not None or not fault.is_camera_fault]
        if at and (not number.isdecimal() or int(number) not in applicable):
            raise _fault(
                f"'{spec}' names no line that it can be laid over",
                f"take one of the lines {', '.join(map(str, applicable))}, or write {name} for all of them.",
            )
        for line in [int(number)] if at else applicable:
            if line in injected:
                raise _fault(f"two faults are laid over line {line}", "lay one at a time over a line.")
            injected[line] = fault
    return injected


def _fault(message: str, remedy: str) -> InputFault:
    return InputFault("replay-fault", message, remedy)
