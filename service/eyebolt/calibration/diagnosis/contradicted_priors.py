"""Findings on a board or lens that is not within its stated uncertainty, though the estimate accounts for it.

The prior was widened to agree with the pairs (``robust.prior_check``), so the result is not biased, and its error
includes the wider prior. Gross deviations are stops (``intrinsics``).
"""

from __future__ import annotations

import numpy as np

from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.nuisance_prior import SCALE, PriorSource
from eyebolt.calibration.problem import Problem
from eyebolt.calibration.solution import Solution


def findings_on_priors(problem: Problem, solution: Solution) -> tuple[Finding, ...]:
    """One finding for the board and one for the lens, where the prior of ``problem`` had to be widened."""
    found = []
    if solution.board_scale.prior_source is PriorSource.WIDENED:
        found.append(_board_finding(problem, solution))
    if solution.focal_length.prior_source is PriorSource.WIDENED:
        found.append(_lens_finding(problem, solution))
    return tuple(found)


def _board_finding(problem: Problem, solution: Solution) -> Finding:
    scale = solution.board_scale
    stated = float(np.linalg.norm(problem.stated_prior.functional({SCALE: 1.0})))
    return Finding(
        FindingCode.BOARD_DEVIATES,
        Severity.WARN,
        f"the board is {_percent(abs(scale.deviation))} (sigma {_percent(scale.sigma)})"
        f" {'larger' if scale.deviation > 0 else 'smaller'} than stated, beyond its stated uncertainty of"
        f" {_percent(stated)}: the result uses the size that the pairs show, and its error includes that",
        {"scale": scale.deviation, "scale_sigma": scale.sigma, "scale_stated_sigma": stated},
        "measure the board over ten squares and correct its lengths in the station file under [board]"
        f" (times {1 + scale.deviation:.4f}); the expected error then becomes smaller.",
    )


def _lens_finding(problem: Problem, solution: Solution) -> Finding:
    focal, (cx, cy) = solution.focal_length, (solution.lens[name] for name in ("cx", "cy"))
    matrix, prior = problem.camera.matrix, problem.stated_prior
    stated = float(np.linalg.norm(prior.functional({"fx": 0.5 / matrix[0, 0], "fy": 0.5 / matrix[1, 1]})))
    focal_px = float(matrix[0, 0])
    return Finding(
        FindingCode.LENS_DEVIATES,
        Severity.WARN,
        f"the lens is not as the lens file states, beyond its uncertainty: focal length {100 * focal.deviation:+.2f} %"
        f" (sigma {_percent(focal.sigma)}), principal point {cx.deviation:+.1f} px across and {cy.deviation:+.1f} px"
        " down; the result uses the lens that the pairs show, and its error includes that",
        {
            "focal": focal.deviation,
            "focal_sigma": focal.sigma,
            "focal_stated_sigma": stated,
            "cx": cx.deviation / focal_px,
            "cx_sigma": cx.sigma / focal_px,
            "cy": cy.deviation / focal_px,
            "cy_sigma": cy.sigma / focal_px,
        },
        "calibrate the lens again at this focus and this resolution; the expected error then becomes smaller.",
    )


def _percent(fraction: float) -> str:
    return f"{100 * fraction:.2f} %"
