"""A board on paper at true scale: the sheet, its pages, and both as PDF and SVG. Pure."""

from eyebolt.printing.pdf import pdf_document
from eyebolt.printing.sheet import PAPERS_MM, Line, Page, Sheet, Text, board_sheet, board_text, pages_of
from eyebolt.printing.svg import svg_document

__all__ = [
    "PAPERS_MM",
    "Line",
    "Page",
    "Sheet",
    "Text",
    "board_sheet",
    "board_text",
    "pages_of",
    "pdf_document",
    "svg_document",
]
