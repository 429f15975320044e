"""Check of board and lens: which of their parameters are not as stated, by how much, and what to change.

A deviation of the board scale, the focal length, the principal point and the distortion each has its own effect on the
pairs. All are estimated jointly (``refit``); the smallest group of parameters that leaves no significant residual is
reported. If several single parameters explain the pairs equally well, the finding names them all.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from eyebolt.calibration.diagnosis.refit import NUISANCE_LIMITS, IntrinsicsFit, refit, refit_intrinsics_to_images
from eyebolt.calibration.estimation import InitialEstimate, MovedPart, NuisanceEstimate, is_plausible_noise
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.nuisance_prior import SCALE
from eyebolt.calibration.problem import Problem, RobotNoise
from eyebolt.geometry import Array, CameraModel
from eyebolt.observations import CornerObservations

# p-values of board and lens as stated: above the first they are not refitted, to save time; below the second, after the
# refit, something deviates. With the parameters reported free the p-value is above the third.
_SCREENING_P, _FALSE_ALARM_RATE, _EXPLAINED_P = 1e-3, 1e-5, 1e-4
# The p-value that a parameter of board or lens must leave to replace a change point: well explained, not just possible.
_SURELY_EXPLAINED_P = 0.01
# Chi-square of the stated lens, within its prior, by the images alone, five degrees of freedom: p = 1e-9 with
# independent corner noise.
_CONTRADICTED_CHI2 = 50.0
# With fewer pairs the six parameters cannot be estimated beside the transforms.
_MIN_PAIRS = 5
# Smaller deviations occur with good boards and lens files and are not a finding: fractions (of the focal length for the
# principal point), and pixels at the edge of the observed area for the distortion. Common practice, no source.
_MIN_RELATIVE_DEVIATION, _MIN_DISTORTION_PX = 0.003, 1.0
# Images are undistorted if less than this fraction of the stated distortion remains. Common practice, no source.
_UNDISTORTED_FRACTION = 0.15
# Start of the noise estimate where the robust estimate has none.
INITIAL_NOISE = RobotNoise(1e-3, 3e-3)
_PARAMETER_GROUPS: dict[str, tuple[str, ...]] = {
    "board-scale": ("scale",),
    "focal-length": ("focal",),
    "principal-point": ("cx", "cy"),
    "distortion": ("k1", "k2"),
}
# Binning, cropping and scaling change the resolution by these factors while the lens file remains the same.
_RESOLUTION_RATIOS = (0.25, 1 / 3, 0.5, 2 / 3, 0.75, 4 / 3, 1.5, 2.0, 3.0, 4.0)
# Far from the next of these ratios, and more than the focal length is off otherwise. Common practice, no source.
_RATIO_TOLERANCE = 0.03


def intrinsics_from_images(problem: Problem, fit: IntrinsicsFit) -> IntrinsicsFit | None:
    """The fit under the lens estimated from the images alone; None if it is within the prior of the stated lens.

    No pose takes part in it, so it is valid whatever is wrong with the poses.
    """
    change, covariance, chi2 = fit.deviation_by_images()
    if chi2 < _CONTRADICTED_CHI2:
        return None
    lens = slice(1, None)
    whole = (covariance + _prior_covariance(problem))[lens, lens]
    if float(change[lens] @ np.linalg.solve(whole, change[lens])) < _CONTRADICTED_CHI2:
        return None
    found = refit_intrinsics_to_images(fit)
    change = found.deviation_from(fit)
    is_relevant = (
        np.abs(change[1:4]).max() > _MIN_RELATIVE_DEVIATION
        or _distortion_difference_px(found.camera, fit.camera, fit.observations.corners) > _MIN_DISTORTION_PX
    )
    return found if is_relevant else None


def explains_motion(
    fit: IntrinsicsFit, start: InitialEstimate, noise: RobotNoise, moved_part: MovedPart, profile: Array
) -> bool:
    """Whether one parameter of board or lens explains the pairs better than a change of ``moved_part`` times
    ``profile`` (n,), a step or a ramp.

    With waypoints in groups, such as translations first and tilts later, a wrong lens has the effect of such a change.
    """
    nuisance_estimate = fit.nuisances_with_motion(start.X, start.Y, noise, moved_part, profile)
    moved = nuisance_estimate.p_value([name for name in nuisance_estimate.names if name not in NUISANCE_LIMITS])
    return max(nuisance_estimate.p_value(_parameter_names([group])) for group in _PARAMETER_GROUPS) > max(
        moved, _SURELY_EXPLAINED_P
    )


def findings_on_intrinsics(
    problem: Problem, stated: IntrinsicsFit, found: IntrinsicsFit, start: InitialEstimate, noise: RobotNoise | None
) -> tuple[Finding, ...]:
    """Findings on board and lens that are not as stated.

    ``stated``: the fit with board and lens as stated; ``found``: the fit to start from, under the lens of the images
    alone where that differs; ``start``: transforms under ``found``; ``noise``: start of the noise estimate.
    """
    if len(found.observations.A) < _MIN_PAIRS:
        return ()
    noise = noise or INITIAL_NOISE
    unchanged, prior_covariance = np.zeros(len(NUISANCE_LIMITS)), _prior_covariance(problem)
    if (
        found is stated
        and found.nuisances_at(start.X, start.Y, noise).shifted(unchanged, prior_covariance).p_value(()) > _SCREENING_P
    ):
        return ()
    best, nuisance_estimate = refit(found, start.X, start.Y, noise)
    total = nuisance_estimate.shifted(best.deviation_from(stated), prior_covariance)
    if total.p_value(()) > _FALSE_ALARM_RATE or not is_plausible_noise(nuisance_estimate.noise):
        return ()
    sizes = [total.estimate[total.names.index(name)] for name in ("scale", "focal")]
    # A negative size of board or focal length: the poses are wrong, and the fit compensates for them.
    if min(sizes) <= -1:
        return ()
    chosen = _smallest_explanation(total)
    others = {
        n: deviation
        for n, deviation in zip(total.names, total.estimate, strict=True)
        if n not in _parameter_names(chosen[0])
    }
    # Pairs with little rotation fit boards and lenses of any size: an estimate beyond the prior determines nothing.
    if any(abs(deviation) > NUISANCE_LIMITS[name] for name, deviation in others.items()):
        return ()
    deviation, sigma = total.conditional_estimate(_parameter_names(chosen[0]))
    deviations = dict(
        zip(_parameter_names(chosen[0]), zip(deviation.tolist(), sigma.tolist(), strict=True), strict=True)
    )
    relevant = [group for group in chosen[0] if _is_relevant(group, deviations, best, stated)]
    if len(chosen) > 1 and len(chosen[0]) == 1 and relevant:
        return (_ambiguous_finding(chosen, total),)
    evidence = {
        "p_value_as_stated": total.p_value(()),
        "p_value_with_change": total.p_value(_parameter_names(chosen[0])),
    }
    ratio = _near_ratio(1 + total.estimate[total.names.index("focal")])
    if ratio is not None:
        return (_resolution_finding(ratio, deviations, evidence),)
    relevant.sort(
        key=lambda group: (
            -total.remaining_chi2([n for n in _parameter_names(chosen[0]) if n not in _PARAMETER_GROUPS[group]])
        )
    )
    return tuple(_finding(group, deviations, best, stated, evidence) for group in relevant)


def _smallest_explanation(total: NuisanceEstimate) -> list[tuple[str, ...]]:
    """The smallest groups of parameters that leave no significant residual, of equal size, the most likely first."""
    for size in range(1, len(_PARAMETER_GROUPS)):
        p_values = {
            parts: total.p_value(_parameter_names(parts)) for parts in itertools.combinations(_PARAMETER_GROUPS, size)
        }
        explanations = [parts for parts, p_value in p_values.items() if p_value > _EXPLAINED_P]
        if explanations:
            return sorted(explanations, key=lambda parts: -p_values[parts])
    return [tuple(_PARAMETER_GROUPS)]


def _parameter_names(parts: Sequence[str]) -> list[str]:
    return [name for group in parts for name in _PARAMETER_GROUPS[group]]


def _prior_covariance(problem: Problem) -> Array:
    """(6, 6): covariance of the parameters of NUISANCE_LIMITS by the prior that station and lens file state."""
    prior, matrix = problem.stated_prior, problem.camera.matrix
    focal_px = float(matrix[0, 0])
    root = np.stack(
        [
            prior.functional({SCALE: 1.0}),
            prior.functional({"fx": 0.5 / matrix[0, 0], "fy": 0.5 / matrix[1, 1]}),
            prior.functional({"cx": 1 / focal_px}),
            prior.functional({"cy": 1 / focal_px}),
            prior.functional({"k1": 1.0}),
            prior.functional({"k2": 1.0}),
        ]
    )
    out: Array = root @ root.T
    return out


def _distortion_difference_px(camera: CameraModel, other: CameraModel, stack: CornerObservations) -> float:
    """Largest distance, px, between images of a point under two distortions, at the edge of the observed area."""
    observed = stack.corners_px[stack.weights > 0] - camera.matrix[:2, 2]
    ray = float(np.linalg.norm(observed / np.diagonal(camera.matrix)[:2], axis=1).max())
    points = ray * np.array([[np.cos(a), np.sin(a), 1 / ray] for a in np.linspace(0, 2 * np.pi, 8, endpoint=False)])
    # Only the distortions are compared: under one camera matrix.
    with_same_matrix = replace(other, matrix=camera.matrix)
    difference_px = np.linalg.norm(camera.project(points) - with_same_matrix.project(points), axis=1)
    return float(difference_px.max())


def _is_relevant(
    group: str, deviations: dict[str, tuple[float, float]], best: IntrinsicsFit, stated: IntrinsicsFit
) -> bool:
    if group == "distortion":
        return _distortion_difference_px(best.camera, stated.camera, stated.observations.corners) > _MIN_DISTORTION_PX
    return float(np.linalg.norm([deviations[name][0] for name in _PARAMETER_GROUPS[group]])) > _MIN_RELATIVE_DEVIATION


def _near_ratio(factor: float) -> float | None:
    return next((ratio for ratio in _RESOLUTION_RATIOS if abs(factor / ratio - 1) < _RATIO_TOLERANCE), None)


def _finding(
    group: str,
    deviations: dict[str, tuple[float, float]],
    best: IntrinsicsFit,
    stated: IntrinsicsFit,
    evidence: dict[str, float],
) -> Finding:
    numbers = {name: deviations[name][0] for name in _PARAMETER_GROUPS[group]}
    numbers |= {f"{name}_sigma": deviations[name][1] for name in _PARAMETER_GROUPS[group]}
    message, remedy = _DESCRIPTIONS[group](deviations, best, stated)
    if group == "distortion" and _is_undistorted(best, stated):
        edge_px = _distortion_difference_px(
            stated.camera, _without_distortion(stated.camera), stated.observations.corners
        )
        return Finding(
            FindingCode.ALREADY_UNDISTORTED,
            Severity.STOP,
            "the images are already undistorted: they show none of the distortion that the lens file states"
            f" ({edge_px:.0f} px at the edge of the observed area)",
            {**numbers, **evidence, "stated_distortion_px": edge_px},
            'set "distortion": [0, 0, 0, 0, 0] and the matrix of the undistorted images in the lens file ([camera]'
            " intrinsics); or let the camera send its images without undistortion.",
        )
    return Finding(FindingCode(group), Severity.STOP, message, {**numbers, **evidence}, remedy)


def _describe_board_scale(
    deviations: dict[str, tuple[float, float]], best: IntrinsicsFit, stated: IntrinsicsFit
) -> tuple[str, str]:
    deviation, sigma = deviations["scale"]
    return (
        f"the board is {_percent(deviation, sigma)} {'larger' if deviation > 0 else 'smaller'} than stated",
        "measure the board over ten squares; if that confirms it, multiply its lengths in the station file under"
        f" [board] by {1 + deviation:.4f} (square_mm = 20 would become {20 * (1 + deviation):.3f}).",
    )


def _describe_focal_length(
    deviations: dict[str, tuple[float, float]], best: IntrinsicsFit, stated: IntrinsicsFit
) -> tuple[str, str]:
    deviation, sigma = deviations["focal"]
    fx, fy = stated.camera.matrix[0, 0] * (1 + deviation), stated.camera.matrix[1, 1] * (1 + deviation)
    return (
        f"the focal length is {_percent(deviation, sigma)} {'longer' if deviation > 0 else 'shorter'} than the lens"
        " file states",
        f"calibrate the lens again at this focus; the pairs give fx = {fx:.1f}, fy = {fy:.1f} for the matrix in the"
        " lens file ([camera] intrinsics). eyebolt solve SESSION --refine-lens prints all lens parameters.",
    )


def _describe_principal_point(
    deviations: dict[str, tuple[float, float]], best: IntrinsicsFit, stated: IntrinsicsFit
) -> tuple[str, str]:
    focal_px = float(stated.camera.matrix[0, 0])
    (x, x_sigma), (y, y_sigma) = deviations["cx"], deviations["cy"]
    cx, cy = stated.camera.matrix[:2, 2] + focal_px * np.array([x, y])
    return (
        f"the principal point deviates by {focal_px * x:+.1f} px across and {focal_px * y:+.1f} px down from that of"
        f" the lens file (sigma {focal_px * max(x_sigma, y_sigma):.1f} px)",
        "calibrate the lens again, and check whether the camera crops its images; the pairs give"
        f" cx = {cx:.1f}, cy = {cy:.1f} for the matrix in the lens file ([camera] intrinsics).",
    )


def _describe_distortion(
    deviations: dict[str, tuple[float, float]], best: IntrinsicsFit, stated: IntrinsicsFit
) -> tuple[str, str]:
    edge_px = _distortion_difference_px(best.camera, stated.camera, stated.observations.corners)
    k1, k2 = stated.camera.distortion[:2] + np.array([deviations["k1"][0], deviations["k2"][0]])
    return (
        f"the distortion deviates from that of the lens file, by {edge_px:.1f} px at the edge of the observed area",
        f"calibrate the lens again; the pairs give k1 = {k1:.3f}, k2 = {k2:.3f} for the distortion in the lens file"
        " ([camera] intrinsics). eyebolt solve SESSION --refine-lens prints all lens parameters.",
    )


_DESCRIPTIONS = {
    "board-scale": _describe_board_scale,
    "focal-length": _describe_focal_length,
    "principal-point": _describe_principal_point,
    "distortion": _describe_distortion,
}


def _percent(deviation: float, sigma: float) -> str:
    return f"{100 * abs(deviation):.2f} % (sigma {100 * sigma:.2f} %)"


def _without_distortion(camera: CameraModel) -> CameraModel:
    return replace(camera, distortion=np.zeros(5))


def _is_undistorted(best: IntrinsicsFit, stated: IntrinsicsFit) -> bool:
    """Whether a stated distortion of noticeable size is absent from the images."""
    stated_px = _distortion_difference_px(
        stated.camera, _without_distortion(stated.camera), stated.observations.corners
    )
    remaining_px = _distortion_difference_px(best.camera, _without_distortion(best.camera), stated.observations.corners)
    return stated_px > _MIN_DISTORTION_PX and remaining_px < max(_UNDISTORTED_FRACTION * stated_px, _MIN_DISTORTION_PX)


def _resolution_finding(
    ratio: float, deviations: dict[str, tuple[float, float]], evidence: dict[str, float]
) -> Finding:
    focal = 1 + deviations["focal"][0] if "focal" in deviations else ratio
    return Finding(
        FindingCode.LENS_RESOLUTION,
        Severity.STOP,
        f"the focal length in the images is {focal:.3f} times that of the lens file: the lens file was made for images"
        " of another size",
        {**evidence, "factor": focal},
        "name the lens file of this resolution under [camera] intrinsics, or multiply its matrix (fx, fy, cx, cy),"
        f" width and height by {ratio:.4g}; or set the camera to the resolution at which it was calibrated.",
    )


def _ambiguous_finding(explanations: Sequence[tuple[str, ...]], total: NuisanceEstimate) -> Finding:
    names = {
        "board-scale": "the size of the board",
        "focal-length": "the focal length",
        "principal-point": "the principal point",
        "distortion": "the distortion of the lens",
    }
    evidence = {f"p_value_{parts[0]}": total.p_value(_parameter_names(parts)) for parts in explanations}
    either = " or ".join(names[parts[0]] for parts in explanations)
    return Finding(
        FindingCode.BOARD_OR_LENS,
        Severity.STOP,
        f"either {either} is not as stated; these pairs cannot separate them",
        {**evidence, "p_value_as_stated": total.p_value(())},
        "measure the board over ten squares, and take more waypoints at different distances (near and far) and with"
        " tilts of 20 deg and more; translations of 100 mm across and along the line of sight, without rotation,"
        " separate them.",
    )
