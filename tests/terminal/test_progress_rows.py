"""What is known and what would help next: shown where there is room to spare, never in place of anything else."""

import pytest

from eyebolt.terminal.message import read
from eyebolt.terminal.picture import draw

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


def test_shown_on_a_tall_screen():
    lines = draw(STATUS, 0.1, 100, 40, colour=False)
    assert "HELPS     tilt the board 45 deg, its left edge towards the camera" in lines
    assert "KNOWN     turned 40 and 38 deg aslant" in lines


@pytest.mark.parametrize("height", range(1, 40))
def test_on_a_small_screen_everything_else_comes_first(height):
    lines = draw(STATUS, 0.1, 80, height, colour=False)
    without = draw({**STATUS, "progress": None}, 0.1, 80, height, colour=False)
    kept = [line for line in lines if not line.startswith(("HELPS", "KNOWN"))]
    assert kept == without[: len(kept)] == without


@pytest.mark.parametrize("progress", [None, 7, [], "x", {"next": 3}, {"says": 1, "next": {"says": None}}])
def test_nonsense_is_nothing(progress):
    shown = read({**STATUS, "progress": progress})
    assert (shown.known, shown.advice) == ("", "")
