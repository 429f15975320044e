"""A sheet as SVG at true scale: one user unit is one millimetre."""

from __future__ import annotations

from eyebolt.printing.sheet import LINE_WIDTH_MM, Sheet


def svg_document(sheet: Sheet) -> str:
    """The whole sheet, however large, without pages."""
    width, height = f"{sheet.width:.4f}", f"{sheet.height:.4f}"
    # One path: no gaps show between cells that touch.
    path = "".join(f"M{x:.4f} {y:.4f}h{w:.4f}v{h:.4f}h{-w:.4f}z" for x, y, w, h in sheet.rectangles)
    size = f'width="{width}mm" height="{height}mm" viewBox="0 0 {width} {height}"'
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {size}>',
        f"<title>{sheet.title}</title>",
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
        *([f'<path d="{path}"/>'] if path else []),
        *(f'<circle cx="{x:.4f}" cy="{y:.4f}" r="{d / 2:.4f}"/>' for x, y, d in sheet.discs),
        f'<g stroke="#000" stroke-width="{LINE_WIDTH_MM}">',
        *(f'<line x1="{v.x1:.4f}" y1="{v.y1:.4f}" x2="{v.x2:.4f}" y2="{v.y2:.4f}"/>' for v in sheet.lines),
        "</g>",
        *(
            f'<text x="{v.x:.4f}" y="{v.y:.4f}" font-family="Helvetica, Arial, sans-serif" font-size="{v.size}">'
            f"{_escaped(v.text)}</text>"
            for v in sheet.texts
        ),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
