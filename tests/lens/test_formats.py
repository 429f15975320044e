"""Lenses in the forms of OpenCV and of camera-info files: out and back, and the reason where one cannot be used."""

import re

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eyebolt.errors import InputFault
from eyebolt.geometry import CameraModel
from eyebolt.lens import LensForm, export_lens, import_lens

MATRIX = np.array([[1310.123456789012, 0, 633.2], [0, 1302.25, 517.9], [0, 0, 1]])
COEFFICIENTS = [-0.21, 0.11, 1e-5, -0.0009, -0.03, 0.05, -0.02, 0.004, 0.0011, -0.0004, -0.0007, 0.0003]


def lens(count):
    return CameraModel(1280, 1024, MATRIX, np.array(COEFFICIENTS[:count]))


def same(one, other):
    return one.matrix.tolist() == other.matrix.tolist() and (one.width_px, one.height_px) == (1280, 1024)


@pytest.mark.parametrize("form", [LensForm.OPENCV_YAML, LensForm.OPENCV_XML])
@pytest.mark.parametrize("count", [0, 4, 5, 8, 12])
def test_opencv_reads_what_is_exported_and_it_comes_back(tmp_path, form, count):
    text = export_lens(lens(count), form, "bay-3")
    path = tmp_path / ("lens.xml" if form is LensForm.OPENCV_XML else "lens.yml")
    path.write_text(text)
    storage = cv2.FileStorage(str(path), cv2.FILE_STORAGE_READ)
    assert storage.getNode("image_width").real() == 1280
    assert storage.getNode("camera_matrix").mat().tolist() == MATRIX.tolist()
    if count:
        assert storage.getNode("distortion_coefficients").mat().ravel().tolist() == COEFFICIENTS[:count]
    back = import_lens(text, path.name)
    assert same(back, lens(count)) and back.distortion.tolist() == COEFFICIENTS[:count]
    assert back.sigma == {}


def read_yaml(text):
    """Reader of the part of YAML 1.1 that camera-info files have: scalars, flow sequences, one level of mappings."""
    number = re.compile(r"[-+]?(?:[0-9][0-9_]*\.[0-9_]*(?:[eE][-+][0-9]+)?|\.[0-9]+(?:[eE][-+][0-9]+)?|[0-9]+)")

    def value(word):
        word = word.strip()
        if word.startswith("["):
            return [value(part) for part in word.strip("[]").split(",")]
        return float(word) if number.fullmatch(word) else word

    out, inner = {}, None
    for line in text.splitlines():
        key, _, rest = line.strip().partition(":")
        if line.startswith("  "):
            inner[key] = value(rest)
        elif rest.strip():
            out[key] = value(rest)
        else:
            inner = out[key] = {}
    return out


@pytest.mark.parametrize("count", [0, 4, 5, 8])
def test_a_yaml_reader_reads_what_is_exported_and_it_comes_back(count):
    text = export_lens(lens(count), LensForm.CAMERA_INFO, "bay-3")
    read = read_yaml(text)
    assert (read["image_width"], read["image_height"], read["camera_name"]) == (1280, 1024, "bay-3")
    assert read["camera_matrix"] == {"rows": 3, "cols": 3, "data": MATRIX.ravel().tolist()}
    padded = COEFFICIENTS[:count] + [0.0] * (5 - count)
    assert read["distortion_coefficients"]["data"] == padded
    assert read["distortion_coefficients"]["cols"] == len(padded)
    assert read["distortion_model"] == ("rational_polynomial" if count == 8 else "plumb_bob")
    assert len(read["projection_matrix"]["data"]) == 12
    back = import_lens(text, "bay-3.yaml")
    assert same(back, lens(count)) and back.distortion.tolist() == padded


@settings(max_examples=50, deadline=None)
@given(
    st.floats(130, 1e5),
    st.floats(0, 1279),
    st.lists(st.floats(-1e3, 1e3, allow_subnormal=False), min_size=5, max_size=5),
    st.sampled_from(list(LensForm)),
)
def test_numbers_come_back_exactly(focal, centre, coefficients, form):
    matrix = np.array([[focal, 0, centre], [0, focal, 100.0], [0, 0, 1]])
    camera = CameraModel(1280, 1024, matrix, np.array(coefficients))
    back = import_lens(export_lens(camera, form, "bay-3"), "x")
    assert back.matrix.tolist() == matrix.tolist()
    assert back.distortion.tolist() == coefficients


@pytest.mark.evidence
def test_a_published_file_is_read(evidence_files):
    """Source: left_intrinsics.yml of Debian's opencv-doc, read there by cv2.FileStorage."""
    path = evidence_files("left_intrinsics.yml")
    storage = cv2.FileStorage(str(path), cv2.FILE_STORAGE_READ)
    found = import_lens(path.read_text(), path.name)
    assert found.matrix.tolist() == storage.getNode("camera_matrix").mat().tolist()
    assert found.distortion.tolist() == storage.getNode("distortion_coefficients").mat().ravel().tolist()
    assert (found.width_px, found.height_px) == (640, 480)


INFO = export_lens(lens(5), LensForm.CAMERA_INFO, "bay-3")
YAML = export_lens(lens(5), LensForm.OPENCV_YAML, "bay-3")


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (INFO.replace("plumb_bob", "equidistant"), "equidistant"),
        (INFO.replace("plumb_bob", "thin_prism_fisheye"), "thin_prism_fisheye"),
        (YAML + "fisheye_model: 1\n", "fisheye"),
        (INFO.replace("image_width: 1280\n", ""), "size"),
        (INFO.replace("image_width: 1280", "image_width: wide"), "size"),
        (INFO.replace("1310.123456789012", "8.0"), "not in pixels"),
        (INFO.replace("image_width: 1280", "image_width: 600"), "outside an image"),
        (INFO + "binning_x: 2\nbinning_y: 2\n", "reduced 2 times"),
        (INFO.replace("cols: 5", "cols: 3").replace(", -0.0009, -0.03]", "]"), "3 coefficients"),
        (YAML.replace("camera_matrix", "M1"), "camera_matrix"),
        ("", "camera_matrix"),
        ("hello", "neither|camera_matrix"),
        ("%YAML:1.0\n---\na: [1,", "neither"),
        ("<?xml version='1.0'?><opencv_storage><a>", "neither"),
        ("camera_matrix: 5\nimage_width: 1\nimage_height: 1\n", "camera_matrix"),
    ],
)
def test_what_cannot_be_used_is_refused_with_the_reason(text, reason):
    with pytest.raises(InputFault, match=reason) as caught:
        import_lens(text, "other.yaml")
    assert caught.value.code == "lens-import"
    assert "other.yaml" in caught.value.message
    assert caught.value.remedy


def test_a_tilted_sensor_is_refused_and_one_that_is_not_tilted_is_read():
    fourteen = [*COEFFICIENTS, 0.0, 0.0]
    for tilt, usable in ((0.0, True), (0.1, False)):
        storage = cv2.FileStorage(".yml", cv2.FILE_STORAGE_WRITE | cv2.FILE_STORAGE_MEMORY)
        storage.write("image_width", 1280)
        storage.write("image_height", 1024)
        storage.write("camera_matrix", MATRIX)
        storage.write("distortion_coefficients", np.array([*fourteen[:13], tilt]))
        text = storage.releaseAndGetString()
        if usable:
            assert import_lens(text, "x").distortion.tolist() == COEFFICIENTS
        else:
            with pytest.raises(InputFault, match="tilted"):
                import_lens(text, "x")


def test_what_a_form_cannot_hold_is_not_exported():
    with pytest.raises(InputFault, match="thin prism") as caught:
        export_lens(lens(12), LensForm.CAMERA_INFO, "bay-3")
    assert caught.value.code == "lens-export"
    skewed = MATRIX + np.array([[0, 0.5, 0], [0, 0, 0], [0, 0, 0]])
    for form in LensForm:
        with pytest.raises(InputFault, match="skew"):
            export_lens(CameraModel(1280, 1024, skewed, np.zeros(0)), form, "bay-3")


@settings(max_examples=150, deadline=None)
@given(st.data(), st.sampled_from([INFO, YAML]))
def test_no_damage_raises_anything_but_a_fault(data, text):
    start = data.draw(st.integers(0, len(text)))
    end = min(len(text), start + data.draw(st.integers(0, 12)))
    patch = data.draw(
        st.one_of(st.sampled_from(["-1", ".Nan", "1e999", "~", "[]", "{}", "- ", "\t"]), st.text(max_size=5))
    )
    try:
        found = import_lens(text[:start] + patch + text[end:], "x")
    except InputFault as fault:
        assert fault.code in ("lens-import", "lens-model")
    else:
        assert np.isfinite(found.matrix).all() and np.isfinite(found.distortion).all()
