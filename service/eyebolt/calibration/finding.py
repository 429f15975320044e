"""Findings: faults and limitations of a data set, each with its evidence and its remedy; and the catalogue of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from eyebolt.protocol import Severity as Severity


class FindingCode(StrEnum):
    """What was found, the most fundamental first: findings of equal severity are listed in this order."""

    CORNER_NUMBERING = "corner-numbering"
    POSE_FORMAT = "pose-format"
    MOUNT = "mount"
    PAIRS_SHIFTED = "pairs-shifted"
    LENS_RESOLUTION = "lens-resolution"
    STALE_IMAGE = "stale-image"
    STALE_POSE = "stale-pose"
    PAIRS_SWAPPED = "pairs-swapped"
    HALF_TURNED = "half-turned"
    TOOL_CHANGED = "tool-changed"
    FRAME_CHANGED = "frame-changed"
    ALREADY_UNDISTORTED = "already-undistorted"
    DISTORTION = "distortion"
    FOCUS_CHANGED = "focus-changed"
    PRINCIPAL_POINT = "principal-point"
    FOCAL_LENGTH = "focal-length"
    BOARD_SCALE = "board-scale"
    BOARD_OR_LENS = "board-or-lens"
    CAMERA_MOVED = "camera-moved"
    BOARD_MOVED = "board-moved"
    DRIFT = "drift"
    LENS_DEVIATES = "lens-deviates"
    BOARD_DEVIATES = "board-deviates"
    BOARD_BOW = "board-bow"
    PRINT_ERROR = "print-error"
    JOINT_ANGLES = "joint-angles"
    POSE_RESOLUTION = "pose-resolution"
    EXCESS_POSE_NOISE = "excess-pose-noise"
    HEIGHT_MISMATCH = "height-mismatch"
    HEIGHT_FROM_TOUCH = "height-from-touch"
    ARM_GEOMETRY = "arm-geometry"
    ARM_LIMITED = "arm-limited"
    CAMERA_LIMITED = "camera-limited"
    LENS_LIMITED = "lens-limited"
    BOARD_LIMITED = "board-limited"
    OUTLIER_CORNERS = "outlier-corners"

    @property
    def is_fundamental(self) -> bool:
        """Whether a stop with this code makes every later finding meaningless: only notes stand beside it."""
        return self in _FUNDAMENTAL


_FUNDAMENTAL = frozenset(tuple(FindingCode)[:5])


@dataclass(frozen=True)
class Finding:
    """A fault or limitation that an engineer should know, found from the data."""

    code: FindingCode
    """What was found."""
    severity: Severity
    """How serious it is."""
    message: str
    """One sentence for the operator: what, where, how large; no full stop."""
    evidence: dict[str, float] = field(default_factory=dict)
    """The numbers behind it, by the keys of EVIDENCE_KEYS; integers such as a pair's index are floats here."""
    remedy: str = ""
    """What to do about it, one sentence with a full stop."""


@dataclass(frozen=True)
class FindingKind:
    """What the catalogue states about the findings of one code."""

    severities: tuple[Severity, ...]
    """The severities with which it occurs."""
    description: str
    """What is wrong, for the documentation."""
    evidence: tuple[str, ...] = ()
    """Keys of EVIDENCE_KEYS."""
    optional_evidence: tuple[str, ...] = ()
    """Keys that are present in some of these findings only."""


EVIDENCE_KEYS: Mapping[str, str] = {
    "pair": "capture index of the pair; of a change, the first pair after it",
    "other_pair": "capture index of the second pair of a swap",
    "first": "capture index of the first of the affected pairs",
    "pairs": "number of affected pairs",
    "corners": "number of affected corners",
    "images": "number of affected images",
    "lag": "number of waypoints by which the images lag behind the poses; negative: the images run ahead",
    "corners_per_row": "number of corners per row by which the corner numbers run",
    "stated_corners_per_row": "number of corners per row of the stated board",
    "residual_px": "RMS residual of the corners about the best homography, the fault corrected; median over images",
    "residual_as_stated_px": "the same residual as the station file states the board",
    "next_best_px": "the same residual of the next best row length",
    "residual_mm": "coarse residual at the board with the fault corrected, median over pairs; of a swap, as they came",
    "residual_as_stated_mm": "coarse residual at the board with the poses read as the station file states",
    "residual_as_paired_mm": "coarse residual at the board with poses and images as they were paired",
    "residual_as_numbered_mm": "coarse residual at the board with the corners as they were numbered",
    "next_best_mm": "coarse residual at the board of the next best hypothesis",
    "log_likelihood_gain": "restricted log likelihood gained over the stated pose format",
    "log_likelihood_over_runner_up": "restricted log likelihood gained over the next best pose format",
    "camera_distance_m": "distance of the camera from the flange or base that the finding implies",
    "corners_moved_px": "median distance of the corners from those of the pair before",
    "pose_moved_mm": "distance between the flange poses of the pair and the pair before",
    "pose_moved_deg": "rotation between the flange poses of the pair and the pair before",
    "translation_mm": "size of the change",
    "rotation_deg": "size of the change",
    "mm_per_hour": "rate of a drift; absent where the instants of the pairs are not known",
    "deg_per_hour": "rate of a drift; absent where the instants of the pairs are not known",
    "p_value": "probability that data without a change show one as clear, anywhere in the session",
    "factor": "focal length in the images over that of the lens file",
    "stated_distortion_px": "distortion that the lens file states, at the edge of the image area covered by the board",
    "scale": "deviation of the board scale, a fraction of the stated one",
    "scale_sigma": "its standard deviation",
    "scale_stated_sigma": "standard deviation of the board scale before the pairs, as stated",
    "bow_mm": "flatness of the board: distance between the two parallel planes that hold its corners",
    "bow_sigma_mm": "its standard deviation",
    "bow_x_mm": "how far the ends of the board's middle line along x stand above its middle",
    "bow_xy_mm": "how far a twist lifts the ends of one diagonal of the board",
    "bow_y_mm": "how far the ends of the board's middle line along y stand above its middle",
    "bow_effect_mm": "how far the bow moves the result, RMS over the working volume",
    "print_mm": "errors of the printed corners in the plane of the board: standard deviation along each axis",
    "print_length_mm": "distance over which the correlation of two printed corners falls to 1/e; 0: independent",
    "focal": "deviation of the focal length, a fraction of the stated one",
    "focal_sigma": "its standard deviation",
    "focal_stated_sigma": "standard deviation of the focal length before the pairs, as stated",
    "cx": "deviation of the principal point along the image rows, a fraction of the focal length",
    "cx_sigma": "its standard deviation",
    "cy": "deviation of the principal point along the image columns, a fraction of the focal length",
    "cy_sigma": "its standard deviation",
    "k1": "deviation of the distortion coefficient k1 from the stated one",
    "k1_sigma": "its standard deviation",
    "k2": "deviation of the distortion coefficient k2 from the stated one",
    "k2_sigma": "its standard deviation",
    "change": "change of the focal length during the session, a fraction of it",
    "change_sigma": "its standard deviation",
    "p_value_as_stated": "p-value of the data if board and lens are as stated",
    "p_value_with_change": "p-value of the data if the parameters named are free",
    "p_value_if_constant": "p-value of the data if the focal length is constant",
    "p_value_board-scale": "p-value of the data if only the board scale is free",
    "p_value_focal-length": "p-value of the data if only the focal length is free",
    "p_value_principal-point": "p-value of the data if only the principal point is free",
    "p_value_distortion": "p-value of the data if only the distortion is free",
    "joints_mm": "distance of the reported poses from those of the joints by the model as stated, median over pairs",
    "joints_deg": "rotation of the reported poses from those of the joints by the model as stated, median over pairs",
    "joints_tolerance_mm": "distance that the printed digits of joints and poses explain",
    "joints_tolerance_deg": "rotation that the printed digits of joints and poses explain",
    "joints_corrected_mm": "the distance with the fault named corrected; absent for another model",
    "joints_corrected_deg": "the rotation with the fault named corrected; absent for another model",
    "joint": "number of the joint whose zero is another one, counted from 1",
    "zero_deg": "what is to be added to the offset of this joint",
    "step_mm": "step in which the translations of the poses are printed",
    "step_deg": "step in which the rotations of the poses are printed",
    "share_of_translation_variance": "variance of the rounding over the estimated variance of a translation",
    "share_of_rotation_variance": "variance of the rounding over the estimated variance of a rotation",
    "noise_ratio": "pose noise in the data over the stated one, as a ratio of standard deviations",
    "stated_mm": "stated pose noise per axis; of a height mismatch, the stated height of the board",
    "stated_deg": "stated pose noise per axis",
    "touch_mm": "height of the board by touch",
    "mm": "height of the origin of the transform along the vertical",
    "sigma_mm": "its standard deviation",
    "correlated_mm": "standard deviation per axis of the pose-correlated error of the arm",
    "correlated_deg": "standard deviation per axis of the pose-correlated error of the arm",
    "posture_deg": "angle of the tool at a pick from that at the nearest waypoint, the median over the picks",
    "likelihood_ratio": "twice the log likelihood that the pose-correlated error gains over white noise alone",
    "arm_error_mm": "RMS error over the working volume that comes from the arm's noise",
    "camera_error_mm": "RMS error over the working volume that comes from the corner noise",
    "lens_error_mm": "RMS error over the working volume that comes from the uncertainty of the lens",
    "board_error_mm": "RMS error over the working volume that comes from the uncertainty of the board",
}
"""Meaning of each key of ``Finding.evidence``."""

_CHANGE_POINT = ("pair", "translation_mm", "rotation_deg", "p_value")
_INTRINSICS = ("p_value_as_stated", "p_value_with_change")
_ERROR_SOURCES = ("arm_error_mm", "camera_error_mm", "lens_error_mm", "board_error_mm")
_DISTORTION = ("k1", "k2", "k1_sigma", "k2_sigma")

FINDING_KINDS: Mapping[FindingCode, FindingKind] = {
    FindingCode.CORNER_NUMBERING: FindingKind(
        (Severity.STOP,),
        "the corner numbers run in rows of another length than stated: columns and rows exchanged, or miscounted",
        ("corners_per_row", "stated_corners_per_row", "residual_px", "residual_as_stated_px", "next_best_px"),
    ),
    FindingCode.POSE_FORMAT: FindingKind(
        (Severity.STOP,),
        "pose-format mismatch: the numbers of the poses have another rotation format or unit than stated",
        ("residual_mm", "residual_as_stated_mm", "log_likelihood_gain"),
        ("log_likelihood_over_runner_up",),
    ),
    FindingCode.MOUNT: FindingKind(
        (Severity.STOP,),
        "the mount is the other one, or the robot sends inverse poses; the two are the same data",
        ("residual_mm", "residual_as_stated_mm", "log_likelihood_gain", "camera_distance_m"),
        ("log_likelihood_over_runner_up",),
    ),
    FindingCode.PAIRS_SHIFTED: FindingKind(
        (Severity.STOP,),
        "every pose is paired with the image of another waypoint",
        ("lag", "residual_mm", "residual_as_paired_mm", "next_best_mm"),
    ),
    FindingCode.LENS_RESOLUTION: FindingKind(
        (Severity.STOP,), "the lens file was made for images of another size", (*_INTRINSICS, "factor")
    ),
    FindingCode.STALE_IMAGE: FindingKind(
        (Severity.WARN,),
        "a pair repeats the image of the pair before although its pose differs",
        ("pair", "corners_moved_px", "pose_moved_mm", "pose_moved_deg"),
    ),
    FindingCode.STALE_POSE: FindingKind(
        (Severity.WARN,),
        "a pair repeats the pose of the pair before although its image differs",
        ("pair", "corners_moved_px", "pose_moved_mm", "pose_moved_deg"),
    ),
    FindingCode.PAIRS_SWAPPED: FindingKind(
        (Severity.WARN,), "the images of two pairs are exchanged", ("pair", "other_pair", "residual_mm")
    ),
    FindingCode.HALF_TURNED: FindingKind(
        (Severity.STOP,),
        "some images have their corners numbered from the opposite end of the board (sessions correct that)",
        ("pairs", "first", "residual_mm", "residual_as_numbered_mm"),
    ),
    FindingCode.TOOL_CHANGED: FindingKind(
        (Severity.STOP,), "another tool is active on the controller from some pair on", _CHANGE_POINT
    ),
    FindingCode.FRAME_CHANGED: FindingKind(
        (Severity.STOP,), "another user frame is active on the controller from some pair on", _CHANGE_POINT
    ),
    FindingCode.ALREADY_UNDISTORTED: FindingKind(
        (Severity.STOP,),
        "the images are already undistorted, but the lens file states a distortion",
        (*_DISTORTION, *_INTRINSICS, "stated_distortion_px"),
    ),
    FindingCode.DISTORTION: FindingKind(
        (Severity.STOP,), "the distortion is not as stated", (*_DISTORTION, *_INTRINSICS)
    ),
    FindingCode.FOCUS_CHANGED: FindingKind(
        (Severity.STOP,),
        "the focal length changed during the session: a step before a pair, or a drift",
        ("change", "change_sigma", "p_value_if_constant"),
        ("pair",),
    ),
    FindingCode.PRINCIPAL_POINT: FindingKind(
        (Severity.STOP,), "the principal point is not as stated", ("cx", "cy", "cx_sigma", "cy_sigma", *_INTRINSICS)
    ),
    FindingCode.FOCAL_LENGTH: FindingKind(
        (Severity.STOP,), "the focal length is not as stated", ("focal", "focal_sigma", *_INTRINSICS)
    ),
    FindingCode.BOARD_SCALE: FindingKind(
        (Severity.STOP,), "the board is larger or smaller than stated", ("scale", "scale_sigma", *_INTRINSICS)
    ),
    FindingCode.BOARD_OR_LENS: FindingKind(
        (Severity.STOP,),
        "one of several parameters of board and lens is not as stated, and the pairs cannot separate them",
        ("p_value_as_stated",),
        ("p_value_board-scale", "p_value_focal-length", "p_value_principal-point", "p_value_distortion"),
    ),
    FindingCode.CAMERA_MOVED: FindingKind(
        (Severity.STOP, Severity.WARN),
        "the camera moved before some pair; a stop if the pairs before the move are those used",
        _CHANGE_POINT,
    ),
    FindingCode.BOARD_MOVED: FindingKind((Severity.WARN,), "the board moved before some pair", _CHANGE_POINT),
    FindingCode.DRIFT: FindingKind(
        (Severity.WARN,),
        "camera or board crept during the session; the result is that at its end",
        ("translation_mm", "rotation_deg", "p_value"),
        ("mm_per_hour", "deg_per_hour"),
    ),
    FindingCode.LENS_DEVIATES: FindingKind(
        (Severity.WARN,),
        "the lens deviates from its file by more than its uncertainty; the result and its error account for it",
        ("focal", "focal_sigma", "focal_stated_sigma", "cx", "cx_sigma", "cy", "cy_sigma"),
    ),
    FindingCode.BOARD_DEVIATES: FindingKind(
        (Severity.WARN,),
        "the board deviates from its stated size by more than its uncertainty; the result and its error account for it",
        ("scale", "scale_sigma", "scale_stated_sigma"),
    ),
    FindingCode.BOARD_BOW: FindingKind(
        (Severity.WARN, Severity.NOTE),
        "the board is not flat; the result accounts for it, a warning where that moves the result by more than its p95",
        ("bow_mm", "bow_sigma_mm", "bow_x_mm", "bow_xy_mm", "bow_y_mm", "bow_effect_mm"),
    ),
    FindingCode.PRINT_ERROR: FindingKind(
        (Severity.NOTE,),
        "the printed corners are not at their stated places; the result and its error account for it",
        ("print_mm", "print_length_mm"),
    ),
    FindingCode.JOINT_ANGLES: FindingKind(
        (Severity.WARN,),
        "the joints sent with the poses do not lead to them by the stated model of the arm: another order, sign, unit"
        " or zero, a coupled joint, a tool, a base frame or another model; the result does not use the joints",
        ("joints_mm", "joints_deg", "joints_tolerance_mm", "joints_tolerance_deg"),
        (
            "joints_corrected_mm",
            "joints_corrected_deg",
            "joint",
            "zero_deg",
            "translation_mm",
            "rotation_deg",
        ),
    ),
    FindingCode.POSE_RESOLUTION: FindingKind(
        (Severity.WARN,),
        "the poses are printed so coarsely that the rounding makes a quarter or more of their variance",
        ("step_mm", "step_deg", "share_of_translation_variance", "share_of_rotation_variance"),
    ),
    FindingCode.EXCESS_POSE_NOISE: FindingKind(
        (Severity.WARN,),
        "the poses scatter more than stated, and no other finding explains it",
        ("noise_ratio", "stated_mm", "stated_deg"),
    ),
    FindingCode.HEIGHT_MISMATCH: FindingKind(
        (Severity.WARN,),
        "touch contradicts the stated height of the board by more than three standard deviations",
        ("stated_mm", "touch_mm", "sigma_mm"),
    ),
    FindingCode.HEIGHT_FROM_TOUCH: FindingKind(
        (Severity.NOTE,), "the height of the camera rests on touch alone", ("mm", "sigma_mm")
    ),
    FindingCode.ARM_GEOMETRY: FindingKind(
        (Severity.NOTE,),
        "part of the arm's error is pose-correlated: a geometry that differs from the controller's model",
        ("correlated_mm", "correlated_deg", "likelihood_ratio", "posture_deg"),
    ),
    FindingCode.ARM_LIMITED: FindingKind(
        (Severity.NOTE,),
        "80 % or more of the error variance comes from the arm's noise",
        _ERROR_SOURCES,
    ),
    FindingCode.CAMERA_LIMITED: FindingKind(
        (Severity.NOTE,),
        "80 % or more of the error variance comes from the corner noise",
        _ERROR_SOURCES,
    ),
    FindingCode.LENS_LIMITED: FindingKind(
        (Severity.NOTE,), "80 % or more of the error variance comes from the uncertainty of the lens", _ERROR_SOURCES
    ),
    FindingCode.BOARD_LIMITED: FindingKind(
        (Severity.NOTE,), "80 % or more of the error variance comes from the uncertainty of the board", _ERROR_SOURCES
    ),
    FindingCode.OUTLIER_CORNERS: FindingKind(
        (Severity.NOTE,), "several corners are outliers and were down-weighted", ("corners", "images")
    ),
}
"""Every kind of finding: the documentation's table is generated from it."""
