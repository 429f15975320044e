"""Prior of the nuisance parameters: how far board and lens may be from what station and lens file state.

Every estimate includes these parameters. They are standardised: the deviations from the stated values, in natural
units, are ``root @ u`` with u ~ N(0, I). A parameter that nobody has stated an uncertainty for is not exact: it has the
default below. A very small standard deviation states that a parameter is exact.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from eyebolt.geometry import COEFFICIENT_NAMES, MATRIX_NAMES, Array, CameraModel
from eyebolt.observations import BOW_PARAMETERS, PRINT_PARAMETERS, CornerField

SCALE = "scale"
"""Name of the relative deviation of the board scale (0.01: the board is 1 % larger than stated)."""
BOARD_PARAMETERS = (SCALE, *BOW_PARAMETERS, *PRINT_PARAMETERS)
"""Names of the parameters of the board; all others are those of the lens, in pixels or as the coefficients are."""

# Standard deviations of a lens that is calibrated with ordinary care and stated without its uncertainty: the focal
# length (fx and fy together, since square pixels are exact) as a fraction, the principal point in pixels, and the
# coefficients of the usual five-coefficient model: about three times what 15 images with 0.1 px of corner noise leave
# open (``python -m bench.honesty table --rows lens-file-0.1``). Principal point and tangential coefficients replace
# each other in images: an uncertain principal point beside exact tangential coefficients would be as good as exact.
DEFAULT_FOCAL_SIGMA = 1e-3
DEFAULT_CENTRE_SIGMA_PX = 2.0
DEFAULT_COEFFICIENT_SIGMA = {"k1": 0.005, "k2": 0.02, "p1": 3e-4, "p2": 3e-4, "k3": 0.05}
# Reading of a ruler at both ends of a printed length. Common practice, no source.
RULER_SIGMA_M = 2e-4
# Scale of an office printer, relative. Common practice, no source.
PRINTED_SCALE_SIGMA = 3e-3
# Correlations leave directions whose variance is only rounding; relative to the largest.
_MIN_EIGENVALUE = 1e-12


class PriorSource(StrEnum):
    """Where the standard deviation of a nuisance parameter comes from."""

    STATED = "stated"
    """Stated in the lens file, the station file or the problem file."""
    DEFAULT = "default"
    """Not stated: the default of ``nuisance_prior``."""
    WIDENED = "widened"
    """Either of them, widened because the pairs contradict it."""
    IMAGES = "images"
    """Estimated from the images of all pairs."""


class ParameterGroup(StrEnum):
    """Nuisance parameters that are wrong together."""

    BOARD = "board"
    """The size of the board."""
    BOW = "bow"
    """The shape of the board: its bow, and errors of its print."""
    LENS = "lens"
    """The intrinsics of the camera."""


@dataclass(frozen=True)
class NuisancePrior:
    """Prior of q raw parameters, as r standardised ones: the raw parameters are ``root @ u``, u ~ N(0, I)."""

    names: tuple[str, ...]
    """(q): names of the raw parameters, ``scale`` (relative), ``bow_x``, ``bow_xy``, ``bow_y`` (metres), ``fx``,
    ``fy``, ``cx``, ``cy`` (px), ``k1``, ..."""
    root: Array
    """(q, r): a square root of their covariance, each row in the unit of its parameter."""
    sources: tuple[PriorSource, ...]
    """(q): where the standard deviation of each comes from."""
    corner_field: CornerField
    """Over which the bow of the board is stated."""

    @cached_property
    def covariance(self) -> Array:
        """(q, q): covariance of the raw parameters."""
        out: Array = self.root @ self.root.T
        return out

    @property
    def lens_names(self) -> tuple[str, ...]:
        """Names of the raw parameters of the lens."""
        return tuple(name for name in self.names if name not in BOARD_PARAMETERS)

    def columns_of(self, group: ParameterGroup) -> NDArray[np.bool_]:
        """(r,): the standardised parameters of ``group``."""
        in_group = [_group_of(name) is group for name in self.names]
        out: NDArray[np.bool_] = (self.root[in_group] != 0).any(axis=0)
        return out

    def functional(self, weights: Mapping[str, float]) -> Array:
        """(r,): the sum of the raw parameters, each times its weight, as a function of u; absent ones count as 0."""
        raw = np.array([weights.get(name, 0.0) for name in self.names])
        out: Array = raw @ self.root
        return out

    def extended(self, deviation: Mapping[str, float], source: PriorSource = PriorSource.STATED) -> NuisancePrior:
        """The prior with one more standardised parameter, the last, that changes raw parameters by ``deviation``."""
        names = (*self.names, *(name for name in deviation if name not in self.names))
        root = np.zeros((len(names), self.root.shape[1] + 1))
        root[: len(self.names), :-1] = self.root
        root[:, -1] = [deviation.get(name, 0.0) for name in names]
        added = (source,) * (len(names) - len(self.names))
        return replace(self, names=names, root=root, sources=self.sources + added)

    def widened(self, group: ParameterGroup, factor: float) -> NuisancePrior:
        """The prior with the standard deviations of ``group`` multiplied by ``factor``."""
        root = np.where(self.columns_of(group), factor, 1.0) * self.root
        sources = tuple(
            PriorSource.WIDENED if _group_of(name) is group else source
            for name, source in zip(self.names, self.sources, strict=True)
        )
        return replace(self, root=root, sources=sources)

    def with_wider_focal_length(self, camera: CameraModel, factor: float) -> NuisancePrior:
        """The prior with the standard deviation of the focal length multiplied by ``factor``, fx and fy moving
        together; the other parameters keep theirs."""
        fx, fy = float(camera.matrix[0, 0]), float(camera.matrix[1, 1])
        sigma = float(np.linalg.norm(self.functional({"fx": 1.0, "fy": 1.0}))) / (fx + fy)
        added = np.sqrt(max(factor**2 - 1.0, 0.0)) * sigma
        sources = tuple(
            PriorSource.WIDENED if name in ("fx", "fy") else source
            for name, source in zip(self.names, self.sources, strict=True)
        )
        return replace(self, sources=sources).extended({"fx": added * fx, "fy": added * fy})

    def with_print_error(self, sigmas: Mapping[str, float]) -> NuisancePrior:
        """The prior with a further standardised parameter for each of PRINT_PARAMETERS in ``sigmas``."""
        out = self
        for name, sigma in sigmas.items():
            out = out.extended({name: sigma}, PriorSource.IMAGES)
        return out

    def corner_jacobian(
        self, camera: CameraModel, points_m: Array, points_in_camera_m: Array, pixel_by_point: Array
    ) -> Array:
        """Derivative (..., 2, r) of pixels by the standardised parameters.

        ``points_m`` (..., 3): corners, board frame; ``points_in_camera_m`` (..., 3): the same, camera frame;
        ``pixel_by_point`` (..., 2, 3): derivative of the pixels by a displacement in the board frame.
        """
        by_raw = raw_corner_jacobian(
            self.names, self.corner_field, camera, points_m, points_in_camera_m, pixel_by_point
        )
        out: Array = by_raw @ self.root
        return out

    def root_of(self, names: Sequence[str]) -> Array:
        """(len(names), r): rows of ``root`` for raw parameters ``names``, zero for those that the prior has not."""
        out = np.zeros((len(names), self.root.shape[1]))
        out[[names.index(name) for name in self.names]] = self.root
        return out

    def board_jacobian(self, points_m: Array) -> Array:
        """Displacement (..., 3, r) of points of the board (..., 3), board frame, by the standardised parameters."""
        names = [name for name in self.names if name in BOARD_PARAMETERS]
        out: Array = _board_displacements(names, self.corner_field, points_m) @ self.root[self._is_of_board]
        return out

    @property
    def _is_of_board(self) -> list[bool]:
        return [name in BOARD_PARAMETERS for name in self.names]


def raw_corner_jacobian(
    names: Sequence[str],
    field: CornerField,
    camera: CameraModel,
    points_m: Array,
    points_in_camera_m: Array,
    pixel_by_point: Array,
) -> Array:
    """Derivative (..., 2, q) of pixels by the raw parameters ``names`` (q); the others as ``corner_jacobian``."""
    is_board = np.array([name in BOARD_PARAMETERS for name in names])
    out = np.empty((*pixel_by_point.shape[:-1], len(names)))
    of_lens = [name for name in names if name not in BOARD_PARAMETERS]
    of_board = [name for name in names if name in BOARD_PARAMETERS]
    out[..., ~is_board] = camera.parameter_jacobian(of_lens, points_in_camera_m)
    out[..., is_board] = pixel_by_point @ _board_displacements(of_board, field, points_m)
    return out


def _board_displacements(names: Sequence[str], field: CornerField, points_m: Array) -> Array:
    """Displacement (..., 3, b) of points of the board (..., 3), board frame, by the b raw parameters ``names``."""
    out = np.zeros((*points_m.shape, len(names)))
    heights = field.basis(points_m)
    for k, name in enumerate(names):
        if name == SCALE:
            out[..., k] = points_m
        elif name in BOW_PARAMETERS:
            out[..., 2, k] = heights[..., BOW_PARAMETERS.index(name)]
        else:
            out[..., :2, k] = field.in_plane_basis(points_m)[..., PRINT_PARAMETERS.index(name)]
    return out


def _group_of(name: str) -> ParameterGroup:
    """The group of a raw parameter."""
    if name == SCALE:
        return ParameterGroup.BOARD
    return ParameterGroup.BOW if name in BOARD_PARAMETERS else ParameterGroup.LENS


def stated_prior(
    camera: CameraModel, board_corners_m: Array, board_scale_sigma: float | None, board_bow_sigma_m: float | None
) -> NuisancePrior:
    """The prior of board and lens as station and lens file state them, with the defaults for the rest.

    ``board_corners_m`` (K, 3); ``board_scale_sigma``: relative, None: as a ruler along the longer side determines it;
    ``board_bow_sigma_m``: of each parameter of the bow, None: that of a board of this size.
    """
    corner_field = CornerField.of(board_corners_m)
    bow_source = PriorSource.DEFAULT if board_bow_sigma_m is None else PriorSource.STATED
    if board_bow_sigma_m is None:
        board_bow_sigma_m = corner_field.sigma_m
    scale_source = PriorSource.DEFAULT if board_scale_sigma is None else PriorSource.STATED
    if board_scale_sigma is None:
        board_scale_sigma = measured_scale_sigma(float(np.ptp(board_corners_m, axis=0).max()))
    names, lens_root, lens_sources = _lens_prior(camera)
    root = np.zeros((4 + len(names), 4 + lens_root.shape[1]))
    root[0, 0] = board_scale_sigma
    root[1:4, 1:4] = board_bow_sigma_m * np.eye(3)
    root[4:, 4:] = lens_root
    sources = (scale_source, *(bow_source,) * 3, *lens_sources)
    return NuisancePrior((SCALE, *BOW_PARAMETERS, *names), root, sources, corner_field)


def measured_scale_sigma(length_m: float) -> float:
    """Relative standard deviation of a scale that a ruler along ``length_m`` determines."""
    return RULER_SIGMA_M / length_m


def default_coefficient_sigma(camera: CameraModel) -> dict[str, float]:
    """Default standard deviations of distortion coefficients by name, those that the lens states left out.

    A lens that states any standard deviation was calibrated with the coefficients that it names; of the others only k1
    is uncertain.
    """
    names = ("k1",) if camera.sigma else tuple(DEFAULT_COEFFICIENT_SIGMA)
    return {name: DEFAULT_COEFFICIENT_SIGMA[name] for name in names if name not in camera.sigma}


def _lens_prior(camera: CameraModel) -> tuple[tuple[str, ...], Array, tuple[PriorSource, ...]]:
    """Names (q), root (q, r) and sources (q) of the lens parameters."""
    stated = tuple(camera.sigma)
    default_coefficients = default_coefficient_sigma(camera)
    coefficients = [name for name in COEFFICIENT_NAMES if name in stated or name in default_coefficients]
    names = (*MATRIX_NAMES, *coefficients)
    columns: list[Array] = []
    if stated:
        values, vectors = np.linalg.eigh(np.eye(len(stated)) if camera.correlation is None else camera.correlation)
        kept = values > _MIN_EIGENVALUE * values[-1]
        root = np.array(list(camera.sigma.values()))[:, None] * vectors[:, kept] * np.sqrt(values[kept])
        columns += [_column(names, dict(zip(stated, column, strict=True))) for column in root.T]
    focal_px = {name: DEFAULT_FOCAL_SIGMA * float(camera.matrix[k, k]) for k, name in enumerate(("fx", "fy"))}
    defaults = [
        {name: sigma for name, sigma in focal_px.items() if name not in stated},
        {"cx": DEFAULT_CENTRE_SIGMA_PX},
        {"cy": DEFAULT_CENTRE_SIGMA_PX},
        *({name: sigma} for name, sigma in default_coefficients.items()),
    ]
    columns += [_column(names, change) for change in defaults if change and not change.keys() & set(stated)]
    sources = tuple(PriorSource.STATED if name in stated else PriorSource.DEFAULT for name in names)
    return names, np.stack(columns, axis=1), sources


def _column(names: Sequence[str], change: Mapping[str, float]) -> Array:
    return np.array([change.get(name, 0.0) for name in names])
