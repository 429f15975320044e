"""What the operator does now: the one place for these sentences, of the terminal's screen and of the page. Pure.

``operator_prompt_for`` gives the prompt for a status message, ``how_far`` the way that is still to go. Sentences are
for the operator; figures for the engineer stand elsewhere on the screen: of a finding, which has the form "what is
wrong: the figures that show it", the prompt gives the first half.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from enum import Enum

from eyebolt.protocol import (
    AcceptanceStatus,
    Code,
    GuidancePhase,
    GuidanceStatus,
    LastReply,
    LinkStatus,
    LiveProof,
    Phase,
    StatusMessage,
    ViewMessage,
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
# Refusals after which the same place again helps nothing.
_PLACE_REFUSED = (Code.DUPLICATE_POSE, Code.OUTLIER)
# Findings after which the pairs to come are refused as well, until somebody has fastened what moved.
_LOOSE_PARTS = {"board-moved": "board", "camera-moved": "camera"}
# A robot that is not connected has no other reason.
_PLAIN_OFFLINE = "not connected"


class Tone(Enum):
    """Urgency of a text. Colour only repeats what the words state: it must not be needed."""

    PLAIN = "plain"
    QUIET = "quiet"
    GOOD = "good"
    ACT = "act"
    WAIT = "wait"
    BAD = "bad"


@dataclass(frozen=True)
class OperatorPrompt:
    """The prompt; no text but ``command`` is empty."""

    headline: str
    """One word for big type."""
    message: str
    """The state, one or two sentences."""
    remedy: str
    """The next step."""
    tone: Tone
    """Urgency."""
    command: str = ""
    """Command to copy, with which the remedy is carried out; empty where it needs none."""

    @property
    def rank(self) -> int:
        """Order among several stations, 0 first: faults, what the engineer or operator must decide, the usual, good."""
        if self.headline in ("HOLD", "WAIT"):
            return 3
        if self.headline in ("CALL", "ACCEPT", "OPEN", "LOOSE"):
            return min(_TONE_RANKS[self.tone], 1)
        return _TONE_RANKS[self.tone]

    @property
    def symbol(self) -> str:
        """Two ASCII characters for the rank, so that colour is not needed."""
        return ("!!", "! ", "> ", "..", "ok")[self.rank]


_TONE_RANKS = {Tone.BAD: 0, Tone.WAIT: 1, Tone.ACT: 2, Tone.PLAIN: 3, Tone.QUIET: 3, Tone.GOOD: 4}


def is_stale(status_age_s: float) -> bool:
    """Whether the last status is too old to describe the present. True for NaN."""
    return not status_age_s <= STALE_AFTER_S


def is_other_station(status: StatusMessage | None, expected_station: str | None) -> bool:
    """Whether the status is that of another station than the expected one, whose values it must not be taken for."""
    return status is not None and expected_station is not None and status.station != expected_station


def needs_robot(status: StatusMessage) -> bool:
    """Whether a session is under way, in which a robot that is offline is a fault."""
    return status.phase in (Phase.OPEN, Phase.WORKING, Phase.GOAL_MET)


def remark(status: StatusMessage | None, note: str) -> str:
    """``note``, the subscription's own remark, or else that the daemon's log is incomplete; empty if neither."""
    if note or status is None or not status.log_lines_lost:
        return note
    return f"the daemon's log cannot be written: {status.log_lines_lost} lines are lost"


def operator_prompt_for(
    status: StatusMessage | None, status_age_s: float, expected_station: str | None = None
) -> OperatorPrompt:
    """The prompt for the newest status (None before the first one) of age ``status_age_s``, seconds.

    ``expected_station``: name in the station file whose address is listened to; None where only an address was given.
    """
    if status is None or is_stale(status_age_s):
        return _no_daemon(status, status_age_s)
    if is_other_station(status, expected_station):
        return OperatorPrompt(
            "OTHER",
            f"Another station answers at this address: {status.station}, not {expected_station}.",
            f"Start the daemon of {expected_station}. On one PC, each needs its own [station] status address.",
            Tone.BAD,
        )
    # What ends the session comes before a lost connection, which then no longer matters.
    is_line_at_fault = status.last_reply is not None and status.last_reply.code.is_line_fault
    match status.phase:
        case Phase.STOPPED:
            return _stopped(status, status.camera)
        case Phase.CLOSED if not is_line_at_fault:
            return _closed(status)
    if not status.camera.is_connected:
        what = "cannot be used" if status.camera.remedy else "delivers no images"
        return OperatorPrompt(
            "CAMERA",
            f"The camera {what}{_reason_suffix(status.camera.message)}.",
            f"{sentence(status.camera.remedy) or 'Check its cable and power.'} The pairs kept so far are safe.",
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
            message = f"Enough pairs, but the robot is not given the result yet: {gap.message}."
            return OperatorPrompt("OPEN", message, sentence(gap.remedy), Tone.ACT)
        case Phase.GOAL_MET:
            return OperatorPrompt(
                "DONE",
                f"The goal is met: no more pairs are needed{_but(status)}.",
                "Let the robot program finish and solve.",
                Tone.WAIT if status.reservation else Tone.GOOD,
            )
        case Phase.IDLE:
            message = f"Ready. No session yet.{_accepted_gap(status)}"
            return _off_prompt(status) or OperatorPrompt("START", message, "Start the robot program.", Tone.ACT)
    return _prompt_after_reply(status)


def _guided(status: StatusMessage, guidance: GuidanceStatus) -> OperatorPrompt:
    """The prompt of a session in which a hand guides the arm."""
    kept = f"{status.kept} kept."
    next_view = status.progress.next_view if status.progress is not None else None
    where = "Guide the arm to a new place, with the board in view, and hold it still there."
    if next_view is not None and next_view.pose is not None:
        where = sentence(f"Guide the arm on: {next_view.message}")
    reason = sentence(guidance.message)
    match guidance.phase:
        case GuidancePhase.NO_POSES:
            return OperatorPrompt(
                "POSES", "The robot sends no poses.", "Start the robot's guiding program, which streams them.", Tone.BAD
            )
        case GuidancePhase.NO_IMAGES:
            message = reason or "The camera delivers no images."
            return OperatorPrompt("CAMERA", message, "Check its cable and power.", Tone.BAD)
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
        "DAEMON",
        f"No status from the daemon for {silence}.{outdated}",
        "Start it on the cell's PC: eyebolt serve STATION. If it is running, check the address and the network.",
        Tone.BAD,
    )


def _no_robot(status: StatusMessage) -> OperatorPrompt:
    reason = "" if status.robot.message == _PLAIN_OFFLINE else _reason_suffix(status.robot.message)
    if status.phase is Phase.IDLE:
        message = f"Ready. The robot is offline{reason}.{_accepted_gap(status)}"
        return _off_prompt(status) or OperatorPrompt("START", message, "Start the robot program.", Tone.ACT)
    return OperatorPrompt(
        "ROBOT",
        f"The robot is offline{reason}.",
        "Start the robot program again. The session continues; the pairs kept so far are safe.",
        Tone.BAD,
    )


def _stopped(status: StatusMessage, camera: LinkStatus) -> OperatorPrompt:
    last_reply = status.last_reply
    if last_reply is not None and last_reply.code is Code.CAMERA_LOST and camera.is_connected:
        return OperatorPrompt(
            "START",
            "The camera was lost, and is back: captures work again.",
            "Start the robot program again. The session continues; the pairs kept so far are safe.",
            Tone.ACT,
        )
    if last_reply is None:
        return OperatorPrompt(
            "STOP", "The daemon cannot continue.", "End the robot program. Call the engineer.", Tone.BAD
        )
    remedy = sentence(last_reply.remedy.removeprefix("Stop. ")) or "Call the engineer."
    message = message_without_remedy(last_reply)
    if any(message == finding.message for finding in status.findings):
        message = _first_half(message)
    if last_reply.code is Code.INSUFFICIENT_ROTATION:
        message = _first_half(message)
    if last_reply.code is Code.CANNOT_RECORD and ": " in message:
        # Which file it was matters to nobody who frees a disk.
        message = f"the record cannot be written: {message.rpartition(': ')[2]}"
    if last_reply.code is Code.MAX_PAIRS_REACHED and status.p95_upper_mm is not None:
        message = f"All {status.kept} pairs are taken, and {_error_against_tolerance(status)}"
    message = sentence(message) or "The daemon cannot continue."
    return OperatorPrompt("STOP", message, f"End the robot program. {remedy}", Tone.BAD)


def message_without_remedy(reply: LastReply) -> str:
    """The message of a reply; a finding that stops the program repeats its remedy there, for the robot's log."""
    remedy = reply.remedy.removeprefix("Stop. ").rstrip(".")
    head, found, tail = reply.message.partition(f": {remedy}") if remedy else (reply.message, "", "")
    return head if found and not tail.strip(" .") else reply.message


def _first_half(message: str) -> str:
    """What is wrong, without the figures that show it."""
    return message.partition(": ")[0]


def _off_prompt(status: StatusMessage) -> OperatorPrompt | None:
    """The prompt where the board is not where the result in use puts it; None where it is, or nobody knows."""
    if status.proof is None or status.proof.consistent is not False:
        return None
    proof = status.proof
    allowed = "" if proof.allowed_mm is None else f", where {proof.allowed_mm:.2f} mm is allowed"
    message = f"The result in use no longer fits: the board is off by up to {proof.p95_mm:.2f} mm{allowed}."
    return OperatorPrompt("CHECK", message, sentence(status.proof.remedy) or "Call the engineer.", Tone.BAD)


def describe_proof(proof: LiveProof) -> str:
    """Where the result in use puts the board against where it is seen, and whether its expected error allows that."""
    verdict = {True: "as expected", False: "NOT as expected", None: "not judged"}[proof.consistent]
    now = f"{proof.distance_mm:.2f} mm ({proof.distance_px:.1f} px)"
    text = f"{verdict}: the board is {now} from where the result puts it"
    if proof.views > 1:
        text += f", p95 of {proof.views} places {proof.p95_mm:.2f} mm ({proof.p95_px:.1f} px)"
    if proof.allowed_mm is None:
        return f"{text}; the result states no limit"
    # Two figures rounded to the same text would contradict the verdict.
    digits = 2 if f"{proof.p95_mm:.2f}" != f"{proof.allowed_mm:.2f}" else 4
    return f"{text}; its expected error allows {proof.allowed_mm:.{digits}f} mm"


def describe_proof_in_short(proof: LiveProof) -> str:
    """The same in a few words, for a narrow column."""
    if proof.allowed_mm is None:
        return f"off by {proof.p95_mm:.2f} mm"
    digits = 2 if f"{proof.p95_mm:.2f}" != f"{proof.allowed_mm:.2f}" else 4
    verdict = "ok" if proof.consistent else "OFF"
    return f"{proof.p95_mm:.{digits}f} of {proof.allowed_mm:.{digits}f} mm: {verdict}"


def describe_view(view: ViewMessage | None, view_age_s: float) -> str:
    """What the picture shows, and what the marks in it mean; or why there is none.

    ``view``: the newest one, which arrived ``view_age_s`` seconds ago; None before the first one.
    """
    if view is None:
        if view_age_s <= STALE_AFTER_S:
            return "No picture yet."
        return "No picture: this daemon publishes none, or its camera gives none between captures."
    if not view_age_s <= STALE_AFTER_S:
        return f"No new picture for {view_age_s:.0f} s."
    parts = ["Picture of the newest capture."] if view.is_of_capture and view.view_size is not None else []
    if view.found:
        figures = [
            "" if view.tilt_deg is None else f"tilted {view.tilt_deg:.0f} deg",
            "" if view.distance_mm is None else f"{view.distance_mm:.0f} mm away",
            "" if view.edge_blur_px is None else f"edges {view.edge_blur_px:.1f} px wide",
        ]
        parts.append(f"Board found (o){_reason_suffix(', '.join(figure for figure in figures if figure))}.")
    elif view.reason is not None:
        parts += [sentence(view.reason.message), sentence(view.reason.remedy)]
    if view.predicted_outline_px is not None:
        parts.append("The result puts it at +" + (" (* both)." if view.found else "."))
    return " ".join(part for part in parts if part)


def _error_against_tolerance(status: StatusMessage) -> str:
    """Bound and tolerance as the end of a sentence, in figures that do not round alike."""
    upper_mm, tolerance_mm = status.p95_upper_mm, status.tolerance_mm
    if upper_mm is None:
        return f"the error is not known yet; {tolerance_mm:.2f} mm is allowed"
    digits = 2 if upper_mm <= tolerance_mm or f"{upper_mm:.2f}" != f"{tolerance_mm:.2f}" else 4
    return f"the error may be up to {upper_mm:.{digits}f} mm; {tolerance_mm:.{digits}f} mm is allowed"


def how_far(status: StatusMessage) -> str:
    """The way to the goal in one sentence: pairs still needed, and why more of them would not help if so."""
    if not status.wanted:
        return "No more pairs are needed."
    useless = _why_more_pairs_do_not_help(status)
    if useless:
        return sentence(useless[0])
    pairs = "1 more pair is" if status.wanted == 1 else f"{status.wanted} more pairs are"
    if status.p95_upper_mm is not None and status.p95_upper_mm <= status.tolerance_mm:
        if status.kept < status.min_pairs:
            return sentence(f"{pairs} needed: a result rests on at least {status.min_pairs}")
        return sentence(f"about {pairs} needed to be sure: {_error_against_tolerance(status)}")
    return sentence(f"about {pairs} needed: {_error_against_tolerance(status)}")


def is_counted_on(status: StatusMessage) -> bool:
    """Whether further pairs would bring the error within the tolerance, so that they are counted."""
    return _why_more_pairs_do_not_help(status) is None


def pairs_needed(status: StatusMessage) -> str:
    """The same in a few words, beside the counter."""
    if not status.wanted:
        return "no more needed"
    return "more do not help" if _why_more_pairs_do_not_help(status) else f"about {status.wanted} more needed"


def _why_more_pairs_do_not_help(status: StatusMessage) -> tuple[str, str] | None:
    """Why the pairs that are still wanted would not reach the tolerance, and what would; None where they do."""
    next_view = None if status.progress is None else status.progress.next_view
    if next_view is None or next_view.pose is not None or not next_view.message or status.p95_upper_mm is None:
        return None
    if status.kept < status.min_pairs:
        return None
    reason, _, remedy = next_view.message.partition("; ")
    return reason, remedy


def _prompt_after_reply(status: StatusMessage) -> OperatorPrompt:
    """The prompt of an open session, by the newest reply to the robot."""
    last_reply = status.last_reply
    if last_reply is None:
        return OperatorPrompt("NEXT", "The session is open.", "Move to the first waypoint.", Tone.ACT)
    code, message, remedy = last_reply.code, sentence(last_reply.message), sentence(last_reply.remedy)
    if code.is_success:
        kept = "Kept." if code is Code.OK else sentence(f"kept: {last_reply.message.removeprefix('kept, ')}")
        if code is not Code.OK and last_reply.message.startswith("kept:"):
            kept = message
        if last_reply.verb not in KEEPING_VERBS:
            kept = message or "Done."
        if last_reply.ended_stop is not None:
            kept = f"{kept} The stop before ({last_reply.ended_stop.message}) is over."
        next_step = remedy or "Move to the next waypoint."
        if last_reply.verb == "check" and _exceeds_limit(last_reply):
            return OperatorPrompt("CHECK", f"Kept, but {last_reply.message}.", next_step, Tone.BAD)
        useless = _why_more_pairs_do_not_help(status) if status.wanted and last_reply.verb in KEEPING_VERBS else None
        if useless:
            engineer = f"Call the engineer: {useless[1]}" if useless[1] else "Call the engineer"
            return OperatorPrompt("CALL", f"Kept, but {useless[0]}.", sentence(engineer), Tone.WAIT)
        return OperatorPrompt("NEXT", kept, next_step, Tone.GOOD if code is Code.OK else Tone.ACT)
    if not code.is_final:
        return OperatorPrompt("HOLD", message or "An image is being processed.", remedy or "Wait.", Tone.WAIT)
    if last_reply.verb == "solve" and code.is_refusal:
        return OperatorPrompt("MORE", f"No result yet. {how_far(status)}", remedy, Tone.WAIT)
    if code.is_refusal:
        loose = next((finding for finding in status.findings if finding.code in _LOOSE_PARTS), None)
        if code is Code.OUTLIER and loose is not None:
            message = f"Not kept, and {_first_half(loose.message)}."
            remedy = f"Fasten the {_LOOSE_PARTS[loose.code]}, then begin a new session."
            return OperatorPrompt("LOOSE", message, remedy, Tone.BAD)
        next_step = remedy or "Change the pose slightly and try again, or move to the next waypoint."
        refused = "Not kept." if last_reply.verb in KEEPING_VERBS else "Not done."
        headline = "MOVE" if code in _PLACE_REFUSED else "RETRY"
        return OperatorPrompt(headline, f"{refused} {message}".strip(), next_step, Tone.WAIT)
    if code.is_stop:
        return _stopped(status, LinkStatus(is_connected=False))
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
        f"{fault} {sentence(last_reply.message)}".strip(),
        sentence(last_reply.remedy) or "Correct the robot program.",
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
        off = _off_prompt(status)
        if off is not None:
            return off
        message = f"The result is accepted and in use{_but(status)}."
        if status.reservation:
            return OperatorPrompt(
                "DONE", message, "The engineer reads the findings:", Tone.WAIT, inspect_command(status)
            )
        return OperatorPrompt("DONE", message, "Nothing more to do.", Tone.GOOD)
    accepted = status.accepted_result
    if accepted is not None and accepted.gap is not None and accepted.session == status.session:
        return OperatorPrompt("CALL", _accepted_gap(status).strip(), sentence(accepted.gap.remedy), Tone.BAD)
    if status.result.gap is not None:
        gap = status.result.gap
        message = f"The robot is not given the result: {gap.message}."
        return OperatorPrompt("CALL", message, sentence(gap.remedy), Tone.WAIT)
    acceptance = status.result.acceptance
    reason = _reason_suffix(acceptance.reason)
    if acceptance.status is AcceptanceStatus.ACCEPT and status.reservation:
        # Green would pass a cell in which something gave way: whoever accepts it must have read what.
        return OperatorPrompt(
            "CALL",
            f"The result is within the tolerance{_but(status)}.",
            "Call the engineer, who reads the findings before accepting:",
            Tone.WAIT,
            inspect_command(status),
        )
    if acceptance.status is AcceptanceStatus.ACCEPT:
        return OperatorPrompt(
            "ACCEPT",
            "The result is good, but not in use yet.",
            "The engineer takes it into use:",
            Tone.ACT,
            accept_command(status),
        )
    if acceptance.status is AcceptanceStatus.UNPROVEN:
        return OperatorPrompt("CALL", f"The result is unproven{reason}.", "Call the engineer.", Tone.WAIT)
    if status.result.p95_upper_mm is not None and status.result.p95_upper_mm > status.tolerance_mm:
        compared = status.model_copy(update={"p95_upper_mm": status.result.p95_upper_mm})
        message = f"No usable result: {_error_against_tolerance(compared)}."
        return OperatorPrompt("CALL", message, "Call the engineer.", Tone.BAD)
    return OperatorPrompt("CALL", f"No usable result{reason}.", "Call the engineer.", Tone.BAD)


def _accepted_gap(status: StatusMessage) -> str:
    """Why the robot is not given the accepted result, as a sentence that follows another; empty if it is."""
    accepted = status.accepted_result
    if accepted is None or accepted.gap is None:
        return ""
    return f" The robot is not given the accepted result (36){_reason_suffix(accepted.gap.message)}."


def accept_command(status: StatusMessage) -> str:
    """The command with which the engineer takes the result into use."""
    return f"eyebolt accept {_quoted_folder(status)} --by NAME"


def inspect_command(status: StatusMessage) -> str:
    """The command with which the engineer reads the session."""
    return f"eyebolt inspect {_quoted_folder(status)}"


def _quoted_folder(status: StatusMessage) -> str:
    """For a shell; with backslashes, since a backslash that joins two lines of a command is none between quotes."""
    return re.sub(r"([^\w@%+=:,./-])", r"\\\1", status.session_folder or "SESSION-FOLDER")


def _but(status: StatusMessage) -> str:
    """What speaks against the result, as the end of a sentence."""
    return f", but {status.reservation.rstrip('.')}" if status.reservation else ""


def result_line(status: StatusMessage, with_reason: bool = True) -> str:
    """Assessment and expected error of the result, and whether the station uses it; the way to it while pairs are
    wanted.
    """
    result = status.result
    in_use = "; the accepted result is in use" if status.is_accepted else ""
    if result is None:
        return f"none in this session{in_use}"
    goes_on = status.phase in (Phase.OPEN, Phase.WORKING) or (
        status.phase is Phase.STOPPED
        and status.last_reply is not None
        and status.last_reply.code is not Code.MAX_PAIRS_REACHED
    )
    if status.wanted and goes_on and not status.is_accepted:
        if _why_more_pairs_do_not_help(status):
            return "none yet, and more pairs do not help"
        return f"none yet: about {status.wanted} more pair{'' if status.wanted == 1 else 's'}"
    word = {AcceptanceStatus.ACCEPT: "good", AcceptanceStatus.UNPROVEN: "unproven", AcceptanceStatus.REJECT: "unusable"}
    text = word[result.acceptance.status]
    use = "in use" if status.is_accepted else "not in use"
    reason = result.acceptance.reason if with_reason else ""
    if result.gap is not None:
        # The stated error is that of the part that is known.
        part, use, reason = " of what is known", "not given to the robot", result.gap.message if with_reason else ""
    elif result.p95_upper_mm is not None:
        part = f", {status.tolerance_mm:.2f} mm is allowed"
        if result.acceptance.status is AcceptanceStatus.ACCEPT or result.p95_upper_mm > status.tolerance_mm:
            # The two figures are the reason.
            reason = ""
    if result.p95_upper_mm is not None:
        digits = 2 if f"{result.p95_upper_mm:.2f}" != f"{status.tolerance_mm:.2f}" else 4
        text += f": error up to {result.p95_upper_mm:.{digits}f} mm{part}"
    if result.excluded:
        text += f"; {result.used} of {result.used + result.excluded} pairs used"
    return f"{text}; {use}{_reason_suffix(reason)}"


def _reason_suffix(reason: str) -> str:
    return f": {reason.rstrip('.')}" if reason else ""


def sentence(text: str) -> str:
    """``text`` with a capital letter and a full stop; empty if it is."""
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")
