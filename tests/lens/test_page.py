"""The page of a calibration: complete by itself, the verdict first, and nothing shown by colour alone."""

import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from eyebolt.lens import (
    LensPage,
    PictureLine,
    best_next_view,
    calibrate_lens,
    compare_with_stated,
    lens_page,
    verdict,
)
from support.lens_views import BOARD_M, SIZE_PX, make_views

# Elements that HTML closes by itself.
VOID = {"meta", "br"}


class Reader(HTMLParser):
    """Text and elements of a page; an element that is not closed in order is an error."""

    def __init__(self):
        super().__init__()
        self.open, self.words, self.elements, self.attributes = [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.elements.append(tag)
        self.attributes += attrs
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not self.open or self.open[-1] not in ("style", "title"):
            self.words.append(data.strip())


def read(text):
    reader = Reader()
    reader.feed(text)
    assert reader.open == []
    return reader


@pytest.fixture(scope="module")
def found():
    truth = make_views(1, 8)
    return truth.camera, calibrate_lens(truth.views, SIZE_PX, BOARD_M)


def page_of(found, stated=None, name="a <b> & c.png"):
    calibration = replace(found, views=(replace(found.views[0], name=name), *found.views[1:]))
    comparison = None if stated is None else compare_with_stated(stated, found)
    lines = (
        *(PictureLine(view.name, f"{len(view.ids)} corners") for view in calibration.views),
        PictureLine("x", "no"),
    )
    further = best_next_view(found, BOARD_M, True)
    return LensPage(
        "Lens of station bay-3", calibration, None if stated is None else "camera.json", comparison, further, lines
    )


def test_the_page_is_complete_and_loads_nothing(found):
    truth, calibration = found
    text = lens_page(page_of(calibration, truth))
    assert text.startswith("<!doctype html>\n<!-- eyebolt lens -->\n")
    reader = read(text)
    assert "script" not in reader.elements and "link" not in reader.elements and "img" not in reader.elements
    assert not [name for name, _ in reader.attributes if name in ("src", "href", "xlink:href", "onload")]
    assert "http" not in text and "@import" not in text
    # The only references are to the pattern and the arrow's tip in the same drawing.
    assert set(re.findall(r"url\(([^)]*)\)", text)) <= {"#none", "#tip"}
    assert reader.elements.count("svg") == 2
    words = " ".join(reader.words)
    assert "a <b> & c.png" in words
    for name in calibration.camera.sigma:
        assert name in reader.words


def test_the_verdict_is_the_first_sentence(found):
    truth, calibration = found
    for stated, name, expected in (
        (None, None, "8 pictures determine the lens"),
        (truth, "camera.json", "8 pictures confirm the lens in camera.json"),
        (truth.perturbed({"fx": 8.0}), "camera.json", "the lens in camera.json does not fit these 8 pictures: fx is -"),
    ):
        comparison = None if stated is None else compare_with_stated(stated, calibration)
        sentence = verdict(calibration, name, comparison)
        assert sentence.startswith(expected)
        words = [word for word in read(lens_page(page_of(calibration, stated))).words if word]
        assert words[1] == f"{sentence[0].upper()}{sentence[1:]}."


def test_a_lens_of_another_camera_is_named_as_such(found):
    _, calibration = found
    assert "another camera" in verdict(calibration, "camera.json", None)


def test_counts_and_markings_are_written_as_numbers(found):
    _, calibration = found
    text = lens_page(page_of(calibration))
    drawing = text[text.index("<svg") : text.index("</svg>")]
    counts = [int(number) for number in re.findall(r"<text[^>]*>(\d+)</text>", drawing)]
    assert sum(counts) == sum(len(view.ids) for view in calibration.views)
    empty = counts.count(0)
    assert drawing.count('fill="url(#none)"') == empty
    assert f"{empty} of {len(counts)} cells have none" in drawing
    words = " ".join(read(text).words)
    assert "chosen" in words
    assert re.search(r"Thick arrows are larger than chance explains: \d+ of \d+", words)


def test_everything_drawn_is_inside_its_frame(found):
    _, calibration = found
    for drawing in re.findall(r"<svg.*?</svg>", lens_page(page_of(calibration)), re.DOTALL):
        width, height = map(float, re.search(r'viewBox="0 0 (\d+) (\d+)"', drawing).groups())
        for x, y in re.findall(r'c?x="([-\d.]+)" c?y="([-\d.]+)"', drawing):
            assert -1 <= float(x) <= width + 1
            assert -1 <= float(y) <= height + 1


def test_a_prescribed_model_without_a_further_view_is_shown_as_well(found):
    _, calibration = found
    page = replace(page_of(replace(calibration, models=())), next_view=None)
    assert "prescribed" in lens_page(page)
    assert np.isfinite(calibration.rms_px)
