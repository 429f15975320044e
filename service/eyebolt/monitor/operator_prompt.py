"""Whose turn it is: one big word, what it means, and what the operator does now."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from eyebolt.monitor.status_model import LastReply, ResultSummary, Status
from eyebolt.protocol import Code

# The daemon repeats its status every 0.5 s: after this long it is not there, or not reachable.
STALE_AFTER_S = 2.5


class Tone(Enum):
    """How a row is meant. Colour only repeats what the words say already."""

    PLAIN = "plain"
    QUIET = "quiet"
    GOOD = "good"
    ACT = "act"
    WAIT = "wait"
    BAD = "bad"


@dataclass(frozen=True)
class OperatorPrompt:
    """``headline`` is spelled big, ``message`` is the state in a sentence, ``remedy`` the next step; each is never empty."""

    headline: str
    message: str
    remedy: str
    tone: Tone


def is_stale(status_age_s: float) -> bool:
    """Whether nothing has been heard for so long that what is known no longer holds."""
    return not status_age_s <= STALE_AFTER_S


def operator_prompt_for(status: Status | None, status_age_s: float) -> OperatorPrompt:
    """What the operator has to know first, from the newest status (None: none yet) and its age in seconds."""
    if status is None or is_stale(status_age_s):
        return _no_daemon(status, status_age_s)
    last = status.last
    if status.phase == "stopped":
        return _stopped(last)
    if status.phase == "closed":
        return _closed(status)
    if status.camera.alive is False:
        return OperatorPrompt(
            "LOST",
            f"The camera gives no pictures{_reason_suffix(status.camera.message)}.",
            "Check its cable and power. What was kept is safe.",
            Tone.BAD,
        )
    if status.phase == "working":
        return OperatorPrompt(
            "STILL", "A picture is being worked on.", "Do not touch the arm or the board. Wait.", Tone.WAIT
        )
    if status.robot.alive is False:
        return _no_robot(status)
    if status.phase == "goal-met":
        return OperatorPrompt(
            "DONE", "Enough pairs: the goal is met.", "Let the robot program finish and solve.", Tone.GOOD
        )
    if status.phase == "idle":
        return OperatorPrompt("START", "Ready, no session yet.", "Start the robot program.", Tone.ACT)
    if status.phase == "open":
        return _prompt_after_reply(last)
    return OperatorPrompt(
        "WAIT",
        f"The daemon is in a state unknown here: {status.phase}.",
        "Use the eyebolt watch of the daemon's version.",
        Tone.WAIT,
    )


def _no_daemon(status: Status | None, status_age_s: float) -> OperatorPrompt:
    if status is None and not is_stale(status_age_s):
        return OperatorPrompt("WAIT", "Listening for the daemon.", "Nothing to do yet.", Tone.WAIT)
    silence = f"{status_age_s:.0f} s" if 0 <= status_age_s < 1e6 else "a long time"
    before = "" if status is None else " What you see below is old."
    return OperatorPrompt(
        "LOST",
        f"No daemon heard for {silence}.{before}",
        "Start it on the cell's PC: eyebolt serve STATION. If it runs, check the address and the network.",
        Tone.BAD,
    )


def _no_robot(status: Status) -> OperatorPrompt:
    if status.phase == "idle":
        return OperatorPrompt(
            "START",
            f"Ready. No robot is connected{_reason_suffix(status.robot.message)}.",
            "Start the robot program.",
            Tone.ACT,
        )
    return OperatorPrompt(
        "LOST",
        f"The robot is not connected{_reason_suffix(status.robot.message)}.",
        "Start the robot program once more: the session goes on, what was kept is safe.",
        Tone.BAD,
    )


def _stopped(last: LastReply | None) -> OperatorPrompt:
    message = last.message if last and last.message else "The daemon cannot go on"
    remedy = last.remedy if last and last.remedy else "call the engineer"
    return OperatorPrompt("STOP", _sentence(message), f"End the robot program. {_sentence(remedy)}", Tone.BAD)


def _prompt_after_reply(last: LastReply | None) -> OperatorPrompt:
    """The turn in an open session: it hangs on the newest answer to the robot."""
    on = "Go on to the next waypoint."
    if last is None:
        return OperatorPrompt("NEXT", "The session is open.", "Go to the first waypoint.", Tone.ACT)
    message, remedy = _sentence(last.message), _sentence(last.remedy)
    if last.code.is_success:
        kept = "Kept." if last.code is Code.OK else f"Kept. {message}".strip()
        return OperatorPrompt("NEXT", kept, remedy or on, Tone.GOOD if last.code is Code.OK else Tone.ACT)
    if not last.code.is_final:
        return OperatorPrompt("STILL", message or "A picture is being worked on.", remedy or "Wait.", Tone.WAIT)
    if last.code.is_refusal:
        return OperatorPrompt(
            "RETRY", f"Not kept. {message}".strip(), remedy or "Change the pose a little, or go on.", Tone.WAIT
        )
    if last.code.is_stop:
        return _stopped(last)
    return OperatorPrompt(
        "FIX", f"The robot program's line is wrong. {message}".strip(), remedy or "Mend the robot program.", Tone.BAD
    )


def _closed(status: Status) -> OperatorPrompt:
    result = status.result
    if result is None:
        return OperatorPrompt(
            "END", "The session ended without a result.", "Start the robot program for a new one.", Tone.WAIT
        )
    if status.accepted:
        return OperatorPrompt("DONE", "The result is accepted and in use.", "Nothing more to do.", Tone.GOOD)
    if result.acceptance == "accept":
        return OperatorPrompt("SIGN", "The result is good. It is not in use yet.", accept_command(status), Tone.ACT)
    if result.acceptance == "unproven":
        return OperatorPrompt(
            "CALL", f"The result is not proven{_reason_suffix(result.reason)}.", "Call the engineer.", Tone.WAIT
        )
    return OperatorPrompt(
        "CALL", f"The result is no good{_reason_suffix(result.reason)}.", "Call the engineer.", Tone.BAD
    )


def accept_command(status: Status) -> str:
    """How the engineer takes a result into use, in words."""
    return f"The engineer accepts it: eyebolt accept {status.folder or 'SESSION-FOLDER'} --by NAME"


def result_line(status: Status, result: ResultSummary) -> str:
    """Where a result stands: its verdict, its expected error and whether it is in use."""
    error = "" if result.p95_mm is None else f", expected error {result.p95_mm:.2f} mm"
    use = "accepted, in use" if status.accepted else "not accepted, not in use"
    reason = f": {result.reason}" if result.reason else ""
    return f"{result.acceptance}{error}; {use}{reason}"


def _reason_suffix(reason: str) -> str:
    return f": {reason.rstrip('.')}" if reason else ""


def _sentence(text: str) -> str:
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")
