"""Rendered views of one board, degraded in one way at a time, and the acceptance of each."""

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

# Medians of sharp images of a flat board with this simulated camera.
USUAL = Baseline(blur_px=0.75, residual_px=0.02)
NEAR = ViewRange(distance_m=(0.5, 0.7), tilt_deg=(0.0, 30.0), spread=0.5)
APART_MS = 150.0


@dataclass
class Bench:
    """One camera and one board; the poses of ``views`` depend on the seed alone."""

    kind: str = "charuco"
    columns: int = 8
    rows: int = 6
    focal_px: float = 2800.0
    seed: int = 0
    limits: ViewRange = NEAR
    renderers: dict[Appearance, Renderer] = field(default_factory=dict)

    def __post_init__(self):
        marker = 11.0 if self.kind == "charuco" else None
        self.lens = simple_lens(1280, 960, self.focal_px, (-0.1, 0.05, 0.0005, -0.0005, 0))
        self.camera = CameraModel(1280, 960, self.lens.matrix, self.lens.distortion)
        self.print = draw_board_texture(self.kind, self.columns, self.rows, 15.0, marker, "5X5_100")
        self.board = board_from_mm(self.kind, self.columns, self.rows, 15.0, marker, "5X5_100" if marker else None)

    def views(self, count, limits=None):
        """``count`` poses camera_T_board (4, 4)."""
        drawn = random_views(self.lens, self.print.shape, limits or self.limits, np.random.default_rng(self.seed))
        return [view for view, _ in zip(drawn, range(count), strict=False)]

    def image(self, view, noise_seed=0, appearance=None):
        """The rendered image (H, W) of the board at ``view`` (4, 4)."""
        appearance = appearance or Appearance()
        if appearance not in self.renderers:
            # A renderer holds tables of the illumination and the background: keep few of them.
            if len(self.renderers) > 3:
                self.renderers.clear()
            self.renderers[appearance] = Renderer(self.lens, self.print, appearance, self.seed)
        return self.renderers[appearance].render(view, noise_seed)

    def corners_px(self, view):
        """True corners (K, 2), pixels."""
        return self.lens.project(self.print.shape.corners_m @ view[:3, :3].T + view[:3, 3])

    def assessed(self, image, earlier=None, baseline=USUAL, kept=(), pose=None):
        """Acceptance, detection and measures of an image; ``earlier``: an image taken 150 ms before it."""
        detection, motion_check = find_board(image, self.board), None
        if earlier is not None:
            before = find_board(earlier, self.board)
            if not isinstance(before, NoDetection) and not isinstance(detection, NoDetection):
                motion_check = compare_images(before, detection, APART_MS)
        view, _ = measure_view(image, detection, self.camera, self.board, motion_check)
        at = np.eye(4) if pose is None else pose
        found = assess_view(
            detection, self.lens_size, self.board.corner_count, at, list(kept), view=view, baseline=baseline
        )
        return found, detection, view

    @property
    def lens_size(self):
        """Width and height."""
        return (self.lens.width_px, self.lens.height_px)


def shifted(view, shift_m):
    """The view with the board shifted by (3,) metres in the camera's frame."""
    out = view.copy()
    out[:3, 3] += shift_m
    return out


def with_glare(bench, image, view, share, towards):
    """The image with a saturated patch over about ``share`` of the board's face, from its edge in the image direction
    ``towards`` (2,), and the share of the face that the patch really covers."""
    corners = bench.print.shape.size_m
    steps = np.stack(np.meshgrid(np.linspace(0, corners[0], 80), np.linspace(0, corners[1], 80)), -1).reshape(-1, 2)
    face = bench.lens.project(np.column_stack([steps, np.zeros(len(steps))]) @ view[:3, :3].T + view[:3, 3])
    along = face @ np.asarray(towards, dtype=float)
    edge = np.quantile(along, 1 - share)
    height, width = image.shape
    down, across = np.mgrid[0:height, 0:width]
    beyond = across * towards[0] + down * towards[1] > edge
    outline = cv2.convexHull(face.astype(np.float32)).astype(np.int32)
    near = np.zeros(image.shape, np.uint8)
    cv2.fillConvexPoly(near, outline, 1)
    near = cv2.dilate(near, np.ones((31, 31), np.uint8))
    out = image.copy()
    out[beyond & (near > 0)] = 255
    return out, float(np.mean(along > edge))


def dimmed(image, factor, noise_seed=0, haze=0.0):
    """The scene with ``factor`` times the light, ``haze`` (0..1 of full scale) added, and read-out noise."""
    noise = np.random.default_rng([7, noise_seed]).normal(0, 1.0, image.shape)
    return np.clip(np.rint(image * factor + 255 * haze + noise), 0, 255).astype(np.uint8)
