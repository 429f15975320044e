"""Pictures of a station's board through an invented lens, in place of those that a person takes by hand."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import cv2
import numpy as np

from eyebolt.context import load_station
from eyebolt.errors import InputFault, writing_remedy
from eyebolt_sim.cell import station_texture
from eyebolt_sim.lens import EXACT_SIGMA, INVENTED_LENS
from eyebolt_sim.render import Renderer
from eyebolt_sim.views import ViewRange, random_views

TRUE_LENS_NAME = "true-lens.json"
"""File beside the station file that holds the lens which took the pictures."""
_TILT_DEG = (15.0, 45.0)
_SPREAD = 0.75


def take_pictures(station_file: Path, folder: Path, count: int, seed: int) -> Path:
    """Writes ``count`` PNG pictures of the station's board into ``folder``, which is created; the file of its lens.

    Distances are those of the job, tilts 15 to 45 deg in all directions, the board in all parts of the image.
    Raises InputFault ``file-unreadable``, ``station-file``, ``sim-board``, ``no-view``, ``folder-unwritable``.
    """
    station = load_station(station_file)
    texture, lens = station_texture(station), INVENTED_LENS
    limits = ViewRange(
        distance_m=(station.goal.near_mm * 1e-3, station.goal.far_mm * 1e-3), tilt_deg=_TILT_DEG, spread=_SPREAD
    )
    found = random_views(lens, texture.shape, limits, np.random.default_rng([seed, 23]))
    views = list(itertools.islice(found, count))
    if len(views) < count:
        raise InputFault(
            "no-view",
            "the whole board of the station file does not fit into the picture at the distances of the job",
            "state a smaller [board], or a larger near_mm under [goal].",
        )
    renderer = Renderer(lens, texture, seed=seed)
    true_lens = station_file.parent / TRUE_LENS_NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        true_lens.write_text(json.dumps(lens.to_json(EXACT_SIGMA), indent=2) + "\n", encoding="utf-8")
        for number, view in enumerate(views, 1):
            encoded = cv2.imencode(".png", renderer.render(view, number))[1]
            (folder / f"picture-{number:02d}.png").write_bytes(encoded.tobytes())
    except OSError as error:
        raise InputFault(
            "folder-unwritable",
            f"the pictures cannot be written into {folder}, with their lens beside {station_file}: {error.strerror}",
            writing_remedy(error),
        ) from None
    return true_lens
