"""The camera's picture in a terminal: gray levels, marks, and that no view is drawn where it does not belong."""

import itertools
import re

import cv2
import numpy as np
import pytest

from eyebolt.monitor.operator_keys import KeyRows
from eyebolt.monitor.operator_prompt import describe_view
from eyebolt.monitor.picture import picture_lines
from eyebolt.monitor.screen import PictureSize, render_screen, render_screen_with_picture
from eyebolt.monitor.subscriber import ReceivedView
from monitor.test_screen import CASES, HEADLINES, assert_fits, text_of, without_colour
from support.view_messages import make_view

# Of JPEG's compression, in gray levels.
COMPRESSION = 6
SIZE = PictureSize(12, 32)


def received(pixels, **changes):
    jpeg = cv2.imencode(".jpg", pixels.astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()
    unmarked = {"corners_px": [], "board_outline_px": None}
    return ReceivedView(make_view(**unmarked | changes), jpeg)


def flat(level):
    return np.full((240, 320), level)


def gray_of(index):
    """A level of xterm's palette of 256 colours: its ramp is 8 + 10 n from 232 on (256colres.pl in xterm's source), 16
    and 231 are the ends of its colour cube."""
    return {16: 0, 231: 255}.get(index, 8 + 10 * (index - 232))


def levels(line):
    """Upper and lower gray levels of each cell of a coloured line."""
    found = []
    for upper, lower, cells in re.findall("\x1b\\[0;38;5;([0-9]+);48;5;([0-9]+)m(\u2580+)", line):
        found += [(gray_of(int(upper)), gray_of(int(lower)))] * len(cells)
    return np.array(found)


def test_each_cell_has_two_pixels_one_above_the_other():
    pixels = np.arange(24).repeat(10)[:, None] * 10 + np.zeros(320)
    lines = picture_lines(received(pixels), SIZE, colours=True)
    assert len(lines) == SIZE.rows
    for row, line in enumerate(lines):
        found = levels(line)
        assert found.shape == (SIZE.columns, 2)
        # Half of the ramp's step, and what the compression changes.
        assert np.abs(found - [20 * row, 20 * row + 10]).max() <= 5 + COMPRESSION


@pytest.mark.parametrize("level", [0, 30, 128, 255])
def test_a_gray_level_is_the_nearest_of_the_palette(level):
    lines = picture_lines(received(flat(level)), SIZE, colours=True)
    assert np.abs(np.concatenate([levels(line) for line in lines]) - level).max() <= 8


@pytest.mark.parametrize("ascii_only", [False, True])
def test_without_colours_the_darkest_and_the_brightest_part_differ(ascii_only):
    pixels = flat(90)
    pixels[:, 160:] = 110
    lines = picture_lines(received(pixels), SIZE, colours=False, ascii_only=ascii_only)
    assert all(len(line) == SIZE.columns for line in lines)
    assert "\x1b" not in "".join(lines)
    assert lines[3][2] == " "
    assert lines[3][-2] == ("#" if ascii_only else "\u2588")
    assert "".join(lines).isascii() == ascii_only


def marks_of(**changes):
    return picture_lines(received(flat(0), **changes), SIZE, colours=False, ascii_only=True)


# A cell of the picture has 10 x 20 pixels.
BOARD = [[25.0, 45.0], [205.0, 45.0], [205.0, 185.0], [25.0, 185.0]]


def test_the_outlines_are_marked_by_different_characters():
    seen = marks_of(board_outline_px=BOARD)
    assert seen[2] == seen[9] == "  " + 19 * "o" + 11 * " "
    assert seen[5] == "  o" + 17 * " " + "o" + 11 * " "
    assert seen[1] == seen[10] == 32 * " "
    moved = [[x + 100, y] for x, y in BOARD]
    both = marks_of(board_outline_px=BOARD, predicted_outline_px=moved)
    assert both[2] == "  " + 10 * "o" + 9 * "*" + 10 * "+" + " "
    assert both[5] == "  o         +       o         + "
    assert "o" not in "".join(marks_of(predicted_outline_px=BOARD))


def test_colour_repeats_the_marks():
    line = picture_lines(received(flat(0), board_outline_px=BOARD), SIZE, colours=True)[2]
    assert without_colour(line) == "\u2580\u2580" + 19 * "o" + 11 * "\u2580"


def test_corners_are_marked_where_there_is_room_between_them():
    wide = [[30.0 + 60 * column, 30.0 + 80 * row] for column in range(4) for row in range(3)]
    assert "".join(marks_of(corners_px=wide)).count(".") == 12
    narrow = [[30.0 + 12 * column, 30.0 + 12 * row] for column in range(4) for row in range(3)]
    assert "." not in "".join(marks_of(corners_px=narrow))


@pytest.mark.parametrize(
    "far",
    [[[1e300, 5.0]] * 4, [[-1e300, -1e300], [1e300, -1e300], [1e300, 1e300], [-1e300, 1e300]], [[-50.0, 40.0]] * 4],
)
def test_an_outline_outside_the_picture_is_not_drawn(far):
    assert not "".join(marks_of(predicted_outline_px=far)).strip()


def test_an_outline_that_is_partly_outside_is_drawn_inside():
    lines = marks_of(predicted_outline_px=[[-400.0, 45.0], [205.0, 45.0], [205.0, 9000.0], [-400.0, 9000.0]])
    assert lines[2] == 21 * "+" + 11 * " "
    assert [line.strip() for line in lines[3:]] == 9 * ["+"]


def test_a_picture_that_is_larger_than_any_view_is_not_decoded():
    large, small = (received(np.zeros((400, width))) for width in (961, 960))
    assert picture_lines(large, SIZE, colours=True) == []
    assert len(picture_lines(small, SIZE, colours=True)) == SIZE.rows


@pytest.mark.parametrize(
    "jpeg", [b"", b"\xff\xd8 no picture", received(flat(9)).jpeg[:90], b"\xff\xd8" + b"\xff\xe0\0\0" * 99]
)
def test_no_picture_is_drawn_of_a_damaged_one(jpeg):
    assert picture_lines(ReceivedView(make_view(), jpeg), SIZE, colours=True) == []


def test_the_picture_keeps_its_shape():
    assert PictureSize.within(17, 44, 4 / 3) == PictureSize(16, 44)
    assert PictureSize.within(12, 80, 4 / 3) == PictureSize(12, 32)


KEYS = KeyRows("b: begin, t: take a pair, u: undo, f: finish")


@pytest.mark.parametrize("case", [case for case in CASES if case not in ("waiting", "max_pairs")])
def test_prompt_and_counter_stay_beside_the_picture(case):
    status = CASES[case]
    for size, view, keys in itertools.product([(80, 24), (120, 40), (200, 60)], [None, make_view()], [None, KEYS]):
        lines, area = render_screen_with_picture(
            status, 0.2, view, 0.1, *size, colour=False, ascii_only=True, keys=keys
        )
        assert_fits(lines, *size)
        assert not [line for line in lines if line.endswith("...")]
        text = text_of(lines)
        assert "####" in text or f"{HEADLINES[case]}:" in text
        assert "CAMERA" in text
        assert area is not None, size
        beside = text_of(line[area.size.columns :] for line in lines[area.top :])
        assert not text_of(line[: area.size.columns] for line in lines[area.top : area.top + area.size.rows])
        assert "##" in beside or f"{status.kept} " in beside
        assert area.top + area.size.rows <= size[1]


def test_the_verdict_of_the_proof_is_beside_the_picture():
    for case, short in (("proof_good", "PROOF 0.60 of 0.92 mm: ok"), ("proof_off", "PROOF 1.51 of 0.92 mm: OFF")):
        lines, _ = render_screen_with_picture(CASES[case], 0.2, make_view(), 0.1, 80, 24, colour=False)
        text = text_of(lines)
        assert short in text or "expected error allows" in text


def test_without_room_or_daemon_the_screen_is_as_without_a_picture():
    status = CASES["kept"]
    lines, area = render_screen_with_picture(status, 0.2, None, 0.1, 50, 15, colour=False)
    assert area is None
    assert_fits(lines, 50, 15)
    lines, area = render_screen_with_picture(status, 60.0, make_view(), 60.0, 80, 24, colour=False)
    assert (lines, area) == (render_screen(status, 60.0, 80, 24, colour=False), None)


def test_what_is_in_the_picture_is_told_in_words():
    assert describe_view(None, 0.1) == "No picture yet."
    assert describe_view(make_view(), 0.1) == "Board found (o): tilted 12 deg, 640 mm away, edges 0.7 px wide."
    assert describe_view(make_view(), 7.2) == "No new picture for 7 s."
    refused = describe_view(make_view(found=False), 0.1)
    assert refused == "No board in the image. Move the arm into view."
    both = describe_view(make_view(predicted_outline_px=BOARD, is_of_capture=True), 0.1)
    assert both.startswith("Picture of the newest capture. Board found (o)")
    assert both.endswith("The result puts it at + (* both).")
