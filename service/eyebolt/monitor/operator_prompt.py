"""Whose turn it is: one big word, what it means, and what the operator does now."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from eyebolt.monitor.status_model import Last, Result, Status

# The daemon repeats its status every 0.5 s: after this long it is not there, or not reachable.
SILENT_AFTER_S = 2.5


class Tone(Enum):
    """How a row is meant. Colour only repeats what the words say already."""

    PLAIN = "plain"
    QUIET = "quiet"
    GOOD = "good"
    ACT = "act"
    WAIT = "wait"
    BAD = "bad"


@dataclass(frozen=True)
class Turn:
    """``word`` is spelled big, ``says`` is the state in a sentence, ``do`` the next step; each is never empty."""

    word: str
    says: str
    do: str
    tone: Tone


def is_silent(silent_s: float) -> bool:
    """Whether nothing has been heard for so long that what is known no longer holds."""
    return not silent_s <= SILENT_AFTER_S


def turn_of(status: Status | None, silent_s: float) -> Turn:
    """What the operator has to know first, from the newest status (None: none yet) and its age in seconds."""
    if status is None or is_silent(silent_s):
        return _no_daemon(status, silent_s)
    last = status.last
    if status.phase == "stopped":
        return _stopped(last)
    if status.phase == "closed":
        return _closed(status)
    if status.camera.alive is False:
        return Turn(
            "LOST",
            f"The camera gives no pictures{_because(status.camera.says)}.",
            "Check its cable and power. What was kept is safe.",
            Tone.BAD,
        )
    if status.phase == "working":
        return Turn("STILL", "A picture is being worked on.", "Do not touch the arm or the board. Wait.", Tone.WAIT)
    if status.robot.alive is False:
        return _no_robot(status)
    if status.phase == "goal-met":
        return Turn("DONE", "Enough pairs: the goal is met.", "Let the robot program finish and solve.", Tone.GOOD)
    if status.phase == "idle":
        return Turn("START", "Ready, no session yet.", "Start the robot program.", Tone.ACT)
    if status.phase == "open":
        return _after(last)
    return Turn(
        "WAIT",
        f"The daemon is in a state unknown here: {status.phase}.",
        "Use the eyebolt watch of the daemon's version.",
        Tone.WAIT,
    )


def _no_daemon(status: Status | None, silent_s: float) -> Turn:
    if status is None and not is_silent(silent_s):
        return Turn("WAIT", "Listening for the daemon.", "Nothing to do yet.", Tone.WAIT)
    silence = f"{silent_s:.0f} s" if 0 <= silent_s < 1e6 else "a long time"
    before = "" if status is None else " What you see below is old."
    return Turn(
        "LOST",
        f"No daemon heard for {silence}.{before}",
        "Start it on the cell's PC: eyebolt serve STATION. If it runs, check the address and the network.",
        Tone.BAD,
    )


def _no_robot(status: Status) -> Turn:
    if status.phase == "idle":
        return Turn(
            "START",
            f"Ready. No robot is connected{_because(status.robot.says)}.",
            "Start the robot program.",
            Tone.ACT,
        )
    return Turn(
        "LOST",
        f"The robot is not connected{_because(status.robot.says)}.",
        "Start the robot program once more: the session goes on, what was kept is safe.",
        Tone.BAD,
    )


def _stopped(last: Last | None) -> Turn:
    says = last.says if last and last.says else "The daemon cannot go on"
    advice = last.advice if last and last.advice else "call the engineer"
    return Turn("STOP", _sentence(says), f"End the robot program. {_sentence(advice)}", Tone.BAD)


def _after(last: Last | None) -> Turn:
    """The turn in an open session: it hangs on the newest answer to the robot."""
    on = "Go on to the next waypoint."
    if last is None:
        return Turn("NEXT", "The session is open.", "Go to the first waypoint.", Tone.ACT)
    says, advice = _sentence(last.says), _sentence(last.advice)
    if last.code < 10:
        kept = "Kept." if last.code == 0 else f"Kept. {says}".strip()
        return Turn("NEXT", kept, advice or on, Tone.GOOD if last.code == 0 else Tone.ACT)
    if last.code < 20:
        return Turn("STILL", says or "A picture is being worked on.", advice or "Wait.", Tone.WAIT)
    if last.code < 30:
        return Turn("RETRY", f"Not kept. {says}".strip(), advice or "Change the pose a little, or go on.", Tone.WAIT)
    if last.code < 40:
        return _stopped(last)
    return Turn(
        "FIX", f"The robot program's line is wrong. {says}".strip(), advice or "Mend the robot program.", Tone.BAD
    )


def _closed(status: Status) -> Turn:
    result = status.result
    if result is None:
        return Turn("END", "The session ended without a result.", "Start the robot program for a new one.", Tone.WAIT)
    if status.accepted:
        return Turn("DONE", "The result is accepted and in use.", "Nothing more to do.", Tone.GOOD)
    if result.verdict == "accept":
        return Turn("SIGN", "The result is good. It is not in use yet.", accept_command(status), Tone.ACT)
    if result.verdict == "unproven":
        return Turn("CALL", f"The result is not proven{_because(result.why)}.", "Call the engineer.", Tone.WAIT)
    return Turn("CALL", f"The result is no good{_because(result.why)}.", "Call the engineer.", Tone.BAD)


def accept_command(status: Status) -> str:
    """How the engineer takes a result into use, in words."""
    return f"The engineer accepts it: eyebolt accept {status.folder or 'SESSION-FOLDER'} --by NAME"


def standing(status: Status, result: Result) -> str:
    """Where a result stands: its verdict, its expected error and whether it is in use."""
    error = "" if result.p95_mm is None else f", expected error {result.p95_mm:.2f} mm"
    use = "accepted, in use" if status.accepted else "not accepted, not in use"
    why = f": {result.why}" if result.why else ""
    return f"{result.verdict}{error}; {use}{why}"


def _because(why: str) -> str:
    return f": {why.rstrip('.')}" if why else ""


def _sentence(text: str) -> str:
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")
