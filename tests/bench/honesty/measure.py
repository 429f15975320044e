"""One set: the product's solve of a generated session, and what its statement is worth against the truth."""

import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field

import cv2
import numpy as np

from bench.honesty import bound
from bench.honesty.disturbances import ROWS, session_of
from bench.honesty.generator import (
    FAR_M,
    HEIGHT_PX,
    LENS_NAMES,
    NEAR_M,
    POSTURES,
    WIDTH_PX,
    Lens,
    Session,
    board,
    pick_errors,
    tip_length,
    volume,
)
from bench.honesty.rigid import apply
from eyebolt.calibration import Problem, RobotNoise, Solution, WorkingVolume, assess_result, solve
from eyebolt.geometry import CameraModel, Mount, PickPose, PickPosture
from eyebolt.lens import LensCalibration, LensView, calibrate_lens
from eyebolt.observations import Pair
from eyebolt.protocol import AcceptanceStatus, Severity, ToleranceOf

TOLERANCE_MM = 1.0
PICKS, PICKS_OF_SERIAL_ARMS = 400, 150
SECONDS_PER_PAIR = 30.0


@dataclass(frozen=True)
class Measured:
    """What one set shows; NaN where there is no solution."""

    row: str
    mount: str
    pairs: int
    seed: int
    solved: bool = False
    bound_mm2: float = np.nan
    """Squared RMS bound over the volume, the row's nuisances with their priors included."""
    exact_mm2: float = np.nan
    """The same with lens and board exact."""
    error_mm2: float = np.nan
    """Mean squared error over the volume."""
    inside: float = np.nan
    """Share of the volume within the stated p95."""
    stated_p95_mm: float = np.nan
    stated_upper_mm: float = np.nan
    """Stated upper confidence bound of the p95."""
    true_p95_mm: float = np.nan
    """95 % quantile of the error over the volume."""
    clean_lost: int = 0
    """Pairs left out that nothing was wrong with."""
    accepted: bool = False
    """Picks with the tool down being compared with the tolerance."""
    accepted_transform: bool = False
    """The transform's error being compared with it."""
    picks_inside: dict[str, float] = field(default_factory=dict)
    """Share of picks within the stated pick p95, by posture."""
    pick_p95_mm: dict[str, float] = field(default_factory=dict)
    """95 % quantile of the pick errors, by posture."""
    stated_pick_p95_mm: dict[str, float] = field(default_factory=dict)
    stated_pick_upper_mm: float = np.nan
    """The bound for picks with the tool down."""
    findings: tuple[str, ...] = ()
    """``code/severity`` of each."""
    cause: str = ""
    """Cause of the acceptance."""
    seconds: float = np.nan
    """Processor time of the solve."""

    @property
    def stopped(self) -> bool:
        """Whether a finding stops the result."""
        return any(finding.endswith("/stop") for finding in self.findings)

    @classmethod
    def from_json(cls, record: dict[str, object]) -> "Measured":
        """The inverse of ``asdict``."""
        return cls(**{**record, "findings": tuple(record["findings"])})  # type: ignore[call-overload]


def camera_of(lens: Lens, sigma: np.ndarray | None) -> CameraModel:
    """The product's lens file content; ``sigma`` (9,) or None: not stated."""
    stated = {} if sigma is None else dict(zip(LENS_NAMES, map(float, sigma), strict=True))
    return CameraModel(WIDTH_PX, HEIGHT_PX, lens.matrix, lens.distortion, sigma=stated)


def problem_of(session: Session, posture: str = "down") -> Problem:
    """The problem that the product is given, the picks of ``posture`` stated as meant."""
    ids = np.arange(len(board()))
    pairs = [
        Pair(k, pose, ids, corners, time_s=SECONDS_PER_PAIR * k)
        for k, (pose, corners) in enumerate(zip(session.flanges, session.corners_px, strict=True))
    ]
    noise = RobotNoise(*session.stated_noise) if session.stated_noise else None
    return Problem(
        mount=Mount(session.cell.mount),
        camera=_camera(session),
        board_corners_m=board(),
        pairs=pairs,
        volume=WorkingVolume(NEAR_M, FAR_M),
        robot_noise=noise,
        board_scale_sigma=session.scale_sigma,
        pick=_posture(session, posture),
    )


def _camera(session: Session) -> CameraModel:
    """The lens file; made by this program's own calibration where the session has only pictures for it."""
    if session.lens_pictures is None:
        return camera_of(session.stated_lens, session.lens_sigma)
    return own_lens(session.lens_pictures).camera


def own_lens(pictures: np.ndarray, coefficients: int | None = None) -> LensCalibration:
    """This program's lens from corners (n, 88, 2); the number of distortion coefficients is its choice if not given."""
    views = [LensView(str(k), np.arange(len(board())), corners) for k, corners in enumerate(pictures)]
    found = calibrate_lens(views, (WIDTH_PX, HEIGHT_PX), board(), coefficients)
    if not isinstance(found, LensCalibration):
        raise RuntimeError(found.message)
    return found


def _posture(session: Session, posture: str) -> PickPosture:
    """The pick that is meant, as a station file states it."""
    pose = PickPose.DOWN if posture == "down" else PickPose.WAYPOINTS
    return PickPosture(pose=pose, tool_m=(0.0, 0.0, tip_length(session, posture)))


def errors_mm(X: np.ndarray, true: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Distance between the two places of each point."""
    return 1e3 * np.linalg.norm(apply(X, points) - apply(true, points), axis=-1)


def share_within(errors: np.ndarray, stated_mm: float) -> float:
    """Share of ``errors`` up to the stated one."""
    return float((errors <= stated_mm).mean())


def measure(row_name: str, mount: str, pairs: int, seed: int) -> Measured:
    """One set of a cell of the table."""
    # Threads only compete on numbers this small.
    cv2.setNumThreads(1)
    row = ROWS[row_name]
    session = session_of(row, mount, pairs, seed)
    return measured(session, row_name, seed)


def measured(session: Session, row_name: str, seed: int) -> Measured:
    """What the solve of ``session`` shows."""
    mount, pairs, lens = session.cell.mount, session.pairs, session.cell.lens
    best, exact = (bound.rms_mm(bound.covariance(session, root), lens) ** 2 for root in (None, np.zeros((10, 0))))
    problem = problem_of(session)
    begin = time.process_time()
    outcome = solve(problem)
    seconds = time.process_time() - begin
    assessed = assess_result(outcome, TOLERANCE_MM)
    of_transform = assess_result(outcome, TOLERANCE_MM, ToleranceOf.TRANSFORM)
    lost = sum(bool(session.clean[excluded.pair]) for excluded in outcome.excluded)
    common = {
        "bound_mm2": best,
        "exact_mm2": exact,
        "clean_lost": lost,
        "findings": tuple(f"{f.code}/{Severity(f.severity).value}" for f in outcome.findings),
        "cause": str(assessed.cause),
        "seconds": seconds,
    }
    if not isinstance(outcome, Solution):
        return Measured(row_name, mount, pairs, seed, **common)
    errors = errors_mm(outcome.X, session.X_true, _points(session))
    stated = outcome.expected_error_mm.p95
    # The statement for the second posture costs a second solve; only the arm's geometry makes them differ.
    postures = POSTURES if ROWS[row_name].arm else POSTURES[:1]
    count = PICKS_OF_SERIAL_ARMS if ROWS[row_name].arm else PICKS
    picks, stated_picks = {}, {}
    for posture in postures:
        picks[posture] = pick_errors(session, outcome.X, posture, count, np.random.default_rng([seed, pairs, 4]))
        meant = outcome if posture == "down" else solve(problem_of(session, posture))
        stated_picks[posture] = meant.expected_pick_error_mm.p95
    return Measured(
        row_name,
        mount,
        pairs,
        seed,
        solved=True,
        error_mm2=float((errors**2).mean()),
        inside=share_within(errors, stated),
        stated_p95_mm=stated,
        stated_upper_mm=outcome.expected_error_mm.p95_upper,
        stated_pick_upper_mm=outcome.expected_pick_error_mm.p95_upper,
        true_p95_mm=float(np.quantile(errors, 0.95)),
        accepted=assessed.status is AcceptanceStatus.ACCEPT,
        accepted_transform=of_transform.status is AcceptanceStatus.ACCEPT,
        picks_inside={p: share_within(e, stated_picks[p]) if e.size else np.nan for p, e in picks.items()},
        pick_p95_mm={p: float(np.quantile(e, 0.95)) if e.size else np.nan for p, e in picks.items()},
        stated_pick_p95_mm=stated_picks,
        **common,
    )


def _points(session: Session) -> np.ndarray:
    return volume(session.cell.lens)


def as_json(sets: Sequence[Measured]) -> list[dict[str, object]]:
    """Records that ``Measured.from_json`` reads."""
    return [asdict(one) for one in sets]
