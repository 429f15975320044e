"""The rendered views: what each shows is drawn from its number alone, so a view is the same in every run."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import cv2
import numpy as np

from eyebolt.boards import board_from_mm
from eyebolt_sim.board_texture import draw_board_texture
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.render import Appearance, Renderer
from eyebolt_sim.transforms import transform_points
from eyebolt_sim.views import place, tilted

SIZE = (2448, 2048)
LENS = simple_lens(*SIZE, 3000.0, (-0.1, 0.05, 0, 0, 0))
BOARDS = {
    "charuco": {"columns": 12, "rows": 9, "square_mm": 15.0, "marker_mm": 11.0, "dictionary": "5X5_100"},
    "chessboard": {"columns": 12, "rows": 9, "square_mm": 15.0},
}
# Board width as a share of the picture's; a tenth of the views show none.
BANDS = ((0.05, 0.15), (0.15, 0.25), (0.25, 0.5), (0.5, 1.0))
SHARES = (0.15, 0.2, 0.3, 0.25)


@dataclass
class View:
    """A picture, the band of its board's width (None: no board), the true corners (K, 2) and which of them are in
    the picture and uncovered."""

    picture: np.ndarray
    band: tuple[float, float] | None
    truth_px: np.ndarray
    visible: np.ndarray
    message: str


@functools.cache
def board_of(kind):
    """The bench's board of that kind."""
    return board_from_mm(kind, **BOARDS[kind])


@functools.cache
def _print(kind):
    return draw_board_texture(kind, **BOARDS[kind])


def make_view(number, kind, whole=False):
    """View ``number``; ``whole``: every corner in the picture and nothing covered, as a chessboard needs."""
    rng = np.random.default_rng([2448, number])
    draw = rng.random()
    edges = np.cumsum(SHARES)
    band = BANDS[int(np.searchsorted(edges, draw))] if draw < edges[-1] else None
    appearance = Appearance(
        blur_px=float(rng.choice([0.5, 0.7, 1.0, 1.5, 2.2], p=[0.2, 0.35, 0.25, 0.15, 0.05])),
        light_falloff=float(rng.uniform(0, 0.6)),
        read_noise=float(rng.uniform(0.6, 3.0)),
        white=float(rng.uniform(120, 240)),
    )
    renderer = Renderer(LENS, _print(kind), appearance, seed=number)
    shape = renderer.board.shape
    far_away = np.eye(4)
    far_away[2, 3] = -1.0
    camera_T_board = far_away
    truth = np.full((len(shape.corners_m), 2), np.nan)
    visible = np.zeros(len(truth), bool)
    if band is not None:
        while True:
            share = rng.uniform(*band)
            tilt, axis, roll = np.deg2rad(rng.uniform(0, 60)), rng.uniform(0, 2 * np.pi), rng.uniform(-np.pi, np.pi)
            # Far enough from the edge that most of the board is seen.
            spread = rng.uniform(-1, 1, 2) * max(0.05, 0.9 - share)
            distance_m = shape.size_m[0] * LENS.matrix[0, 0] / (share * SIZE[0])
            camera_T_board = place(LENS, shape, tilted(tilt, axis, roll), spread, distance_m)
            truth = LENS.project(transform_points(camera_T_board, shape.corners_m))
            visible = LENS.inside(truth, 3)
            if visible.mean() > (0.999 if whole else 0.5):
                break
        # Keeps the random sequence, and with it the views, of the published figures.
        rng.uniform(size=5)
    picture = renderer.render(camera_T_board, number)
    message = [f"tilt {np.rad2deg(tilt):.0f} share {share:.2f}" if band else "no board", f"blur {appearance.blur_px}"]
    disturbance = rng.choice(["none", "covered", "glare", "clutter"], p=[0.4, 0.2, 0.2, 0.2])
    if disturbance == "covered" and band and not whole:
        visible &= ~_cover(picture, truth, rng)
    elif disturbance == "glare":
        _glare(picture, rng)
    elif disturbance == "clutter":
        keep = (
            cv2.convexHull(LENS.project(transform_points(camera_T_board, _outline(shape))).astype(np.float32))
            if band
            else None
        )
        _clutter(picture, keep, rng)
    return View(picture, band, truth, visible, " ".join([*message, str(disturbance)]))


def _outline(shape):
    width, height = shape.size_m
    grow = 0.06
    x, y = np.array([-grow, 1 + grow]) * width, np.array([-grow, 1 + grow]) * height
    return np.array([[x[0], y[0], 0], [x[1], y[0], 0], [x[1], y[1], 0], [x[0], y[1], 0]])


def _cover(picture, truth, rng):
    """A dull band over a third of the board; returns which corners it hides."""
    towards = rng.uniform(0, 2 * np.pi)
    along = truth @ np.array([np.cos(towards), np.sin(towards)])
    edge = np.quantile(along, 2 / 3)
    rows, columns = np.indices(picture.shape, sparse=True)
    place_px = columns * np.cos(towards) + rows * np.sin(towards)
    reach = along.max() - along.min()
    hidden = (place_px > edge) & (place_px < edge + reach)
    picture[hidden] = np.clip(rng.normal(90, 2, int(hidden.sum())), 0, 255).astype(np.uint8)
    return along > edge - 2


def _glare(picture, rng):
    """A bright spot that burns out its middle."""
    middle = rng.uniform(0.2, 0.8, 2) * SIZE
    size = rng.uniform(60, 300)
    rows, columns = np.indices(picture.shape, sparse=True)
    spot = 260 * np.exp(-((columns - middle[0]) ** 2 + (rows - middle[1]) ** 2) / (2 * size**2))
    np.copyto(picture, np.clip(picture + spot, 0, 255).astype(np.uint8))


def _clutter(picture, keep, rng):
    """Dark squares, bright bars and rings all over, but not on the board."""
    mask = np.zeros(picture.shape, np.uint8)
    painted = picture.copy()
    for _ in range(60):
        middle, size = rng.uniform(0, 1, 2) * SIZE, rng.uniform(15, 160, 2)
        box = np.round(cv2.boxPoints((tuple(middle), tuple(size), float(rng.uniform(0, 90))))).astype(np.int32)
        cv2.fillConvexPoly(painted, box, int(rng.integers(10, 240)), cv2.LINE_AA)
        if rng.random() < 0.5:
            inner = np.round((box - box.mean(axis=0)) * 0.7 + box.mean(axis=0)).astype(np.int32)
            cv2.fillConvexPoly(painted, inner, int(rng.integers(10, 240)), cv2.LINE_AA)
    mask[:] = 1
    if keep is not None:
        cv2.fillConvexPoly(mask, np.round(keep).astype(np.int32), 0)
    np.copyto(picture, painted, where=mask > 0)
