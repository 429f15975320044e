"""The screen fits every size, shows what the operator needs first, and no message can steer the terminal."""

import itertools
import os
import shlex
import subprocess
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from eyebolt.monitor.operator_keys import KeyRows
from eyebolt.monitor.operator_prompt import Tone, how_far, operator_prompt_for
from eyebolt.monitor.screen import render_screen, status_line
from eyebolt.protocol import StatusMessage
from support.status_messages import STATUS, make_status

SIZES = [(80, 24), (120, 40), (40, 12), (200, 60), (20, 5), (1, 1)]
CONTROL = {chr(c) for c in range(32)} | {chr(c) for c in range(127, 160)}
SCREENS = Path(__file__).with_name("screens")
PROGRESS = {
    "message": "rotations up to 40 and 38 deg in tilt and 65 deg about the optical axis",
    "coverage": None,
    "next_view": {
        "message": "tilt the board 45 deg, its left edge towards the camera",
        "p95_upper_mm": 1.2,
        "pose": [1.0],
    },
}


def result(status="accept", reason="two checks agree"):
    return {"acceptance": {"status": status, "reason": reason}, "p95_upper_mm": 0.41, "used": 8, "excluded": 0}


def reply(code, message="", remedy="", seq=12, **more):
    return {"seq": seq, "code": code, "message": message, "remedy": remedy, **more}


SLIPPED = {
    "code": "board-moved",
    "severity": "warn",
    "message": "the board moved before pair 7, by 2.0 mm and 1.0 deg",
    "remedy": "fasten the board and take all pairs again.",
}
NOTE = {"code": "arm-limited", "severity": "note", "message": "the arm limits the error", "remedy": "nothing."}
FOUND = {"result": result() | {"used": 7, "excluded": 4}, "findings": [SLIPPED, NOTE], "kept": 11, "wanted": 0}
OFFLINE = {"robot": {"is_connected": False, "message": "not connected"}}


def guided(guidance_phase, message="", delay_ms=None, delay_half_width_ms=None, **changes):
    guidance = {"phase": guidance_phase, "poses_per_s": 125.0, "images_per_s": 29.5, "message": message}
    guidance |= {"delay_ms": delay_ms, "delay_half_width_ms": delay_half_width_ms}
    return make_status(**{"guidance": guidance, "last_reply": reply(0, "kept")} | changes)


IDLE = {"session": None, "session_folder": None, "kept": 0, "wanted": 13, "refused": 0, "checks": 0}
IDLE |= {"p95_upper_mm": None, "last_reply": None, "p95_upper_history_mm": [], "timings_ms": None, "phase": "idle"}
OPEN = {"message": "the height of the camera is unknown", "remedy": "touch corners of the board, then solve again."}
CHANGED = {"message": "[station] mount was 'fixed', and is now 'arm'", "remedy": "calibrate again."}
USELESS = {
    "message": "",
    "next_view": {
        "message": "further waypoints do not help: the arm's own error at a pick, 1.40 mm (p95), is above the tolerance"
        " of 1 mm; have the joint offsets and link lengths checked, take waypoints where the arm picks and in that"
        " posture, or state a larger tolerance",
        "pose": None,
    },
}
PROOF = {
    "time_s": 1764082933.0,
    "distance_px": 2.31,
    "distance_mm": 1.42,
    "p95_px": 2.6,
    "p95_mm": 1.51,
    "allowed_mm": 0.92,
    "views": 7,
    "consistent": False,
    "message": "the board is 1.42 mm from where the result puts it, p95 of 7 places 1.51 mm: more than the 0.92 mm that"
    " its expected error allows",
    "remedy": "Check that camera, board and tool are tight and the right tool and frame active; then calibrate again.",
}
FAR = {"quantity": "distance", "value": 10.02, "limit": 1.0, "unit": "mm", "source": "station file"}
CASES = {
    "idle": make_status(**IDLE),
    "open": make_status(**IDLE | {"phase": "open", "session": "20261125-150213-01"}),
    "refused": make_status(progress=PROGRESS),
    "kept": make_status(last_reply=reply(0, "kept")),
    "kept_with_advice": make_status(last_reply=reply(1, "adds little", "use more tilt at the next waypoint")),
    "invalid_line": make_status(last_reply=reply(42, "not a number", "print plain decimal numbers")),
    "line_refused": make_status(
        **OFFLINE, last_reply=reply(45, "request 11 is in progress", "wait for the reply", is_recorded=False)
    ),
    "invalid_line_after_the_session": make_status(
        phase="closed", result=result(), last_reply=reply(41, "8 fields", "print plain numbers", is_recorded=False)
    ),
    "cannot_record": make_status(
        phase="stopped", last_reply=reply(31, "no room on the disk", "Stop. Free disk space.", is_recorded=False)
    ),
    "stop_ended": make_status(last_reply=reply(0, "kept", "Move on.", verb="capture", ended_stop=31)),
    "camera_back": make_status(phase="stopped", last_reply=reply(30, "camera lost", "Stop. Check the camera.")),
    "loose": make_status(
        kept=5, last_reply=reply(27, "the board had another pose", "Move on; look around."), findings=[SLIPPED]
    ),
    "no_further_pair_helps": make_status(kept=9, wanted=1, last_reply=reply(0, "kept", "Move on."), progress=USELESS),
    "enough_but_for_pairs": make_status(kept=6, wanted=2, p95_upper_mm=0.81, last_reply=reply(0, "kept", "Move on.")),
    "proof_off": make_status(phase="closed", wanted=0, result=result(), is_accepted=True, proof=PROOF),
    "proof_off_later": make_status(**IDLE | OFFLINE | {"proof": PROOF}),
    "proof_good": make_status(
        phase="closed", wanted=0, result=result(), is_accepted=True, proof=PROOF | {"p95_mm": 0.6, "consistent": True}
    ),
    "begun": make_status(last_reply=reply(0, "a new session with numbering of its own", verb="begin")),
    "working": make_status(phase="working"),
    "goal_met": make_status(phase="goal-met", kept=13, wanted=0, p95_upper_mm=0.62, last_reply=reply(3, "kept")),
    "stopped": make_status(
        phase="stopped", last_reply=reply(34, "something slipped " * 20, "fasten the board"), wanted=5
    ),
    "closed": make_status(phase="closed", kept=40, wanted=0, result=result()),
    "closed_with_findings": make_status(phase="closed", **FOUND),
    "accepted_with_findings": make_status(phase="closed", is_accepted=True, **FOUND),
    "goal_met_with_findings": make_status(phase="goal-met", last_reply=reply(3, "kept"), **FOUND),
    "accepted": make_status(phase="closed", kept=40, wanted=0, result=result(), is_accepted=True),
    "another_setup": make_status(**IDLE | {"accepted_result": {"session": "s", "by": "R. Ode", "gap": CHANGED}}),
    "goal_met_but_open": make_status(phase="goal-met", result=result("unproven", "open") | {"gap": OPEN}, wanted=0),
    "closed_but_open": make_status(phase="closed", result=result("unproven", "open") | {"gap": OPEN}),
    "accepted_but_open": make_status(
        phase="closed",
        result=result("unproven", "open") | {"gap": OPEN},
        accepted_result={"session": "20261125-150213-01", "by": "R. Ode", "gap": OPEN},
    ),
    "in_use_but_rejected": make_status(phase="closed", result=result("reject", "checks are off"), is_accepted=True),
    "check_far_off": make_status(
        last_reply=reply(0, "the board is 10.02 mm from where it was", "calibrate again", verb="check", measure=FAR)
    ),
    "unproven": make_status(phase="closed", result=result("unproven", "focal length is off")),
    "rejected": make_status(phase="closed", result=result("reject", "focal length is off")),
    "no_result": make_status(phase="closed", kept=2, wanted=11),
    "camera_lost": make_status(camera={"is_connected": False, "message": "no image for 12 s"}),
    "robot_lost": make_status(robot={"is_connected": False, "message": "disconnected 4 s ago"}),
    "robot_offline_idle": make_status(**IDLE | {"robot": {"is_connected": False, "message": "not connected"}}),
    "max_pairs": make_status(kept=9999, wanted=9999, refused=9999, checks=9999, min_pairs=9999, max_pairs=9999),
    "guided_hold_still": guided("hold-still"),
    "guided_move_on": guided("move-on", progress=PROGRESS, delay_ms=61.3, delay_half_width_ms=0.84),
    "guided_place_taken": guided("place-taken", message="too little of the board", delay_ms=61.3),
    "guided_taking": guided("taking", phase="working"),
    "guided_board_lost": guided("board-not-in-view"),
    "guided_no_poses": guided("no-poses", **OFFLINE),
    "guided_no_images": guided("no-images", message="no image came"),
    "guided_finished": guided("finished", phase="goal-met", kept=13, wanted=0),
    "waiting": None,
}
HEADLINES = {
    "idle": "START",
    "open": "NEXT",
    "refused": "RETRY",
    "kept": "NEXT",
    "kept_with_advice": "NEXT",
    "invalid_line": "FIX",
    "line_refused": "FIX",
    "invalid_line_after_the_session": "FIX",
    "cannot_record": "STOP",
    "stop_ended": "NEXT",
    "camera_back": "START",
    "loose": "LOOSE",
    "no_further_pair_helps": "CALL",
    "enough_but_for_pairs": "NEXT",
    "proof_off": "CHECK",
    "proof_off_later": "CHECK",
    "proof_good": "DONE",
    "begun": "NEXT",
    "closed_with_findings": "CALL",
    "accepted_with_findings": "DONE",
    "goal_met_with_findings": "DONE",
    "working": "HOLD",
    "goal_met": "DONE",
    "stopped": "STOP",
    "closed": "ACCEPT",
    "accepted": "DONE",
    "another_setup": "START",
    "goal_met_but_open": "OPEN",
    "closed_but_open": "CALL",
    "accepted_but_open": "CALL",
    "in_use_but_rejected": "CALL",
    "check_far_off": "CHECK",
    "unproven": "CALL",
    "rejected": "CALL",
    "no_result": "END",
    "camera_lost": "CAMERA",
    "robot_lost": "ROBOT",
    "robot_offline_idle": "START",
    "max_pairs": "RETRY",
    "guided_hold_still": "HOLD",
    "guided_move_on": "NEXT",
    "guided_place_taken": "NEXT",
    "guided_taking": "NEXT",
    "guided_board_lost": "BOARD",
    "guided_no_poses": "POSES",
    "guided_no_images": "CAMERA",
    "guided_finished": "DONE",
    "waiting": "WAIT",
}


def text_of(lines):
    """The text of a screen, whatever its line breaks."""
    return " ".join(" ".join(lines).split())


def assert_fits(lines, width, height):
    assert len(lines) <= height
    assert all(cell_len(line) <= width for line in lines), [line for line in lines if cell_len(line) > width]
    assert not CONTROL & set("".join(lines))


def assert_snapshot(name, text):
    """``EYEBOLT_UPDATE_SCREENS=1`` updates the snapshots."""
    path = SCREENS / f"{name}.txt"
    if os.environ.get("EYEBOLT_UPDATE_SCREENS"):
        path.write_text(text, encoding="utf-8")
    assert text == path.read_text(encoding="utf-8")


@pytest.mark.parametrize("case", CASES)
def test_the_wording_of_each_screen(case):
    lines = render_screen(CASES[case], 0.2, 80, 24, colour=False, ascii_only=True)
    assert_snapshot(case, "\n".join(lines) + "\n")


def test_the_wording_without_a_daemon():
    for case, status in (("no_daemon", None), ("daemon_lost", make_status())):
        assert_snapshot(case, "\n".join(render_screen(status, 61.0, 80, 24, colour=False, ascii_only=True)) + "\n")


def test_the_wording_of_the_keys():
    keys = KeyRows("b: begin, u: undo", "undo: the newest of 7 pairs is taken back. y: yes", Tone.ACT, True)
    lines = render_screen(CASES["kept"], 0.2, 80, 24, colour=False, ascii_only=True, keys=keys)
    assert_snapshot("keys", "\n".join(lines) + "\n")


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40), (40, 12), (40, 10)])
def test_a_question_is_on_every_screen_that_has_room_for_a_few_lines(width, height):
    keys = KeyRows("b: begin", "undo it? y: yes", Tone.ACT, True)
    for status in CASES.values():
        lines = render_screen(status, 0.2, width, height, colour=False, keys=keys)
        assert "y: yes" in text_of(lines)
        assert len(lines) <= height


@pytest.mark.parametrize("case", ["idle", "kept", "closed"])
def test_where_no_session_is_open_the_prompt_names_the_key_that_begins_one(case):
    keys = KeyRows("b: begin")
    named = "press b" in text_of(render_screen(CASES[case], 0.2, 80, 24, colour=False, keys=keys))
    assert named == (operator_prompt_for(CASES[case], 0.2).headline in ("START", "END"))
    assert "press b" not in text_of(render_screen(CASES[case], 0.2, 80, 24, colour=False))


def test_an_operators_request_is_named_so():
    status = make_status(last_reply=reply(0, "kept", seq=1000003, verb="capture"))
    screen = text_of(render_screen(status, 0.2, 80, 24, colour=False))
    assert "operator's capture" in screen
    line = status_line(status, 0.2)
    assert "operator's request 3" in line
    assert "1000003" not in screen + line


def test_the_wording_of_the_lines():
    lines = [status_line(status, 0.2) for status in CASES.values() if status is not None]
    assert_snapshot("lines", "\n".join([*lines, status_line(None, 61.0)]) + "\n")


def test_a_screen_without_a_snapshot_is_none():
    assert {path.stem for path in SCREENS.iterdir()} == {*CASES, "no_daemon", "daemon_lost", "keys", "lines"}


@pytest.mark.parametrize("case", CASES)
def test_the_prompt_of_each_state(case):
    prompt = operator_prompt_for(CASES[case], 0.2)
    assert prompt.headline == HEADLINES[case]
    assert prompt.message
    assert prompt.remedy
    assert operator_prompt_for(CASES[case], 2.6).headline == "DAEMON"
    assert operator_prompt_for(CASES[case], float("nan")).headline == "DAEMON"


@pytest.mark.parametrize("case", ["closed_with_findings", "accepted_with_findings", "goal_met_with_findings"])
def test_a_result_with_findings_is_never_plain_green(case):
    status = CASES[case]
    prompt = operator_prompt_for(status, 0.2)
    assert prompt.tone is Tone.WAIT
    assert "4 of 11 pairs" in prompt.message
    assert SLIPPED["message"] in prompt.message
    assert SLIPPED["message"][1:] in text_of(render_screen(status, 0.2, 80, 24, colour=False))
    assert "4 of 11 pairs" in status_line(status, 0.2)
    notes_only = status.model_copy(update={"findings": status.findings[1:], "result": CASES["closed"].result})
    assert operator_prompt_for(notes_only, 0.2).tone in (Tone.GOOD, Tone.ACT)


def test_a_refusal_is_no_alarm_and_a_stop_is():
    assert operator_prompt_for(CASES["refused"], 0.2).tone is Tone.WAIT
    assert operator_prompt_for(CASES["stopped"], 0.2).tone is Tone.BAD


@pytest.mark.parametrize("case", CASES)
def test_every_case_fits_every_size_without_escape_codes(case):
    for size, status_age_s, ascii_only in itertools.product(SIZES, [0.2, 7.0], [False, True]):
        lines = render_screen(CASES[case], status_age_s, *size, colour=False, ascii_only=ascii_only)
        assert lines, (size, status_age_s, ascii_only)
        assert_fits(lines, *size)
        if ascii_only:
            assert all(line.isascii() for line in lines), (size, status_age_s)


@pytest.mark.parametrize("case", [c for c in CASES if c not in {"waiting", "max_pairs"}])
def test_the_small_screen_still_has_prompt_count_robot_and_camera(case):
    status = CASES[case]
    text = text_of(render_screen(status, 0.2, 40, 12, colour=False, ascii_only=True))
    assert f"ROBOT {'online' if status.robot.is_connected else 'OFFLINE'}" in text
    assert f"CAMERA {'online' if status.camera.is_connected else 'OFFLINE'}" in text
    assert "RESULT" in text
    # Big figures replace the sentence where they fit.
    assert f"{status.kept} of about" in text or f"{status.kept} pairs kept" in text or "##" in text
    assert text.split(":")[0].split()[-1] == HEADLINES[case]


@pytest.mark.parametrize("case", CASES)
def test_no_sentence_is_cut_short_on_a_common_screen(case):
    lines = render_screen(CASES[case], 0.2, 80, 24, colour=False)
    assert not [line for line in lines if line.endswith("...")]


@pytest.mark.parametrize("case", CASES)
def test_a_remedy_is_on_the_screen_once(case):
    status = CASES[case]
    if status is None or status.last_reply is None:
        return
    remedy = status.last_reply.remedy.removeprefix("Stop. ").rstrip(".").lower()
    # Beside big type, a remedy stands in several rows.
    text = text_of(render_screen(status, 0.2, 300, 15, colour=False)).lower()
    if remedy:
        assert text.count(remedy) <= 1


def test_a_command_to_copy_is_what_a_shell_reads():
    folder = "/home/operator/cells of bay 3/a-long-name-of-a-cell/sessions/20261125-150213-01"
    status = make_status(phase="closed", wanted=0, result=result(), session_folder=folder)
    command = operator_prompt_for(status, 0.2).command
    assert shlex.split(command) == ["eyebolt", "accept", folder, "--by", "NAME"]
    for width in (40, 57, 80, 81, 96, 130):
        lines = render_screen(status, 0.2, width, 30, colour=False)
        first = next(i for i, line in enumerate(lines) if line.startswith("eyebolt accept"))
        last = next(i for i in range(first, len(lines)) if not lines[i].endswith("\\"))
        shown = "\n".join(lines[first : last + 1]).replace("eyebolt", "printf '%s|'", 1)
        assert subprocess.check_output(["sh", "-c", shown], text=True) == f"accept|{folder}|--by|NAME|"
        assert all(line[-2] in "/ " for line in lines[first:last])


def test_while_pairs_are_wanted_no_result_is_judged():
    rejected = {"result": result("reject", "above the tolerance")}
    assert "reject" not in text_of(render_screen(make_status(**rejected), 0.2, 80, 24, colour=False))
    assert how_far(make_status(**rejected)) == (
        "About 6 more pairs are needed: the error may be up to 1.62 mm; 1.00 mm is allowed."
    )


def test_where_no_further_pair_helps_none_is_counted_on():
    status = CASES["no_further_pair_helps"]
    assert how_far(status).startswith("Further waypoints do not help: the arm's own error")
    text = text_of(render_screen(status, 0.2, 80, 24, colour=False))
    assert "more needed" not in text
    assert "9 of about 10" not in text
    # After a solve that was refused, the same field has the remedy: then more pairs do help.
    refused = status.model_copy(update={"p95_upper_mm": None})
    assert how_far(refused).startswith("About 1 more pair is needed")


def test_too_few_pairs_are_no_error_above_the_tolerance():
    assert how_far(CASES["enough_but_for_pairs"]) == ("2 more pairs are needed: a result rests on at least 8.")
    text = text_of(render_screen(CASES["enough_but_for_pairs"], 0.2, 80, 24, colour=False))
    assert "reached" not in text


@pytest.mark.parametrize(("code", "headline"), [(20, "RETRY"), (22, "RETRY"), (26, "MOVE"), (27, "MOVE")])
def test_where_the_same_place_again_helps_nothing_the_headline_is_another(code, headline):
    assert operator_prompt_for(make_status(last_reply=reply(code, "refused")), 0.2).headline == headline


def test_a_solve_before_the_pairs_suffice_is_no_refused_pair():
    prompt = operator_prompt_for(make_status(last_reply=reply(28, "no result", "more", verb="solve")), 0.2)
    assert prompt.headline == "MORE"
    assert "kept" not in prompt.message


def test_digits_grow_with_the_terminal():
    rows = [
        sum("##" in line for line in render_screen(CASES["kept"], 0.2, *size, colour=False, ascii_only=True))
        for size in ((80, 24), (120, 40), (200, 60))
    ]
    assert rows == sorted(set(rows))


def test_what_is_known_about_a_camera_takes_the_place_of_power_and_cable():
    camera = {"is_connected": False, "message": "there is no /dev/video0", "remedy": "plug the camera in."}
    prompt = operator_prompt_for(make_status(camera=camera), 0.0)
    assert prompt.headline == "CAMERA"
    assert "there is no /dev/video0" in prompt.message
    assert prompt.remedy.startswith("Plug the camera in.")


def test_nothing_is_claimed_about_robot_and_camera_without_a_daemon():
    text = text_of(render_screen(make_status(), 61.0, 120, 24, colour=False))
    assert "ROBOT unknown" in text
    assert "CAMERA unknown" in text
    assert "online" not in text


def test_the_bars_are_full_only_when_the_goal_is_reached():
    def bar(line):
        return line[line.index("[") + 1 : line.index("]")]

    for kept, wanted, expected in ((0, 9, None), (1, 8, 50.0), (39, 1, 1.0001), (13, 0, 0.9), (8, 0, 1.0)):
        status = make_status(kept=kept, wanted=wanted, p95_upper_mm=expected)
        lines = render_screen(status, 0.1, 80, 24, colour=False, ascii_only=True)
        pairs = bar(next(line for line in lines if line.startswith("PAIRS")))
        accuracy = bar(next(line for line in lines if line.startswith("ACCURACY")))
        assert len(pairs) == len(accuracy)
        assert ("." not in pairs) == (wanted == 0)
        assert ("." not in accuracy) == (expected is not None and expected <= 1.0)
        assert abs(pairs.count("#") - len(pairs) * kept / (kept + wanted)) <= 1


def test_figures_that_round_alike_are_shown_with_more_digits():
    text = text_of(render_screen(make_status(p95_upper_mm=1.0004), 0.1, 80, 24, colour=False))
    assert "1.0004" in text
    assert "1.0000" in text


def test_colour_changes_no_text():
    for case in CASES.values():
        coloured = render_screen(case, 0.2, 80, 24, colour=True)
        assert [without_colour(line) for line in coloured] == render_screen(case, 0.2, 80, 24, colour=False)
    assert any("\x1b[" in line for line in render_screen(CASES["stopped"], 0.2, 80, 24, colour=True))


def without_colour(line):
    while "\x1b[" in line:
        start = line.index("\x1b[")
        line = line[:start] + line[line.index("m", start) + 1 :]
    return line


def test_a_note_cannot_steer_the_terminal():
    nasty = "a\x1b[2Jb\x07\x9b31mc\r\nd\u202ee\u200bf\ud800"
    lines = render_screen(make_status(), 0.2, 80, 24, colour=False, note=nasty)
    assert_fits(lines, 80, 24)
    text = "".join(lines)
    assert "a[2Jb" in text
    assert "\u202e" not in text
    text.encode("utf-8")


def test_letters_that_are_two_columns_wide_are_counted_so():
    wide = "\u6c34\u5e73" * 60
    status = make_status(station=wide, robot={"is_connected": True, "message": wide})
    assert_fits(render_screen(status, 0.2, 80, 24, colour=False), 80, 24)


TEXT = st.text(st.characters(exclude_categories=("C", "Zl", "Zp")), max_size=200)
COUNT = st.integers(0, 50) | st.integers(0)
NUMBER = st.none() | st.floats()
LINK = st.fixed_dictionaries({"is_connected": st.booleans(), "message": TEXT})
REPLY = st.fixed_dictionaries(
    {
        "seq": st.integers(),
        "verb": TEXT,
        "code": st.integers(0, 99),
        "message": TEXT,
        "remedy": TEXT,
        "is_recorded": st.booleans(),
        "ended_stop": st.none() | st.integers(0, 99),
    }
)
FINDING = st.fixed_dictionaries(
    {"code": TEXT, "severity": st.sampled_from(["stop", "warn", "note"]), "message": TEXT, "remedy": TEXT}
)
NEXT_VIEW = st.fixed_dictionaries({"message": TEXT, "p95_upper_mm": NUMBER})
RESULT = st.fixed_dictionaries(
    {
        "acceptance": st.fixed_dictionaries(
            {"status": st.sampled_from(["accept", "unproven", "reject"]), "reason": TEXT}
        ),
        "p95_upper_mm": NUMBER,
        "used": COUNT,
        "excluded": COUNT,
    }
)
ANY_STATUS = st.fixed_dictionaries(
    {
        **{key: st.just(value) for key, value in STATUS.items()},
        "station": TEXT,
        "session": st.none() | TEXT,
        "session_folder": st.none() | TEXT,
        "mount": st.sampled_from(["fixed", "arm"]),
        "phase": st.sampled_from(["idle", "open", "working", "goal-met", "stopped", "closed"]),
        **dict.fromkeys(("kept", "wanted", "min_pairs", "max_pairs", "refused", "checks"), COUNT),
        "tolerance_mm": st.floats(0, exclude_min=True, allow_infinity=False),
        "p95_upper_mm": NUMBER,
        "p95_upper_history_mm": st.lists(NUMBER, max_size=50),
        "last_reply": st.none() | REPLY,
        "timings_ms": st.none() | st.fixed_dictionaries({"wait": NUMBER, "detect": NUMBER}),
        "robot": LINK,
        "camera": LINK,
        "progress": st.none() | st.fixed_dictionaries({"message": TEXT, "next_view": st.none() | NEXT_VIEW}),
        "result": st.none() | RESULT,
        "findings": st.lists(FINDING, max_size=4),
        "is_accepted": st.booleans(),
        "timestamp": TEXT,
    }
).map(StatusMessage.model_validate)


@settings(max_examples=300, deadline=None)
@given(
    status=st.none() | ANY_STATUS,
    status_age_s=st.floats(),
    width=st.integers(0, 130),
    height=st.integers(0, 45),
    ascii_only=st.booleans(),
)
def test_any_status_at_any_size_is_drawn_and_fits(status, status_age_s, width, height, ascii_only):
    lines = render_screen(status, status_age_s, width, height, colour=False, ascii_only=ascii_only)
    assert_fits(lines, width, height)
    if ascii_only:
        assert all(line.isascii() for line in lines)
    coloured = render_screen(status, status_age_s, width, height, colour=True, ascii_only=ascii_only)
    assert [without_colour(line) for line in coloured] == lines
    assert "\n" not in status_line(status, status_age_s)
