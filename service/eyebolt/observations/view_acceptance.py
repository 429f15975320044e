"""The acceptance of one view: whether its pair is kept, on which measure that rests, and the remedy.

The rules are applied in a fixed order: a cause comes before its consequences (a board in motion is also blurred), and
refusals come before notes on a pair that is kept. Each rule is a function of what was measured, and returns None if it
does not apply. The limits and their sources are in ``thresholds``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from eyebolt.boards import Detection, ExposureStats, MarkerLayout, NoDetection, OtherMarkers
from eyebolt.geometry import Array, se3
from eyebolt.observations import thresholds
from eyebolt.observations.board_pose import MIN_CORNERS
from eyebolt.observations.exposure_map import ExposureMap, Region
from eyebolt.observations.pair import Pair
from eyebolt.observations.thresholds import Measure, Threshold
from eyebolt.observations.view_quality import View
from eyebolt.protocol import Code

# With fewer corners a median of noise could be small by chance.
_MIN_COMMON_CORNERS = 10
# How far the smallest possible shift must be above the limit of the same image.
_SAME_IMAGE_MARGIN = 3.0
WRONG_SIZE_REMEDY = "Stop. Set the camera to the image size of the lens calibration, or use the lens file of this size."
"""For the operator, where an image is of another size than the lens file states."""


@dataclass(frozen=True)
class ViewAcceptance:
    """What becomes of one view."""

    code: Code
    """The reply code; the pair is kept if it is a success."""
    message: str
    """What was measured against which limit, for an operator."""
    remedy: str
    """What to do about it, one or two sentences."""
    measure: Measure | None = None
    """The same in numbers, where a number decided."""

    @classmethod
    def from_code(
        cls, code: Code, message: str = "", remedy: str = "", measure: Measure | None = None
    ) -> ViewAcceptance:
        """The acceptance with ``code``; its general texts stand in for those that are not given."""
        return cls(code, message or code.message, remedy or code.remedy, measure)


@dataclass(frozen=True)
class Baseline:
    """What is usual in this session: medians over the kept pairs, None while these are fewer than three."""

    blur_px: float | None = None
    """Blur across the edges, pixels."""
    residual_px: float | None = None
    """RMS corner residual, pixels."""

    @classmethod
    def from_kept(cls, blurs_px: Sequence[float], residuals_px: Sequence[float]) -> Baseline:
        """The medians over kept pairs with these blurs and residuals, pixels."""
        return cls(_median(blurs_px), _median(residuals_px))


def _median(values: Sequence[float]) -> float | None:
    return float(np.median(values)) if len(values) >= thresholds.MIN_PAIRS_TO_COMPARE else None


def assess_view(
    detection: Detection | NoDetection,
    lens_size_px: tuple[int, int],
    board_corner_count: int,
    base_T_flange: Array,
    kept_poses: Sequence[Array],
    allow_repeated_pose: bool = False,
    view: View | None = None,
    baseline: Baseline | None = None,
    arm_motion: tuple[float, float] = (0.0, 0.0),
    earlier: Sequence[Pair] = (),
    focal_px: float | None = None,
) -> ViewAcceptance:
    """The acceptance of one view.

    ``lens_size_px``: image size (width, height) of the lens file. ``base_T_flange`` (4, 4): the reported pose.
    ``kept_poses``: reported poses (4, 4) of the pairs kept so far; ``allow_repeated_pose`` (for checks) accepts one of
    them again. ``view``: the measures beside the corners. ``arm_motion``: largest translation (metres) and
    rotation (radians) from the reported pose until the image was taken. ``earlier``: images of the session so far with
    their poses, kept or not; ``focal_px``: focal length of the lens file, without which only equal corners are
    recognised.
    """
    view, baseline = view or View(), baseline or Baseline()
    if detection.image_size_px != lens_size_px:
        return ViewAcceptance.from_code(
            Code.BOARD_OR_LENS_MISMATCH,
            "the image has {} x {} pixels, the lens file is for {} x {}".format(
                *detection.image_size_px, *lens_size_px
            ),
            WRONG_SIZE_REMEDY,
        )
    if isinstance(detection, NoDetection):
        return board_not_found(detection)
    refusal = (
        image_repeated(detection, base_T_flange, view, earlier, focal_px)
        or arm_in_motion(*arm_motion)
        or board_moved(view)
        or blurred(detection, view, baseline)
        or too_few_corners(detection, board_corner_count, view)
        or undetermined_pose(view)
        or wrong_board(view, baseline)
        or oblique(view, thresholds.TILT)
    )
    if refusal is not None:
        return refusal
    exposure = bad_exposure(detection, view.exposure_map)
    if exposure is not None and exposure.code.is_refusal:
        return exposure
    repeated = None if allow_repeated_pose else repeated_pose(base_T_flange, kept_poses)
    if repeated is not None and repeated.code.is_refusal:
        return repeated
    note = repeated or exposure or high_residual(view, baseline) or oblique(view, thresholds.TILT_MARGINAL)
    return note or ViewAcceptance.from_code(Code.OK)


def image_repeated(
    detection: Detection, base_T_flange: Array, view: View, earlier: Sequence[Pair], focal_px: float | None
) -> ViewAcceptance | None:
    """22: the corners are those of an earlier image although the reported pose differs: the image is old.

    Poses within the limits of a duplicate are left to ``repeated_pose``: an arm that really returned gives this image.
    """
    if not len(earlier):
        return None
    translation_m, rotation_rad = se3.pose_distance(np.array([pair.base_T_flange for pair in earlier]), base_T_flange)
    for pair, moved_m, turned_rad in zip(earlier, translation_m, rotation_rad, strict=True):
        is_duplicate = (
            moved_m * 1e3 < thresholds.DUPLICATE_TRANSLATION.value
            and np.rad2deg(turned_rad) < thresholds.DUPLICATE_ROTATION.value
        )
        shift_px = None if is_duplicate else _corner_shift_px(detection, pair)
        if shift_px is None or shift_px >= thresholds.SAME_IMAGE.value:
            continue
        least_px = _least_shift_px(detection, view, float(moved_m), float(turned_rad), focal_px)
        if shift_px > 0 and least_px < _SAME_IMAGE_MARGIN * thresholds.SAME_IMAGE.value:
            continue
        message = (
            f"the image is that of pair {pair.index} again (corners within {shift_px:.3f} px), but by its pose the arm"
            f" moved by {moved_m * 1e3:.1f} mm and {np.rad2deg(turned_rad):.1f} deg: the camera repeats an old image,"
            " or the arm did not move"
        )
        remedy = (
            "Check that the camera delivers new images (restart its stream, empty its buffer), and that the robot"
            " sends the pose where it stands; then capture again."
        )
        measure = Measure.against(thresholds.SAME_IMAGE, shift_px)
        return ViewAcceptance.from_code(Code.NO_FRESH_FRAME, message, remedy, measure)
    return None


def _corner_shift_px(detection: Detection, pair: Pair) -> float | None:
    """Median shift of the common corners, 0 only if all corners are equal; None with fewer than 10 in common."""
    if np.array_equal(detection.ids, pair.ids) and np.array_equal(detection.corners_px, pair.corners_px):
        return 0.0
    _, now, before = np.intersect1d(detection.ids, pair.ids, return_indices=True)
    if len(now) < _MIN_COMMON_CORNERS:
        return None
    shift_px = np.linalg.norm(detection.corners_px[now] - pair.corners_px[before], axis=1)
    return max(float(np.median(shift_px)), float(np.finfo(float).tiny))


def _least_shift_px(
    detection: Detection, view: View, moved_m: float, turned_rad: float, focal_px: float | None
) -> float:
    """The smallest median shift of the corners that this motion of the flange can cause; 0 where that is unknown.

    A rigid motion of the flange rotates the board against the camera by the same angle, and without a rotation moves it
    by the same distance, whatever the transforms are (screw congruence: Chen, CVPR 1991). Of a rotation the least shows
    if the board tilts about itself, of a translation if it goes along the line of sight.
    """
    if focal_px is None or view.distance_mm is None:
        return 0.0
    corners_px = detection.corners_px
    radius_px = float(np.median(np.linalg.norm(corners_px - corners_px.mean(axis=0), axis=1)))
    by_rotation = thresholds.MIN_SHIFT_PER_ROTATION * radius_px**2 * turned_rad / focal_px
    by_translation = radius_px * (moved_m - thresholds.MAX_LEVER_M * turned_rad) / (view.distance_mm * 1e-3)
    return max(by_rotation, by_translation)


def is_duplicate_pose(base_T_flange: Array, poses: Array) -> NDArray[np.bool_]:
    """(n,): whether the pose (4, 4) is one of ``poses`` (n, 4, 4), as closely as an arm returns to it."""
    translation_m, rotation_rad = se3.pose_distance(poses, base_T_flange)
    out: NDArray[np.bool_] = (translation_m * 1e3 < thresholds.DUPLICATE_TRANSLATION.value) & (
        np.rad2deg(rotation_rad) < thresholds.DUPLICATE_ROTATION.value
    )
    return out


def repeated_pose(base_T_flange: Array, kept_poses: Sequence[Array]) -> ViewAcceptance | None:
    """26 or 1: the pose is that of a kept pair, or close to it."""
    if not len(kept_poses):
        return None
    translation_m, rotation_rad = se3.pose_distance(np.asarray(kept_poses), base_T_flange)
    translation_mm, rotation_deg = translation_m * 1e3, np.rad2deg(rotation_rad)
    is_similar = (translation_mm < thresholds.SIMILAR_TRANSLATION.value) & (
        rotation_deg < thresholds.SIMILAR_ROTATION.value
    )
    is_duplicate = is_duplicate_pose(base_T_flange, np.asarray(kept_poses))
    if not is_similar.any():
        return None
    # One such pair is enough for the reply, not necessarily the nearest: the earliest capture.
    first_match = int(np.argmax(is_duplicate if is_duplicate.any() else is_similar))
    message = f"{translation_mm[first_match]:.1f} mm and {rotation_deg[first_match]:.1f} deg from a kept pair"
    if is_duplicate.any():
        measure = Measure.against(thresholds.DUPLICATE_TRANSLATION, translation_mm[first_match])
        return ViewAcceptance.from_code(Code.DUPLICATE_POSE, message, measure=measure)
    measure = Measure.against(thresholds.SIMILAR_TRANSLATION, translation_mm[first_match])
    return ViewAcceptance.from_code(Code.LOW_INFORMATION, message, measure=measure)


def board_not_found(detection: NoDetection) -> ViewAcceptance:
    """25 or 20: no board was found, because of the exposure or for a reason that the image does not show."""
    exposure = detection.exposure
    if detection.reason == "dark" and (narrower := _narrower_values(exposure, thresholds.DARK_IMAGE)) is not None:
        message, remedy = narrower
        measure = Measure.against(thresholds.DARK_IMAGE, exposure.bright_level)
        return ViewAcceptance.from_code(Code.BAD_EXPOSURE, f"no board is found, and {message}", remedy, measure)
    if detection.reason == "dark":
        return ViewAcceptance.from_code(
            Code.BAD_EXPOSURE,
            f"the image is too dark to find a board (brightest parts at {exposure.bright_level:.0%} of full scale)",
            "Switch the light on, open the iris or lengthen the exposure; then try again.",
            Measure.against(thresholds.DARK_IMAGE, exposure.bright_level),
        )
    if detection.reason == "saturated":
        return ViewAcceptance.from_code(
            Code.BAD_EXPOSURE,
            f"{exposure.saturated_fraction:.0%} of the image is saturated and no board is found",
            "Shorten the exposure or remove the glare; then try again.",
            Measure.against(thresholds.SATURATED_IMAGE, exposure.saturated_fraction),
        )
    if detection.markers is not None:
        return other_markers_seen(detection.markers)
    # An even surface shows only noise: then the board is missing, and the exposure is not the cause.
    if thresholds.NOISE_CONTRAST < exposure.contrast < thresholds.CONTRAST.value:
        message = f"no board is found, and the contrast of the image is only {exposure.contrast:.0%}"
        remedy = "Remove haze, reflections or stray light; check whether the lens is covered or fogged."
        measure = Measure.against(thresholds.CONTRAST, exposure.contrast)
        return ViewAcceptance.from_code(Code.BAD_EXPOSURE, message, remedy, measure)
    if exposure.saturated_fraction > thresholds.SATURATION_MARGINAL.value:
        message = f"no board is found, and {exposure.saturated_fraction:.0%} of the image is saturated"
        remedy = "Check whether glare covers the board, and whether it is in view and the one in the station file."
        return ViewAcceptance.from_code(Code.NO_BOARD, message, remedy)
    return ViewAcceptance.from_code(Code.NO_BOARD)


def other_markers_seen(markers: OtherMarkers) -> ViewAcceptance:
    """20: the board in view is not the stated one; what is seen of it, and which key of the station file to look at."""
    seen = f"{markers.count} markers of the dictionary {markers.dictionary} are seen, {_id_range(markers)}"
    message, remedy = _OTHER_MARKERS[markers.layout]
    values = {"dictionary": markers.dictionary, "columns": markers.columns}
    return ViewAcceptance.from_code(
        Code.NO_BOARD, f"the board in view is not the one in the station file: {seen}, {message.format(**values)}",
        remedy.format(**values),
    )  # fmt: skip


def _id_range(markers: OtherMarkers) -> str:
    return f"numbers {markers.lowest_id} to {markers.highest_id}"


_OTHER_BOARD = "or mount the board that it states."
_OTHER_MARKERS = {
    MarkerLayout.DICTIONARY: (
        "and none of its own",
        f'Compare kind and dictionary in [board] with the print ("{{dictionary}}" is seen), {_OTHER_BOARD}',
    ),
    MarkerLayout.SWAPPED: (
        "in rows as on a board of {columns} columns: columns and rows are probably swapped",
        f"Swap columns and rows in [board] of the station file (columns = {{columns}}), {_OTHER_BOARD}",
    ),
    MarkerLayout.COLUMNS: (
        "in rows as on a board of {columns} columns",
        f"Correct columns and rows in [board] of the station file (columns = {{columns}} is seen), {_OTHER_BOARD}",
    ),
    MarkerLayout.CORNER_ORDER: (
        "in the order of the other corner_order",
        f'Set the other corner_order in [board] of the station file ("current" or "legacy"), {_OTHER_BOARD}',
    ),
    MarkerLayout.MORE: (
        "more than it has",
        f"Correct rows in [board] of the station file, {_OTHER_BOARD}",
    ),
    MarkerLayout.OTHER: (
        "arranged in another way",
        f"Compare kind, columns, rows and corner_order in [board] of the station file with the print, {_OTHER_BOARD}",
    ),
    MarkerLayout.MIRRORED: (
        "but only in the mirrored image",
        "Switch off the mirroring (flip) of the camera or of its driver.",
    ),
}


def board_moved(view: View) -> ViewAcceptance | None:
    """21: the corners were elsewhere in an image taken shortly before."""
    check = view.motion_check
    if check is None or not check.has_moved:
        return None
    message = (
        f"the board moved {check.shift_px:.2f} px within {check.interval_ms:.0f} ms (limit {check.limit_px:.2f} px)"
    )
    remedy = "Stop, wait longer for the arm to settle (or raise settle_ms), then capture again."
    measure = Measure.against(thresholds.CORNER_SHIFT, check.shift_px, check.limit_px)
    return ViewAcceptance.from_code(Code.MOVING, message, remedy, measure)


def arm_in_motion(translation_m: float, rotation_rad: float) -> ViewAcceptance | None:
    """21: the poses that the robot streamed while the image was taken differ from the reported one."""
    translation_mm, rotation_deg = translation_m * 1e3, float(np.rad2deg(rotation_rad))
    limit_mm, limit_deg = thresholds.ARM_TRANSLATION.value, thresholds.ARM_ROTATION.value
    if translation_mm <= limit_mm and rotation_deg <= limit_deg:
        return None
    measure = (
        Measure.against(thresholds.ARM_TRANSLATION, translation_mm)
        if translation_mm / limit_mm >= rotation_deg / limit_deg
        else Measure.against(thresholds.ARM_ROTATION, rotation_deg)
    )
    message = (
        f"the arm moved {translation_mm:.2f} mm and {rotation_deg:.3f} deg from the reported pose until the image was"
        f" taken (limits {limit_mm:g} mm, {limit_deg:g} deg)"
    )
    return ViewAcceptance.from_code(Code.MOVING, message, "Stop the arm before sending capture.", measure)


def blurred(detection: Detection, view: View, baseline: Baseline) -> ViewAcceptance | None:
    """23: the edges are blurred more than is usual with this lens on this board."""
    threshold = thresholds.INITIAL_BLUR if baseline.blur_px is None else thresholds.BLUR
    limit_px = threshold.value
    if baseline.blur_px is not None:
        limit_px = max(limit_px, thresholds.BLUR_RATIO * baseline.blur_px)
    if view.square_px is not None:
        limit_px = min(limit_px, max(thresholds.BLUR_PER_SQUARE * view.square_px, 1.0))
    if detection.blur_px <= limit_px:
        return None
    usual = "" if baseline.blur_px is None else f"; kept pairs: {baseline.blur_px:.1f} px"
    message = f"the edges are blurred over {detection.blur_px:.1f} px (limit {limit_px:.1f} px{usual})"
    measure = Measure.against(threshold, detection.blur_px, limit_px)
    return ViewAcceptance.from_code(Code.BLURRED, message, measure=measure)


def too_few_corners(detection: Detection, board_corner_count: int, view: View) -> ViewAcceptance | None:
    """24; or 25 where the exposure is why corners are missing."""
    needed = max(MIN_CORNERS, int(np.ceil(thresholds.CORNER_SHARE.value * board_corner_count)))
    if len(detection.ids) >= needed:
        return None
    message = f"{len(detection.ids)} of {board_corner_count} corners detected, {needed} are needed"
    measure = Measure.against(
        thresholds.CORNER_SHARE, len(detection.ids) / board_corner_count, needed / board_corner_count
    )
    return _saturation_hides_corners(view, message, measure) or ViewAcceptance.from_code(
        Code.TOO_FEW_CORNERS, message, measure=measure
    )


def undetermined_pose(view: View) -> ViewAcceptance | None:
    """24: the corners determine no pose of the board; or 25 where the exposure is why corners are missing."""
    if not view.no_pose:
        return None
    message = "the detected corners are almost collinear and determine no pose of the board"
    return _saturation_hides_corners(view, message) or ViewAcceptance.from_code(Code.TOO_FEW_CORNERS, message)


def wrong_board(view: View, baseline: Baseline) -> ViewAcceptance | None:
    """20: the corners do not fit this board."""
    if view.residual_px is None or view.residual_px <= thresholds.MAX_RESIDUAL.value:
        return None
    if baseline.residual_px is not None and view.residual_px <= thresholds.RESIDUAL_RATIO.value * baseline.residual_px:
        return None
    message = (
        f"the detected corners do not fit the board: residual {view.residual_px:.1f} px"
        f" (limit {thresholds.MAX_RESIDUAL.value:g} px)"
    )
    remedy = (
        "Check that the board is the one in the station file, complete and flat, and that the lens file is that of"
        " this camera."
    )
    measure = Measure.against(thresholds.MAX_RESIDUAL, view.residual_px)
    return ViewAcceptance.from_code(Code.NO_BOARD, message, remedy, measure)


def oblique(view: View, threshold: Threshold) -> ViewAcceptance | None:
    """24 beyond TILT, where corners become inaccurate; 0 with a note beyond TILT_MARGINAL (``threshold``: either)."""
    if view.tilt_deg is None or view.tilt_deg <= threshold.value:
        return None
    message = (
        f"the board is tilted by {view.tilt_deg:.0f} deg against the line of sight (limit {threshold.value:.0f} deg)"
    )
    remedy = "Turn the board more towards the camera; 20 to 45 deg are best."
    measure = Measure.against(threshold, view.tilt_deg)
    if threshold is thresholds.TILT:
        return ViewAcceptance.from_code(Code.TOO_FEW_CORNERS, message, remedy, measure)
    # Not LOW_INFORMATION: a tilted view is informative, and these corners are still accurate.
    return ViewAcceptance.from_code(Code.OK, f"kept: {message}", remedy, measure)


def high_residual(view: View, baseline: Baseline) -> ViewAcceptance | None:
    """1: the corners fit the board, its bow allowed for, worse than those of the kept pairs."""
    if view.residual_px is None or baseline.residual_px is None or view.residual_px < thresholds.MIN_RESIDUAL_PX:
        return None
    ratio = view.residual_px / max(baseline.residual_px, 1e-6)
    if ratio <= thresholds.RESIDUAL_RATIO.value:
        return None
    message = (
        f"kept, adds little: residual {view.residual_px:.2f} px about the board, {ratio:.1f} times that of the kept"
        f" pairs (limit {thresholds.RESIDUAL_RATIO.value:g} times)"
    )
    remedy = "Check for a reflection or an object on the board, and whether the board is creased."
    measure = Measure.against(thresholds.RESIDUAL_RATIO, ratio)
    return ViewAcceptance.from_code(Code.LOW_INFORMATION, message, remedy, measure)


def bad_exposure(detection: Detection, exposure_map: ExposureMap | None) -> ViewAcceptance | None:
    """25 or 2, the worst of saturation, brightness and contrast; 2 also for a part of the board in the dark."""
    exposure = detection.exposure
    found = []
    # Where the exposure is worst no corners are detected, and the hull of the corners does not reach there.
    saturated = max(exposure.saturated_fraction, 0.0 if exposure_map is None else exposure_map.saturated_board_fraction)
    if saturated > thresholds.SATURATION_MARGINAL.value:
        region = Region.WHOLE if exposure_map is None else exposure_map.saturated_region
        message = f"{saturated:.0%} of the board is saturated (limit {thresholds.SATURATION.value:.0%})"
        message += "" if region is Region.WHOLE else f", most of it at {region.phrase}"
        is_refused = saturated > thresholds.SATURATION.value
        threshold = thresholds.SATURATION if is_refused else thresholds.SATURATION_MARGINAL
        found.append(_exposure(threshold, is_refused, saturated, message, _saturation_remedy(region)))
    if exposure.bright_level < thresholds.WHITE_LEVEL_MARGINAL.value:
        is_refused = exposure.bright_level < thresholds.WHITE_LEVEL.value
        threshold = thresholds.WHITE_LEVEL if is_refused else thresholds.WHITE_LEVEL_MARGINAL
        message = (
            f"the board's white is at {exposure.bright_level:.0%} of full scale"
            f" (limit {thresholds.WHITE_LEVEL.value:.0%})"
        )
        remedy = "Lengthen the exposure or add light."
        narrower = _narrower_values(exposure, thresholds.WHITE_LEVEL)
        if narrower is not None:
            message, remedy = f"{message}: {narrower[0]}", narrower[1]
        found.append(_exposure(threshold, is_refused, exposure.bright_level, message, remedy))
    if exposure.contrast < thresholds.CONTRAST_MARGINAL.value:
        is_refused = exposure.contrast < thresholds.CONTRAST.value
        threshold = thresholds.CONTRAST if is_refused else thresholds.CONTRAST_MARGINAL
        message = (
            f"the contrast of the board's black and white is only {exposure.contrast:.0%}"
            f" (limit {thresholds.CONTRAST.value:.0%})"
        )
        remedy = "Remove haze, reflections or stray light."
        found.append(_exposure(threshold, is_refused, exposure.contrast, message, remedy))
    if (
        not found
        and exposure_map is not None
        and exposure_map.dark_level < thresholds.WHITE_LEVEL.value
        and exposure_map.darkest_region is not Region.WHOLE
    ):
        region = exposure_map.darkest_region
        message = f"{region.phrase} is dark: its white is at {exposure_map.dark_level:.0%} of full scale"
        remedy = f"Remove what casts a shadow on {region.phrase}, or point the lamp there."
        found.append(_exposure(thresholds.WHITE_LEVEL, False, exposure_map.dark_level, message, remedy))
    # A marginal measure must not hide one that refuses the view.
    return max(found, key=lambda one: one.code, default=None)


def _narrower_values(exposure: ExposureStats, threshold: Threshold) -> tuple[str, str] | None:
    """Message and remedy where the values of a 16-bit image fill fewer bits, in which they would be bright enough."""
    bits = exposure.narrower_bits
    if bits is None or exposure.bright_level * 65535 / ((1 << bits) - 1) < threshold.value:
        return None
    message = (
        f"the values lie between 0 and {exposure.largest_value}, the range of {bits} bits (0 to {(1 << bits) - 1});"
        " 16-bit pixels are expected to fill 0 to 65535"
    )
    remedy = (
        f"Have the camera or the sender shift the {bits}-bit values up by {16 - bits} bits (times {1 << 16 - bits}), or"
        " send 8 bits; if the image really has 16 bits, it is dark: add light."
    )
    return message, remedy


def _exposure(threshold: Threshold, is_refused: bool, value: float, message: str, remedy: str) -> ViewAcceptance:
    code = Code.BAD_EXPOSURE if is_refused else Code.MARGINAL_EXPOSURE
    return ViewAcceptance.from_code(code, message, remedy, Measure.against(threshold, value))


def _saturation_hides_corners(view: View, message: str, measure: Measure | None = None) -> ViewAcceptance | None:
    """25 where glare is why corners are missing."""
    exposure_map = view.exposure_map
    if exposure_map is not None and exposure_map.saturated_fraction > thresholds.SATURATION.value:
        region = exposure_map.saturated_region
        message = f"{message}: {region.phrase} is saturated"
        return ViewAcceptance.from_code(Code.BAD_EXPOSURE, message, _saturation_remedy(region), measure)
    if exposure_map is None and view.saturated_image_fraction > thresholds.SATURATION_MARGINAL.value:
        message = f"{message}; {view.saturated_image_fraction:.0%} of the image is saturated"
        remedy = "Turn the lamp, shorten the exposure, or tilt the board by 10 degrees."
        return ViewAcceptance.from_code(Code.BAD_EXPOSURE, message, remedy, measure)
    return None


def _saturation_remedy(region: Region) -> str:
    if region is Region.WHOLE:
        return "Shorten the exposure or dim the light."
    return f"Turn the lamp away from {region.phrase} (as the camera sees it), or tilt the board by 10 degrees."
