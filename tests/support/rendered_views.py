"""Rendered views of one board, worsened in one way at a time, and the verdict that each gets."""

from dataclasses import dataclass, field

import cv2
import numpy as np

from eyebolt.boards import board_from_mm
from eyebolt.boards.detect import find_board
from eyebolt.boards.detection import NoDetection
from eyebolt.geometry.camera_model import CameraModel
from eyebolt.observations.view_acceptance import Baseline, assess_view
from eyebolt.observations.view_quality import compare_images, measure_view
from eyebolt_sim.board_texture import draw_board_texture
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.render import Appearance, Renderer
from eyebolt_sim.views import ViewRange, random_views

# What sharp, flat pictures of this simulated camera are like.
USUAL = Baseline(blur_px=0.75, residual_px=0.02)
NEAR = ViewRange(distance_m=(0.5, 0.7), tilt_deg=(0.0, 30.0), spread=0.5)
APART_MS = 150.0


@dataclass
class Bench:
    """One camera before one board. ``views(count)`` are places of the board, always the same ones for a seed."""

    kind: str = "charuco"
    columns: int = 8
    rows: int = 6
    focal_px: float = 2800.0
    seed: int = 0
    limits: ViewRange = NEAR
    renderers: dict = field(default_factory=dict)

    def __post_init__(self):
        marker = 11.0 if self.kind == "charuco" else None
        self.lens = simple_lens(1280, 960, self.focal_px, (-0.1, 0.05, 0.0005, -0.0005, 0))
        self.camera = CameraModel(1280, 960, self.lens.matrix, self.lens.distortion)
        self.print = draw_board_texture(self.kind, self.columns, self.rows, 15.0, marker, "5X5_100")
        self.board = board_from_mm(self.kind, self.columns, self.rows, 15.0, marker, "5X5_100" if marker else None)

    def views(self, count, limits=None):
        """camera_T_board (4, 4), as many as asked."""
        drawn = random_views(self.lens, self.print.shape, limits or self.limits, np.random.default_rng(self.seed))
        return [view for view, _ in zip(drawn, range(count), strict=False)]

    def picture(self, view, noise_seed=0, appearance=None):
        """The board at ``view``."""
        appearance = appearance or Appearance()
        if appearance not in self.renderers:
            # The light's unevenness and the background are tables of their own; a few looks at a time are enough.
            if len(self.renderers) > 3:
                self.renderers.clear()
            self.renderers[appearance] = Renderer(self.lens, self.print, appearance, self.seed)
        return self.renderers[appearance].render(view, noise_seed)

    def corners_px(self, view):
        """Where the corners truly are, (K, 2)."""
        return self.lens.project(self.print.shape.corners_m @ view[:3, :3].T + view[:3, 3])

    def judged(self, picture, earlier=None, baseline=USUAL, kept=(), pose=None):
        """The verdict on a picture (and one taken 150 ms earlier), and what was found and measured."""
        seen, motion_check = find_board(picture, self.board), None
        if earlier is not None:
            before = find_board(earlier, self.board)
            if not isinstance(before, NoDetection) and not isinstance(seen, NoDetection):
                motion_check = compare_images(before, seen, APART_MS)
        view = measure_view(picture, seen, self.camera, self.board, motion_check)
        at = np.eye(4) if pose is None else pose
        found = assess_view(seen, self.lens_size, self.board.corner_count, at, list(kept), view=view, baseline=baseline)
        return found, seen, view

    @property
    def lens_size(self):
        """Width and height."""
        return (self.lens.width_px, self.lens.height_px)


def shifted(view, shift_m):
    """The view with the board shifted by (3,) metres in the camera's frame."""
    out = view.copy()
    out[:3, 3] += shift_m
    return out


def with_glare(bench, picture, view, share, towards):
    """A burnt-out patch over about ``share`` of the board's face, beginning at its edge in direction ``towards`` (2,)
    of the picture; returns the picture and the share of the face that it truly covers."""
    corners = bench.print.shape.size_m
    steps = np.stack(np.meshgrid(np.linspace(0, corners[0], 80), np.linspace(0, corners[1], 80)), -1).reshape(-1, 2)
    face = bench.lens.project(np.column_stack([steps, np.zeros(len(steps))]) @ view[:3, :3].T + view[:3, 3])
    along = face @ np.asarray(towards, dtype=float)
    edge = np.quantile(along, 1 - share)
    height, width = picture.shape
    down, across = np.mgrid[0:height, 0:width]
    beyond = across * towards[0] + down * towards[1] > edge
    outline = cv2.convexHull(face.astype(np.float32)).astype(np.int32)
    near = np.zeros(picture.shape, np.uint8)
    cv2.fillConvexPoly(near, outline, 1)
    near = cv2.dilate(near, np.ones((31, 31), np.uint8))
    out = picture.copy()
    out[beyond & (near > 0)] = 255
    return out, float(np.mean(along > edge))


def dimmed(picture, factor, noise_seed=0, haze=0.0):
    """The same scene with ``factor`` times the light, ``haze`` (0..1 of full scale) added, and the noise of reading."""
    grain = np.random.default_rng([7, noise_seed]).normal(0, 1.0, picture.shape)
    return np.clip(np.rint(picture * factor + 255 * haze + grain), 0, 255).astype(np.uint8)
