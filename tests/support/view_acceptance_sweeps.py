"""Sweeps across the limits of a view's acceptance: rendered views degraded by a known amount, and the right code.

Each case states the true measure over its limit. Between 1 / 1.5 and 1.5 either outcome is right, and the figures count
the other cases only.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from eyebolt.boards.detect import find_board
from eyebolt.boards.detection import Detection
from eyebolt.boards.exposure import measure_exposure
from eyebolt.geometry import Mount
from eyebolt.observations import thresholds
from eyebolt.observations.half_turn import resolve_half_turns
from eyebolt.observations.pair import Pair
from eyebolt.observations.view_acceptance import assess_view
from eyebolt.observations.view_quality import measure_view
from eyebolt_sim.render import Appearance
from eyebolt_sim.transforms import exp_se3, inverse
from eyebolt_sim.views import ViewRange, random_views
from support.rendered_views import USUAL, Bench, dimmed, shifted, with_glare

AWAY = 1.5


@dataclass(frozen=True)
class Case:
    """One view of a sweep."""

    over: float
    """The true measure over its limit: above 1 the rule should apply."""
    code: int
    """The code that the view got."""
    applied: bool
    """Whether the rule applied."""

    @property
    def counts(self):
        """Whether the measure is far enough from the limit for one outcome to be right."""
        return self.over >= AWAY or self.over <= 1 / AWAY

    @property
    def right(self):
        """Whether the outcome is right."""
        return self.applied == (self.over > 1)


def moving(views, seed=0):
    """A board that moves at up to 2 mm/s, in any direction or rotating; 150 ms between two images."""
    bench, rng = Bench(seed=seed), np.random.default_rng(seed)
    for k, view in enumerate(bench.views(views)):
        speed_m_s = rng.choice([0.0, 0.02, 0.05, 0.1, 0.3, 0.5, 1.0, 2.0]) * 1e-3
        way = rng.normal(size=3)
        way_m = way / np.linalg.norm(way) * speed_m_s * 0.15
        earlier = shifted(view, -way_m)
        if k % 3 == 2:
            # Rotation about the board's centre that gives its corners this speed.
            turn = exp_se3(np.zeros(3), way / np.linalg.norm(way) * speed_m_s * 0.15 / 0.04)
            middle = np.eye(4)
            middle[:3, 3] = bench.print.shape.centre_m
            earlier = view @ middle @ turn @ inverse(middle)
        true_px = np.median(np.linalg.norm(bench.corners_px(view) - bench.corners_px(earlier), axis=1))
        found, *_ = bench.assessed(bench.image(view, 2 * k), bench.image(earlier, 2 * k + 1))
        yield Case(true_px / thresholds.CORNER_SHIFT.value, found.code, found.code == 21)


def blurred(views, seed=0):
    """Sharp (0.5 px) to blurred (3.3 px)."""
    bench, rng = Bench(seed=seed), np.random.default_rng(seed)
    for k, view in enumerate(bench.views(views)):
        blur_px = float(rng.choice([0.5, 0.7, 0.9, 1.1, 1.3, 3.0, 3.15, 3.3]))
        found, *_ = bench.assessed(bench.image(view, k, Appearance(blur_px=blur_px)))
        yield Case(blur_px / thresholds.BLUR.value, found.code, found.code == 23)


def few_corners(views, seed=0):
    """A board partly outside the image."""
    bench, rng = Bench(seed=seed), np.random.default_rng(seed)
    for k, view in enumerate(bench.views(views)):
        angle = rng.uniform(0, 2 * np.pi)
        share = rng.uniform(0.02, 0.12) if k % 2 else rng.uniform(0.3, 0.9)
        out = shifted(view, np.array([np.cos(angle), np.sin(angle), 0.0]) * _way_out(bench, view, angle, share))
        # Near the edge of the image a corner may be found or not.
        surely, perhaps = (_share_inside(bench, out, margin_px) for margin_px in (16.0, 0.0))
        limit = max(thresholds.CORNER_SHARE.value, 7 / bench.board.corner_count)
        true = perhaps if perhaps < limit else surely if surely > limit else limit
        found, *_ = bench.assessed(bench.image(out, k))
        # With none of it in view, "no board" is right too.
        yield Case(limit / max(true, 1e-3), found.code, found.code in (20, 24))


def dark(views, seed=0):
    """From full illumination to almost none."""
    bench, rng = Bench(seed=seed), np.random.default_rng(seed)
    even = Appearance(white=230.0, black=30.0, light_falloff=0.0)
    for k, view in enumerate(bench.views(views)):
        white = float(rng.choice([0.02, 0.035, 0.05, 0.053, 0.12, 0.14, 0.2, 0.4, 0.9]))
        found, *_ = bench.assessed(dimmed(bench.image(view, k, even), white * 255 / 230, k))
        yield Case(thresholds.WHITE_LEVEL.value / white, found.code, found.code == 25)


def saturated(views, seed=0):
    """Glare over up to two thirds of the board, from any side."""
    bench, rng = Bench(seed=seed), np.random.default_rng(seed)
    for k, view in enumerate(bench.views(views)):
        angle = rng.uniform(0, 2 * np.pi)
        share = float(rng.choice([0.46, 0.55, 0.65] if k % 2 else [0.02, 0.1, 0.15, 0.19]))
        image, true = with_glare(bench, bench.image(view, k), view, share, (np.cos(angle), np.sin(angle)))
        found, *_ = bench.assessed(image)
        yield Case(true / thresholds.SATURATION.value, found.code, found.code == 25)


def low_contrast(views, seed=0):
    """Haze that reduces the contrast."""
    bench, rng = Bench(seed=seed), np.random.default_rng(seed)
    for k, view in enumerate(bench.views(views)):
        contrast = float(rng.choice([0.035, 0.05, 0.066, 0.15, 0.2, 0.4]))
        image = bench.image(view, k, Appearance(light_falloff=0.0))
        # White stays at 160 grey levels, and black approaches it.
        factor = 160.0 * (1 - (1 - contrast) / (1 + contrast)) / (Appearance.white - Appearance.black)
        found, *_ = bench.assessed(dimmed(image, factor, k, haze=(160.0 - Appearance.white * factor) / 255))
        yield Case(thresholds.CONTRAST.value / contrast, found.code, found.code == 25)


def bent(views, seed=0):
    """A bent board or a reflection: the image is warped by a smooth bump."""
    bench, rng = Bench(seed=seed), np.random.default_rng(seed)
    for k, view in enumerate(bench.views(views)):
        image = bench.image(view, k)
        height = float(rng.choice([0.0, 0.05, 0.1, 1.2, 2.0, 3.0]))
        middle = bench.corners_px(view).mean(axis=0) + rng.uniform(-60, 60, 2)
        image = _bumped(image, middle, 90.0, height)
        found, *_ = bench.assessed(image)
        limit_px = max(thresholds.RESIDUAL_RATIO.value * (USUAL.residual_px or 0.0), thresholds.MIN_RESIDUAL_PX)
        true_px = _residual_of_bump(bench, view, middle, 90.0, height)
        yield Case(true_px / limit_px, found.code, found.code == 1)


def same_pose(views, seed=0):
    """Poses at a known distance from a kept one."""
    rng = np.random.default_rng(seed)
    bench = Bench(seed=seed)
    view = bench.views(1)[0]
    image = bench.image(view)
    kept = [exp_se3(rng.normal(size=3) * 0.3, rng.normal(size=3)) for _ in range(5)]
    seen = find_board(image, bench.board)
    for _ in range(views):
        over = float(rng.choice([0.1, 0.4, 0.66, 1.5, 2.0, 6.0]))
        way, axis = rng.normal(size=3), rng.normal(size=3)
        shift_m = way / np.linalg.norm(way) * over * thresholds.DUPLICATE_TRANSLATION.value * 1e-3
        turn_rad = (
            axis
            / np.linalg.norm(axis)
            * np.deg2rad(thresholds.DUPLICATE_ROTATION.value)
            * min(over, 1.0)
            * rng.uniform(0, 1)
        )
        at = kept[rng.integers(5)] @ exp_se3(shift_m, turn_rad)
        found = assess_view(seen, bench.lens_size, bench.board.corner_count, at, kept)
        yield Case(1 / over, found.code, found.code == 26)


def half_turned(sets, seed=0, pairs=10):
    """Half-turn symmetric chessboards: pairs numbered alike, pairs, and pairs read from the opposite end."""
    bench = Bench("chessboard", 8, 6, focal_px=2200.0, seed=seed)
    rng = np.random.default_rng(seed)
    limits_of_view = ViewRange(distance_m=(0.5, 0.8), tilt_deg=(5.0, 35.0), spread=0.5)
    for _ in range(sets):
        drawn = random_views(bench.lens, bench.print.shape, limits_of_view, rng)
        views = [view for view, _ in zip(drawn, range(pairs), strict=False)]
        flange_T_board, base_T_camera = (exp_se3(rng.normal(size=3) * 0.3, rng.normal(size=3)) for _ in range(2))
        given, turned = [], []
        for k, view in enumerate(views):
            found, seen, _ = bench.assessed(bench.image(view, k))
            if found.code >= 10:
                continue
            noise = exp_se3(rng.normal(size=3) * 1e-4, rng.normal(size=3) * np.deg2rad(0.02))
            given.append(Pair(k, base_T_camera @ view @ inverse(flange_T_board) @ noise, seen.ids, seen.corners_px))
            turned.append(_numbered_from_the_end(bench, view, seen.corners_px))
        alike = resolve_half_turns(given, bench.camera, bench.board, Mount.FIXED)
        ends = np.array([_numbered_from_the_end(bench, views[p.index], p.corners_px) for p in alike])
        agree = max(int(ends.sum()), int((~ends).sum()))
        yield agree, len(given), int(np.sum(turned))


def _numbered_from_the_end(bench, view, corners_px):
    true = bench.corners_px(view)
    return bool(np.linalg.norm(corners_px[0] - true[-1]) < np.linalg.norm(corners_px[0] - true[0]))


def _corners(bench, view):
    return bench.print.shape.corners_m @ view[:3, :3].T + view[:3, 3]


def _share_inside(bench, view, margin_px):
    return float(bench.lens.inside(bench.lens.project(_corners(bench, view)), margin_px).mean())


def _way_out(bench, view, angle, share):
    """Translation, metres, after which about ``share`` of the corners is left in the image."""
    ways = np.linspace(0, 0.3, 61)
    direction = np.array([np.cos(angle), np.sin(angle), 0.0])
    left = [_share_inside(bench, shifted(view, direction * way_m), 6.0) for way_m in ways]
    return float(ways[int(np.argmin(np.abs(np.array(left) - share)))])


def _bump_px(points_px, middle_px, width_px, height_px):
    away = points_px - middle_px
    weight = np.exp(-(away**2).sum(axis=-1, keepdims=True) / (2 * width_px**2))
    return height_px * weight * np.array([0.8, 0.6])


def _bumped(image, middle_px, width_px, height_px):
    down, across = np.indices(image.shape, dtype=np.float32)
    where = np.stack([across, down], axis=-1)
    source = (where - _bump_px(where, middle_px, width_px, height_px)).astype(np.float32)
    return cv2.remap(image, source[..., 0], source[..., 1], cv2.INTER_CUBIC)


def _residual_of_bump(bench, view, middle_px, width_px, height_px):
    """RMS corner residual of a flat board at its best pose, for true corners displaced by the bump."""
    true = bench.corners_px(view)
    moved = true + _bump_px(true, middle_px, width_px, height_px)
    blank = np.zeros((960, 1280), np.uint8)
    seen = Detection(np.arange(len(true)), moved, measure_exposure(blank, None), bench.lens_size, 0.7)
    return measure_view(blank, seen, bench.camera, bench.board)[0].residual_px


SWEEPS = {
    "moving": moving,
    "blurred": blurred,
    "few corners": few_corners,
    "dark": dark,
    "saturated": saturated,
    "low contrast": low_contrast,
    "bent": bent,
    "same pose": same_pose,
}
