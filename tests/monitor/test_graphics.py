"""The picture in pixels: what is sent to a terminal, read back by the rules of its protocol."""

import base64
import re
import sys
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from textual_image.renderable import SixelImage, TGPImage

from eyebolt.monitor.graphics import GraphicsPicture, marked_picture
from eyebolt.monitor.screen import PictureSize
from eyebolt.monitor.subscriber import ReceivedView
from support.view_messages import make_view

SIZE = PictureSize(13, 32)
BOARD = [[60.0, 60.0], [260.0, 60.0], [260.0, 180.0], [60.0, 180.0]]
RAMP = np.linspace(40, 200, 320)[None] * np.ones((240, 1))


def view(**changes):
    jpeg = cv2.imencode(".jpg", RAMP.astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()
    return ReceivedView(make_view(**{"corners_px": [], "board_outline_px": BOARD} | changes), jpeg)


def decode_sixel(text):
    """(height, width, 3): the picture of a sixel sequence (DEC STD 070, chapter 9; from memory)."""
    body = re.fullmatch("\x1bP[0-9;]*q(.*)\x1b\\\\", text, re.DOTALL)[1]
    size = re.match('"[0-9]+;[0-9]+;([0-9]+);([0-9]+)', body)
    width, height = int(size[1]), int(size[2])
    pixels, palette = np.zeros((height + 6, width, 3)), {}
    colour, x, y = 0, 0, 0
    for token in re.finditer("#([0-9]+)(?:;2;([0-9]+);([0-9]+);([0-9]+))?|!([0-9]+)(.)|(.)", body[size.end() :]):
        if token[1] is not None:
            colour = int(token[1])
            if token[2] is not None:
                palette[colour] = [int(token[channel]) * 2.55 for channel in (2, 3, 4)]
            continue
        sign, count = (token[7], 1) if token[7] else (token[6], int(token[5]))
        if sign == "$":
            x = 0
        elif sign == "-":
            x, y = 0, y + 6
        else:
            for bit in range(6):
                if (ord(sign) - 63) >> bit & 1:
                    pixels[y + bit, x : x + count] = palette[colour]
            x += count
    return pixels[:height]


def assert_shows(pixels, expected):
    # Of JPEG's compression, of the scaling of thin marks, and of a palette of 256 colours.
    assert np.abs(pixels - expected).mean() < 4
    assert np.corrcoef(pixels.ravel(), expected.astype(float).ravel())[0, 1] > 0.97


def scaled(picture, pixels):
    height, width = pixels.shape[:2]
    return cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA)


def test_sixels_show_the_picture_above_the_last_line_of_its_area():
    (line,) = GraphicsPicture(SixelImage).lines(view(), SIZE)
    pixels = decode_sixel(line)
    # Without a terminal the library takes cells of 10 x 20 px, those of a VT340.
    assert pixels.shape[0] <= 20 * (SIZE.rows - 1)
    assert pixels.shape[1] <= 10 * SIZE.columns
    assert_shows(pixels, scaled(marked_picture(view()), pixels))


def test_the_other_protocol_sends_the_picture_and_holds_its_place(monkeypatch):
    sent = []
    monkeypatch.setattr(
        sys, "__stdout__", type("Output", (), {"write": sent.append, "flush": lambda: None, "isatty": lambda: False})
    )
    graphics = GraphicsPicture(TGPImage)
    lines = graphics.lines(view(), SIZE)
    assert len(lines) == SIZE.rows - 1
    pieces = [re.fullmatch("\x1b_G(.*?);(.*)\x1b\\\\", text, re.DOTALL)[2] for text in sent if ",f=100," in text]
    decoded = cv2.imdecode(np.frombuffer(base64.b64decode("".join(pieces)), np.uint8), cv2.IMREAD_COLOR)
    assert_shows(decoded, scaled(marked_picture(view()), decoded))
    # The picture before is taken out of the terminal's memory.
    before = len(sent)
    graphics.lines(view(), SIZE)
    assert any("a=d" in text for text in sent[before:])


def test_the_marks_are_seen_on_any_picture_and_only_where_they_belong():
    bare = marked_picture(view(board_outline_px=None)).astype(int)
    for changes in ({}, {"board_outline_px": None, "predicted_outline_px": BOARD}):
        changed = np.abs(marked_picture(view(**changes)).astype(int) - bare).max(axis=2) > 20
        rows, columns = np.nonzero(changed)
        assert (rows.min(), rows.max()) == pytest.approx((60, 180), abs=8)
        assert (columns.min(), columns.max()) == pytest.approx((60, 260), abs=8)
        assert not changed[75:165, 75:245].any()
    seen, predicted = (
        marked_picture(view(**{"board_outline_px": None} | {key: BOARD}))
        for key in ("board_outline_px", "predicted_outline_px")
    )
    assert (seen != predicted).any()


@pytest.mark.parametrize(
    "far", [[[1e300, 5.0]] * 4, [[-1e300, -1e300], [1e300, -1e300], [1e300, 1e300], [-1e300, 1e300]]]
)
def test_an_outline_outside_the_picture_is_not_drawn(far):
    bare = marked_picture(view(board_outline_px=None))
    with np.errstate(over="ignore", invalid="ignore"):
        assert np.array_equal(marked_picture(view(board_outline_px=None, predicted_outline_px=far)), bare)


def test_a_picture_that_takes_long_is_followed_by_a_pause(monkeypatch):
    clock, processor = iter([0.0, 10.5, 16.4, 16.6]), iter([3.0, 3.5])
    clocks = SimpleNamespace(monotonic=lambda: next(clock), process_time=lambda: next(processor))
    monkeypatch.setattr("eyebolt.monitor.graphics.time", clocks)
    graphics = GraphicsPicture(SixelImage)
    assert graphics.is_due
    graphics.lines(view(), SIZE)
    assert [graphics.is_due, graphics.is_due] == [False, True]


def test_nothing_is_drawn_of_a_damaged_picture():
    assert GraphicsPicture(SixelImage).lines(ReceivedView(make_view(), b"no picture"), SIZE) == []
