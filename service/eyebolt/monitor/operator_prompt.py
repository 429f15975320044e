"""The operator's next action: one word in big type, the state in a sentence, and the next step."""

from __future__ import annotations

from dataclasses import dataclass, replace

from eyebolt.monitor.text import Tone
from eyebolt.protocol import (
    AcceptanceStatus,
    Code,
    GuidancePhase,
    GuidanceStatus,
    LastReply,
    LinkStatus,
    Phase,
    ResultStatus,
    StatusMessage,
)

# The daemon publishes every 0.5 s. Five missed messages are more than a loaded computer delays them.
STALE_AFTER_S = 2.5
# Requests whose success keeps a pair; "": not stated.
KEEPING_VERBS = ("capture", "check", "")
# Lines that are well-formed, and still were not served.
_LINE_FAULTS = {
    Code.NOT_NOW: "The robot program sent a line that is not possible now.",
    Code.PEER_NOT_ALLOWED: "A robot program was turned away.",
    Code.SEQ_REUSED: "The robot program used a number twice.",
}


@dataclass(frozen=True)
class OperatorPrompt:
    """The prompt; no text is empty."""

    headline: str
    """One word for big type."""
    message: str
    """The state, one or two sentences."""
    remedy: str
    """The next step."""
    tone: Tone
    """Urgency."""


def is_stale(status_age_s: float) -> bool:
    """Whether the last status is too old to describe the present. True for NaN."""
    return not status_age_s <= STALE_AFTER_S


def operator_prompt_for(status: StatusMessage | None, status_age_s: float) -> OperatorPrompt:
    """The prompt for the newest status (None before the first one) of age ``status_age_s``, seconds."""
    if status is None or is_stale(status_age_s):
        return _no_daemon(status, status_age_s)
    # What ends the session comes before a lost connection, which then no longer matters.
    is_line_at_fault = status.last_reply is not None and status.last_reply.code.is_line_fault
    match status.phase:
        case Phase.STOPPED:
            return _stopped(status.last_reply, status.camera)
        case Phase.CLOSED if not is_line_at_fault:
            return _closed(status)
    if not status.camera.is_connected:
        return OperatorPrompt(
            "LOST",
            f"The camera delivers no images{_reason_suffix(status.camera.message)}.",
            "Check its cable and power. The pairs kept so far are safe.",
            Tone.BAD,
        )
    is_done = status.phase is Phase.GOAL_MET and (status.result is None or status.result.gap is None)
    if status.guidance is not None and (is_done or status.phase in (Phase.OPEN, Phase.WORKING)):
        return _guided(status, status.guidance)
    if status.phase is Phase.WORKING:
        return OperatorPrompt(
            "HOLD", "An image is being processed.", "Keep the arm and the board still. Wait.", Tone.WAIT
        )
    # A robot program that was answered so ends, and its connection with it.
    if status.last_reply is not None and is_line_at_fault:
        return _invalid_line(status.last_reply)
    if not status.robot.is_connected:
        return _no_robot(status)
    match status.phase:
        case Phase.GOAL_MET if status.result is not None and status.result.gap is not None:
            gap = status.result.gap
            message = f"No further waypoint helps, but the robot is not given the result: {gap.message}."
            return OperatorPrompt("OPEN", message, _sentence(gap.remedy), Tone.ACT)
        case Phase.GOAL_MET:
            return OperatorPrompt(
                "DONE",
                f"The goal is met: no more pairs are needed{_but(status)}.",
                "Let the robot program finish and solve.",
                Tone.WAIT if status.reservation else Tone.GOOD,
            )
        case Phase.IDLE:
            message = f"Ready. No session yet.{_accepted_gap(status)}"
            return OperatorPrompt("START", message, "Start the robot program.", Tone.ACT)
    return _prompt_after_reply(status.last_reply)


def _guided(status: StatusMessage, guidance: GuidanceStatus) -> OperatorPrompt:
    """The prompt of a session in which a hand guides the arm."""
    kept = f"{status.kept} kept."
    next_view = status.progress.next_view if status.progress is not None else None
    where = "Guide the arm to a new place, with the board in view, and hold it still there."
    if next_view is not None and next_view.pose is not None:
        where = _sentence(f"Guide the arm on: {next_view.message}")
    reason = _sentence(guidance.message)
    match guidance.phase:
        case GuidancePhase.NO_POSES:
            return OperatorPrompt(
                "POSES", "The robot sends no poses.", "Start the robot's guiding program, which streams them.", Tone.BAD
            )
        case GuidancePhase.NO_IMAGES:
            message = reason or "The camera delivers no images."
            return OperatorPrompt("LOST", message, "Check its cable and power.", Tone.BAD)
        case GuidancePhase.BOARD_NOT_IN_VIEW:
            return OperatorPrompt(
                "BOARD", "The board is not in view.", "Guide the arm until the camera sees the whole board.", Tone.WAIT
            )
        case GuidancePhase.HOLD_STILL:
            return OperatorPrompt(
                "HOLD", f"This place is new. {reason}".strip(), "Let the arm stand still until it is taken.", Tone.WAIT
            )
        case GuidancePhase.TAKING:
            return OperatorPrompt("NEXT", f"A pair is being taken. {kept}", where, Tone.GOOD)
        case GuidancePhase.PLACE_TAKEN:
            return OperatorPrompt("NEXT", f"This place is done. {kept} {reason}".strip(), where, Tone.ACT)
        case GuidancePhase.MOVE_ON:
            return OperatorPrompt("NEXT", f"{kept} {reason}".strip(), where, Tone.ACT)
    return OperatorPrompt(
        "DONE",
        f"The goal is met: no more pairs are needed{_but(status)}.",
        "Let go of the arm and finish the session.",
        Tone.WAIT if status.reservation else Tone.GOOD,
    )


def with_begin_key(prompt: OperatorPrompt, status: StatusMessage | None) -> OperatorPrompt:
    """The prompt where a key of the screen can begin a session: without one, the robot program is not the only way."""
    if status is None or (prompt.headline, status.phase) not in (("START", Phase.IDLE), ("END", Phase.CLOSED)):
        return prompt
    return replace(prompt, remedy="Start the robot program, or press b to begin a session.")


def _no_daemon(status: StatusMessage | None, status_age_s: float) -> OperatorPrompt:
    if status is None and not is_stale(status_age_s):
        return OperatorPrompt("WAIT", "Waiting for the daemon.", "Nothing to do yet.", Tone.WAIT)
    silence = f"{status_age_s:.0f} s" if 0 <= status_age_s < 1e6 else "a long time"
    outdated = "" if status is None else " The values below are out of date."
    return OperatorPrompt(
        "LOST",
        f"No status from the daemon for {silence}.{outdated}",
        "Start it on the cell's PC: eyebolt serve STATION. If it is running, check the address and the network.",
        Tone.BAD,
    )


def _no_robot(status: StatusMessage) -> OperatorPrompt:
    reason = _reason_suffix(status.robot.message)
    if status.phase is Phase.IDLE:
        message = f"Ready. The robot is offline{reason}.{_accepted_gap(status)}"
        return OperatorPrompt("START", message, "Start the robot program.", Tone.ACT)
    return OperatorPrompt(
        "LOST",
        f"The robot is offline{reason}.",
        "Start the robot program again. The session continues; the pairs kept so far are safe.",
        Tone.BAD,
    )


def _stopped(last_reply: LastReply | None, camera: LinkStatus) -> OperatorPrompt:
    if last_reply is not None and last_reply.code is Code.CAMERA_LOST and camera.is_connected:
        return OperatorPrompt(
            "START",
            "The camera was lost, and is back: captures work again.",
            "Start the robot program again. The session continues; the pairs kept so far are safe.",
            Tone.ACT,
        )
    message = last_reply.message if last_reply and last_reply.message else "The daemon cannot continue"
    remedy = last_reply.remedy if last_reply and last_reply.remedy else "call the engineer"
    remedy = _sentence(remedy.removeprefix("Stop. "))
    return OperatorPrompt("STOP", _sentence(message), f"End the robot program. {remedy}", Tone.BAD)


def _prompt_after_reply(last_reply: LastReply | None) -> OperatorPrompt:
    """The prompt of an open session, by the newest reply to the robot."""
    if last_reply is None:
        return OperatorPrompt("NEXT", "The session is open.", "Move to the first waypoint.", Tone.ACT)
    code, message, remedy = last_reply.code, _sentence(last_reply.message), _sentence(last_reply.remedy)
    if code.is_success:
        kept = "Kept." if code is Code.OK else f"Kept. {message}".strip()
        if last_reply.verb not in KEEPING_VERBS:
            kept = message or "Done."
        if last_reply.ended_stop is not None:
            kept = f"{kept} The stop before ({last_reply.ended_stop.message}) is over."
        next_step = remedy or "Move to the next waypoint."
        if last_reply.verb == "check" and _exceeds_limit(last_reply):
            return OperatorPrompt("CHECK", f"Kept, but {last_reply.message}.", next_step, Tone.BAD)
        return OperatorPrompt("NEXT", kept, next_step, Tone.GOOD if code is Code.OK else Tone.ACT)
    if not code.is_final:
        return OperatorPrompt("HOLD", message or "An image is being processed.", remedy or "Wait.", Tone.WAIT)
    if code.is_refusal:
        next_step = remedy or "Change the pose slightly and try again, or move to the next waypoint."
        return OperatorPrompt("RETRY", f"Not kept. {message}".strip(), next_step, Tone.WAIT)
    if code.is_stop:
        return _stopped(last_reply, LinkStatus(is_connected=False))
    return _invalid_line(last_reply)


def _exceeds_limit(last_reply: LastReply) -> bool:
    """Whether a check was kept although its measure, the distance from the accepted result, is above its limit."""
    measure = last_reply.measure
    if measure is None or measure.value is None or measure.limit is None:
        return False
    return last_reply.code is Code.OK and measure.value > measure.limit


def _invalid_line(last_reply: LastReply) -> OperatorPrompt:
    fault = _LINE_FAULTS.get(last_reply.code, "The robot program sent an invalid line.")
    return OperatorPrompt(
        "FIX",
        f"{fault} {_sentence(last_reply.message)}".strip(),
        _sentence(last_reply.remedy) or "Correct the robot program.",
        Tone.BAD,
    )


def _closed(status: StatusMessage) -> OperatorPrompt:
    if status.result is None:
        return OperatorPrompt(
            "END",
            "The session ended without a result.",
            "Start the robot program to begin a new session.",
            Tone.WAIT,
        )
    if status.is_accepted and status.result.acceptance.status is AcceptanceStatus.REJECT:
        reason = _reason_suffix(status.result.acceptance.reason)
        message = f"The result that is in use is rejected by a later solve{reason}."
        return OperatorPrompt("CALL", message, "Call the engineer.", Tone.BAD)
    if status.is_accepted:
        message = f"The result is accepted and in use{_but(status)}."
        if status.reservation:
            return OperatorPrompt("DONE", message, f"The engineer reads the findings: {_inspect(status)}", Tone.WAIT)
        return OperatorPrompt("DONE", message, "Nothing more to do.", Tone.GOOD)
    accepted = status.accepted_result
    if accepted is not None and accepted.gap is not None and accepted.session == status.session:
        return OperatorPrompt("CALL", _accepted_gap(status).strip(), _sentence(accepted.gap.remedy), Tone.BAD)
    if status.result.gap is not None:
        gap = status.result.gap
        message = f"The robot is not given the result: {gap.message}."
        return OperatorPrompt("CALL", message, _sentence(gap.remedy), Tone.WAIT)
    acceptance = status.result.acceptance
    reason = _reason_suffix(acceptance.reason)
    if acceptance.status is AcceptanceStatus.ACCEPT and status.reservation:
        # Green would pass a cell in which something gave way: whoever accepts it must have read what.
        return OperatorPrompt(
            "CALL",
            f"The result is within the tolerance{_but(status)}.",
            f"Call the engineer, who reads the findings before accepting: {_inspect(status)}",
            Tone.WAIT,
        )
    if acceptance.status is AcceptanceStatus.ACCEPT:
        return OperatorPrompt("ACCEPT", "The result is good but not in use yet.", accept_command(status), Tone.ACT)
    if acceptance.status is AcceptanceStatus.UNPROVEN:
        return OperatorPrompt("CALL", f"The result is unproven{reason}.", "Call the engineer.", Tone.WAIT)
    return OperatorPrompt("CALL", f"The result is rejected{reason}.", "Call the engineer.", Tone.BAD)


def _accepted_gap(status: StatusMessage) -> str:
    """Why the robot is not given the accepted result, as a sentence that follows another; empty if it is."""
    accepted = status.accepted_result
    if accepted is None or accepted.gap is None:
        return ""
    return f" The robot is not given the accepted result (36){_reason_suffix(accepted.gap.message)}."


def accept_command(status: StatusMessage) -> str:
    """The command with which the engineer takes the result into use."""
    return f"The engineer accepts it: eyebolt accept {status.session_folder or 'SESSION-FOLDER'} --by NAME"


def _inspect(status: StatusMessage) -> str:
    return f"eyebolt inspect {status.session_folder or 'SESSION-FOLDER'}"


def _but(status: StatusMessage) -> str:
    """What speaks against the result, as the end of a sentence."""
    return f", but {status.reservation.rstrip('.')}" if status.reservation else ""


def result_line(result: ResultStatus, is_accepted: bool) -> str:
    """Assessment and expected error of a result, and whether the station uses it."""
    error = "" if result.p95_upper_mm is None else f", error up to {result.p95_upper_mm:.2f} mm"
    use = "accepted, in use" if is_accepted else "not accepted, not in use"
    if result.gap is not None:
        # The stated error is that of the part that is known.
        error, use = f"{error} of what is known" if error else "", f"not given to the robot: {result.gap.message}"
    reason = f": {result.acceptance.reason}" if result.acceptance.reason else ""
    pairs = f", {result.used} of {result.used + result.excluded} pairs used" if result.excluded else ""
    return f"{result.acceptance.status}{error}{pairs}; {use}{reason}"


def _reason_suffix(reason: str) -> str:
    return f": {reason.rstrip('.')}" if reason else ""


def _sentence(text: str) -> str:
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")
