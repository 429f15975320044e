"""Images of a board from the simulated camera: lens, pixel area, blur, illumination, noise, quantisation.

The part of the image that shows the board is sampled at twice the resolution: the ray of each sub-pixel, through the
distorted lens, is intersected with the board plane, and the print is sampled there with texels of about the same size.
Blur, averaging over the pixel and noise follow in this order. Pixel centres are at integers.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline

from eyebolt_sim.board_texture import BoardTexture, Image
from eyebolt_sim.lens import Lens
from eyebolt_sim.transforms import Array, transform_points

Gray = NDArray[np.float32]

_RAY_STEP_PX = 16
_OVERSAMPLING = 2


@dataclass(frozen=True)
class Appearance:
    """Photometric properties of an image; noise variance = ``read_noise``^2 + ``shot_noise`` * level."""

    black: float = 28.0
    """gray level of black print"""
    white: float = 205.0
    """gray level of white print"""
    blur_px: float = 0.7
    """standard deviation of the Gaussian point spread function"""
    light_falloff: float = 0.2
    """relative decrease of the illumination across the image, 0 to 1"""
    read_noise: float = 1.2
    """standard deviation of the signal-independent noise, gray levels"""
    shot_noise: float = 0.015
    """variance per gray level of the signal-dependent noise"""


@dataclass(frozen=True)
class Renderer:
    """Renders one board through one lens."""

    lens: Lens
    """the real lens"""
    board: BoardTexture
    """the real print"""
    appearance: Appearance = Appearance()
    """illumination, blur and noise"""
    seed: int = 0
    """seed of the background, the direction of the light and the noise"""

    def render(self, camera_T_board: Array, noise_seed: int) -> Image:
        """The image (H, W), uint8 gray, of the board at ``camera_T_board`` (4, 4)."""
        image = self._background.copy()
        box = self._board_box(camera_T_board)
        if box is not None:
            self._draw_board(image, camera_T_board, box)
        image *= self._light
        return self._expose(image, np.random.default_rng([self.seed, noise_seed]))

    def _board_box(self, camera_T_board: Array) -> tuple[int, int, int, int] | None:
        """Left, top, right, bottom (exclusive) of the pixels that may show the board; None if there are none."""
        height, width = self.board.texture.shape
        edge = np.linspace(0, 1, 33)
        ends = np.concatenate([np.stack([edge, np.full(33, v)], 1) for v in (0, 1)])
        ends = np.concatenate([ends, ends[:, ::-1]]) * [width - 1, height - 1]
        flat = (ends - self.board.origin_texel) / self.board.texels_per_m
        outline = transform_points(camera_T_board, np.column_stack([flat, np.zeros(len(flat))]))
        middle = transform_points(camera_T_board, self.board.shape.centre_m[None])[0]
        if outline[:, 2].min() <= 0.01 or float(camera_T_board[:3, 2] @ middle) <= 0:
            return None
        pixels = self.lens.project(outline)
        pad_px = 2 + int(np.ceil(4 * self.appearance.blur_px))
        left, top = np.maximum(np.floor(pixels.min(axis=0)).astype(int) - pad_px, 0)
        size = np.array([self.lens.width_px, self.lens.height_px])
        right, bottom = np.minimum(np.ceil(pixels.max(axis=0)).astype(int) + pad_px, size)
        return (int(left), int(top), int(right), int(bottom)) if left < right and top < bottom else None

    def _draw_board(self, image: Gray, camera_T_board: Array, box: tuple[int, int, int, int]) -> None:
        left, top, right, bottom = box
        # One more pixel on each side keeps the interpolation of the rays away from the edges of the crop.
        padded = self._rays[top : bottom + 2, left : right + 2]
        finer = cv2.resize(padded, None, fx=_OVERSAMPLING, fy=_OVERSAMPLING, interpolation=cv2.INTER_LINEAR)
        rays = finer[_OVERSAMPLING:-_OVERSAMPLING, _OVERSAMPLING:-_OVERSAMPLING]
        board = self.board.downsampled(self._texels_per_sample(camera_T_board))
        board_to_ray = camera_T_board[:3][:, [0, 1, 3]]
        texel_from_metre = np.array(
            [
                [board.texels_per_m, 0, board.origin_texel[0]],
                [0, board.texels_per_m, board.origin_texel[1]],
                [0, 0, 1],
            ]
        )
        texels = cv2.perspectiveTransform(np.ascontiguousarray(rays), texel_from_metre @ np.linalg.inv(board_to_ray))
        levels = (
            board.texture.astype(np.float32) * ((self.appearance.white - self.appearance.black) / 255)
            + self.appearance.black
        )
        backdrop = cv2.resize(image[top:bottom, left:right], None, fx=_OVERSAMPLING, fy=_OVERSAMPLING)
        across, down = np.ascontiguousarray(texels[..., 0]), np.ascontiguousarray(texels[..., 1])
        samples = cv2.remap(levels, across, down, cv2.INTER_LINEAR, dst=backdrop, borderMode=cv2.BORDER_TRANSPARENT)
        if self.appearance.blur_px > 0:
            # Before averaging over pixels: the lens blurs the light, then the sensor samples it.
            cv2.GaussianBlur(samples, (0, 0), self.appearance.blur_px * _OVERSAMPLING, dst=samples)
        image[top:bottom, left:right] = cv2.resize(samples, (right - left, bottom - top), interpolation=cv2.INTER_AREA)

    def _texels_per_sample(self, camera_T_board: Array) -> int:
        middle = transform_points(camera_T_board, self.board.shape.centre_m[None])[0]
        samples_per_m = float(self.lens.matrix[0, 0]) / float(middle[2]) * _OVERSAMPLING
        return max(1, int(self.board.texels_per_m / samples_per_m))

    @cached_property
    def _rays(self) -> NDArray[np.float32]:
        """x and y of the ray (z = 1) of every pixel, with a border of one pixel: (H + 2, W + 2, 2)."""
        width, height = self.lens.width_px, self.lens.height_px
        # The rays vary smoothly: the error of cubic splines through every 16th pixel is far below the noise.
        columns = np.arange(-1, width + _RAY_STEP_PX + 1, _RAY_STEP_PX)
        rows = np.arange(-1, height + _RAY_STEP_PX + 1, _RAY_STEP_PX)
        coarse = self.lens.rays(np.stack(np.meshgrid(columns, rows), axis=-1))[..., :2]
        out = np.empty((height + 2, width + 2, 2), np.float32)
        for axis in range(2):
            spline = RectBivariateSpline(rows, columns, coarse[..., axis])
            out[..., axis] = spline(np.arange(-1, height + 1), np.arange(-1, width + 1))
        return out

    @cached_property
    def _background(self) -> Gray:
        """Dark rectangles on smooth patches, gray levels."""
        rng = np.random.default_rng([self.seed, 1])
        width, height = self.lens.width_px, self.lens.height_px
        patches = rng.uniform(50, 95, (9, 12)).astype(np.float32)
        ground = np.asarray(cv2.resize(patches, (width, height), interpolation=cv2.INTER_CUBIC), dtype=np.float32)
        for _ in range(14):
            corner = rng.uniform(0, 1, 2) * [width, height]
            size = rng.uniform(0.03, 0.2, 2) * width
            rotated_box = cv2.boxPoints((tuple(corner), tuple(size), float(rng.uniform(0, 90))))
            cv2.fillConvexPoly(ground, np.round(rotated_box).astype(np.int32), float(rng.uniform(35, 120)))
        return ground

    @cached_property
    def _light(self) -> Gray:
        rng = np.random.default_rng([self.seed, 2])
        direction_rad = rng.uniform(0, 2 * np.pi)
        across = np.linspace(-0.5, 0.5, self.lens.width_px)[None, :] * np.cos(direction_rad)
        down = np.linspace(-0.5, 0.5, self.lens.height_px)[:, None] * np.sin(direction_rad)
        light: Gray = (1 - self.appearance.light_falloff * (0.5 + across + down)).astype(np.float32)
        return light

    def _expose(self, levels: Gray, rng: np.random.Generator) -> Image:
        grain = rng.standard_normal(levels.shape, dtype=np.float32)
        spread = np.sqrt(
            np.maximum(levels, 0) * np.float32(self.appearance.shot_noise) + np.float32(self.appearance.read_noise**2)
        )
        grain *= spread
        grain += levels
        # The conversion rounds to the nearest level and saturates at 0 and 255.
        return np.asarray(cv2.convertScaleAbs(np.maximum(grain, 0, out=grain)), dtype=np.uint8)
