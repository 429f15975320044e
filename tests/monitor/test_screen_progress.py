"""What would help next: on a common screen while pairs are wanted, never in place of what the operator must see."""

import pytest

from eyebolt.monitor.screen import render_screen
from eyebolt.monitor.status_model import parse_status

STATUS = {
    "schema": 1,
    "station": "bay-3",
    "mount": "fixed",
    "session": "20261125-154232-01",
    "phase": "open",
    "kept": 6,
    "wanted": 5,
    "min_pairs": 8,
    "max_pairs": 40,
    "tolerance_mm": 0.5,
    "expected_p95_mm": 0.8,
    "robot": {"alive": True, "message": ""},
    "camera": {"alive": True, "message": ""},
    "last_reply": {"seq": 7, "code": 0, "message": "kept", "remedy": ""},
    "progress": {
        "message": "turned 40 and 38 deg aslant",
        "coverage": {"near_mm": 600.0},
        "next_view": {"message": "tilt the board 45 deg, its left edge towards the camera", "pose": [1.0, 2.0]},
    },
}

# What may wait for a taller screen.
SPARE = ("HELPS", "KNOWN", "SO FAR", "TOOK", "RESULT    none", "\u2500")


def test_shown_on_a_tall_screen():
    lines = render_screen(STATUS, 0.1, 100, 40, colour=False)
    assert "HELPS     tilt the board 45 deg, its left edge towards the camera" in lines
    assert "KNOWN     turned 40 and 38 deg aslant" in lines


def test_help_is_shown_on_a_common_screen_while_pairs_are_wanted():
    lines = render_screen(STATUS, 0.1, 80, 24, colour=False)
    assert "HELPS     tilt the board 45 deg, its left edge towards the camera" in lines


@pytest.mark.parametrize("height", range(1, 40))
def test_what_the_operator_must_see_comes_first(height):
    lines, without = (
        [
            line
            for line in render_screen(status, 0.1, 80, height, colour=False)
            if line.strip() and not line.startswith(SPARE)
        ]
        for status in (STATUS, {**STATUS, "progress": None})
    )
    assert lines == without


@pytest.mark.parametrize("height", range(1, 40))
def test_when_no_more_is_wanted_everything_else_comes_first(height):
    enough = {**STATUS, "wanted": 0}
    lines = render_screen(enough, 0.1, 80, height, colour=False)
    without = render_screen({**enough, "progress": None}, 0.1, 80, height, colour=False)
    kept = [line for line in lines if not line.startswith(("HELPS", "KNOWN"))]
    assert kept == without[: len(kept)] == without


@pytest.mark.parametrize(
    "progress", [None, 7, [], "x", {"next_view": 3}, {"message": 1, "next_view": {"message": None}}]
)
def test_nonsense_is_nothing(progress):
    shown = parse_status({**STATUS, "progress": progress})
    assert (shown.progress, shown.next_view) == ("", "")
