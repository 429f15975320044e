"""The error map of a result as an SVG drawing: a panel per distance, a shaded cell with its number per image point."""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import escape

from eyebolt.results.document import ResultDocument

_PANEL_PX = 432
_MARGIN_PX = 24
_HEAD_PX = 92
_CAPTION_PX = 30
_PANELS_IN_A_ROW = 3

# From a pale grey to a dark blue-grey: red, green, blue.
_PALE, _DARK = (238, 240, 242), (38, 58, 78)
_INK, _EDGE = "#1c2630", "#ffffff"


def error_map_svg(document: ResultDocument, tolerance_mm: float) -> str | None:
    """The drawing of ``error_map``; None after a refusal, and while a direction is unobservable.

    A panel is the camera's image at one distance, a cell one of its 9 x 9 points with the p95 of the error there, mm.
    Darker is larger, and the darkest is ``tolerance_mm``; cells above it are hatched and outlined, so that no colours
    need be distinguished.
    A pixel for which the lens has no ray is an empty cell with a dash.
    """
    error_map, transform, error = document.error_map, document.transform, document.expected_error_mm
    # With an error map there are the other two.
    if error_map is None or transform is None or error is None:
        return None
    u_px, v_px = error_map.u_px, error_map.v_px
    # The panel has the aspect ratio of the image, within limits that leave room for the numbers.
    across = _PANEL_PX / len(u_px)
    down = across * min(max(v_px[-1] / max(u_px[-1], 1.0), 0.45), 1.4)
    planes = error_map.p95_mm
    numbers = [number for plane in planes for row in plane for number in row if number is not None]
    over = sum(number > tolerance_mm for number in numbers) or "none"
    subtitle = (
        f"{transform.name} alone: p95 {error.p95:.3f} mm over the working volume{error.upper_in_words},"
        f" tolerance {tolerance_mm:g} mm; {over} of {len(numbers)} points above it. Solved {document.timestamp}."
    )
    rows = -(-(len(planes) + 1) // _PANELS_IN_A_ROW)
    width = _PANELS_IN_A_ROW * (_PANEL_PX + _MARGIN_PX) + _MARGIN_PX
    panel_height = _CAPTION_PX + down * len(v_px) + _MARGIN_PX
    height = _HEAD_PX + rows * panel_height
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.0f}" height="{height:.0f}"'
        f' viewBox="0 0 {width:.0f} {height:.0f}" font-family="sans-serif" fill="{_INK}">',
        f"<title>{escape(_title(document))}</title>",
        '<defs><pattern id="over" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        f'<rect width="2" height="7" fill="{_EDGE}" fill-opacity="0.45"/></pattern></defs>',
        f'<rect width="{width:.0f}" height="{height:.0f}" fill="#ffffff"/>',
        _text(_MARGIN_PX, 36, _title(document), 20, weight="bold"),
        _text(_MARGIN_PX, 64, subtitle, 15),
    ]
    for k, (distance_mm, plane) in enumerate(zip(error_map.distance_mm, planes, strict=True)):
        left, top = _place(k, panel_height)
        parts.append(_text(left, top + 18, f"at {distance_mm:g} mm: {_span(plane)}", 14))
        parts += _cells(left, top + _CAPTION_PX, across, down, plane, tolerance_mm)
    left, top = _place(len(planes), panel_height)
    parts += _legend(left, top + _CAPTION_PX, tolerance_mm)
    return "\n".join([*parts, "</svg>", ""])


def _title(document: ResultDocument) -> str:
    station = document.station
    return f"Error map of {f'{station}, ' if station else ''}session {document.session}"


def _span(plane: Sequence[Sequence[float | None]]) -> str:
    numbers = [number for row in plane for number in row if number is not None]
    if not numbers:
        return "the lens has no ray for any pixel"
    return f"{min(numbers):.3f} to {max(numbers):.3f} mm"


def _place(panel: int, panel_height: float) -> tuple[float, float]:
    row, column = divmod(panel, _PANELS_IN_A_ROW)
    return _MARGIN_PX + column * (_PANEL_PX + _MARGIN_PX), _HEAD_PX + row * panel_height


def _cells(
    left: float,
    top: float,
    across: float,
    down: float,
    plane: Sequence[Sequence[float | None]],
    tolerance_mm: float,
) -> list[str]:
    cells, outlines, words = [], [], []
    for row, numbers in enumerate(plane):
        for column, number in enumerate(numbers):
            x, y = left + column * across, top + row * down
            box = f'x="{x:.1f}" y="{y:.1f}" width="{across:.1f}" height="{down:.1f}"'
            if number is None:
                cells.append(f'<rect {box} fill="{_EDGE}"/>')
                words.append(f'<text x="{x + across / 2:.1f}" y="{y + down / 2 + 4:.1f}" fill="{_INK}">-</text>')
                continue
            colour, ink = _shade(number, tolerance_mm)
            cells.append(f'<rect {box} fill="{colour}"/>')
            middle, line = x + across / 2, y + down / 2 + 4
            if number > tolerance_mm:
                outlines.append(f"<rect {box}/>")
                # Keeps the number free of hatching.
                clear = f'x="{middle - 19:.1f}" y="{line - 12:.1f}" width="38" height="16"'
                words.append(f'<rect {clear} fill="{colour}"/>')
            words.append(f'<text x="{middle:.1f}" y="{line:.1f}" fill="{ink}">{_number(number)}</text>')
    # Drawn in this order: cells, outlines over all cells, numbers over all outlines.
    return [
        f'<g stroke="{_EDGE}">',
        *cells,
        f'</g><g fill="url(#over)" stroke="{_INK}" stroke-width="2">',
        *outlines,
        '</g><g font-size="12" text-anchor="middle">',
        *words,
        "</g>",
    ]


def _legend(left: float, top: float, tolerance_mm: float) -> list[str]:
    steps, wide, tall = 9, _PANEL_PX / 9, 22.0
    parts = [
        f'<rect x="{left + k * wide:.1f}" y="{top:.1f}" width="{wide:.1f}" height="{tall:.1f}"'
        f' fill="{_shade(tolerance_mm * k / (steps - 1), tolerance_mm)[0]}"/>'
        for k in range(steps)
    ]
    parts += [
        _text(left, top + tall + 18, "0 mm", 13),
        _text(left + _PANEL_PX, top + tall + 18, f"tolerance, {tolerance_mm:g} mm", 13, anchor="end"),
        f'<rect x="{left:.1f}" y="{top + 62:.1f}" width="{wide:.1f}" height="{tall:.1f}" fill="{_rgb(_DARK)}"/>',
        f'<rect x="{left:.1f}" y="{top + 62:.1f}" width="{wide:.1f}" height="{tall:.1f}" fill="url(#over)"'
        f' stroke="{_INK}" stroke-width="2"/>',
        _text(left + wide + 12, top + 78, f"hatched and outlined: above the tolerance of {tolerance_mm:g} mm", 13),
    ]
    lines = (
        "Each panel is the camera's whole image at one distance.",
        "A number is the expected error of the transform there (95th",
        "percentile, mm). The measurement error of the camera is not",
        "included.",
    )
    return parts + [_text(left, top + 116 + 20 * k, line, 13) for k, line in enumerate(lines)]


def _shade(number: float, tolerance_mm: float) -> tuple[str, str]:
    """Colour of a cell and of the number on it."""
    share = min(max(number / tolerance_mm, 0.0), 1.0)
    return _rgb([p + (d - p) * share for p, d in zip(_PALE, _DARK, strict=True)]), _INK if share < 0.6 else _EDGE


def _rgb(colour: Sequence[float]) -> str:
    return "#" + "".join(f"{round(part):02x}" for part in colour)


def _number(number: float) -> str:
    """At most five characters, which fit into a cell."""
    return f"{number:.3f}" if number < 9.9995 else f"{number:.1f}" if number < 999.95 else f"{number:.0e}"


def _text(
    x: float, y: float, text: str, size: int, weight: str = "normal", colour: str = _INK, anchor: str = "start"
) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" font-weight="{weight}" fill="{colour}"'
        f' text-anchor="{anchor}">{escape(text)}</text>'
    )
