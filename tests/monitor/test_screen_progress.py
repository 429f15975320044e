"""What would help next: on a common screen while pairs are wanted, never in place of what the operator must see."""

import pytest

from eyebolt.monitor.screen import draw
from eyebolt.monitor.status_model import read

STATUS = {
    "schema": 1,
    "station": "bay-3",
    "mount": "fixed",
    "session": "20261125-154232-01",
    "phase": "open",
    "kept": 6,
    "wanted": 5,
    "fewest": 8,
    "most": 40,
    "tolerance_mm": 0.5,
    "expected_p95_mm": 0.8,
    "robot": {"alive": True, "says": ""},
    "camera": {"alive": True, "says": ""},
    "last": {"seq": 7, "code": 0, "says": "kept", "advice": ""},
    "progress": {
        "says": "turned 40 and 38 deg aslant",
        "known": {"near_mm": 600.0},
        "next": {"says": "tilt the board 45 deg, its left edge towards the camera", "suggestion": [1.0, 2.0]},
    },
}

# What may wait for a taller screen.
SPARE = ("HELPS", "KNOWN", "SO FAR", "TOOK", "RESULT    none", "\u2500")


def test_shown_on_a_tall_screen():
    lines = draw(STATUS, 0.1, 100, 40, colour=False)
    assert "HELPS     tilt the board 45 deg, its left edge towards the camera" in lines
    assert "KNOWN     turned 40 and 38 deg aslant" in lines


def test_help_is_shown_on_a_common_screen_while_pairs_are_wanted():
    lines = draw(STATUS, 0.1, 80, 24, colour=False)
    assert "HELPS     tilt the board 45 deg, its left edge towards the camera" in lines


@pytest.mark.parametrize("height", range(1, 40))
def test_what_the_operator_must_see_comes_first(height):
    lines, without = (
        [line for line in draw(status, 0.1, 80, height, colour=False) if line.strip() and not line.startswith(SPARE)]
        for status in (STATUS, {**STATUS, "progress": None})
    )
    assert lines == without


@pytest.mark.parametrize("height", range(1, 40))
def test_when_no_more_is_wanted_everything_else_comes_first(height):
    enough = {**STATUS, "wanted": 0}
    lines = draw(enough, 0.1, 80, height, colour=False)
    without = draw({**enough, "progress": None}, 0.1, 80, height, colour=False)
    kept = [line for line in lines if not line.startswith(("HELPS", "KNOWN"))]
    assert kept == without[: len(kept)] == without


@pytest.mark.parametrize("progress", [None, 7, [], "x", {"next": 3}, {"says": 1, "next": {"says": None}}])
def test_nonsense_is_nothing(progress):
    shown = read({**STATUS, "progress": progress})
    assert (shown.known, shown.advice) == ("", "")
