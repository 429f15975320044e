"""The rows of the table: what is a little off in a cell. Each is a function of a clean session and a generator."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from bench.honesty import bound, generator
from bench.honesty.generator import (
    ARM_M,
    ARM_RAD,
    Lens,
    Session,
    arm_with_errors,
    board,
    clean_session,
    lens_pictures,
    make_cell,
    opencv_lens,
    white_arm,
)
from bench.honesty.rigid import unit
from bench.honesty.serial_arm import ARMS, SerialArm

BOARD_SIGMA, BOARD_OFF = 0.0007, 0.001
FOCAL_SIGMA, CENTRE_SIGMA_PX = 0.0007, 1.5
LENS_PICTURES = 15
CREEP_M, CREEP_RAD = 0.3e-3, float(np.deg2rad(0.02))
ANISOTROPY = 3.0
BACKLASH_M, BACKLASH_RAD = 0.1e-3, float(np.deg2rad(0.02))
UNDERSTATED = 1.5
REGION_M, REFLECTION_PX, PRINT_M = 0.045, 0.5, 0.1e-3
BOW_M = 0.2e-3
JOINT_DEG, LINK_MM = 0.03, 0.2
# An arm with wrong geometry repeats well.
REPEATABILITY = (0.02e-3, float(np.deg2rad(0.003)))

Disturbance = Callable[[Session, np.random.Generator], None]


@dataclass(frozen=True)
class Row:
    """One row of the table."""

    name: str
    text: str
    """What is off, for the table."""
    disturb: Disturbance
    arm: str | None = None
    """The serial arm whose waypoints must be reachable."""
    pairs: tuple[int, ...] = (5, 8, 12, 20, 40)


def session_of(row: Row, mount: str, pairs: int, seed: int) -> Session:
    """The observed session of a seed. Cell, disturbance and noise have streams of their own: rows share cells."""
    arm = ARMS[row.arm] if row.arm else None
    cell = make_cell(mount, pairs, np.random.default_rng([seed, pairs, 1]), arm)
    session = clean_session(cell)
    row.disturb(session, np.random.default_rng([seed, pairs, 2]))
    session.observe(np.random.default_rng([seed, pairs, 3]))
    return session


# ---- nothing


def nothing(session: Session, rng: np.random.Generator) -> None:
    """Lens and board exact, and stated to be."""


def nothing_stated(session: Session, rng: np.random.Generator) -> None:
    """Lens and board exact, but neither states how well it is known."""
    session.lens_sigma = session.scale_sigma = None


def noise_stated(session: Session, rng: np.random.Generator) -> None:
    """The arm's noise stated as it is."""
    session.stated_noise = (ARM_M, ARM_RAD)


# ---- board


def board_scaled(session: Session, rng: np.random.Generator) -> None:
    """Board scale off by its stated sigma."""
    session.scale_sigma = BOARD_SIGMA
    session.nuisance_root = _root_of_scale(BOARD_SIGMA)
    session.real_board = board() * (1 + BOARD_SIGMA * rng.normal())


def board_off(session: Session, rng: np.random.Generator) -> None:
    """Board scale off by always the same amount, either way; nothing stated."""
    session.scale_sigma = None
    session.nuisance_root = _root_of_scale(BOARD_OFF)
    session.real_board = board() * (1 + BOARD_OFF * rng.choice([-1, 1]))


def board_bowed(session: Session, rng: np.random.Generator) -> None:
    """A bow of 0.2 mm from the middle to the farthest corner, up or down: a dome, or a cylinder about any axis."""
    corners = board()
    across = (corners - corners.mean(axis=0))[:, :2]
    if rng.random() < 0.5:
        direction = rng.uniform(0, 2 * np.pi)
        across = across @ np.array([[np.cos(direction)], [np.sin(direction)]])
    height = (across**2).sum(axis=-1)
    corners[:, 2] = BOW_M * rng.choice([-1, 1]) * height / height.max()
    session.real_board = corners


def _root_of_scale(sigma: float) -> np.ndarray:
    root = np.zeros((10, 1))
    root[0, 0] = sigma
    return root


# ---- lens


def lens_off(session: Session, rng: np.random.Generator) -> None:
    """Focal length and principal point off, nothing stated."""
    focal = session.cell.lens.parameters[0]
    root = np.zeros((10, 3))
    root[1:3, 0] = FOCAL_SIGMA * focal
    root[3, 1] = root[4, 2] = CENTRE_SIGMA_PX
    session.nuisance_root, session.lens_sigma = root, None
    session.stated_lens = Lens(session.cell.lens.parameters - root[1:] @ rng.normal(size=3))


def _calibrated(noise_px: float, statement: str) -> Disturbance:
    """A lens file from pictures. ``statement``: none, sigma (of the function), covariance (this program's lens)."""

    def disturb(session: Session, rng: np.random.Generator) -> None:
        lens = session.cell.lens
        pictures, views = lens_pictures(lens, LENS_PICTURES, noise_px, rng)
        session.lens_sigma = None
        session.nuisance_root = np.zeros((10, 9))
        session.nuisance_root[1:] = np.linalg.cholesky(bound.lens_covariance(lens, board(), views, noise_px))
        if statement == "covariance":
            session.lens_pictures = pictures
            return
        session.stated_lens, sigma = opencv_lens(pictures)
        if statement == "sigma":
            session.lens_sigma = sigma

    return disturb


# ---- arm


def drift(truth_at: float) -> Disturbance:
    """The camera creeps; the truth is X at the end of the session, or in its middle."""

    def disturb(session: Session, rng: np.random.Generator) -> None:
        session.creep = np.concatenate([CREEP_M * unit(rng), CREEP_RAD * unit(rng)])
        session.truth_at = truth_at

    return disturb


def anisotropic(session: Session, rng: np.random.Generator) -> None:
    """Scatter along and about one axis of the base larger than along the others."""
    axis = rng.integers(3)
    factors = np.ones(3)
    factors[axis] = ANISOTROPY
    sigma = np.concatenate([ARM_M * factors, ARM_RAD * factors])

    def covariance(poses: np.ndarray, distances: np.ndarray) -> np.ndarray:
        turns = np.zeros((len(poses), 6, 6))
        turns[:, :3, :3] = turns[:, 3:, 3:] = np.swapaxes(poses[:, :3, :3], -1, -2)
        return (turns * sigma**2) @ np.swapaxes(turns, -1, -2)

    session.arm_covariance = covariance


def backlash(session: Session, rng: np.random.Generator) -> None:
    """Each axis stops short, seen from where it comes: from the pose before, or each time from a home pose."""
    home = session.cell.extra[0] if rng.random() < 0.5 else None

    def error(poses: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        before = np.concatenate([poses[:1], poses[:-1]]) if home is None else np.tile(home, (len(poses), 1, 1))
        way = np.sign(poses[:, :3, 3] - before[:, :3, 3])
        turned = before[:, :3, :3].swapaxes(-1, -2) @ poses[:, :3, :3]
        about = np.stack(
            [turned[:, 2, 1] - turned[:, 1, 2], turned[:, 0, 2] - turned[:, 2, 0], turned[:, 1, 0] - turned[:, 0, 1]],
            axis=-1,
        )
        if home is None:
            way[0], about[0] = rng.choice([-1, 1], size=(2, 3))
        shift = -BACKLASH_M * (poses[:, :3, :3].swapaxes(-1, -2) @ way[..., None])[..., 0]
        return np.concatenate([shift, -BACKLASH_RAD * np.sign(about)], axis=-1)

    session.approach_error = error


def grows_with_distance(session: Session, rng: np.random.Generator) -> None:
    """The arm's error grows with the square of the distance from camera to board; nominal at 0.8 m."""
    white = white_arm()
    middle = (generator.NEAR_M + generator.FAR_M) / 2
    session.arm_covariance = lambda poses, distances: (
        white(poses, distances) * (np.asarray(distances) / middle)[:, None, None] ** 4
    )


def grows_with_reach(session: Session, rng: np.random.Generator) -> None:
    """The arm's error grows with the square of its reach; nominal at the median of the waypoints."""
    white = white_arm()
    middle = np.median(np.linalg.norm(session.cell.flanges[:, :3, 3], axis=-1))
    session.arm_covariance = lambda poses, distances: (
        white(poses, distances) * (np.linalg.norm(poses[:, :3, 3], axis=-1) / middle)[:, None, None] ** 4
    )


def noise_understated(session: Session, rng: np.random.Generator) -> None:
    """The arm's noise stated smaller than it is."""
    session.stated_noise = (ARM_M / UNDERSTATED, ARM_RAD / UNDERSTATED)


def wrong_geometry(nominal: SerialArm) -> Disturbance:
    """Joint offsets and link lengths differ from the controller's table."""

    def disturb(session: Session, rng: np.random.Generator) -> None:
        arm_with_errors(session, nominal, nominal.with_errors(rng, JOINT_DEG, LINK_MM), REPEATABILITY)

    return disturb


# ---- corners


def reflection(session: Session, rng: np.random.Generator) -> None:
    """In a third of the views the corners of one region are shifted alike, each time another region and shift."""
    shift = np.zeros((session.pairs, len(board()), 2))
    for k in np.flatnonzero(rng.random(session.pairs) < 1 / 3):
        shift[k, _region(rng)] = REFLECTION_PX * rng.normal(size=2)
        session.clean[k] = False
    session.corner_shift = shift


def misprint(session: Session, rng: np.random.Generator) -> None:
    """One region of the board is printed 0.1 mm beside its place."""
    direction = rng.uniform(0, 2 * np.pi)
    corners = board()
    corners[_region(rng)] += PRINT_M * np.array([np.cos(direction), np.sin(direction), 0.0])
    session.real_board = corners


def _region(rng: np.random.Generator) -> np.ndarray:
    """(88,) bool: corners about one of them."""
    corners = board()
    return np.linalg.norm(corners - corners[rng.integers(len(corners))], axis=-1) < REGION_M


ROWS = {
    row.name: row
    for row in (
        Row("nothing", "nothing; lens and board stated as exact", nothing),
        Row("nothing-stated", "nothing; neither sigma nor scale stated", nothing_stated),
        Row("noise-stated", "nothing; arm's noise stated", noise_stated),
        Row("board-sigma", "board 0.07 % (1 sigma), stated", board_scaled),
        Row("board-off", "board 0.1 %, nothing stated", board_off),
        Row("lens-off", "focal length 0.07 %, principal point 1.5 px (1 sigma), no sigma", lens_off),
        Row("lens-file-0.1", "lens file from 15 pictures, 0.1 px, no sigma", _calibrated(0.1, "none")),
        Row("lens-file-0.3", "lens file from 15 pictures, 0.3 px, no sigma", _calibrated(0.3, "none")),
        Row("lens-sigma-0.1", "the same, 0.1 px, the function's sigma", _calibrated(0.1, "sigma")),
        Row("lens-sigma-0.3", "the same, 0.3 px, the function's sigma", _calibrated(0.3, "sigma")),
        Row("lens-own-0.1", "the same pictures, 0.1 px, by this program's lens", _calibrated(0.1, "covariance")),
        Row("lens-own-0.3", "the same pictures, 0.3 px, by this program's lens", _calibrated(0.3, "covariance")),
        Row("drift", "camera creeps 0.3 mm, 0.02 deg; truth at the end", drift(1.0)),
        Row("drift-middle", "the same; truth in the middle", drift(0.5)),
        Row("anisotropic", "arm scatters 3 times more along one axis", anisotropic),
        Row("backlash", "backlash 0.1 mm, 0.02 deg", backlash),
        Row("distance", "arm's noise grows with the square of the distance from camera to board", grows_with_distance),
        Row("reach", "arm's noise grows with the square of its reach", grows_with_reach),
        Row("understated", "stated robot noise too small by 1.5", noise_understated, pairs=(5, 8, 10, 12, 20, 40)),
        Row("reflection", "corners of a region shifted alike, a third of the views", reflection),
        Row("misprint", "a region of the board printed 0.1 mm off", misprint),
        *(
            Row(f"geometry-{name}", f"arm with wrong geometry, {name}", wrong_geometry(arm), arm=name)
            for name, arm in ARMS.items()
        ),
        Row("bowed", "board bowed by 0.2 mm", board_bowed),
    )
}
