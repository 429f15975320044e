"""`eyebolt lens`: from pictures and sessions to a lens file and a page, its test of a lens file, import and export."""

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest

from eyebolt.boards import Detection
from eyebolt.config import lens_text, parse_lens, parse_lens_record
from eyebolt.context import load_context, load_session
from eyebolt.lens import view_fingerprint
from eyebolt.store import SessionFolder
from support.folder_camera_cell import LENS


@pytest.fixture(scope="module")
def pictures(recorded_cell, tmp_path_factory):
    """Eight pictures of the cell, and one file that is no picture."""
    folder = tmp_path_factory.mktemp("pictures")
    for image in sorted(recorded_cell.images.iterdir())[:8]:
        shutil.copy(image, folder)
    (folder / "010.png").write_bytes(b"not a picture")
    (folder / "notes.txt").write_text("board at the window\n")
    return folder


@pytest.fixture
def station(recorded_cell, tmp_path):
    return recorded_cell.station(tmp_path)


@pytest.fixture(scope="module")
def calibrated(recorded_cell, pictures, tmp_path_factory):
    """The lens file made from the pictures, by a station that had none."""
    from eyebolt.cli.lens import LensOptions, run_lens

    place = tmp_path_factory.mktemp("calibrated")
    station = recorded_cell.station(place)
    (place / "camera.json").unlink()
    lines = []
    code = run_lens(station, LensOptions(pictures=pictures), lines.append)
    return code, lines, place / "camera.json"


def test_a_lens_file_is_made_from_a_folder_of_pictures(calibrated):
    code, lines, path = calibrated
    assert code == 0
    record = parse_lens_record(path.read_text(), "camera.json")
    camera = record.to_camera()
    truth = np.concatenate([LENS.matrix[[0, 1, 0, 1], [0, 1, 2, 2]], LENS.distortion[: camera.distortion.size]])
    found = np.concatenate([camera.matrix[[0, 1, 0, 1], [0, 1, 2, 2]], camera.distortion])
    assert list(camera.sigma)[:5] == ["fx", "fy", "cx", "cy", "k1"]
    assert (np.abs(found - truth) < 4 * np.array(list(camera.sigma.values()))).all()
    assert camera.correlation is not None
    assert len(record.pictures) == 8
    # One line a picture while the board is searched.
    assert [line.split()[0] for line in lines[:9]] == [f"{k}/9" for k in range(1, 10)]
    page = path.with_suffix(".html").read_text()
    assert page.startswith("<!doctype html>\n<!-- eyebolt lens -->")
    assert "010.png" in page
    assert (path.stat().st_mode & 0o777) == 0o644
    assert not list(path.parent.glob(".*partial"))


def test_a_lens_file_that_is_there_is_tested_and_left_alone(eyebolt, station, calibrated, pictures):
    before = (station.parent / "camera.json").read_bytes()
    code, out, err = eyebolt("lens", station, "--pictures", pictures)
    assert (code, err) == (0, "")
    assert "confirm" in out
    assert (station.parent / "camera.json").read_bytes() == before
    assert (station.parent / "camera.html").exists()
    # The page is this program's own and may be replaced, another file may not.
    assert eyebolt("lens", station, "--pictures", pictures)[0] == 0
    (station.parent / "camera.html").write_text("minutes of the meeting")
    code, out, err = eyebolt("lens", station, "--pictures", pictures)
    assert (code, "(file-exists)" in err) == (1, True)


def test_force_replaces_the_lens_file(eyebolt, station, pictures):
    assert eyebolt("lens", station, "--pictures", pictures, "--force", "--coefficients", 5)[0] == 0
    camera = parse_lens((station.parent / "camera.json").read_text(), "camera.json")
    assert (camera.distortion.size, len(camera.sigma)) == (5, 9)


def test_a_lens_file_of_another_camera_ends_with_1(eyebolt, station, calibrated, pictures):
    path = station.parent / "camera.json"
    path.write_text(lens_text(parse_lens(calibrated[2].read_text(), "x").perturbed({"fx": 20.0, "fy": 20.0})))
    out_file = station.parent / "new.json"
    code, out, err = eyebolt("lens", station, "--pictures", pictures, "--out", out_file)
    assert (code, err) == (1, "")
    assert "does not fit" in out
    assert out_file.exists()
    assert eyebolt("lens", station, "--pictures", pictures, "--out", out_file)[0] == 1
    assert "(file-exists)" in eyebolt("lens", station, "--pictures", pictures, "--out", out_file)[2]


def test_a_session_serves_as_well_and_its_pictures_are_not_counted_twice(eyebolt, recorded_session, pictures, tmp_path):
    session = load_session(SessionFolder.open_read_only(recorded_session))
    shown = [c for c in session.log.captures if isinstance(c.detection, Detection)]
    assert len(shown) > 8
    out_file = tmp_path / "camera.json"
    station = recorded_session.parent.parent / "station.toml"
    # Eight of its pictures are in the folder as well.
    words = ("--session", recorded_session.name, "--pictures", pictures, "--out", out_file)
    code, _, err = eyebolt("lens", station, *words)
    assert (code, err) == (0, "")
    record = parse_lens_record(out_file.read_text(), "camera.json")
    assert set(record.pictures) == {view_fingerprint(c.detection.corners_px) for c in shown}
    # The station with that lens file: a solve of other pairs has the whole of it, one of these pairs only the rest.
    shutil.copy(station, tmp_path)
    context = load_context(tmp_path / "station.toml")
    pairs = session.log.dataset.pairs
    others = tuple(replace(pair, corners_px=pair.corners_px + 0.01) for pair in pairs)
    assert context.problem(others).camera is context.lens
    part = context.problem(pairs[:3]).camera
    factor = (1 - 3 / len(shown)) ** -0.5
    assert list(part.sigma.values()) == pytest.approx(factor * np.array(list(context.lens.sigma.values())))
    assert part.correlation is context.lens.correlation
    # Numbered from the other end of a symmetric board, and in any order, a picture is the same.
    reversed_pairs = tuple(replace(pair, corners_px=pair.corners_px[::-1]) for pair in pairs[:3])
    assert context.problem(reversed_pairs).camera.sigma == part.sigma
    # Where no other picture is left, the lens file says nothing about its uncertainty.
    own = replace(context, lens_pictures=frozenset(view_fingerprint(pair.corners_px) for pair in pairs))
    assert own.problem(pairs).camera.sigma == {}


@pytest.mark.parametrize("form", ["opencv-yaml", "opencv-xml", "camera-info"])
def test_export_and_import(eyebolt, station, form):
    path, exported = station.parent / "camera.json", station.parent / "other.file"
    before = parse_lens(path.read_text(), "x")
    code, _, err = eyebolt("lens", station, "--export", form, exported)
    assert (code, err) == (0, "")
    imported = station.parent / "imported.json"
    assert eyebolt("lens", station, "--import", exported, "--out", imported)[0] == 0
    after = parse_lens(imported.read_text(), "x")
    assert after.matrix.tolist() == before.matrix.tolist()
    assert after.distortion.tolist() == before.distortion.tolist()
    assert after.sigma == {}
    assert "(file-exists)" in eyebolt("lens", station, "--export", form, exported)[2]
    # Over the station's own file only with --force.
    assert "(file-exists)" in eyebolt("lens", station, "--import", exported)[2]
    assert eyebolt("lens", station, "--import", exported, "--force")[0] == 0


def test_a_lens_for_another_image_size_is_not_imported(eyebolt, station):
    small = station.parent / "small.yml"
    assert eyebolt("lens", station, "--export", "camera-info", small)[0] == 0
    small.write_text(small.read_text().replace("image_height: 960", "image_height: 720"))
    code, out, err = eyebolt("lens", station, "--import", small, "--out", station.parent / "new.json")
    assert (code, out) == (1, "")
    assert "(lens-import)" in err and "1280 x 720" in err and "1280 x 960" in err


@pytest.mark.parametrize(
    ("words", "fault"),
    [
        (("--pictures", "PLACE/none"), "lens-pictures"),
        (("--pictures", "PLACE/empty"), "lens-pictures"),
        (("--pictures", "PLACE/few"), "lens-pictures"),
        (("--session", "latest"), "lens-pictures"),
        ((), "lens-pictures"),
        (("--session", "no-such-session"), "record-name"),
        (("--session", "20260314-091500-01"), "record-read"),
        (("--pictures", "PLACE/few", "--coefficients", "3"), "lens-options"),
        (("--pictures", "PLACE/few", "--import", "x.yml"), "lens-options"),
        (("--import", "PLACE/none.yml"), "file-unreadable"),
        (("--import", "PLACE/station.toml"), "lens-import"),
        (("--pictures", "PLACE/sizes"), "image-size"),
        (("--pictures", "PLACE/small"), "image-size"),
    ],
)
def test_faults_name_thing_place_and_remedy(eyebolt, station, pictures, words, fault):
    import cv2

    place = station.parent
    (place / "empty").mkdir()
    for name in ("few", "sizes", "small"):
        (place / name).mkdir()
    first, second, *_ = sorted(pictures.glob("00*.png"))
    shutil.copy(first, place / "few")
    shutil.copy(first, place / "sizes")
    smaller = cv2.resize(cv2.imread(str(second)), (640, 480), interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(place / "sizes" / second.name), smaller)
    cv2.imwrite(str(place / "small" / second.name), smaller)
    code, _, err = eyebolt("lens", station, *(word.replace("PLACE", str(place)) for word in words))
    assert code == 1
    assert f"({fault})" in err
    assert "What to do: " in err
    assert not (place / "camera.html").exists()


def test_a_station_without_a_lens_file_has_nothing_to_export(eyebolt, station):
    (station.parent / "camera.json").unlink()
    code, _, err = eyebolt("lens", station, "--export", "camera-info", station.parent / "x.yaml")
    assert code == 1
    assert "(file-unreadable)" in err


def test_marks_of_pictures_are_part_of_the_lens_file():
    camera = parse_lens(json.dumps(LENS.to_json()), "x")
    text = lens_text(camera, ("0123456789abcdef",))
    assert parse_lens_record(text, "x").pictures == ("0123456789abcdef",)
    assert json.loads(lens_text(camera)).keys() & {"pictures"} == set()
