"""A printed board: its lengths in the PDF and the SVG, read by PDFium and an XML parser; its detection at 300 dpi."""

import ctypes
import xml.etree.ElementTree as ET

import cv2
import numpy as np
import pypdfium2
import pytest
from pypdfium2 import raw

from eyebolt.boards import CharucoBoard, Chessboard, CircleGrid, Detection, MarkerGrid, find_board
from eyebolt.errors import InputFault
from eyebolt.printing import PAPERS_MM, board_sheet, pages_of, pdf_document, svg_document

MM_PER_POINT, PX_PER_MM = 25.4 / 72, 300 / 25.4
# Of the paper that is seen around a sheet when the pages are laid together.
AROUND_MM = 20
# One that fits on one page and one that does not, of each kind.
BOARDS = {
    "charuco": (CharucoBoard(12, 9, 0.015, 0.011, "5X5_100"), 1),
    "charuco-tiled": (CharucoBoard(8, 6, 0.03, 0.022, "4X4_50", "legacy"), 2),
    "chessboard": (Chessboard(9, 6, 0.0251), 1),
    "chessboard-tiled": (Chessboard(10, 7, 0.034), 4),
    "grid": (MarkerGrid(5, 4, 0.03, 0.008, "APRILTAG_36h11"), 1),
    "grid-tiled": (MarkerGrid(6, 4, 0.04, 0.012, "APRILTAG_36h11"), 4),
    "circles": (CircleGrid(4, 11, 0.02), 1),
    "circles-tiled": (CircleGrid(4, 11, 0.03), 3),
}


@pytest.fixture(params=BOARDS)
def printed(request):
    board, count = BOARDS[request.param]
    sheet = board_sheet(board, "bay-3")
    pages = pages_of(sheet, "A4")
    assert len(pages) == count
    return board, sheet, pages, pypdfium2.PdfDocument(pdf_document(sheet, pages))


def path_points_mm(page):
    """(N, 2): all points of the filled paths of a page, from its upper left corner."""
    out = []
    for item in page.get_objects(filter=[raw.FPDF_PAGEOBJ_PATH]):
        fill, stroke = ctypes.c_int(), ctypes.c_int()
        raw.FPDFPath_GetDrawMode(item, fill, stroke)
        if fill.value:
            a, b, c, d, e, f = item.get_matrix().get()
            for k in range(raw.FPDFPath_CountSegments(item)):
                x, y = ctypes.c_float(), ctypes.c_float()
                raw.FPDFPathSegment_GetPoint(raw.FPDFPath_GetPathSegment(item, k), x, y)
                out.append((a * x.value + c * y.value + e, b * x.value + d * y.value + f))
    points = np.array(out) * MM_PER_POINT
    return np.column_stack([points[:, 0], page.get_height() * MM_PER_POINT - points[:, 1]])


def outline_mm(board):
    """x and y of all edges of squares and markers, or of the sides of the circles, in the board's axes."""
    artwork = board.artwork()
    rectangles = np.array([r for cells in artwork.cells for r in cells.rectangles()]).reshape(-1, 4)
    discs = np.array([(d.x - d.diameter / 2, d.y - d.diameter / 2, d.diameter, d.diameter) for d in artwork.discs])
    low = np.concatenate([rectangles, discs.reshape(-1, 4)])
    return np.unique(np.concatenate([low[:, :2], low[:, :2] + low[:, 2:]]), axis=0) * board.pitch_m * 1e3


def test_every_edge_is_in_its_place_on_each_page(printed):
    board, sheet, pages, document = printed
    for page, read in zip(pages, document, strict=True):
        shift = np.add(page.at, sheet.origin) - page.window[:2]
        points = path_points_mm(read) - shift
        wanted = outline_mm(board)
        for axis in (0, 1):
            distance = np.abs(wanted[:, axis, None] - points[None, :, axis]).min(axis=1)
            assert distance.max() < 0.01
            extent = np.ptp(points[:, axis])
            assert extent == pytest.approx(np.ptp(wanted[:, axis]), abs=0.01)


def laid_together(sheet, pages, document):
    """The sheet at 300 dpi as its pages show it, each cut at its marks and laid on the one before."""
    size = [round((length + 2 * AROUND_MM) * PX_PER_MM) for length in (sheet.width, sheet.height)]
    out = np.full(size[::-1], 255, np.uint8)
    for page, read in zip(pages, document, strict=True):
        image = read.render(scale=300 / 72, grayscale=True).to_numpy().squeeze()
        x, y, width, height = page.window
        shift = (np.subtract((x, y), page.at) + AROUND_MM) * PX_PER_MM
        # A page is stretched to whole pixels when it is rendered: 3e-4 of A4.
        pitch = np.array([page.width, page.height]) * PX_PER_MM / image.shape[::-1]
        shift += (pitch - 1) / 2  # pixel centres are at integers
        moved = cv2.warpAffine(image, np.column_stack([np.diag(pitch), shift]), size, borderValue=255)
        # In the middle of what two pages both show.
        left, top = (round((start + (5 if start else 0) + AROUND_MM) * PX_PER_MM) for start in (x, y))
        right, bottom = (round((end + AROUND_MM) * PX_PER_MM) for end in (x + width, y + height))
        out[top:bottom, left:right] = moved[top:bottom, left:right]
    return out


def test_the_pages_are_detected_at_their_true_size(printed):
    board, sheet, pages, document = printed
    found = find_board(laid_together(sheet, pages, document), board)
    assert isinstance(found, Detection)
    # A corner may be rejected as an outlier of the fit.
    assert len(found.ids) >= 0.98 * board.corner_count
    corners = board.corners()[found.ids]
    design = np.column_stack([corners, np.ones(len(corners))])
    (along_x, along_y, _), *_ = np.linalg.lstsq(design, found.corners_px / PX_PER_MM, rcond=None)
    unit_mm = board.pitch_m * 1e3
    assert along_x == pytest.approx([unit_mm, 0], abs=0.01)
    assert along_y == pytest.approx([0, unit_mm], abs=0.01)


def test_the_ruler_and_the_name_are_outside_the_white_border(printed):
    _, sheet, pages, document = printed
    black = max([y + h for _, y, _, h in sheet.rectangles] + [y + d / 2 for _, y, d in sheet.discs])
    quiet = min([y for _, y, _, _ in sheet.rectangles] + [y - d / 2 for _, y, d in sheet.discs])
    assert min(text.y - text.size for text in sheet.texts) >= black + quiet - 1e-9
    assert min(line.y1 for line in sheet.lines) > black + quiet
    assert max(line.x2 for line in sheet.lines) - min(line.x1 for line in sheet.lines) == pytest.approx(100)
    words = "".join(page.get_textpage().get_text_bounded() for page in document)
    assert "Board of station bay-3" in words
    assert all(f"page {k + 1} of {len(pages)}" in words for k in range(len(pages)) if len(pages) > 1)


def test_the_svg_has_the_same_lengths():
    for board, _ in BOARDS.values():
        sheet = board_sheet(board, "bay-3")
        root = ET.fromstring(svg_document(sheet))  # written here
        width = float(root.get("width").removesuffix("mm"))
        assert (width, float(root.get("viewBox").split()[2])) == (pytest.approx(sheet.width, abs=1e-3),) * 2
        space = "{http://www.w3.org/2000/svg}"
        paths, discs = root.findall(f"{space}path"), root.findall(f"{space}circle")
        assert sum(path.get("d").count("M") for path in paths) == len(sheet.rectangles)
        for disc, (x, y, diameter) in zip(discs, sheet.discs, strict=True):
            assert [float(disc.get(k)) for k in ("cx", "cy", "r")] == pytest.approx([x, y, diameter / 2], abs=1e-3)


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_marks_of_neighbours_are_the_same_lines_of_the_sheet(paper):
    sheet = board_sheet(CharucoBoard(14, 9, 0.06, 0.045, "5X5_100"), "bay-3")
    marks = []
    for page in pages_of(sheet, paper):
        assert {round(v, 3) for v in (page.width, page.height)} == set(PAPERS_MM[paper])
        shift = np.subtract(page.window[:2], page.at)
        marks.append({(0, round(v.x1 + shift[0], 6)) for v in page.lines if v.x1 == v.x2})
        marks[-1] |= {(1, round(v.y1 + shift[1], 6)) for v in page.lines if v.y1 == v.y2}
        on_paper = [(v.x1, v.y1) for v in page.lines] + [(v.x2, v.y2) for v in page.lines]
        assert np.min(on_paper) > 3
        assert (np.max(on_paper, axis=0) < (page.width - 3, page.height - 3)).all()
    for mark in set().union(*marks):
        assert sum(mark in one for one in marks) >= 2


def test_a_board_of_more_than_a_hundred_pages_is_refused():
    with pytest.raises(InputFault) as refused:
        pages_of(board_sheet(Chessboard(60, 41, 0.1), "bay-3"), "A4")
    assert refused.value.code == "board-pages"
