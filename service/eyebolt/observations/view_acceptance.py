"""The verdict that one view alone can give: keep this pair or not, and what to do about it.

The reasons stand in an order: what explains the others comes first (a board that moves is also blurred), refusals
before advice. The limits and where they come from are in ``thresholds``.

The reasons for which one view alone is refused, or kept with advice: each a function of what was measured.

Every function returns a verdict, or None if it has nothing to say.

A verdict: the code, what was measured against which limit, and what to do about it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from eyebolt.boards import Detection, NoDetection
from eyebolt.geometry import Array, se3
from eyebolt.observations import thresholds
from eyebolt.observations.board_pose import MIN_CORNERS
from eyebolt.observations.exposure_map import WHOLE_BOARD, ExposureMap
from eyebolt.observations.thresholds import Threshold
from eyebolt.observations.view_quality import View, arm_motion
from eyebolt.protocol import Code

__all__ = ["Baseline", "Measure", "ViewAcceptance", "assess_view", "view_acceptance"]


def assess_view(
    detection: Detection | NoDetection,
    lens_size_px: tuple[int, int],
    board_corner_count: int,
    base_T_flange: Array,
    kept_poses: Sequence[Array],
    allow_repeated_pose: bool = False,
    view: View | None = None,
    baseline: Baseline | None = None,
    live_poses: Sequence[Array] = (),
) -> ViewAcceptance:
    """Judges one view; ``kept_poses`` are the reported poses (4, 4) of the pairs kept so far.

    ``allow_repeated_pose`` (for checks) lets a repeated pose pass. ``view``: the measures beside the corners; ``baseline``: what
    the kept pairs are like; ``live_poses``: poses (4, 4) that the robot streamed while the picture was taken.
    """
    view, baseline = view or View(), baseline or Baseline()
    if detection.image_size_px != lens_size_px:
        return view_acceptance(
            Code.BOARD_OR_LENS_MISMATCH,
            "the picture is {} x {} pixels, the lens file is for {} x {}".format(
                *detection.image_size_px, *lens_size_px
            ),
            "Stop. Set the camera to the size that the lens was calibrated at, or give the lens file of this size.",
        )
    if isinstance(detection, NoDetection):
        return board_not_found(detection)
    refusal = (
        arm_in_motion(base_T_flange, live_poses)
        or board_moved(view)
        or blurred(detection, view, baseline)
        or too_few_corners(detection, board_corner_count, view)
        or wrong_board(view, baseline)
        or oblique(view, thresholds.TILT)
    )
    if refusal is not None:
        return refusal
    exposure = bad_exposure(detection, view.exposure_map)
    if exposure is not None and exposure.code.is_refusal:
        return exposure
    repeated_pose = None if allow_repeated_pose else _repeated_pose(base_T_flange, kept_poses)
    if repeated_pose is not None and repeated_pose.code.is_refusal:
        return repeated_pose
    remedy = repeated_pose or exposure or high_residual(view, baseline) or oblique(view, thresholds.TILT_MARGINAL)
    return remedy or view_acceptance(Code.OK)


def _repeated_pose(base_T_flange: Array, kept_poses: Sequence[Array]) -> ViewAcceptance | None:
    """26 or 1: the arm stands where it stood for a kept pair."""
    if not len(kept_poses):
        return None
    others = np.asarray(kept_poses)
    shift_mm = np.linalg.norm(others[:, :3, 3] - base_T_flange[:3, 3], axis=1) * 1e3
    turn_deg = np.rad2deg(se3.rotation_angle(np.swapaxes(others[:, :3, :3], -1, -2) @ base_T_flange[:3, :3]))
    is_similar = (shift_mm < thresholds.SIMILAR_TRANSLATION.value) & (turn_deg < thresholds.SIMILAR_ROTATION.value)
    is_duplicate = (shift_mm < thresholds.DUPLICATE_TRANSLATION.value) & (
        turn_deg < thresholds.DUPLICATE_ROTATION.value
    )
    if not is_similar.any():
        return None
    nearest = int(np.argmax(is_duplicate if is_duplicate.any() else is_similar))
    message = f"{shift_mm[nearest]:.1f} mm and {turn_deg[nearest]:.1f} deg from a kept pair"
    if is_duplicate.any():
        return view_acceptance(
            Code.DUPLICATE_POSE, message, measure=measure(thresholds.DUPLICATE_TRANSLATION, shift_mm[nearest])
        )
    return view_acceptance(
        Code.LOW_INFORMATION, message, measure=measure(thresholds.SIMILAR_TRANSLATION, shift_mm[nearest])
    )


@dataclass(frozen=True)
class Baseline:
    """What the kept pairs are like: medians over them, None while they are too few to tell."""

    blur_px: float | None = None
    residual_px: float | None = None

    @classmethod
    def of(cls, blurs_px: Sequence[float], residuals_px: Sequence[float]) -> Baseline:
        """The medians, from three pairs on."""
        return cls(_median(blurs_px), _median(residuals_px))


def _median(values: Sequence[float]) -> float | None:
    return float(np.median(values)) if len(values) >= thresholds.MIN_PAIRS_TO_COMPARE else None


def board_not_found(detection: NoDetection) -> ViewAcceptance:
    """No board was found: the light, or no reason that a picture could tell."""
    exposure = detection.exposure
    if detection.reason == "dark":
        return view_acceptance(
            Code.BAD_EXPOSURE,
            f"the picture is too dark to find a board (brightest parts at {exposure.bright_level:.0%} of full scale)",
            "Switch the light on, open the iris or lengthen the exposure; then try again.",
            measure(thresholds.DARK_IMAGE, exposure.bright_level),
        )
    if detection.reason == "saturated":
        return view_acceptance(
            Code.BAD_EXPOSURE,
            f"{exposure.saturated_fraction:.0%} of the picture is burnt out and no board is found",
            "Shorten the exposure or take away the glare; then try again.",
            measure(thresholds.SATURATED_IMAGE, exposure.saturated_fraction),
        )
    # An even surface shows noise and nothing else: that is no board, not bad light.
    if thresholds.NOISE_CONTRAST < exposure.contrast < thresholds.CONTRAST.value:
        message = f"no board is found, and bright and dark parts of the picture differ by only {exposure.contrast:.0%}"
        remedy = "Take away haze, reflection or stray light; look whether the lens is covered or fogged."
        return view_acceptance(Code.BAD_EXPOSURE, message, remedy, measure(thresholds.CONTRAST, exposure.contrast))
    if exposure.saturated_fraction > thresholds.SATURATION_MARGINAL.value:
        message = f"no board, and {exposure.saturated_fraction:.0%} of the picture is burnt out"
        remedy = "Look whether glare lies over the board, and whether it is in view and the one in the station file."
        return view_acceptance(Code.NO_BOARD, message, remedy)
    return view_acceptance(Code.NO_BOARD)


def board_moved(view: View) -> ViewAcceptance | None:
    """21: the corners stood elsewhere in a picture taken shortly before."""
    motion_check = view.motion_check
    if motion_check is None or not motion_check.has_moved:
        return None
    message = (
        f"the board moved {motion_check.shift_px:.2f} px within {motion_check.interval_ms:.0f} ms (limit {motion_check.limit_px:.2f} px):"
        " it was not still"
    )
    remedy = "Stop, wait longer for the arm to settle (or raise settle_ms), then capture again."
    return view_acceptance(
        Code.MOVING, message, remedy, measure(thresholds.CORNER_SHIFT, motion_check.shift_px, motion_check.limit_px)
    )


def arm_in_motion(base_T_flange: Array, live_poses: Sequence[Array]) -> ViewAcceptance | None:
    """21: poses streamed by the robot while the picture was taken lie away from the one that it reported."""
    shift_m, turn_rad = arm_motion(base_T_flange, live_poses)
    shift_mm, turn_deg = shift_m * 1e3, float(np.rad2deg(turn_rad))
    if shift_mm <= thresholds.ARM_TRANSLATION.value and turn_deg <= thresholds.ARM_ROTATION.value:
        return None
    by_shift = shift_mm / thresholds.ARM_TRANSLATION.value >= turn_deg / thresholds.ARM_ROTATION.value
    limit, value = (thresholds.ARM_TRANSLATION, shift_mm) if by_shift else (thresholds.ARM_ROTATION, turn_deg)
    message = (
        f"the arm moved {shift_mm:.2f} mm and {turn_deg:.3f} deg from the pose it reported until the picture was taken"
        f" (limits {thresholds.ARM_TRANSLATION.value:g} mm, {thresholds.ARM_ROTATION.value:g} deg)"
    )
    return view_acceptance(Code.MOVING, message, "Stop the arm before you say capture.", measure(limit, value))


def blurred(detection: Detection, view: View, baseline: Baseline) -> ViewAcceptance | None:
    """23: the edges are wider than this lens gives on this board."""
    limit = thresholds.INITIAL_BLUR if baseline.blur_px is None else thresholds.BLUR
    limit_px = limit.value if baseline.blur_px is None else max(limit.value, thresholds.BLUR_RATIO * baseline.blur_px)
    if view.square_px is not None:
        limit_px = min(limit_px, max(thresholds.BLUR_PER_SQUARE * view.square_px, 1.0))
    if detection.blur_px <= limit_px:
        return None
    others = "" if baseline.blur_px is None else f", the kept pictures have {baseline.blur_px:.1f} px"
    message = f"the edges are blurred over {detection.blur_px:.1f} px (limit {limit_px:.1f} px{others})"
    return view_acceptance(Code.BLURRED, message, measure=measure(limit, detection.blur_px, limit_px))


def too_few_corners(detection: Detection, board_corner_count: int, view: View) -> ViewAcceptance | None:
    """24; or 25 where the light is why corners are missing."""
    needed = max(MIN_CORNERS, int(np.ceil(thresholds.CORNER_SHARE.value * board_corner_count)))
    if len(detection.ids) >= needed:
        return None
    message = f"{len(detection.ids)} of {board_corner_count} corners seen, {needed} are needed"
    measured = measure(thresholds.CORNER_SHARE, len(detection.ids) / board_corner_count, needed / board_corner_count)
    return _saturation_hides_corners(view, message, measured) or view_acceptance(
        Code.TOO_FEW_CORNERS, message, measure=measured
    )


def wrong_board(view: View, baseline: Baseline) -> ViewAcceptance | None:
    """20: the corners are not where those of this board can be; 24: they lie so that nothing can be told from them."""
    if view.no_pose:
        message = "the corners seen lie almost in a line: they do not tell how the board stands"
        return _saturation_hides_corners(view, message) or view_acceptance(Code.TOO_FEW_CORNERS, message)
    if view.residual_px is None or view.residual_px <= thresholds.MAX_RESIDUAL.value:
        return None
    if baseline.residual_px is not None and view.residual_px <= thresholds.RESIDUAL_RATIO.value * baseline.residual_px:
        return None
    message = (
        f"what was found does not fit the board: its corners lie {view.residual_px:.1f} px from where they can be"
        f" (limit {thresholds.MAX_RESIDUAL.value:g} px)"
    )
    remedy = "Look whether the board is the one in the station file, whole and flat, and the lens file the camera's."
    return view_acceptance(Code.NO_BOARD, message, remedy, measure(thresholds.MAX_RESIDUAL, view.residual_px))


def oblique(view: View, threshold: Threshold) -> ViewAcceptance | None:
    """24 beyond what corners bear; a word beside the 0 beyond what is good practice: whichever limit ``threshold`` is."""
    if view.tilt_rad is None or np.rad2deg(view.tilt_rad) <= threshold.value:
        return None
    tilt_deg = float(np.rad2deg(view.tilt_rad))
    message = f"the board is seen at {tilt_deg:.0f} deg to the line of sight (limit {threshold.value:.0f} deg)"
    # Tilt is worth a lot, and such corners are still good: no reason to say that the pair adds little.
    code = Code.TOO_FEW_CORNERS if threshold is thresholds.TILT else Code.OK
    remedy = "Turn the board more towards the camera; 20 to 45 deg are best."
    return view_acceptance(
        code, message if code is Code.TOO_FEW_CORNERS else f"kept: {message}", remedy, measure(threshold, tilt_deg)
    )


def high_residual(view: View, baseline: Baseline) -> ViewAcceptance | None:
    """1: the corners fit a flat board worse than those of the kept pairs."""
    if view.residual_px is None or baseline.residual_px is None or view.residual_px < thresholds.MIN_RESIDUAL_PX:
        return None
    ratio = view.residual_px / max(baseline.residual_px, 1e-6)
    if ratio <= thresholds.RESIDUAL_RATIO.value:
        return None
    message = (
        f"kept, adds little: its corners lie {view.residual_px:.2f} px from a flat board, {ratio:.1f} times as far as in"
        f" the kept pairs (limit {thresholds.RESIDUAL_RATIO.value:g} times)"
    )
    remedy = "Look for a reflection or something lying over the board, and whether the board is bent."
    return view_acceptance(Code.LOW_INFORMATION, message, remedy, measure(thresholds.RESIDUAL_RATIO, ratio))


def bad_exposure(detection: Detection, exposure_map: ExposureMap | None) -> ViewAcceptance | None:
    """25 or 2. What is only marginal must not hide what is hopeless."""
    exposure = detection.exposure
    candidates = []
    # Where the light is at its worst, no corners are found, and the area that they span does not reach there.
    saturated = max(exposure.saturated_fraction, 0.0 if exposure_map is None else exposure_map.saturated_board_fraction)
    if saturated > thresholds.SATURATION_MARGINAL.value:
        region = _region_phrase(exposure_map.saturated_region if exposure_map is not None else WHOLE_BOARD)
        message = f"{saturated:.0%} of the board is burnt out (limit {thresholds.SATURATION.value:.0%})"
        message += (
            "" if exposure_map is None or exposure_map.saturated_region == WHOLE_BOARD else f", most of it at {region}"
        )
        limit = thresholds.SATURATION if saturated > thresholds.SATURATION.value else thresholds.SATURATION_MARGINAL
        code = Code.BAD_EXPOSURE if limit is thresholds.SATURATION else Code.MARGINAL_EXPOSURE
        candidates.append(view_acceptance(code, message, _saturation_remedy(region), measure(limit, saturated)))
    if exposure.bright_level < thresholds.WHITE_LEVEL_MARGINAL.value:
        message = f"the board's white is at {exposure.bright_level:.0%} of full scale (limit {thresholds.WHITE_LEVEL.value:.0%})"
        limit = (
            thresholds.WHITE_LEVEL
            if exposure.bright_level < thresholds.WHITE_LEVEL.value
            else thresholds.WHITE_LEVEL_MARGINAL
        )
        code = Code.BAD_EXPOSURE if limit is thresholds.WHITE_LEVEL else Code.MARGINAL_EXPOSURE
        candidates.append(
            view_acceptance(code, message, "Lengthen the exposure or add light.", measure(limit, exposure.bright_level))
        )
    if exposure.contrast < thresholds.CONTRAST_MARGINAL.value:
        message = f"black and white of the board differ by only {exposure.contrast:.0%} (limit {thresholds.CONTRAST.value:.0%})"
        limit = thresholds.CONTRAST if exposure.contrast < thresholds.CONTRAST.value else thresholds.CONTRAST_MARGINAL
        code = Code.BAD_EXPOSURE if limit is thresholds.CONTRAST else Code.MARGINAL_EXPOSURE
        remedy = "Take away haze, reflection or stray light."
        candidates.append(view_acceptance(code, message, remedy, measure(limit, exposure.contrast)))
    if (
        not candidates
        and exposure_map is not None
        and exposure_map.dark_level < thresholds.WHITE_LEVEL.value
        and exposure_map.darkest_region != WHOLE_BOARD
    ):
        region = _region_phrase(exposure_map.darkest_region)
        message = f"{region} lies in the dark: its white is at {exposure_map.dark_level:.0%} of full scale"
        remedy = f"Take away what throws a shadow on {region}, or turn the lamp there."
        candidates.append(
            view_acceptance(
                Code.MARGINAL_EXPOSURE, message, remedy, measure(thresholds.WHITE_LEVEL, exposure_map.dark_level)
            )
        )
    return max(candidates, key=lambda one: one.code, default=None)


def _saturation_hides_corners(view: View, message: str, measured: Measure | None = None) -> ViewAcceptance | None:
    """25 where glare is why corners are missing."""
    exposure_map = view.exposure_map
    if exposure_map is not None and exposure_map.saturated_fraction > thresholds.SATURATION.value:
        region = _region_phrase(exposure_map.saturated_region)
        return view_acceptance(
            Code.BAD_EXPOSURE, f"{message}: {region} is burnt out", _saturation_remedy(region), measured
        )
    if exposure_map is None and view.saturated_image_fraction > thresholds.SATURATION_MARGINAL.value:
        region = f"{view.saturated_image_fraction:.0%} of the picture is burnt out"
        return view_acceptance(
            Code.BAD_EXPOSURE,
            f"{message}; {region}",
            "Turn the lamp, shorten the exposure, or tilt the board 10 degrees.",
            measured,
        )
    return None


def _region_phrase(place: str) -> str:
    return "the whole board" if place == WHOLE_BOARD else f"the {place} of the board"


def _saturation_remedy(region: str) -> str:
    if region == _region_phrase(WHOLE_BOARD):
        return "Shorten the exposure or dim the light."
    return f"Turn the lamp away from {region} (as the camera sees it), or tilt the board 10 degrees."


@dataclass(frozen=True)
class Measure:
    """``quantity`` in words; its ``value`` and its ``limit`` in ``unit`` ("" for shares); ``source`` of the limit."""

    quantity: str
    value: float
    limit: float
    unit: str
    source: str

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)


@dataclass(frozen=True)
class ViewAcceptance:
    """``code`` of the wire; ``message`` what was measured against which limit; ``remedy`` one sentence or two of what to
    do; ``measure`` the same in numbers, where a number decided."""

    code: Code
    message: str
    remedy: str
    measure: Measure | None = None


def view_acceptance(code: Code, message: str = "", remedy: str = "", measure: Measure | None = None) -> ViewAcceptance:
    """A verdict with the code's own words where none are given."""
    return ViewAcceptance(code, message or code.message, remedy or code.remedy, measure)


def measure(limit: Threshold, value: float, limit_value: float | None = None) -> Measure:
    """The ground that a limit gives; ``limit_value`` where it stands now, if that is not its own value."""
    return Measure(
        limit.name, float(value), limit.value if limit_value is None else float(limit_value), limit.unit, limit.source
    )
