"""One set: the product's solve of a generated session, and what its statement is worth against the truth."""

import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, fields

import cv2
import numpy as np

from bench.honesty import bound
from bench.honesty.disturbances import ROWS, session_of
from bench.honesty.generator import (
    FAR_M,
    HEIGHT_PX,
    LENS_NAMES,
    NEAR_M,
    WIDTH_PX,
    Lens,
    Session,
    board,
    pick_errors,
    volume,
)
from bench.honesty.rigid import apply
from eyebolt.calibration import Problem, RobotNoise, Solution, WorkingVolume, assess_result, solve
from eyebolt.geometry import CameraModel, Mount
from eyebolt.observations import Pair
from eyebolt.protocol import AcceptanceStatus, Severity

TOLERANCE_MM = 1.0
PICKS = 60


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
    true_p95_mm: float = np.nan
    """95 % quantile of the error over the volume."""
    clean_lost: int = 0
    """Pairs left out that nothing was wrong with."""
    accepted: bool = False
    picks_inside: dict[str, float] = field(default_factory=dict)
    """Share of picks within the stated pick p95, by posture."""
    pick_p95_mm: dict[str, float] = field(default_factory=dict)
    """95 % quantile of the pick errors, by posture."""
    stated_pick_p95_mm: dict[str, float] = field(default_factory=dict)
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


def camera_of(lens: Lens, sigma: np.ndarray | None, covariance: np.ndarray | None) -> CameraModel:
    """The product's lens file content."""
    more: dict[str, object] = {}
    if covariance is not None:
        deviation = np.sqrt(np.diagonal(covariance))
        more["sigma"] = dict(zip(LENS_NAMES, map(float, deviation), strict=True))
        more["correlation"] = covariance / deviation[:, None] / deviation
    elif sigma is not None:
        more["sigma"] = dict(zip(LENS_NAMES, map(float, sigma), strict=True))
    return CameraModel(WIDTH_PX, HEIGHT_PX, lens.matrix, lens.distortion, **more)


def problem_of(session: Session) -> Problem:
    """The problem that the product is given."""
    ids = np.arange(len(board()))
    pairs = [
        Pair(k, pose, ids, corners)
        for k, (pose, corners) in enumerate(zip(session.flanges, session.corners_px, strict=True))
    ]
    noise = RobotNoise(*session.stated_noise) if session.stated_noise else None
    return Problem(
        mount=Mount(session.cell.mount),
        camera=camera_of(session.stated_lens, _today(session.lens_sigma), session.lens_covariance),
        board_corners_m=board(),
        pairs=pairs,
        volume=WorkingVolume(NEAR_M, FAR_M),
        robot_noise=noise,
        **({"board_scale_sigma": session.scale_sigma} if "board_scale_sigma" in _PROBLEM_FIELDS else {}),
    )


def _today(sigma):
    exact = sigma is not None and sigma[0] < 1e-3
    return None if exact and "board_scale_sigma" not in _PROBLEM_FIELDS else sigma


_PROBLEM_FIELDS = {f.name for f in fields(Problem)}


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
    picks = {
        posture: pick_errors(session, outcome.X, posture, PICKS, np.random.default_rng([seed, pairs, 4]))
        for posture in ("down", "waypoint")
    }
    stated_picks = {posture: _stated_pick_p95(outcome) for posture in picks}
    return Measured(
        row_name,
        mount,
        pairs,
        seed,
        solved=True,
        error_mm2=float((errors**2).mean()),
        inside=share_within(errors, stated),
        stated_p95_mm=stated,
        true_p95_mm=float(np.quantile(errors, 0.95)),
        accepted=assessed.status is AcceptanceStatus.ACCEPT,
        picks_inside={p: share_within(e, stated_picks[p]) if e.size else np.nan for p, e in picks.items()},
        pick_p95_mm={p: float(np.quantile(e, 0.95)) if e.size else np.nan for p, e in picks.items()},
        stated_pick_p95_mm=stated_picks,
        **common,
    )


def _points(session: Session) -> np.ndarray:
    return volume(session.cell.lens)


def _stated_pick_p95(outcome: Solution) -> float:
    return outcome.expected_pick_error_mm.p95


def as_json(sets: Sequence[Measured]) -> list[dict[str, object]]:
    """Records that ``Measured.from_json`` reads."""
    return [asdict(one) for one in sets]
