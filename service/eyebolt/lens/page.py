"""The page of a calibration: one HTML file with drawings in it; no script, and nothing is loaded from elsewhere.

Order of reading: the verdict in a sentence, where the board was in the picture, the residuals, the choice of the model,
the numbers. Nothing is shown by colour alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from eyebolt.geometry import MATRIX_NAMES, Array, CameraModel
from eyebolt.lens.calibrate import HeldOutModel, LensCalibration, picture_grid, picture_variance
from eyebolt.lens.comparison import LensComparison, parameter_values
from eyebolt.lens.next_view import NextLensView

PAGE_MARKER = "<!-- eyebolt lens -->"
"""Second line of every page, by which the program knows its own pages again."""

_WIDTH_PX = 640
# Cells of coverage and residual field, across the picture; square ones down.
_CELLS = 8
# The longest arrow of the residual field, as a share of a cell.
_ARROW_SHARE = 0.9
_MAX_PERCENT_SHOWN = 1000
_INK, _PAPER, _LINE, _SHADE, _WARN = "#1d2733", "#ffffff", "#8a97a5", (46, 92, 128), "#8c2f1b"
_STYLE = f"""
body {{ margin: 2.5rem auto; max-width: 46rem; padding: 0 1rem; color: {_INK}; background: {_PAPER};
  font: 16px/1.5 system-ui, sans-serif; }}
h1 {{ font-size: 1.1rem; font-weight: 600; margin: 0 0 .4rem; }}
h2 {{ font-size: 1.05rem; margin: 2.2rem 0 .3rem; border-top: 1px solid {_LINE}; padding-top: .8rem; }}
.verdict {{ font-size: 1.45rem; line-height: 1.35; margin: 0 0 1rem; border-left: .5rem solid {_INK};
  padding-left: 1rem; }}
.verdict.bad {{ border-left-style: double; border-color: {_WARN}; }}
table {{ border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }}
th, td {{ text-align: right; padding: .2rem .6rem .2rem 0; border-bottom: 1px solid #d9dfe5; }}
th:first-child, td:first-child {{ text-align: left; }}
tr.chosen {{ font-weight: 600; }}
svg {{ width: 100%; height: auto; display: block; }}
p {{ margin: .4rem 0; }}
"""


@dataclass(frozen=True)
class PictureLine:
    """One picture in the list at the end of the page."""

    name: str
    """Name of the picture."""
    outcome: str
    """What was found in it, in words."""


@dataclass(frozen=True)
class LensPage:
    """Everything that the page shows."""

    title: str
    """Station and time."""
    calibration: LensCalibration
    """The lens."""
    stated_name: str | None
    """Name of the lens file that is there; None if there is none."""
    comparison: LensComparison | None
    """It against the pictures; None without it, or where it cannot explain the pictures at all."""
    next_view: NextLensView | None
    """The further view that would help most."""
    pictures: tuple[PictureLine, ...]
    """All pictures, also those without the board."""


def picture_error_px(calibration: LensCalibration) -> float:
    """Standard error of a pixel by the lens, per coordinate, RMS over the picture, px."""
    camera = calibration.camera
    rays = camera.rays(picture_grid(camera))
    rays = rays[np.isfinite(rays).all(axis=-1)]
    return float(np.sqrt(picture_variance(camera, tuple(camera.sigma), camera.covariance, rays)))


def verdict(calibration: LensCalibration, stated_name: str | None, comparison: LensComparison | None) -> str:
    """The result in one sentence; no full stop."""
    count = len(calibration.views)
    if stated_name is None:
        return f"{count} pictures determine the lens to {picture_error_px(calibration):.2f} px over the picture"
    if comparison is None:
        return (
            f"the lens in {stated_name} cannot explain these {count} pictures at all: it is the lens of another camera"
        )
    if comparison.is_confirmed:
        return f"{count} pictures confirm the lens in {stated_name} (p = {comparison.p_value:.2f})"
    return f"the lens in {stated_name} does not fit these {count} pictures: {differences(comparison)}"


def differences(comparison: LensComparison) -> str:
    """By how much a stated lens is off, the most significant parameters first."""
    worst = sorted(comparison.parameters, key=lambda parameter: parameter.p_value)[:3]
    named = [p for p in worst if p.p_value * len(comparison.parameters) < 0.05] or worst[:1]
    parts = []
    for parameter in named:
        change = parameter.estimated - parameter.stated
        relative = f", {100 * change / parameter.stated:+.2f} %" if parameter.name in ("fx", "fy") else ""
        unit = " px" if parameter.name in MATRIX_NAMES else ""
        sigmas = abs(change) / float(np.hypot(parameter.sigma, parameter.stated_sigma))
        parts.append(
            f"{parameter.name} is {change:+.{_decimals(parameter.sigma)}f}{unit}{relative} ({sigmas:.1f} sigma)"
        )
    u, v = comparison.largest_at_px
    return f"{'; '.join(parts)}; up to {comparison.largest_px:.1f} px at ({u:.0f}, {v:.0f})"


def lens_page(page: LensPage) -> str:
    """The HTML text."""
    found = page.calibration
    sentence = verdict(found, page.stated_name, page.comparison)
    is_bad = page.stated_name is not None and (page.comparison is None or not page.comparison.is_confirmed)
    parts = [
        "<!doctype html>",
        PAGE_MARKER,
        '<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">',
        f"<title>{escape(page.title)}</title><style>{_STYLE}</style></head><body>",
        f"<h1>{escape(page.title)}</h1>",
        f'<p class="verdict{" bad" if is_bad else ""}">{escape(sentence[0].upper() + sentence[1:])}.</p>',
        *_summary(page),
        "<h2>Where the board was</h2>",
        _coverage(found),
        "<p>Each dot is a corner, each number the corners in its cell; hatched cells have none. There the lens rests on"
        " the model alone.</p>",
        "<h2>Residuals</h2>",
        _residual_field(found),
        *_models(found),
        *_parameters(page),
        *_pictures(page),
        "</body></html>",
        "",
    ]
    return "\n".join(parts)


def _summary(page: LensPage) -> list[str]:
    found = page.calibration
    corners = sum(len(view.ids) for view in found.views)
    noise = found.view_sigma_px
    facts = [
        ("corners", f"{corners} in {len(found.views)} pictures, {found.outlier_corners} of them outliers"),
        ("RMS distance of a corner from its predicted place", f"{found.rms_px:.3f} px"),
        ("noise of a corner per coordinate", f"{noise.min():.3f} to {noise.max():.3f} px"),
        ("standard error of a pixel by the lens, over the picture", f"{picture_error_px(found):.3f} px"),
    ]
    if found.dispersion > 1.0:
        facts.append(
            (
                "covariance widened, since the pictures differ by more than the noise of their corners",
                f"{found.dispersion:.1f} times (a board that is not flat, or motion)",
            )
        )
    rows = [f"<tr><td>{escape(name)}</td><td>{escape(text)}</td></tr>" for name, text in facts]
    further = page.next_view
    if further is not None:
        rows.append(
            f"<tr><td>what would help most: {escape(further.text)}</td>"
            f"<td>{further.error_before_px:.2f} px to {further.error_after_px:.2f} px</td></tr>"
        )
    return ["<table>", *rows, "</table>"]


def _grid(camera: CameraModel) -> tuple[float, int]:
    """Side of a cell, px of the picture, and the number of rows."""
    side = camera.width_px / _CELLS
    return side, max(1, round(camera.height_px / side))


def _cell_of(camera: CameraModel, pixels: Array) -> Array:
    """(K,): row times columns plus column of the cell of each pixel (K, 2)."""
    side, rows = _grid(camera)
    column = np.clip((pixels[:, 0] / side).astype(int), 0, _CELLS - 1)
    row = np.clip((pixels[:, 1] * rows / camera.height_px).astype(int), 0, rows - 1)
    out: Array = row * _CELLS + column
    return out


def _frame(camera: CameraModel, label: str, content: Sequence[str]) -> str:
    scale = _WIDTH_PX / camera.width_px
    height = camera.height_px * scale
    return "\n".join(
        [
            f'<svg viewBox="0 0 {_WIDTH_PX} {height:.0f}" role="img" aria-label="{escape(label)}" font-size="13"'
            ' text-anchor="middle">',
            '<defs><pattern id="none" width="8" height="8" patternUnits="userSpaceOnUse"'
            f' patternTransform="rotate(45)"><path d="M0 0V8" stroke="{_LINE}" stroke-width="1.5"/></pattern>'
            f'<marker id="tip" viewBox="0 0 6 6" refX="5" refY="3" markerWidth="5" markerHeight="5" orient="auto">'
            f'<path d="M0 0L6 3L0 6z" fill="{_INK}"/></marker></defs>',
            *content,
            f'<rect x="0.5" y="0.5" width="{_WIDTH_PX - 1}" height="{height - 1:.0f}" fill="none" stroke="{_INK}"/>',
            "</svg>",
        ]
    )


def _coverage(found: LensCalibration) -> str:
    camera = found.camera
    pixels = np.concatenate([view.corners_px for view in found.views])
    side, rows = _grid(camera)
    counts = np.bincount(_cell_of(camera, pixels).astype(int), minlength=rows * _CELLS)
    scale, tall = _WIDTH_PX / camera.width_px, camera.height_px / rows
    content = []
    for number, count in enumerate(counts.tolist()):
        row, column = divmod(number, _CELLS)
        share = 0.0 if not count else 0.12 + 0.5 * count / counts.max()
        fill = "url(#none)" if not count else f"rgba({_SHADE[0]},{_SHADE[1]},{_SHADE[2]},{share:.2f})"
        x, y = column * side * scale, row * tall * scale
        content.append(
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{side * scale:.1f}" height="{tall * scale:.1f}" fill="{fill}"/>'
        )
    content.append(f'<g fill="{_INK}" fill-opacity="0.55">')
    content += [f'<circle cx="{u * scale:.1f}" cy="{v * scale:.1f}" r="1.3"/>' for u, v in pixels.tolist()]
    content.append(f'</g><g fill="{_INK}" stroke="{_PAPER}" stroke-width="3" paint-order="stroke">')
    for number, count in enumerate(counts.tolist()):
        row, column = divmod(number, _CELLS)
        x, y = (column + 0.5) * side * scale, (row + 0.5) * tall * scale + 5
        content.append(f'<text x="{x:.1f}" y="{y:.1f}">{count}</text>')
    content.append("</g>")
    empty = int((counts == 0).sum())
    return _frame(camera, f"corners by place in the picture; {empty} of {len(counts)} cells have none", content)


def _residual_field(found: LensCalibration) -> str:
    """The mean residual of each cell as an arrow."""
    camera, corners = found.camera, found.fit.equations.corners
    is_used = found.fit.stack.weights > 0.5
    pixels, residuals = found.fit.stack.corners_px[is_used], corners.residual_px[is_used]
    cells = _cell_of(camera, pixels).astype(int)
    side, _ = _grid(camera)
    scale = _WIDTH_PX / camera.width_px
    means = []
    for number in np.unique(cells):
        in_cell = cells == number
        count = int(in_cell.sum())
        if count >= 4:
            mean = residuals[in_cell].mean(axis=0)
            means.append((pixels[in_cell].mean(axis=0), mean, float(np.linalg.norm(mean)) * np.sqrt(count)))
    if not means:
        return "<p>There are too few corners in any cell.</p>"
    longest = max(float(np.linalg.norm(mean)) for _, mean, _ in means)
    noise = float(np.median(found.view_sigma_px))
    factor = _ARROW_SHARE * side * scale / max(longest, 1e-9)
    content = []
    for place, mean, weight in means:
        # By chance a mean of n corners exceeds 3.0 sigma / sqrt(n) in one cell of a hundred (Rayleigh distribution).
        significant = weight > 3.03 * noise * np.sqrt(found.dispersion)
        start = place * scale - mean * factor / 2
        end = place * scale + mean * factor / 2
        content.append(
            f'<line x1="{start[0]:.1f}" y1="{start[1]:.1f}" x2="{end[0]:.1f}" y2="{end[1]:.1f}" stroke="{_INK}"'
            f' stroke-width="{3 if significant else 1.2}" marker-end="url(#tip)"/>'
        )
    unexplained = sum(weight > 3.03 * noise * np.sqrt(found.dispersion) for _, _, weight in means)
    drawing = _frame(camera, f"mean residual by place in the picture, at most {longest:.3f} px", content)
    sentence = (
        f"Arrows: mean residual of the corners in a cell; the longest is {longest:.3f} px. Thick arrows are larger than"
        f" chance explains: {unexplained} of {len(means)}."
    )
    return f"{drawing}<p>{escape(sentence)}</p>"


def _models(found: LensCalibration) -> list[str]:
    out = ["<h2>Why this model</h2>"]
    if not found.models:
        return [*out, f"<p>The model with {found.coefficients} coefficients was prescribed.</p>"]
    out.append(
        "<p>Each picture is predicted by the lens that all other pictures determine. The simplest model within one"
        " standard error of the best is taken.</p>"
    )
    out.append("<table><tr><th>coefficients</th><th>held-out RMS, px</th><th>worse than the best by</th><th></th></tr>")
    for model in found.models:
        chosen = model.coefficients == found.coefficients
        if not model.is_determined:
            word = "not determined by these pictures"
        else:
            word = "chosen" if chosen else "as good" if model.is_as_good else "worse"
        rms = f"{model.rms_px:.4f}" if model.is_determined and np.isfinite(model.rms_px) else "-"
        difference = _difference_text(model)
        css = ' class="chosen"' if chosen else ""
        out.append(
            f"<tr{css}><td>{model.coefficients}</td><td>{rms}</td><td>{difference}</td><td>{escape(word)}</td></tr>"
        )
    return [*out, "</table><p>Percentages are of the noise variance.</p>"]


def _difference_text(model: HeldOutModel) -> str:
    # The held-out error of a model that the pictures do not determine is a number without meaning.
    if not (model.is_determined and np.isfinite(model.difference)):
        return "-"
    if model.difference == 0.0 and model.standard_error == 0.0:
        return "best"
    if model.difference > _MAX_PERCENT_SHOWN / 100:
        return f"more than {_MAX_PERCENT_SHOWN} %"
    return f"{100 * model.difference:.2f} &plusmn; {100 * model.standard_error:.2f} %"


def _parameters(page: LensPage) -> list[str]:
    camera = page.calibration.camera
    out = ["<h2>The numbers</h2>", "<table><tr><th>parameter</th><th>value</th><th>sigma</th></tr>"]
    for name, value, sigma in zip(camera.sigma, parameter_values(camera), camera.sigma.values(), strict=True):
        decimals = _decimals(sigma)
        unit = " px" if name in MATRIX_NAMES else ""
        out.append(f"<tr><td>{name}</td><td>{value:.{decimals}f}{unit}</td><td>{sigma:.{decimals}f}{unit}</td></tr>")
    out.append("</table>")
    if page.comparison is None or page.stated_name is None:
        return out
    found = page.comparison
    out += [
        f"<h2>Against {escape(page.stated_name)}</h2>",
        f"<p>Chi-squared {found.chi_squared:.1f} for {found.degrees_of_freedom} parameters, p = {found.p_value:.2g}."
        f" The two lenses differ by {found.rms_px:.2f} px RMS over the picture and by {found.largest_px:.2f} px at most"
        " after the rotation of the camera that lessens it most.</p>",
        "<table><tr><th>parameter</th><th>lens file</th><th>sigma</th><th>these pictures</th><th>sigma</th>"
        "<th>p</th></tr>",
    ]
    for p in found.parameters:
        decimals = _decimals(p.sigma)
        stated = "exact" if p.stated_sigma == 0 else f"{p.stated_sigma:.{decimals}f}{' (assumed)' * p.is_default_sigma}"
        out.append(
            f"<tr><td>{p.name}</td><td>{p.stated:.{decimals}f}</td><td>{stated}</td><td>{p.estimated:.{decimals}f}</td>"
            f"<td>{p.sigma:.{decimals}f}</td><td>{p.p_value:.2g}</td></tr>"
        )
    return [*out, "</table>"]


def _pictures(page: LensPage) -> list[str]:
    noise = dict(zip((v.name for v in page.calibration.views), page.calibration.view_sigma_px.tolist(), strict=True))
    out = ["<h2>The pictures</h2>", "<table><tr><th>picture</th><th>found</th><th>noise of a corner, px</th></tr>"]
    for line in page.pictures:
        value = f"{noise[line.name]:.3f}" if line.name in noise else ""
        out.append(f"<tr><td>{escape(line.name)}</td><td>{escape(line.outcome)}</td><td>{value}</td></tr>")
    return [*out, "</table>"]


def _decimals(sigma: float) -> int:
    """Decimals with which a number of this standard deviation is printed: two digits of it."""
    return int(np.clip(1 - np.floor(np.log10(max(sigma, 1e-9))), 0, 8))
