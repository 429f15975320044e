"""``eyebolt board``: what it prints and writes, and the measured size of a print in the station file."""

import json

import pytest

from eyebolt.config import parse_station, station_template
from eyebolt_sim.problems import DEFAULT_LENS

BOARDS = {
    "charuco": None,
    "chessboard": (
        'kind = "chessboard"',
        "columns = 12",
        "rows = 9",
        "square_mm = 15.0 # by hand",
        'scale_from = "printed"',
    ),
    "grid": ('kind = "grid"', "columns = 5", "rows = 4", "marker_mm = 12", "gap_mm = 3", 'dictionary = "4X4_50"'),
    "circles": ('kind = "circles"', "columns = 4", "rows = 11", "spacing_mm=15.0"),
}


@pytest.fixture
def station(tmp_path):
    path = tmp_path / "station.toml"
    path.write_text(station_template())
    return path


def test_pdf_and_svg_are_written_and_never_overwritten(station, eyebolt):
    code, out, _ = eyebolt("board", station)
    assert code == 0
    assert "180 x 135 mm" in out
    pdf, svg = station.with_name("board.pdf"), station.with_name("board.svg")
    assert pdf.read_bytes().startswith(b"%PDF-1.4")
    assert svg.read_text().startswith("<svg")
    pdf.write_text("mine")
    code, _, err = eyebolt("board", station)
    assert (code, pdf.read_text()) == (1, "mine")
    assert "(file-exists)" in err
    assert eyebolt("board", station, "--force", "--paper", "a3")[0] == 0
    assert pdf.read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    ("far_mm", "verdict"), [(700.0, "The stated board suits"), (2500.0, "details too small at 2500 mm")]
)
def test_the_forecast_comes_before_anything_is_written(tmp_path, eyebolt, monkeypatch, far_mm, verdict):
    from eyebolt.cli import board as module

    monkeypatch.setattr(module, "_COMPARED", module._COMPARED[:1])  # each takes seconds
    station = tmp_path / "station.toml"
    station.write_text(station_template(near_mm=400.0, far_mm=far_mm, tolerance_mm=2.0))
    (tmp_path / "camera.json").write_text(json.dumps(DEFAULT_LENS.to_json()))
    code, out, _ = eyebolt("board", station, "--forecast")
    assert code == 0
    assert verdict in out
    assert not station.with_name("board.pdf").exists()


@pytest.mark.parametrize("kind", BOARDS)
def test_the_measured_size_replaces_the_stated_one_and_nothing_else(tmp_path, eyebolt, kind):
    station = tmp_path / "station.toml"
    lines = BOARDS[kind]
    before = station_template() if lines is None else station_template(board_lines=lines)
    station.write_text(before)
    code, out, _ = eyebolt("board", station, "--measured", "150.6", "150.6")
    assert code == 0
    assert "Warning" not in out
    after = station.read_text()
    board, old = parse_station(after, "x").board, parse_station(before, "x").board
    assert board.scale_from == "measured"
    assert board.to_board().pitch_m == pytest.approx(0.01506)
    for key in ("square_mm", "marker_mm", "gap_mm", "spacing_mm"):
        if (value := getattr(old, key)) is not None:
            assert getattr(board, key) == pytest.approx(value * 1.004, abs=1e-4)
    comments = [line.partition("#")[2] for line in before.splitlines() if "#" in line]
    assert [line.partition("#")[2] for line in after.splitlines() if "#" in line] == comments


def test_ways_that_differ_are_noted_and_beyond_the_limit_refused(station, eyebolt):
    code, out, _ = eyebolt("board", station, "--measured", "150.1", "150.3")
    assert (code, "Warning" in out) == (0, True)
    before = station.read_bytes()
    for words in (("150", "151.5"), ("75", "75"), ("150", "nan")):
        code, _, err = eyebolt("board", station, "--measured", *words)
        assert (code, station.read_bytes()) == (1, before)
        assert "(board-measured)" in err
    assert eyebolt("board", station, "--measured", "75.1", "75.1", "--squares", "5")[0] == 0


def test_a_way_of_writing_that_cannot_be_edited_is_left_alone(station, eyebolt):
    text = station.read_text()
    lines = [
        line.partition("#")[0].strip() for line in text.partition("[board]")[2].partition("[goal]")[0].splitlines()
    ]
    inline = ", ".join(line for line in lines if line)
    station.write_text(
        f"board = {{ {inline} }}\n" + text.partition("[board]")[0] + "[goal]" + text.partition("[goal]")[2]
    )
    before = station.read_bytes()
    code, _, err = eyebolt("board", station, "--measured", "150.6", "150.6")
    assert (code, station.read_bytes()) == (1, before)
    assert "square_mm = 15.06" in err
