"""Simulated runs of a hand-guided arm through ``Guide``, without sockets and images: corners are projected."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from eyebolt.boards import CharucoBoard, Detection, ExposureStats, NoDetection
from eyebolt.calibration import Problem, Refusal, WorkingVolume, solve
from eyebolt.geometry import CameraModel, Mount
from eyebolt.guidance import NEW_PLACE_M, NEW_PLACE_RAD, DelayEstimate, Guide, GuidedPair, GuideSetup
from eyebolt.observations import Pair
from eyebolt_sim.cell_geometry import CellGeometry, make_cell_geometry
from eyebolt_sim.hand_guiding import HandGuidedArm, HandMotion, StreamTiming
from eyebolt_sim.lens import Lens, simple_lens
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.transforms import Array, exp_se3, inverse
from eyebolt_sim.views import BoardShape, chessboard_shape, visible_fraction
from eyebolt_sim.waypoints import plan_waypoints

FRAME_HZ = 30.0
EXPOSURE_S = 0.01
_TRANSFER_S = 0.02
_CORNER_SIGMA_PX = 0.05
# Corners are not found in an image that is smeared over more than this.
_SMEARED_PX = 4.0
# A pair is answered so long after it was taken; nothing else is taken meanwhile.
_BUSY_S = 0.3
LIMIT_PX = 0.1
"""A pair must not be taken while a corner moves by more than this during the exposure, px."""
USABLE_PX = 0.05
"""Usable rests have exposures during which no corner moves by more than this, px."""
USABLE_SHIFT_PX = 0.08
"""and images around them from which no corner moves by more than this, px."""
USABLE_MARGIN_S = 0.01
"""and the arm stands as still for so long before and after the exposure, s: as well as the delay has to be known."""
USABLE_AFTER_S = 2.5
"""and they begin so long after the first movement did, s: before, nothing can be known of the delay."""
_STATS = ExposureStats(0.1, 0.8, 0.0, 0.0, 0.8)
_STEPS = 8


@dataclass
class GuidedRun:
    """What came of a run, beside the truth."""

    scene: CellGeometry
    lens: Lens
    board: BoardShape
    arm: HandGuidedArm
    timing: StreamTiming
    pairs: list[GuidedPair] = field(default_factory=list)
    """pairs that were taken"""
    motions_px: list[float] = field(default_factory=list)
    """true motion during the exposure of each"""
    delay: DelayEstimate | None = None
    """estimate at the end"""
    delay_at_first_pair: DelayEstimate | None = None
    """estimate when the first pair was taken"""
    rests: int = 0
    """rests of the arm"""
    usable: int = 0
    """usable ones"""
    usable_taken: int = 0
    """usable ones at which a pair was taken"""
    missed_s: list[tuple[float, float]] = field(default_factory=list)
    """usable ones at which none was taken: begin, and length"""
    quiet: int = 0
    """rests at a new place with the board in view, usable or not"""


def guided_run(seed: int, places: int = 20, motion: HandMotion | None = None) -> GuidedRun:
    """One run: either mount, 125 or 500 poses per second, a delay of 20 to 120 ms, 5 megapixels."""
    rng = np.random.default_rng([seed, 41])
    mount = Mount.FIXED if seed % 2 == 0 else Mount.ARM
    timing = StreamTiming(rate_hz=(125.0, 500.0)[seed // 2 % 2], delay_s=float(rng.uniform(0.02, 0.12)))
    lens, board = simple_lens(2448, 2048, 2900.0), chessboard_shape(9, 7, 0.03)
    scene = make_cell_geometry(mount.value, seed, 0.8, board.size_m)
    waypoints = plan_waypoints(scene, lens, board, 0.6, 1.0, places, seed)
    route = _route(scene, [w.base_T_flange for w in waypoints], rng)
    arm = HandGuidedArm(route, PoseNoise(0.05, 0.01), rng, motion)
    run = GuidedRun(scene, lens, board, arm, timing)
    _play(run, mount, rng)
    return run


def _route(scene: CellGeometry, places: list[Array], rng: np.random.Generator) -> list[Array]:
    """The places, some of them visited again from nearby, and a few with the board out of view."""
    route = []
    for k, place in enumerate(places):
        route.append(place)
        if k and rng.uniform() < 0.2:
            route.append(places[rng.integers(k)] @ exp_se3(rng.normal(size=3) * 0.004, rng.normal(size=3) * 0.01))
        if rng.uniform() < 0.1:
            view = scene.view_from(place)
            view[0, 3] += 1.5 * view[2, 3]
            route.append(scene.flange_for(view))
    return route


def _play(run: GuidedRun, mount: Mount, rng: np.random.Generator) -> None:
    arm, lens = run.arm, run.lens
    camera = CameraModel(lens.width_px, lens.height_px, lens.matrix, lens.distortion)
    charuco = CharucoBoard(9, 7, 0.03, 0.022, "5X5_100")
    guide = Guide(GuideSetup(mount, camera, charuco, EXPOSURE_S))
    end_s = arm.end_s + 0.5
    instants_s, arrivals_s = run.timing.draw(end_s, rng)
    poses = arm.reported_at(instants_s)
    exposed_s = np.arange(int(end_s * FRAME_HZ)) / FRAME_HZ + rng.normal(0, 2e-4, int(end_s * FRAME_HZ))
    exposed_s = np.maximum(exposed_s, 0.0)
    detections = _detections(run, exposed_s, rng)
    places: list[Array] = []
    sent, busy_until_s = 0, 0.0
    for number, (at_s, detection) in enumerate(zip(exposed_s, detections, strict=True)):
        now_s = at_s + EXPOSURE_S + _TRANSFER_S
        while sent < len(arrivals_s) and arrivals_s[sent] <= now_s:
            guide.add_pose(float(arrivals_s[sent]), poses[sent])
            sent += 1
        guide.add_frame(number, float(at_s), detection)
        if now_s < busy_until_s:
            continue
        pair = guide.next_pair(places)
        if pair is None:
            continue
        guide.begin_pair(pair)
        busy_until_s = now_s + _BUSY_S
        places.append(np.asarray(pair.base_T_flange, dtype=np.float64))
        run.pairs.append(pair)
        run.motions_px.append(float(true_motion_px(run, pair.frame.exposed_s, pair.frame.exposed_s + EXPOSURE_S)))
        run.delay_at_first_pair = run.delay_at_first_pair or pair.delay
    run.delay = guide.delay
    _judge_rests(run, exposed_s)


def _corners_px(run: GuidedRun, instants_s: Array) -> Array:
    """(n, K, 2): true corners in the image."""
    flange, scene = run.arm.true_at(instants_s), run.scene
    if scene.mount == "fixed":
        views = inverse(scene.hand_eye) @ flange @ scene.nuisance
    else:
        views = inverse(flange @ scene.hand_eye) @ scene.nuisance
    points = np.einsum("nij,kj->nki", views[:, :3, :3], run.board.corners_m) + views[:, None, :3, 3]
    return run.lens.project(points)


def true_motion_px(run: GuidedRun, first_s: float, last_s: float) -> float:
    """Largest distance between two places of a corner from ``first_s`` to ``last_s``."""
    corners = _corners_px(run, np.linspace(first_s, last_s, _STEPS + 1))
    apart = np.linalg.norm(corners[:, None] - corners[None], axis=-1)
    return float(np.nan_to_num(apart, nan=np.inf).max())


def _detections(run: GuidedRun, exposed_s: Array, rng: np.random.Generator) -> list[Detection | NoDetection]:
    size = (run.lens.width_px, run.lens.height_px)
    begin, middle, end = (_corners_px(run, exposed_s + share * EXPOSURE_S) for share in (0.0, 0.5, 1.0))
    out: list[Detection | NoDetection] = []
    for first, corners, last in zip(begin, middle, end, strict=True):
        inside = run.lens.inside(corners, 8.0)
        smeared = float(np.median(np.linalg.norm(last - first, axis=-1)))
        if inside.sum() < 10 or not smeared < _SMEARED_PX:
            out.append(NoDetection("no-board", _STATS, size, None))
            continue
        ids = np.flatnonzero(inside)
        sigma_px = _CORNER_SIGMA_PX * (1 + smeared / 2)
        noisy = corners[ids] + rng.normal(0, sigma_px, (len(ids), 2))
        out.append(Detection(ids, noisy, _STATS, size, 0.7))
    return out


def _judge_rests(run: GuidedRun, exposed_s: Array) -> None:
    """Counts usable rests, and those at which a pair was taken. The README of the bench defines them."""
    taken = [(pair.frame.exposed_s, np.asarray(pair.base_T_flange, dtype=np.float64)) for pair in run.pairs]
    for rest in run.arm.rests:
        run.rests += 1
        if rest.begin_s < run.arm.rests[0].end_s + USABLE_AFTER_S:
            continue
        pose = run.arm.reported_at(np.array([(rest.begin_s + rest.end_s) / 2]))[0]
        view = run.scene.view_from(pose)
        if visible_fraction(run.lens, run.board, view, 8.0) < 0.6:
            continue
        if not all(_is_new(pose, before) for at_s, before in taken if at_s < rest.begin_s - 0.05):
            continue
        run.quiet += 1
        if not _is_usable(run, rest.begin_s, rest.end_s, exposed_s):
            continue
        run.usable += 1
        if any(rest.begin_s - 0.1 < at_s < rest.end_s + 0.1 for at_s, _ in taken):
            run.usable_taken += 1
        else:
            run.missed_s.append((rest.begin_s, rest.end_s - rest.begin_s))


def _is_new(pose: Array, before: Array) -> bool:
    relative = np.linalg.inv(before) @ pose
    angle = np.arccos(np.clip((np.trace(relative[:3, :3]) - 1) / 2, -1, 1))
    return bool(np.linalg.norm(relative[:3, 3]) >= NEW_PLACE_M or angle >= NEW_PLACE_RAD)


def _is_usable(run: GuidedRun, begin_s: float, end_s: float, exposed_s: Array) -> bool:
    inside = np.flatnonzero((exposed_s >= begin_s) & (exposed_s + EXPOSURE_S <= end_s))
    for k in inside[1:-1]:
        before, here, after = (_corners_px(run, np.array([exposed_s[k + d] + EXPOSURE_S / 2]))[0] for d in (-1, 0, 1))
        shifts = [float(np.nanmax(np.linalg.norm(a - b, axis=-1))) for a, b in ((before, here), (here, after))]
        if max(shifts) > USABLE_SHIFT_PX:
            continue
        starts = exposed_s[k] + np.linspace(-USABLE_MARGIN_S, USABLE_MARGIN_S, 5)
        if all(true_motion_px(run, s, s + EXPOSURE_S) <= USABLE_PX for s in starts):
            return True
    return False


def transform_error_mm(run: GuidedRun, at_waypoints: bool) -> float:
    """RMS error of the transform over the working volume, mm; NaN without a solution.

    ``at_waypoints``: with the exact poses of the instants and the same corners, as if a program had stopped there.
    """
    camera = CameraModel(run.lens.width_px, run.lens.height_px, run.lens.matrix, run.lens.distortion)
    middles_s = np.array([pair.frame.exposed_s + EXPOSURE_S / 2 for pair in run.pairs])
    exact = run.arm.reported_at(middles_s)
    pairs = []
    for k, pair in enumerate(run.pairs):
        seen = pair.frame.detection
        assert isinstance(seen, Detection)
        pairs.append(Pair(k, exact[k] if at_waypoints else pair.base_T_flange, seen.ids, seen.corners_px))
    volume = WorkingVolume(0.6, 1.0)
    outcome = solve(Problem(Mount(run.scene.mount.value), camera, run.board.corners_m, tuple(pairs), volume))
    if isinstance(outcome, Refusal):
        return float("nan")
    points = np.column_stack([volume.grid(camera), np.ones(len(volume.grid(camera)))])
    wrong_m = (points @ (outcome.X - run.scene.hand_eye).T)[:, :3]
    return float(np.sqrt((wrong_m**2).sum(axis=1).mean()) * 1e3)
