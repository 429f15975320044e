"""The next view: on a common screen while pairs are needed, never in place of what the operator must see."""

import pytest

from eyebolt.monitor.screen import render_screen, status_line
from support.status_messages import make_status

CHANGES = {
    "kept": 6,
    "wanted": 5,
    "tolerance_mm": 0.5,
    "tolerance_of": "pick",
    "p95_upper_mm": 0.8,
    "last_reply": {"seq": 7, "code": 0, "message": "kept", "remedy": ""},
    "p95_upper_history_mm": [],
    "timings_ms": None,
}
PROGRESS = {
    "message": "rotations up to 40 and 38 deg",
    "error_sources": "arm 0.187, corners 0.080, lens 0.050, board 0.015 mm, together 0.211 mm (RMS)",
    "next_view": {"message": "tilt the board 45 deg, its left edge towards the camera", "pose": [1.0, 2.0]},
}
NEXT_VIEW = "NEXT VIEW tilt the board 45 deg, its left edge towards the camera"

# What may wait for a taller screen.
SPARE = ("NEXT VIEW", "COVERAGE", "ERROR BY", "HISTORY", "TIMING", "RESULT    none", "\u2500")


def with_and_without_progress(height, **changes):
    return (
        render_screen(make_status(**CHANGES | changes, progress=progress), 0.1, 80, height, colour=False)
        for progress in (PROGRESS, None)
    )


def test_next_view_and_coverage_are_shown_on_a_tall_screen():
    lines = render_screen(make_status(**CHANGES, progress=PROGRESS), 0.1, 100, 40, colour=False)
    assert NEXT_VIEW in lines
    assert "ERROR BY  arm 0.187, corners 0.080, lens 0.050, board 0.015 mm, together 0.211 mm (RMS)" in lines
    assert "COVERAGE  rotations up to 40 and 38 deg" in lines


def test_the_next_view_is_shown_on_a_common_screen_while_pairs_are_needed():
    lines, _ = with_and_without_progress(24)
    assert NEXT_VIEW in lines


@pytest.mark.parametrize("height", range(1, 40))
def test_what_the_operator_must_see_comes_first(height):
    lines, without = (
        [line for line in screen if line.strip() and not line.startswith(SPARE)]
        for screen in with_and_without_progress(height)
    )
    assert lines == without


@pytest.mark.parametrize("height", range(1, 40))
def test_when_no_more_is_needed_everything_else_comes_first(height):
    lines, without = with_and_without_progress(height, wanted=0)
    rest = [line for line in lines if not line.startswith(("NEXT VIEW", "COVERAGE", "ERROR BY"))]
    assert rest == without[: len(rest)] == without


@pytest.mark.parametrize("progress", [{"message": ""}, {"message": "", "next_view": {"message": ""}}])
def test_empty_texts_take_no_room(progress):
    empty, none = (make_status(**CHANGES, progress=value) for value in (progress, None))
    assert render_screen(empty, 0.1, 80, 40, colour=False) == render_screen(none, 0.1, 80, 40, colour=False)


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_a_tolerance_of_the_transform_alone_is_named_on_every_screen(width):
    status = make_status(**CHANGES | {"tolerance_of": "transform"})
    lines = "\n".join(render_screen(status, 0.1, width, 30, colour=False))
    assert "transform error up to 0.80" in lines
    assert "transform error up to 0.80 mm, tolerance 0.50 mm" in status_line(status, 0.1)
