"""The drawing: it fits every size, says in words what matters, and cannot be upset by a message."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from eyebolt.monitor.screen import render_screen

SIZES = [(80, 24), (120, 40), (40, 12), (200, 60), (20, 5), (1, 1)]
CONTROL = {chr(c) for c in range(32)} | {chr(c) for c in range(127, 160)}


def status(**changes):
    base = {
        "schema": 1,
        "station": "bay-3",
        "mount": "fixed",
        "session": "20261125-150213-01",
        "folder": "/rec/20261125-150213-01",
        "phase": "open",
        "kept": 7,
        "wanted": 6,
        "min_pairs": 8,
        "max_pairs": 40,
        "refused": 2,
        "checks": 1,
        "tolerance_mm": 1.0,
        "expected_p95_mm": 1.62,
        "history_p95_mm": [None, None, 2.31, 1.42],
        "last_reply": {
            "seq": 12,
            "code": 20,
            "message": "no board in the picture",
            "remedy": "move the arm so that the whole board is in view",
        },
        "robot": {"alive": True, "message": "connected from 127.0.0.1"},
        "camera": {"alive": True, "message": "last picture 0.3 s ago"},
        "result": None,
        "accepted": False,
        "timestamp": "2026-11-25T15:02:13Z",
        "findings": [],
    }
    return base | changes


CASES = {
    "idle": status(
        phase="idle", session=None, kept=0, wanted=13, expected_p95_mm=None, last_reply=None, history_p95_mm=[]
    ),
    "refused": status(),
    "kept": status(last_reply={"seq": 3, "code": 0, "message": "kept", "remedy": ""}),
    "working": status(phase="working"),
    "goal": status(phase="goal-met", kept=13, wanted=0, expected_p95_mm=0.62),
    "stopped": status(
        phase="stopped",
        last_reply={"seq": 9, "code": 34, "message": "something slipped " * 20, "remedy": "fasten the board"},
        findings=["the board slipped after pair 4", "the arm repeats badly"],
    ),
    "closed": status(
        phase="closed", kept=40, wanted=0, result={"acceptance": "accept", "reason": "two checks agree", "p95_mm": 0.41}
    ),
    "max_pairs": status(kept=9999, wanted=9999, refused=9999, checks=9999, min_pairs=9999, max_pairs=9999),
    "none": None,
}


def text_of(lines):
    """The words of a picture as a reader takes them in, whatever the line breaks."""
    return " ".join(" ".join(lines).split())


def assert_fits(lines, width, height):
    assert len(lines) <= height
    assert all(cell_len(line) <= width for line in lines), [line for line in lines if cell_len(line) > width]
    assert not CONTROL & set("".join(lines))


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("status_age_s", [0.2, 7.0])
@pytest.mark.parametrize("ascii_only", [False, True])
def test_every_case_fits_every_size_without_escape_codes(case, size, status_age_s, ascii_only):
    lines = render_screen(CASES[case], status_age_s, *size, colour=False, ascii_only=ascii_only)
    assert lines
    assert_fits(lines, *size)
    if ascii_only:
        assert all(line.isascii() for line in lines)


@pytest.mark.parametrize(
    ("case", "words"),
    [
        ("idle", ["Start the robot program", "0 of about 13 pairs", "error not known yet", "no request yet"]),
        ("refused", ["Not kept", "Move the arm so that the whole board is in view", "7 of about 13", "code 20"]),
        ("kept", ["Kept.", "Go on to the next waypoint", "error 1.62, allowed 1.00 mm: not yet"]),
        ("working", ["A picture is being worked on", "Do not touch the arm"]),
        ("goal", ["goal is met", "13 pairs kept", "error 0.62, allowed 1.00 mm: enough"]),
        ("stopped", ["Something slipped", "Fasten the board", "(1 of 2) the board slipped after pair 4"]),
        (
            "closed",
            ["not in use yet", "eyebolt accept /rec/20261125-150213-01 --by NAME", "accept, expected error 0.41 mm"],
        ),
    ],
)
@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_the_words_that_the_operator_needs_are_there(case, words, size):
    # The lower half carries the named lines; the words beside big type are found by taking the type away.
    lines = [line.replace("#", " ") for line in render_screen(CASES[case], 0.2, *size, colour=False, ascii_only=True)]
    text = text_of(lines)
    missing = [headline for headline in words if headline not in text]
    assert not missing, "\n".join(lines)
    assert "ROBOT alive, connected from 127.0.0.1" in text
    assert "CAMERA alive, last picture 0.3 s ago" in text


@pytest.mark.parametrize("case", [c for c in CASES if c not in {"none", "max_pairs"}])
def test_the_small_screen_still_says_turn_count_robot_and_camera(case):
    shown = CASES[case]
    text = text_of(render_screen(shown, 0.2, 40, 12, colour=False, ascii_only=True))
    assert "ROBOT alive" in text
    assert "CAMERA alive" in text
    assert "RESULT" in text
    # Big figures replace the sentence where they fit.
    assert f"{shown['kept']} of about" in text or f"{shown['kept']} pairs kept" in text or "##" in text
    assert text.split(":")[0].split()[-1] in {"START", "RETRY", "NEXT", "STILL", "DONE", "STOP", "SIGN"}


def test_a_dead_robot_and_a_dead_camera_are_said_in_words():
    robot = {"alive": False, "message": "hung up 4 s ago"}
    text = text_of(render_screen(status(robot=robot, last_reply=None), 0.2, 120, 24, colour=False))
    assert "ROBOT NOT ALIVE, hung up 4 s ago" in text
    assert "The robot is not connected" in text
    camera = {"alive": False, "message": "no picture for 12 s"}
    text = text_of(render_screen(status(camera=camera), 0.2, 120, 24, colour=False))
    assert "CAMERA NOT ALIVE, no picture for 12 s" in text
    assert "Check its cable and power" in text


def test_silence_is_named_with_its_length_and_what_to_do_and_claims_nothing_about_robot_and_camera():
    before = text_of(render_screen(None, 7.2, 120, 24, colour=False))
    assert "No daemon heard for 7 s" in before
    assert "eyebolt serve STATION" in before
    after = text_of(render_screen(status(), 61.0, 120, 24, colour=False))
    assert "No daemon heard for 61 s" in after
    assert "below is old" in after
    assert "ROBOT not known now" in after
    assert "CAMERA not known now" in after
    assert "alive" not in after


def test_the_result_says_whether_it_is_in_use():
    result = {"acceptance": "accept", "reason": "two checks agree", "p95_mm": 0.41}
    assert "accepted, in use" in text_of(
        render_screen(status(phase="closed", result=result, accepted=True), 0, 120, 24, False)
    )
    assert "not accepted, not in use" in text_of(
        render_screen(status(phase="closed", result=result), 0, 120, 24, False)
    )
    for acceptance, message in (("unproven", "not proven"), ("reject", "no good")):
        bad = status(phase="closed", result=result | {"acceptance": acceptance, "reason": "focal length is off"})
        text = text_of(render_screen(bad, 0, 120, 24, colour=False))
        assert f"The result is {message}: focal length is off." in text
        assert "Call the engineer" in text


def test_the_bars_are_full_only_when_the_goal_is_reached():
    def inked(line):
        return line[line.index("[") + 1 : line.index("]")]

    for kept, wanted, expected in ((0, 9, None), (1, 8, 50.0), (39, 1, 1.0001), (13, 0, 0.9), (8, 0, 1.0)):
        shown = status(kept=kept, wanted=wanted, expected_p95_mm=expected)
        lines = render_screen(shown, 0.1, 80, 24, colour=False, ascii_only=True)
        pairs = inked(next(line for line in lines if line.startswith("PAIRS")))
        accuracy = inked(next(line for line in lines if line.startswith("ACCURACY")))
        assert len(pairs) == len(accuracy)
        assert ("." not in pairs) == (wanted == 0)
        assert ("." not in accuracy) == (expected is not None and expected <= 1.0)
        assert abs(pairs.count("#") - len(pairs) * kept / (kept + wanted)) <= 1


def test_figures_that_round_alike_do_not_contradict_the_verdict():
    text = text_of(render_screen(status(expected_p95_mm=1.0004), 0.1, 80, 24, colour=False))
    assert "error 1.0004, allowed 1.0000 mm: not yet" in text


def test_colour_adds_nothing_but_paint():
    for case in CASES.values():
        painted = render_screen(case, 0.2, 80, 24, colour=True)
        stripped = [drop_paint(line) for line in painted]
        assert stripped == render_screen(case, 0.2, 80, 24, colour=False)
    assert any("\x1b[" in line for line in render_screen(CASES["stopped"], 0.2, 80, 24, colour=True))


def drop_paint(line):
    while "\x1b[" in line:
        start = line.index("\x1b[")
        line = line[:start] + line[line.index("m", start) + 1 :]
    return line


def test_strings_cannot_steer_the_terminal():
    nasty = "a\x1b[2Jb\x07\x9b31mc\r\nd\u202ee\u200bf\ud800"
    shown = status(
        station=nasty,
        last_reply={"seq": 1, "code": 20, "message": nasty, "remedy": nasty},
        robot={"alive": True, "message": nasty},
        findings=[nasty],
    )
    lines = render_screen(shown, 0.2, 80, 24, colour=False, note=nasty)
    assert_fits(lines, 80, 24)
    text = "".join(lines)
    assert "a[2Jb" in text
    assert "\u202e" not in text
    "".join(lines).encode("utf-8")


def test_letters_that_are_two_columns_wide_are_counted_so():
    wide = "\u6c34\u5e73" * 60
    lines = render_screen(status(station=wide, robot={"alive": True, "message": wide}), 0.2, 80, 24, colour=False)
    assert_fits(lines, 80, 24)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=80),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)
PHASES = st.sampled_from(["idle", "open", "working", "goal-met", "stopped", "closed", "later", ""])
LINK = st.fixed_dictionaries({}, optional={"alive": st.booleans() | JSON, "message": st.text(max_size=200)}) | JSON
LAST = st.fixed_dictionaries(
    {}, optional={"seq": st.integers(), "code": st.integers(0, 60), "message": st.text(max_size=300), "remedy": JSON}
)
RANDOM_STATUS = st.fixed_dictionaries(
    {},
    optional={
        "station": st.text(max_size=100) | JSON,
        "session": st.text(max_size=100) | JSON,
        "phase": PHASES | JSON,
        "kept": st.integers(0, 50) | JSON,
        "wanted": st.integers(0, 50) | JSON,
        "tolerance_mm": st.floats(0, 10) | JSON,
        "expected_p95_mm": st.floats(0, 10) | JSON,
        "history_p95_mm": st.lists(st.none() | st.floats(0, 10), max_size=50) | JSON,
        "last_reply": LAST | JSON,
        "robot": LINK,
        "camera": LINK,
        "result": st.fixed_dictionaries({}, optional={"acceptance": JSON, "reason": JSON, "p95_mm": JSON}) | JSON,
        "accepted": JSON,
        "timestamp": JSON,
        "findings": st.lists(st.text(max_size=200), max_size=3) | JSON,
        "a key from the future": JSON,
    },
)


@settings(max_examples=300, deadline=None)
@given(
    shown=st.none() | RANDOM_STATUS,
    status_age_s=st.floats(),
    width=st.integers(0, 130),
    height=st.integers(0, 45),
    ascii_only=st.booleans(),
)
def test_any_status_at_any_size_is_drawn_and_fits(shown, status_age_s, width, height, ascii_only):
    lines = render_screen(shown, status_age_s, width, height, colour=False, ascii_only=ascii_only)
    assert_fits(lines, width, height)
    if ascii_only:
        assert all(line.isascii() for line in lines)
    painted = render_screen(shown, status_age_s, width, height, colour=True, ascii_only=ascii_only)
    assert [drop_paint(line) for line in painted] == lines
