"""Finding on a board that is not flat. The result accounts for the bow, which the images alone determine."""

from __future__ import annotations

from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.solution import Solution

# p-value of a flat board below which it has a bow.
_FALSE_ALARM_RATE = 1e-5
# Boards for work below a millimetre are flatter than this, mm; a smaller bow is no finding. Common practice, no source.
_MIN_FLATNESS_MM = 0.1


def find_board_bow(solution: Solution) -> Finding | None:
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
