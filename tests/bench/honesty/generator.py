"""Sessions of invented cells, by NumPy, SciPy and ``cv2.projectPoints``: no code of the product, none of its simulator.

A ``Session`` is a clean cell that a row of ``disturbances`` changes before ``observe`` draws its noise. Both mounts,
2448 x 2048 pixels, focal length about 2400 px, a board of 11 x 8 corners of 20 mm, seen at 0.6 to 1.0 m, tilted by up
to 30 deg and turned in the image by up to 45 deg, all over the image; in random order, or row by row over the image.
Corner noise 0.1 px, arm noise 0.1 mm and 0.02 deg per axis.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from bench.honesty.rigid import apply, inverse, moved, transform, unit
from bench.honesty.serial_arm import SerialArm

WIDTH_PX, HEIGHT_PX = 2448, 2048
NEAR_M, FAR_M = 0.6, 1.0
COLUMNS, ROWS, SQUARE_M = 11, 8, 0.02
CORNER_PX, ARM_M, ARM_RAD = 0.1, 0.1e-3, float(np.deg2rad(0.02))
LENS_NAMES = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
MOUNTS = ("fixed", "arm")
# Waypoints beyond the pairs: images of picks with the camera on the arm.
EXTRA_VIEWS = 10
_MARGIN_PX = 20.0
# From the flange to the tip of the tool, along its z axis.
TIP_M = 0.15


@dataclass(frozen=True)
class Lens:
    """OpenCV's model with five distortion coefficients; ``parameters`` (9,) in the order of LENS_NAMES."""

    parameters: np.ndarray

    @property
    def matrix(self) -> np.ndarray:
        """(3, 3) px."""
        fx, fy, cx, cy = self.parameters[:4]
        return np.array([[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])

    @property
    def distortion(self) -> np.ndarray:
        """(5,): k1 k2 p1 p2 k3."""
        return self.parameters[4:]

    def project(self, points: np.ndarray) -> np.ndarray:
        """Pixels (..., 2) of points (..., 3) in the camera frame, metres."""
        flat = np.ascontiguousarray(points, dtype=float).reshape(-1, 1, 3)
        pixels, _ = cv2.projectPoints(flat, np.zeros(3), np.zeros(3), self.matrix, self.distortion)
        return pixels.reshape(*points.shape[:-1], 2)

    def rays(self, pixels: np.ndarray) -> np.ndarray:
        """Directions (..., 3) with z = 1 of pixels (..., 2)."""
        until = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-12)
        flat = np.ascontiguousarray(pixels, dtype=float).reshape(-1, 1, 2)
        found = cv2.undistortPointsIter(flat, self.matrix, self.distortion, np.eye(3), self.matrix, until)
        found = (found.reshape(-1, 2) - self.parameters[2:4]) / self.parameters[:2]
        return np.concatenate([found, np.ones((len(found), 1))], axis=-1).reshape(*pixels.shape[:-1], 3)


def draw_lens(rng: np.random.Generator) -> Lens:
    """A lens of the kind: mild barrel distortion, hardly decentred."""
    focal = 2400.0 * (1 + 0.02 * rng.normal())
    centre = np.array([WIDTH_PX - 1, HEIGHT_PX - 1]) / 2 + rng.normal(size=2) * 15
    k1, k2 = -0.10 + 0.02 * rng.normal(), 0.10 + 0.03 * rng.normal()
    p1, p2 = 2e-4 * rng.normal(size=2)
    return Lens(np.array([focal, focal * (1 + 3e-4 * rng.normal()), *centre, k1, k2, p1, p2, 0.0]))


def board() -> np.ndarray:
    """(88, 3) m: corners in the board frame, row by row from the first corner."""
    column, row = np.meshgrid(np.arange(COLUMNS), np.arange(ROWS))
    return SQUARE_M * np.stack([column.ravel(), row.ravel(), np.zeros(column.size)], axis=-1).astype(float)


def volume(lens: Lens) -> np.ndarray:
    """(405, 3) m, camera frame: 9 x 9 points over the image at five distances."""
    u, v = np.meshgrid(np.linspace(0, WIDTH_PX - 1, 9), np.linspace(0, HEIGHT_PX - 1, 9))
    rays = lens.rays(np.stack([u.ravel(), v.ravel()], axis=-1))
    return (rays[None] * np.linspace(NEAR_M, FAR_M, 5)[:, None, None]).reshape(-1, 3)


def draw_view(rng: np.random.Generator, lens: Lens, corners: np.ndarray, turn_deg: float = 45.0) -> np.ndarray:
    """camera_T_board (4, 4) with the whole board in the image."""
    middle = corners.mean(axis=0)
    while True:
        pixel = rng.uniform([0, 0], [WIDTH_PX, HEIGHT_PX])
        at = lens.rays(pixel[None])[0] * rng.uniform(NEAR_M, FAR_M)
        across = rng.uniform(0, 2 * np.pi)
        tilt = np.deg2rad(rng.uniform(3, 30)) * np.array([np.cos(across), np.sin(across), 0.0])
        rotation = Rotation.from_rotvec(tilt) * Rotation.from_euler("z", rng.uniform(-turn_deg, turn_deg), degrees=True)
        view = transform(rotation, at - rotation.apply(middle))
        seen = lens.project(apply(view, corners))
        if (seen > _MARGIN_PX).all() and (seen < np.array([WIDTH_PX, HEIGHT_PX]) - _MARGIN_PX).all():
            return view


@dataclass(frozen=True)
class Cell:
    """An invented cell and its waypoints. ``camera_T_board = inverse(X) A Y``, A the flange (fixed) or its inverse."""

    mount: str
    lens: Lens
    X: np.ndarray
    """base_T_camera (fixed) or flange_T_camera (arm)."""
    Y: np.ndarray
    """flange_T_board (fixed) or base_T_board (arm)."""
    flanges: np.ndarray
    """(n, 4, 4): waypoints in their order."""
    extra: np.ndarray
    """(EXTRA_VIEWS, 4, 4): further poses of the flange from which the board is in view."""


def chain(mount: str, flanges: np.ndarray) -> np.ndarray:
    """A of the shared equation."""
    return flanges if mount == "fixed" else inverse(flanges)


def make_cell(mount: str, pairs: int, rng: np.random.Generator, arm: SerialArm | None = None) -> Cell:
    """A cell all of whose waypoints ``arm`` reaches; without an arm every pose is reachable."""
    for _ in range(200):
        lens, corners = draw_lens(rng), board()
        X, Y = _fixed_cell(rng, corners, arm) if mount == "fixed" else _arm_cell(rng, corners, arm)
        views, flanges = [], []
        for _ in range(40):
            batch = np.array([draw_view(rng, lens, corners) for _ in range(pairs + EXTRA_VIEWS)])
            poses = chain(mount, X @ batch @ inverse(Y))
            reached = np.ones(len(poses), bool) if arm is None else np.isfinite(arm.joints_for(poses)).all(axis=-1)
            views += list(batch[reached])
            flanges += list(poses[reached])
            if len(views) >= pairs + EXTRA_VIEWS or reached.mean() < 0.15:
                break
        if len(views) < pairs + EXTRA_VIEWS:
            continue
        order = np.arange(pairs) if rng.random() < 0.5 else _row_by_row(lens, np.array(views[:pairs]), corners)
        return Cell(mount, lens, X, Y, np.array(flanges[:pairs])[order], np.array(flanges[pairs:][:EXTRA_VIEWS]))
    raise RuntimeError("no reachable cell in 200 attempts")


def _row_by_row(lens: Lens, views: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """Order of a planned session: three bands of the image from top to bottom, each the other way round."""
    u, v = lens.project(apply(views, corners).mean(axis=1)).T
    band = np.clip((3 * v / HEIGHT_PX).astype(int), 0, 2)
    return np.lexsort((np.where(band % 2 == 0, u, -u), band))


def _down(rng: np.random.Generator, tilt_deg: float, least_deg: float = 0.0) -> Rotation:
    """A tool that points down, tilted by ``least_deg`` to ``tilt_deg``, turned about the vertical anyhow."""
    about = rng.uniform(0, 2 * np.pi)
    tilt = np.deg2rad(rng.uniform(least_deg, tilt_deg)) * np.array([np.cos(about), np.sin(about), 0.0])
    turn = Rotation.from_euler("z", rng.uniform(-180, 180), degrees=True)
    return turn * Rotation.from_rotvec(tilt) * Rotation.from_euler("x", 180, degrees=True)


def _work_place(rng: np.random.Generator, arm: SerialArm | None, height_m: float) -> np.ndarray:
    """(3,) m: a place in front of the arm."""
    at = np.array([0.55, 0.0, 0.0]) if arm is None else arm.forward(arm.ready)[:3, 3]
    angle = np.arctan2(at[1], at[0]) + rng.uniform(-0.4, 0.4)
    radius = rng.uniform(0.4, 0.55)
    return np.array([radius * np.cos(angle), radius * np.sin(angle), height_m + rng.uniform(-0.1, 0.1)])


def _turn_like(arm: SerialArm | None, rotation: Rotation) -> Rotation:
    """``rotation`` turned about the vertical so that the wrist is near the middle of its range."""
    if arm is None:
        return rotation
    at_ready = Rotation.from_matrix(arm.forward(arm.ready)[:3, :3])
    turns = [Rotation.from_euler("z", k, degrees=True) * rotation for k in range(0, 360, 15)]
    return min(turns, key=lambda r: (at_ready.inv() * r).magnitude())


def _fixed_cell(rng, corners, arm):
    """Camera above the work place looking down, the board on a bracket of the flange."""
    look = _down(rng, 25)
    place = _work_place(rng, arm, 0.1)
    middle_distance = (NEAR_M + FAR_M) / 2
    X = transform(look, place - look.apply([0, 0, middle_distance]))
    home = transform(Rotation.identity(), np.array([0, 0, middle_distance]) - corners.mean(axis=0))
    # To show the board to a camera above, the tool is lifted far from the straight-down posture of a pick.
    flange = _turn_like(arm, _down(rng, 100, 40))
    offset = np.array([*rng.uniform(-0.06, 0.06, size=2), rng.uniform(0.05, 0.15)])
    flange_home = transform(flange, place - flange.apply(offset))
    return X, inverse(flange_home) @ X @ home


def _arm_cell(rng, corners, arm):
    """Camera beside the tool, the board on a table."""
    roll = Rotation.from_euler("z", rng.uniform(-180, 180), degrees=True)
    look = roll * Rotation.from_rotvec(np.deg2rad(rng.uniform(0, 15)) * np.array([*unit(rng)[:2], 0.0]))
    side = rng.uniform(0, 2 * np.pi)
    X = transform(look, np.array([0.08 * np.cos(side), 0.08 * np.sin(side), rng.uniform(-0.02, 0.06)]))
    place = _work_place(rng, arm, 0.35)
    flange_home = transform(_turn_like(arm, _down(rng, 10)), place)
    home = transform(Rotation.identity(), np.array([0, 0, (NEAR_M + FAR_M) / 2]) - corners.mean(axis=0))
    return X, flange_home @ X @ home


# ---- one session


def _as_commanded(poses: np.ndarray) -> np.ndarray:
    return poses


@dataclass
class Session:
    """A cell with everything that a row may disturb, and what was observed. Frames, units: m, rad, px."""

    cell: Cell
    stated_lens: Lens
    """What the lens file says."""
    lens_sigma: np.ndarray | None
    """(9,): standard deviations in the lens file; None: none in it."""
    scale_sigma: float | None
    """Stated standard deviation of the board scale; None: not stated."""
    nuisance_root: np.ndarray
    """(10, r): the nuisances (board scale, lens) that are really open are root @ u, u standard normal; r = 0: none."""
    real_board: np.ndarray
    """(88, 3)"""
    arm_covariance: Callable[[np.ndarray, np.ndarray], np.ndarray]
    """(poses (m, 4, 4), distances (m,)) -> (m, 6, 6): covariance of the arm's error at the flange."""
    actual: Callable[[np.ndarray], np.ndarray] = _as_commanded
    """Where the flange really is for a pose that the controller believes in, scatter aside; NaN: not reachable."""
    approach_error: Callable[[np.ndarray, np.random.Generator], np.ndarray] | None = None
    """(poses in order (m, 4, 4), rng) -> (m, 6): error that depends on how a pose was approached."""
    creep: np.ndarray = field(default_factory=lambda: np.zeros(6))
    """(6,): change of X over the session, linear in the number of the pair; truth is X at its end."""
    truth_at: float = 1.0
    """The moment of the session whose X is the truth: 0 the first pair, 1 the last."""
    corner_shift: np.ndarray | None = None
    """(n, 88, 2) px: systematic errors of corners."""
    clean: np.ndarray = field(default_factory=lambda: np.ones(0, bool))
    """(n,): pairs that nothing is wrong with."""
    stated_noise: tuple[float, float] | None = None
    """Stated noise of the arm (m, rad); None: to be estimated."""
    lens_pictures: np.ndarray | None = None
    """(m, 88, 2) px: pictures that the lens file is to be made from, where it is not there."""
    flanges: np.ndarray = field(default_factory=lambda: np.zeros((0, 4, 4)))
    """(n, 4, 4): poses as reported."""
    corners_px: np.ndarray = field(default_factory=lambda: np.zeros((0, 0, 2)))
    """(n, 88, 2): corners as observed."""

    @property
    def pairs(self) -> int:
        """Number of pairs."""
        return len(self.cell.flanges)

    @property
    def X_true(self) -> np.ndarray:
        """(4, 4): what the result is compared with."""
        return moved(self.cell.X, self.creep * self.truth_at)

    def distances(self) -> np.ndarray:
        """(n,) m: from the camera to the board."""
        return np.linalg.norm(self.true_views()[:, :3, 3], axis=-1)

    def true_views(self) -> np.ndarray:
        """(n, 4, 4): camera_T_board if nothing were disturbed."""
        return inverse(self.cell.X) @ chain(self.cell.mount, self.cell.flanges) @ self.cell.Y

    def scatter(self, poses: np.ndarray, distances: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """(m, 6): random errors of the arm at ``poses``."""
        roots = np.linalg.cholesky(self.arm_covariance(poses, distances))
        return (roots @ rng.normal(size=(len(poses), 6, 1)))[..., 0]

    def observe(self, rng: np.random.Generator, noise: float = 1.0) -> None:
        """Draws the reported poses and the corners; ``noise`` 0 leaves out everything random."""
        cell, n = self.cell, self.pairs
        self.flanges = cell.flanges
        error = noise * self.scatter(cell.flanges, self.distances(), rng)
        if self.approach_error is not None:
            error = error + self.approach_error(cell.flanges, rng)
        flanges = moved(self.actual(cell.flanges), error)
        ramp = np.linspace(0.0, 1.0, n)[:, None] if n > 1 else np.zeros((n, 1))
        X = moved(np.tile(cell.X, (n, 1, 1)), ramp * self.creep)
        views = inverse(X) @ chain(cell.mount, flanges) @ cell.Y
        self.corners_px = cell.lens.project(apply(views, self.real_board))
        self.corners_px += noise * CORNER_PX * rng.normal(size=self.corners_px.shape)
        if self.corner_shift is not None:
            self.corners_px += self.corner_shift


def white_arm(sigma_m: float = ARM_M, sigma_rad: float = ARM_RAD):
    """Covariance function of an arm that scatters alike everywhere."""
    once = np.diag(np.repeat([sigma_m**2, sigma_rad**2], 3))
    return lambda poses, distances: np.tile(once, (len(poses), 1, 1))


def clean_session(cell: Cell) -> Session:
    """Nothing disturbed; lens and board exact and stated to be."""
    return Session(
        cell=cell,
        stated_lens=cell.lens,
        lens_sigma=EXACT_LENS,
        scale_sigma=EXACT_SCALE,
        nuisance_root=np.zeros((10, 0)),
        real_board=board(),
        arm_covariance=white_arm(),
        clean=np.ones(len(cell.flanges), bool),
    )


EXACT_LENS = np.array([1e-4, 1e-4, 1e-4, 1e-4, 1e-8, 1e-8, 1e-8, 1e-8, 1e-8])
EXACT_SCALE = 1e-8


def lens_pictures(lens: Lens, count: int, noise_px: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Corners (count, 88, 2) of pictures of the exact board, the board anywhere; and camera_T_board of each."""
    views = np.array([draw_view(rng, lens, board(), turn_deg=180.0) for _ in range(count)])
    return lens.project(apply(views, board())) + noise_px * rng.normal(size=(count, COLUMNS * ROWS, 2)), views


def opencv_lens(pictures: np.ndarray) -> tuple[Lens, np.ndarray]:
    """The lens that ``cv2.calibrateCamera`` finds, and its standard deviations (9,) of the parameters."""
    corners = board().astype(np.float32)
    _, matrix, distortion, _, _, sigma, _, _ = cv2.calibrateCameraExtended(
        [corners] * len(pictures), list(pictures.astype(np.float32)), (WIDTH_PX, HEIGHT_PX), None, None
    )
    found = Lens(np.array([matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2], *distortion.ravel()[:5]]))
    return found, sigma.ravel()[:9]


# ---- picks

POSTURES = ("down", "waypoint")


def pick_errors(session: Session, X: np.ndarray, posture: str, count: int, rng: np.random.Generator) -> np.ndarray:
    """Tip minus object, mm (<= count,): picks by this arm at points that the camera sees, located with ``X``.

    ``posture``: the tool points straight down (tip TIP_M from the flange), or as at the waypoints (the tip as far from
    the flange as the board; with the camera on the arm the flange itself). Picks out of reach are left out.
    """
    cell = session.cell
    u = rng.uniform([0, 0], [WIDTH_PX - 1, HEIGHT_PX - 1], size=(count, 2))
    points = cell.lens.rays(u) * rng.uniform(NEAR_M, FAR_M, size=(count, 1))
    homogeneous = np.concatenate([points, np.ones((count, 1))], axis=-1)[..., None]
    middle = np.full(count, (NEAR_M + FAR_M) / 2)
    if cell.mount == "fixed":
        objects = (session.X_true @ homogeneous)[:, :3, 0]
        located = (X @ homogeneous)[:, :3, 0]
        views = cell.flanges[rng.integers(len(cell.flanges), size=count)]
    else:
        views = cell.extra[rng.integers(len(cell.extra), size=count)]
        real = moved(session.actual(views), session.scatter(views, middle, rng))
        objects = (real @ session.X_true @ homogeneous)[:, :3, 0]
        located = (views @ X @ homogeneous)[:, :3, 0]
    if posture == "down":
        turn = Rotation.from_rotvec(rng.uniform(-np.pi, np.pi, size=(count, 1)) * [0.0, 0.0, 1.0])
        rotations = (turn * Rotation.from_euler("x", 180, degrees=True)).as_matrix()
        if cell.mount == "arm":
            rotations = _nearest_down(views[:, :3, :3])
    else:
        rotations = views[:, :3, :3]
    tip = np.array([0.0, 0.0, tip_length(session, posture)])
    commands = np.tile(np.eye(4), (count, 1, 1))
    commands[:, :3, :3] = rotations
    commands[:, :3, 3] = located - rotations @ tip
    error = session.scatter(commands, middle, rng)
    if session.approach_error is not None:
        error = error + session.approach_error(commands, rng)
    reached = moved(session.actual(commands), error)
    tips = reached[:, :3, :3] @ tip + reached[:, :3, 3]
    out = 1e3 * np.linalg.norm(tips - objects, axis=-1)
    return out[np.isfinite(out)]


def tip_length(session: Session, posture: str) -> float:
    """From the flange to the tip, along its z axis, m."""
    if posture == "down":
        return TIP_M
    return float(np.linalg.norm(session.cell.Y[:3, 3])) if session.cell.mount == "fixed" else 0.0


def _nearest_down(rotations: np.ndarray) -> np.ndarray:
    """Each rotation turned the shortest way until its z axis points down."""
    axes = rotations[:, :, 2]
    about = np.cross(axes, [0.0, 0.0, -1.0])
    angle = np.arctan2(np.linalg.norm(about, axis=-1), -axes[:, 2])
    length = np.maximum(np.linalg.norm(about, axis=-1), 1e-12)
    return Rotation.from_rotvec(about / length[:, None] * angle[:, None]).as_matrix() @ rotations


def arm_with_errors(session: Session, nominal: SerialArm, real: SerialArm, scatter: tuple[float, float]) -> None:
    """Lets ``session`` be run by an arm whose links differ from the table of its controller."""

    def actual(poses: np.ndarray) -> np.ndarray:
        return real.forward(nominal.joints_for(poses))

    session.actual = actual
    session.arm_covariance = white_arm(*scatter)
