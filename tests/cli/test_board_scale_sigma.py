"""How well the station file states the size of its board."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from eyebolt.config import station_template
from eyebolt.context import load_context
from eyebolt_sim.problems import DEFAULT_LENS

BOARD = ('kind = "chessboard"', "columns = 12", "rows = 9", "square_mm = 20.0")


@pytest.mark.parametrize(
    ("lines", "sigma"),
    [
        # 0.2 mm over ten squares.
        ((), 0.001),
        (('scale_from = "measured"',), 0.001),
        (('scale_from = "printed"',), 0.003),
        (('scale_from = "printed"', "scale_sigma_percent = 0.02"), 0.0002),
    ],
)
def test_the_size_of_the_board_is_as_uncertain_as_its_origin(tmp_path: Path, lines: tuple[str], sigma: float) -> None:
    station = tmp_path / "station.toml"
    station.write_text(station_template(board_lines=(*BOARD, *lines)))
    (tmp_path / "camera.json").write_text(json.dumps(DEFAULT_LENS.to_json()))
    problem = load_context(station).problem(())
    assert problem.board_scale_sigma == pytest.approx(sigma)
    assert problem.nuisance_prior.root[0, 0] == pytest.approx(sigma)
