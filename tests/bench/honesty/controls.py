"""Negative controls: faults of the real world that a result must not survive unnoticed.

A lens file of another camera of the same type (focal length 1-2 % off, principal point 10-20 px off, distortion 5 % of
its own), a board scaled by an office printer (0.4 %), a lens file of the same camera refocused (focal length 0.5 %).
Lens file and board state nothing about themselves.

Columns: sets in which a finding names lens or board (``named``), and the culprit itself (``right``); estimate of the
deviation by truth, median, and the share of estimates within two of their own sigma (``sized``); results accepted at
each tolerance (of picks, tool down), and those of them whose true p95 of picks is above it (``wrong/accepted``).
Bars: named in at least 95 of 100 sets, wrong at no tolerance in more than 5 % of the accepted results.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from bench.calibration.common import bar, share
from bench.honesty.generator import Lens, Session, board, clean_session, make_cell, pick_errors
from bench.honesty.measure import PICKS, problem_of
from bench.record import Table
from eyebolt.calibration import Solution, assess_result, solve
from eyebolt.protocol import AcceptanceStatus, Severity

TOLERANCES_MM = (0.5, 1.0, 2.0, 4.0)
NAMED_BAR, WRONG_BAR = 0.95, 0.05
PRINTER = 0.004
REFOCUSED = 0.005


def other_camera(session: Session, rng: np.random.Generator) -> float:
    """The lens file of another camera of the type; relative deviation of its focal length from the real one."""
    p = session.cell.lens.parameters
    focal = rng.uniform(0.01, 0.02) * rng.choice([-1, 1])
    about = rng.uniform(0, 2 * np.pi)
    centre = rng.uniform(10, 20) * np.array([np.cos(about), np.sin(about)])
    stated = np.concatenate([p[:2] * (1 + focal), p[2:4] + centre, p[4:] * (1 + 0.05 * rng.normal(size=5))])
    session.stated_lens = Lens(stated)
    return 1 / (1 + focal) - 1


def printed_board(session: Session, rng: np.random.Generator) -> float:
    """A board that the printer scaled; its relative deviation from the stated one."""
    scale = PRINTER * rng.choice([-1, 1])
    session.real_board = board() * (1 + scale)
    return float(scale)


def refocused(session: Session, rng: np.random.Generator) -> float:
    """The lens file from before the camera was refocused; relative deviation of its focal length."""
    focal = REFOCUSED * rng.choice([-1, 1])
    p = session.cell.lens.parameters.copy()
    p[:2] *= 1 + focal
    session.stated_lens = Lens(p)
    return 1 / (1 + float(focal)) - 1


_LENS = frozenset(("focal-length", "principal-point", "distortion", "focus-changed", "lens-deviates"))
_BOARD = frozenset(("board-scale", "board-deviates"))
_EITHER = frozenset(("board-or-lens",))
CONTROLS = {
    "other camera's lens file": (other_camera, _LENS | _EITHER, "focal_length"),
    "printed board, 0.4 %": (printed_board, _BOARD | _EITHER, "board_scale"),
    "refocused, 0.5 %": (refocused, _LENS | _EITHER, "focal_length"),
}


@dataclass(frozen=True)
class Control:
    """One set."""

    solved: bool
    named: bool
    right: bool
    ratio: float
    """Estimated by true deviation."""
    sized: bool
    accepted: tuple[bool, ...]
    """At each of TOLERANCES_MM."""
    true_p95_mm: float
    """Of picks."""
    causes: tuple[str, ...]


def control(name: str, mount: str, pairs: int, seed: int) -> Control:
    """One set of a control."""
    cv2.setNumThreads(1)
    disturb, culprits, attribute = CONTROLS[name]
    cell = make_cell(mount, pairs, np.random.default_rng([seed, pairs, 1]))
    session = clean_session(cell)
    session.lens_sigma = session.scale_sigma = None
    deviation = disturb(session, np.random.default_rng([seed, pairs, 5]))
    session.observe(np.random.default_rng([seed, pairs, 3]))
    outcome = solve(problem_of(session))
    causes = {str(f.code) for f in outcome.findings if f.severity != Severity.NOTE}
    verdicts = [assess_result(outcome, tolerance) for tolerance in TOLERANCES_MM]
    named, right = bool(causes & (_LENS | _BOARD | _EITHER)), bool(causes & culprits)
    accepted = tuple(v.status is AcceptanceStatus.ACCEPT for v in verdicts)
    if not isinstance(outcome, Solution):
        return Control(False, named, right, np.nan, False, accepted, np.nan, tuple(sorted(causes)))
    errors = pick_errors(session, outcome.X, "down", PICKS, np.random.default_rng([seed, pairs, 4]))
    estimate = getattr(outcome, attribute)
    return Control(
        True,
        named,
        right,
        estimate.deviation / deviation,
        abs(estimate.deviation - deviation) <= 2 * estimate.sigma,
        accepted,
        float(np.quantile(errors, 0.95)),
        tuple(sorted(causes)),
    )


def run(bench) -> None:
    """Prints the section."""
    seeds = bench.seeds(100)
    table = Table(
        f"negative controls, {seeds} sets a row",
        ("control", 26),
        ("mount", 5),
        ("pairs", 5),
        ("named", 14),
        ("bar", 26),
        ("right", 14),
        ("ratio", 7),
        ("sized", 14),
        *((f"at {t:g} mm", 9) for t in TOLERANCES_MM),
        ("bar", 7),
    )
    for name in CONTROLS:
        for mount in bench.mounts:
            for pairs in bench.pairs or (12, 20):
                sets = list(bench.each(control, range(bench.first, bench.first + seeds), name, mount, pairs))
                named = share([one.named for one in sets])
                cells, met = [], True
                for k, tolerance in enumerate(TOLERANCES_MM):
                    accepted = [one for one in sets if one.accepted[k]]
                    wrong = sum(one.true_p95_mm > tolerance for one in accepted)
                    cells.append(f"{wrong}/{len(accepted)}")
                    met &= wrong <= WRONG_BAR * len(accepted)
                table.row(
                    name,
                    mount,
                    pairs,
                    named,
                    bar(named, at_least=NAMED_BAR),
                    share([one.right for one in sets]),
                    float(np.median([one.ratio for one in sets if one.solved] or [np.nan])),
                    share([one.sized for one in sets if one.solved]),
                    *cells,
                    "met" if met else "MISSED",
                )
                if bench.details:
                    counts: dict[str, int] = {}
                    for one in sets:
                        key = "+".join(one.causes) or "none"
                        counts[key] = counts.get(key, 0) + 1
                    ordered = sorted(counts.items(), key=lambda item: -item[1])
                    table.note("    " + ", ".join(f"{key} {count}" for key, count in ordered[:5]))
