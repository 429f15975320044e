"""Findings on a board or lens that is not as stated, though the estimate accounts for it.

Where the pairs contradict the stated uncertainty, the prior was widened to agree with them (``robust.prior_check``), so
the result is not biased, and its error includes the wider prior. Gross deviations are stops (``intrinsics``). A bow of
the board is estimated from the images alone; errors of its print are proposed by them and confirmed by the pairs.
"""

from __future__ import annotations

import numpy as np

from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.nuisance_prior import SCALE, PriorSource
from eyebolt.calibration.problem import PrintError, Problem
from eyebolt.calibration.solution import Solution

# p-value of a flat board below which it has a bow.
_FALSE_ALARM_RATE = 1e-5
# Boards for work below a millimetre are flatter than this, mm; a smaller bow is no finding. Common practice, no source.
_MIN_FLATNESS_MM = 0.1


def findings_on_board_and_lens(problem: Problem, solution: Solution) -> tuple[Finding, ...]:
    """One finding for the board and one for the lens, where the prior of ``problem`` had to be widened, one for a board
    that is not flat, and one for errors of its print."""
    found = []
    if solution.board_scale.prior_source is PriorSource.WIDENED:
        found.append(_board_finding(problem, solution))
    if solution.focal_length.prior_source is PriorSource.WIDENED:
        found.append(_lens_finding(problem, solution))
    bow = _bow_finding(solution)
    if bow is not None:
        found.append(bow)
    if problem.print_error is not None:
        found.append(_print_finding(problem.print_error))
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


def _bow_finding(solution: Solution) -> Finding | None:
    """The finding that the board is bowed; a warning if that moves the result by more than its p95.

    Such a result depends on the bow being of second order and the same in all views.
    """
    bow, p95_mm = solution.board_bow, solution.expected_error_mm.p95
    if bow.p_value > _FALSE_ALARM_RATE or bow.flatness_mm < _MIN_FLATNESS_MM:
        return None
    return Finding(
        FindingCode.BOARD_BOW,
        Severity.WARN if bow.effect_mm > p95_mm else Severity.NOTE,
        f"the board is not flat: it is bowed by {bow.flatness_mm:.2f} mm (sigma {bow.flatness_sigma_mm:.2f} mm); the"
        f" result accounts for it, which moves it by {bow.effect_mm:.2f} mm",
        {
            "bow_mm": bow.flatness_mm,
            "bow_sigma_mm": bow.flatness_sigma_mm,
            "bow_x_mm": bow.x.deviation,
            "bow_xy_mm": bow.xy.deviation,
            "bow_y_mm": bow.y.deviation,
            "bow_effect_mm": bow.effect_mm,
        },
        "fix the board to a stiff, flat plate, and check that its holder does not bend it; a board that bends between"
        " waypoints cannot be accounted for.",
    )


def _print_finding(error: PrintError) -> Finding:
    sigma_mm, length_mm = 1e3 * error.sigma_m, 1e3 * error.length_m
    extent = f", alike over about {length_mm:.0f} mm" if length_mm else ", each by itself"
    return Finding(
        FindingCode.PRINT_ERROR,
        Severity.NOTE,
        f"the printed corners of the board are {sigma_mm:.3f} mm (one sigma, along each axis) from their stated places"
        f"{extent}; the result uses the corners that the images show, and its error includes that",
        {"print_mm": sigma_mm, "print_length_mm": length_mm},
        "a board that is printed on a stiff plate to a stated accuracy makes the expected error smaller.",
    )


def _percent(fraction: float) -> str:
    return f"{100 * fraction:.2f} %"
