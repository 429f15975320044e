"""Whether the operator's screen of common size shows every sentence whole."""

from __future__ import annotations

from typing import Any

from eyebolt.monitor.operator_prompt import operator_prompt_for, with_begin_key
from eyebolt.monitor.screen import render_screen
from eyebolt.planning import NextView
from eyebolt.protocol import GuidanceStatus, StatusMessage
from support.status_messages import make_status

COMMON_SIZE = (80, 24)


def assert_shown_whole(status: StatusMessage, **more: Any) -> None:
    """Of a status no sentence is cut short at 80 x 24, and the whole prompt is there. ``more``: for the screen."""
    lines = render_screen(status, 0.2, *COMMON_SIZE, colour=False, **more)
    assert not [line for line in lines if line.endswith("...")], "\n".join(lines)
    # Big type may stand beside the words.
    text = " ".join(" ".join(lines).replace("\u2588", " ").split())
    prompt = operator_prompt_for(status, 0.2)
    if "keys" in more:
        prompt = with_begin_key(prompt, status)
    for sentence in (prompt.message, prompt.remedy):
        assert " ".join(sentence.split()) in text, "\n".join(lines)


def assert_finding_shown_whole(code: str, severity: str, message: str, remedy: str) -> None:
    """The same of a finding: while pairs are taken, where it stops the program, and once the session is closed."""
    finding = {"code": code, "severity": severity, "message": message, "remedy": remedy}
    result = {
        "acceptance": {"status": "reject" if severity == "stop" else "accept", "reason": message},
        "p95_upper_mm": 0.41,
        "used": 7,
        "excluded": 4,
    }
    for last_reply, phase in (
        ({"code": 0, "message": "kept", "remedy": "Move on to the next waypoint."}, "open"),
        ({"code": 27, "message": "the board had another pose", "remedy": "Move on."}, "open"),
        ({"code": 34, "message": f"{message}: {remedy}", "remedy": remedy}, "stopped"),
        ({"code": 0, "message": "the session is closed", "remedy": "", "verb": "bye"}, "closed"),
    ):
        reply = {"seq": 12, "verb": "capture"} | last_reply
        for wanted in (0, 4):
            assert_shown_whole(
                make_status(findings=[finding], last_reply=reply, phase=phase, result=result, wanted=wanted)
            )


def assert_advice_shown_whole(next_view: NextView) -> None:
    """The same of what would help next: beside a pair that was kept, and where a hand guides the arm."""
    pose = None if next_view.base_T_flange is None else [1.0] * 7
    progress = {"message": "", "next_view": {"message": next_view.message, "pose": pose}}
    kept = {"seq": 12, "verb": "capture", "code": 0, "message": "kept", "remedy": "Move on to the next waypoint."}
    status = make_status(kept=9, wanted=1, last_reply=kept, progress=progress)
    assert_shown_whole(status)
    text = " ".join(" ".join(render_screen(status, 0.2, *COMMON_SIZE, colour=False)).split())
    # Of what does not help, the reason is in one sentence and the remedy in the next.
    assert all(part[1:] in text for part in next_view.message.split("; ")), text
    for phase in ("move-on", "place-taken", "taking"):
        guidance = {"phase": phase, "poses_per_s": 125.0, "images_per_s": 29.5, "message": "too little of the board"}
        assert_shown_whole(status.model_copy(update={"guidance": GuidanceStatus.model_validate(guidance)}))
