"""Pages of a sheet as PDF 1.4 (ISO 32000-1): filled paths, thin lines and text in Helvetica, which every reader has."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from eyebolt.printing.sheet import LINE_WIDTH_MM, Line, Page, Sheet, Text

_POINTS_PER_MM = 72 / 25.4
# Bezier curves a circle is made of; its radius is exact to 1e-6 of it.
_ARCS = 8
_FONT = b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>"
# Whatever the dialogue of a reader would choose: no scaling to the page.
_NO_SCALING = "/ViewerPreferences << /PrintScaling /None >>"


def pdf_document(sheet: Sheet, pages: Sequence[Page]) -> bytes:
    """The ``pages`` of ``sheet``, at true scale."""
    numbers = [4 + 2 * k for k in range(len(pages))]
    kids = " ".join(f"{number} 0 R" for number in numbers)
    objects = [
        f"<< /Type /Catalog /Pages 2 0 R {_NO_SCALING} >>".encode(),
        f"<< /Type /Pages /Count {len(pages)} /Kids [{kids}] >>".encode(),
        _FONT,
    ]
    for number, page in zip(numbers, pages, strict=True):
        box = f"{page.width * _POINTS_PER_MM:.5f} {page.height * _POINTS_PER_MM:.5f}"
        content = _content(sheet, page).encode("ascii", "replace")
        objects.append(
            f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {box}] /Contents {number + 1} 0 R"
            " /Resources << /Font << /F 3 0 R >> >> >>".encode()
        )
        objects.append(b"<< /Length %d >>\nstream\n%s\nendstream" % (len(content), content))
    return _file(objects)


def _file(objects: Sequence[bytes]) -> bytes:
    """The objects, numbered from 1, with the table of their positions."""
    out = bytearray(b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n")
    positions = []
    for number, body in enumerate(objects, 1):
        positions.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    table = b"".join(b"%010d 00000 n \n" % position for position in positions)
    size = len(objects) + 1
    start = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n%s" % (size, table)
    out += b"trailer\n<< /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (size, start)
    return bytes(out)


def _content(sheet: Sheet, page: Page) -> str:
    """The drawing of one page, in millimetres with y down."""
    scale = f"{_POINTS_PER_MM:.9f}"
    x, y, width, height = page.window
    parts = [
        f"{scale} 0 0 -{scale} 0 {page.height * _POINTS_PER_MM:.6f} cm {LINE_WIDTH_MM} w",
        "q",
        f"{page.at[0]:.5f} {page.at[1]:.5f} {width:.5f} {height:.5f} re W n",
        f"1 0 0 1 {page.at[0] - x:.5f} {page.at[1] - y:.5f} cm",
        # One path: no gaps show between cells that touch.
        *(f"{left:.5f} {top:.5f} {w:.5f} {h:.5f} re" for left, top, w, h in sheet.rectangles),
        *(_circle(*disc) for disc in sheet.discs),
        "f",
        *_lines_and_texts(sheet.lines, sheet.texts),
        "Q",
        *_lines_and_texts(page.lines, page.texts),
    ]
    return "\n".join(parts)


def _lines_and_texts(lines: Iterable[Line], texts: Iterable[Text]) -> Iterable[str]:
    for line in lines:
        yield f"{line.x1:.5f} {line.y1:.5f} m {line.x2:.5f} {line.y2:.5f} l S"
    for text in texts:
        escaped = text.text.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")
        yield f"BT /F {text.size} Tf 1 0 0 -1 {text.x:.5f} {text.y:.5f} Tm ({escaped}) Tj ET"


def _circle(x: float, y: float, diameter: float) -> str:
    radius, step = diameter / 2, 2 * math.pi / _ARCS
    # Distance of the control points along the tangents with which the middle of each arc is on the circle.
    handle = 4 / 3 * math.tan(step / 4) * radius
    parts = [f"{x + radius:.5f} {y:.5f} m"]
    for k in range(_ARCS):
        points = []
        for angle, sign in ((k * step, 1), ((k + 1) * step, -1)):
            at = (x + radius * math.cos(angle), y + radius * math.sin(angle))
            control = (at[0] - sign * handle * math.sin(angle), at[1] + sign * handle * math.cos(angle))
            points += [at, control] if sign > 0 else [control, at]
        parts.append(" ".join(f"{px:.5f} {py:.5f}" for px, py in points[1:]) + " c")
    return " ".join(parts) + " h"
