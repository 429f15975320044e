"""A result document in a few lines of plain text, for a terminal."""

from __future__ import annotations

from collections.abc import Sequence

from eyebolt.geometry import MATRIX_NAMES, PoseFormat
from eyebolt.results.document import Contributions, Deviation, ExpectedError, Lens, Residuals, ResultDocument, Transform


def summary(document: ResultDocument, with_acceptance: bool = True) -> list[str]:
    """The lines. ``with_acceptance``: whether to state who accepted the result (a new solve is accepted by nobody)."""
    lines = [f"acceptance: {document.acceptance} - {document.reason}"]
    transform = document.transform
    lines += _refusal_lines(document) if transform is None else _solution_lines(document, transform)
    lines += [f"  pair {p.pair}: {p.reason}" for p in document.pairs.excluded]
    if with_acceptance:
        accepted = document.accepted
        lines.append("not accepted yet" if accepted is None else f"accepted by {accepted.by} at {accepted.timestamp}")
    return lines


def _refusal_lines(document: ResultDocument) -> list[str]:
    lines = [f"  {f.message}. What to do: {f.remedy}" for f in document.findings]
    return [*lines, f"pairs: {document.pairs.used} usable"]


def _solution_lines(document: ResultDocument, transform: Transform) -> list[str]:
    lines = [*_transform_lines(document, transform), *_error_lines(document)]
    lines.append(f"cross-validation: {_residuals(document.cross_validation)}")
    noise, scale, focal = document.robot_noise, document.board_scale, document.focal_length
    if noise is not None:
        origin = "stated" if noise.is_stated else "estimated"
        lines.append(
            f"corner residual: {document.corner_rms_px:.3f} px RMS;"
            f" arm: {noise.mm:.3f} mm, {noise.deg:.4f} deg ({origin})"
        )
    if scale is not None and focal is not None:
        lines.append(f"deviation from stated: board scale {_percent(scale)}, focal length {_percent(focal)}")
        lines.append(f"uncertainty before the pairs: {_priors(document)}")
    if document.board_bow is not None:
        bow = document.board_bow
        lines.append(f"board: flat to {bow.flatness_mm:.3f} mm (sigma {bow.flatness_sigma_mm:.3f} mm)")
    lines.append(f"pairs: {document.pairs.used} used, {len(document.pairs.excluded)} excluded")
    if document.coverage is not None:
        lines.append(f"coverage: {document.coverage.description}")
    if document.checks.count:
        lines.append(f"checks: {document.checks.count}, {_residuals(document.checks)}")
    if document.touches.count:
        touches = document.touches
        lines.append(f"touches: {touches.count}, {_residuals(touches)}, reduced chi-square {touches.reduced_chi2:.2f}")
    height = document.height
    if height is not None and height.determined_by is not None:
        lines.append(
            f"height of the camera: {height.mm:.3f} mm (sigma {height.sigma_mm:.3f} mm), from {height.determined_by}"
        )
    if document.refined_lens is not None:
        lines += _lens_lines(document.refined_lens)
    return lines + [f"{f.severity}: {f.message}: {f.remedy}" for f in document.findings]


def _transform_lines(document: ResultDocument, transform: Transform) -> list[str]:
    lines, name, pose = [], transform.name, transform.robot_pose
    if pose is None:
        # The robot's own format cannot hold it.
        numbers = [*transform.translation_mm, *transform.quaternion_wxyz]
        lines.append(f"{name} (mm, quaternion-wxyz): {_numbers(numbers, PoseFormat().decimals)}")
    else:
        decimals = pose.pose_format.decimals
        lines.append(f"{name} ({pose.pose_format.description}): {_numbers(pose.values, decimals)}")
        if pose.sigma is not None:
            lines.append(f"  standard deviations: {_numbers(pose.sigma, decimals)}")
    if document.incomplete is not None:
        gap = document.incomplete
        lines.append(f"the robot is not given it (36): {gap.message}. What to do: {gap.remedy}")
    return lines


def _numbers(values: Sequence[float | None], decimals: Sequence[int]) -> str:
    return ", ".join(
        "unobservable" if value is None else f"{value:.{digits}f}"
        for value, digits in zip(values, decimals, strict=True)
    )


def _error_lines(document: ResultDocument) -> list[str]:
    error, pick = document.expected_error_mm, document.expected_pick_error_mm
    if error is None or pick is None:
        return []
    return [
        f"expected error of a pick, with the arm's own errors: {_quantiles(pick)}",
        f"expected error of the transform alone: {_quantiles(error)}, p95 at the worst point {error.worst_p95:.3f} mm",
        f"error by source (RMS): {_contributions(document.error_contributions_mm)}",
        *_tolerance_lines(document),
    ]


def _quantiles(error: ExpectedError) -> str:
    return f"median {error.median:.3f} mm, p95 {error.p95:.3f} mm{error.upper_in_words}"


def _tolerance_lines(document: ResultDocument) -> list[str]:
    if document.tolerance_mm is None or document.tolerance_of is None:
        return []
    compared = f"the p95 of the error of {document.tolerance_of.description}, at 95 % confidence"
    return [f"tolerance: {document.tolerance_mm:g} mm, for {compared}"]


def _contributions(found: Contributions | None) -> str:
    if found is None:
        return "not known"
    parts = found.model_dump()
    return ", ".join(f"{name} {mm:.3f} mm" for name, mm in parts.items() if mm > 0 or name != "touch")


def _priors(document: ResultDocument) -> str:
    """Prior of board and lens, by source."""
    named = {}
    if document.board_scale is not None:
        scale = document.board_scale
        named["board scale"] = (f"{100 * scale.prior_sigma:.2g} %", scale.prior_source)
    if document.board_bow is not None:
        bow = document.board_bow.x
        named["bow"] = (f"{bow.prior_sigma:.2g} mm", bow.prior_source)
    named |= {
        name: (f"{found.prior_sigma:.4g}{' px' if name in MATRIX_NAMES else ''}", found.prior_source)
        for name, found in (document.lens or {}).items()
    }
    sources = dict.fromkeys(source for _, source in named.values())
    return "; ".join(
        f"{source}: " + ", ".join(f"{name} {sigma}" for name, (sigma, own) in named.items() if own == source)
        for source in sources
    )


def _percent(found: Deviation) -> str:
    return f"{100 * found.deviation:+.3f} % (sigma {100 * found.sigma:.3f} %)"


def _residuals(measured: Residuals) -> str:
    if not measured.count:
        return "too few pairs"
    return f"RMS {measured.rms_mm:.3f} mm, worst {measured.worst_mm:.3f} mm at the board"


def _lens_lines(lens: Lens) -> list[str]:
    (fx, _, cx), (_, fy, cy), _ = lens.matrix
    pixels = dict(zip(MATRIX_NAMES, (fx, fy, cx, cy), strict=True))
    distortion = dict(zip((n for n in lens.sigma if n not in pixels), lens.distortion, strict=True))
    lines = ["lens estimated from the pairs (the station still uses its lens file):"]
    lines += [f"  {name} {value:.3f} px (sigma {lens.sigma[name]:.3f})" for name, value in pixels.items()]
    return lines + [f"  {name} {value:.5f} (sigma {lens.sigma[name]:.5f})" for name, value in distortion.items()]
