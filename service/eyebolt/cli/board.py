"""``eyebolt board``: the station's board on paper, what boards suit the station, and the measured size of the print."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np

from eyebolt.access import Access
from eyebolt.boards import Board, CharucoBoard, CircleGrid, MarkerGrid
from eyebolt.bounded_file import read_bounded
from eyebolt.calibration import RULER_SIGMA_M, STATED_NOISE_DOF
from eyebolt.cli.planning import typical_setup
from eyebolt.config import Station, parse_station
from eyebolt.context import StationContext, load_context, load_station
from eyebolt.errors import InputFault, writing_remedy
from eyebolt.planning import MAX_FILL, BoardOutline, WaypointKind, pick_scatter_p95_mm, plan_waypoints
from eyebolt.printing import board_sheet, board_text, pages_of, pdf_document, svg_document
from eyebolt.protocol import ToleranceOf
from eyebolt.store import FileSystem, write_atomically

# With a tilt of 45 deg, a blur of 0.75 px and a noise of 2 grey levels boards are found from 2 px a cell of a marker,
# 9 px a square and 5 px a circle on.
_MIN_CELL_PX, _MIN_SQUARE_PX, _MIN_CIRCLE_PX = 2.5, 11.0, 8.0
# Size of the whole board and number of squares of the boards that are compared, relative to the stated one.
_COMPARED = ((1.0, 1.0), (0.7, 1.0), (1.4, 1.0), (1.0, 0.7), (1.0, 1.4))
# Relative difference of the two measured ways that is noted, and the largest one that is accepted: the solve does not
# account for a print that is wider than high (decision 0143).
_NOTED_UNEVENNESS, _MAX_UNEVENNESS = 0.001, 0.002
# Two ways that differ by less differ as the readings of a ruler do (95 %).
_RULER_DIFFERENCE_M = 1.96 * math.sqrt(2) * RULER_SIGMA_M
# Of a station file.
_MAX_BYTES = 1 << 20
# A larger change of the size is a wrong count of squares or a wrong unit.
_MAX_CHANGE = 0.1
_LENGTH_FIELDS = ("square_m", "marker_m", "gap_m", "spacing_m")
PrintLine = Callable[[str], None]


@dataclass(frozen=True)
class BoardOptions:
    """Options of ``eyebolt board`` for printing."""

    paper: str = "A4"
    """Paper of the pages."""
    out: Path | None = None
    """File to write, without its ending; None: ``board`` beside the station file."""
    force: bool = False
    """Whether existing files are replaced."""
    dry: bool = False
    """Only the forecast: nothing is written."""


@dataclass(frozen=True)
class BoardForecast:
    """What a board is good for on a station."""

    board: Board
    """The board."""
    whole_from_mm: float
    """Distance from which on the whole board can be in view, tilted and off centre, mm."""
    detail_px: float
    """Side of its smallest detail at the farthest distance, px."""
    min_detail_px: float
    """Smallest such side that is detected reliably, px."""
    pairs: int | None
    """Pairs that reach the tolerance; None if ``max_pairs`` do not."""
    p95_upper_mm: float
    """Predicted upper confidence bound of the p95 with them, mm; infinite without any view."""


def print_board(station_file: Path, options: BoardOptions, print_line: PrintLine) -> None:
    """Prints the forecast, then writes PDF and SVG. Raises InputFault, ``file-exists`` before anything is written."""
    station = load_station(station_file)
    board = station.board.to_board()
    stem = options.out or station_file.parent / "board"
    paths = [stem.with_name(f"{stem.name}.{ending}") for ending in ("pdf", "svg")]
    sheet = board_sheet(board, station.station.name)
    pages = pages_of(sheet, options.paper)
    if not options.force and not options.dry:
        for path in paths:
            if path.exists():
                raise InputFault(
                    "file-exists", f"{path} exists already", "name another one with --out, or give --force."
                )
    print_line(
        f"{board_text(board)}: {_size_text(board)}, {len(pages)} page{'s' * (len(pages) > 1)} of {options.paper}"
    )
    if (station_file.parent / station.camera.intrinsics).exists():
        for line in _forecast_lines(load_context(station_file)):
            print_line(line)
    else:
        print_line(
            f"No forecast of which board suits the station: there is no lens file {station.camera.intrinsics} yet. A"
            " board whose diagonal is half of what the camera sees at near_mm is a good first one."
        )
    if options.dry:
        return
    for path, data in zip(paths, (pdf_document(sheet, pages), svg_document(sheet).encode()), strict=True):
        _write(path, data)
        print_line(f"{path} written")
    print_line(
        "Print at 100 % on matt paper, glue it to a stiff flat plate, then measure ten squares along both sides:"
        f" eyebolt board {station_file} --measured ACROSS_MM DOWN_MM"
    )


def forecast_board(context: StationContext, board: Board) -> BoardForecast:
    """What ``board`` would be good for on this station, by the forecast that plans waypoints."""
    context = replace(context, board=board)
    setup, goal = typical_setup(context), context.session_config.goal
    arm_p95_mm = pick_scatter_p95_mm(setup) if goal.tolerance_of is ToleranceOf.PICK else 0.0
    noise_prior_dof = 0.0 if context.station.robot_noise_m_rad is None else STATED_NOISE_DOF
    plan = plan_waypoints(setup, (), goal, noise_prior_dof, arm_p95_mm=arm_p95_mm)
    pairs, p95_upper_mm = None, math.inf
    if plan is not None:
        taken = [w for w in plan.waypoints if w.kind in (WaypointKind.TRANSLATION, WaypointKind.ROTATION)]
        p95_upper_mm = taken[-1].p95_upper_mm
        pairs = len(taken) if plan.is_met else None
    lens, volume = context.lens, context.volume
    focal_px = float(np.sqrt(lens.matrix[0, 0] * lens.matrix[1, 1]))
    seen = min(lens.width_px / lens.matrix[0, 0], lens.height_px / lens.matrix[1, 1])
    whole_from_m = BoardOutline.of(board.corners_m()).diagonal_m / (MAX_FILL * float(seen))
    detail_m, min_detail_px = _smallest_detail(board)
    detail_px = detail_m * focal_px / volume.far_m
    return BoardForecast(board, whole_from_m * 1e3, detail_px, min_detail_px, pairs, p95_upper_mm)


def compared_boards(board: Board) -> Iterator[Board]:
    """The board, then smaller and larger ones of its kind, and some with fewer and more squares of the same size."""
    seen = set()
    for size, number in _COMPARED:
        columns, rows = (max(type(board).min_count, round(n * number)) for n in (board.columns, board.rows))
        unit = size * board.columns / columns
        # In half millimetres, as somebody would order them.
        lengths = {f.name: getattr(board, f.name) for f in fields(board) if f.name in _LENGTH_FIELDS}
        if (size, number) != (1.0, 1.0):
            lengths = {name: max(1, round(value * unit * 2e3)) / 2e3 for name, value in lengths.items()}
        try:
            candidate = replace(board, columns=columns, rows=rows, **lengths)
        except InputFault:
            continue  # more markers than the dictionary has, or a board that looks alike from two sides
        if candidate not in seen:
            seen.add(candidate)
            yield candidate


def _smallest_detail(board: Board) -> tuple[float, float]:
    """Side, m, of the smallest detail that detection needs, and how many pixels it needs."""
    if isinstance(board, CharucoBoard | MarkerGrid):
        return board.marker_m / board.marker_bits().shape[-1], _MIN_CELL_PX
    return board.pitch_m, _MIN_CIRCLE_PX if isinstance(board, CircleGrid) else _MIN_SQUARE_PX


def _size_text(board: Board) -> str:
    artwork, unit_mm = board.artwork(), board.pitch_m * 1e3
    width, height = ((high - low) * unit_mm for low, high in zip(artwork.low, artwork.high, strict=True))
    return f"{width:.0f} x {height:.0f} mm"


def _forecast_lines(context: StationContext) -> Iterator[str]:
    """Each line as soon as it is known: a forecast takes seconds."""
    goal = context.station.goal
    yield (
        f"Forecast for {goal.near_mm:g} to {goal.far_mm:g} mm and a tolerance of {goal.tolerance_mm:g} mm, by size and"
        " number of squares:"
    )
    yield "  board                             all in view from  smallest detail  pairs  expected error"
    forecasts = []
    for board in compared_boards(context.board):
        found = forecast_board(context, board)
        forecasts.append(found)
        name = f"{board.columns} x {board.rows} of {board.pitch_m * 1e3:g} mm, {_size_text(board)}"
        pairs = "-" if found.pairs is None else f"{found.pairs}"
        error = f"{found.p95_upper_mm:.2f} mm" if math.isfinite(found.p95_upper_mm) else "no view"
        row = f"  {name:32}  {found.whole_from_mm:13.0f} mm  {found.detail_px:12.1f} px  {pairs:>5}  {error:>14}"
        yield f"{row}  {_verdict(found, context)}"
    stated = forecasts[0]
    good = [found for found in forecasts if _verdict(found, context) == "suits"]
    if stated in good:
        yield "The stated board suits the station."
    elif good:
        best = min(good, key=lambda found: (found.pairs or 0, found.p95_upper_mm)).board
        yield (
            f"The stated board does not suit the station: {_verdict(stated, context)}. Of these,"
            f" {best.columns} x {best.rows} of {best.pitch_m * 1e3:g} mm does best."
        )
    else:
        yield (
            f"None of these suits the station; the stated board: {_verdict(stated, context)}. Check near_mm, far_mm and"
            " tolerance_mm, or choose a camera with more pixels or another lens."
        )


def _verdict(found: BoardForecast, context: StationContext) -> str:
    goal = context.station.goal
    if found.detail_px < found.min_detail_px:
        return f"details too small at {goal.far_mm:g} mm (below {found.min_detail_px:g} px)"
    if found.whole_from_mm > goal.near_mm:
        return f"too large at {goal.near_mm:g} mm"
    return "suits" if found.pairs is not None else f"tolerance not reached with {goal.max_pairs} pairs"


def record_measurement(
    station_file: Path, across_mm: float, down_mm: float, squares: int, print_line: PrintLine
) -> None:
    """Writes the measured size into the station file, keeping everything else as it is.

    ``across_mm`` and ``down_mm``: length over ``squares`` squares along the columns and along the rows.

    Raises InputFault ``board-measured`` for lengths that cannot be those of the board.
    """
    station = load_station(station_file)
    board = station.board.to_board()
    stated_mm = board.pitch_m * 1e3
    _check_measurement(across_mm, down_mm, squares, stated_mm)
    mean_mm = (across_mm + down_mm) / 2
    factor = mean_mm / squares / stated_mm
    unevenness = (across_mm - down_mm) / mean_mm
    path = station_file.resolve()
    text = read_bounded(path, _MAX_BYTES).decode("utf-8")  # as load_station did
    values: dict[str, float] = {}
    for field in fields(board):
        if field.name in _LENGTH_FIELDS:
            key = field.name.removesuffix("_m") + "_mm"
            values[key] = round(float(getattr(station.board, key)) * factor, 4)
    edited = edited_board(text, values)
    expected = station.board.model_copy(update={**values, "scale_from": "measured"})
    if _parsed(edited, station_file) != _parsed(text, station_file).model_copy(update={"board": expected}):
        wanted = ", ".join(f"{key} = {value:g}" for key, value in values.items())
        raise InputFault(
            "board-measured",
            f"the lines of [board] in {station_file} are written in a way that this command cannot change",
            f'write there by hand: {wanted}, scale_from = "measured"',
        )
    _write(path, edited.encode("utf-8"))
    for key, value in values.items():
        print_line(f"{key} = {value:g} (was {getattr(station.board, key):g})")
    print_line(f"{station_file} written: the print is {100 * (factor - 1):+.2f} % off its drawing")
    if abs(unevenness) > _NOTED_UNEVENNESS:
        print_line(
            f"Warning: across and down differ by {abs(unevenness) * 100:.2f} %. Either the readings do, or the printer"
            " scales unevenly, and the error of a result is then larger than stated. The mean is written. Measure over"
            " more squares; if they still differ, print again."
        )
    if squares < 10:
        print_line("Measured over fewer than ten squares; the stated uncertainty is that of ten.")
    if station.board.scale_sigma_percent is not None:
        print_line(
            "scale_sigma_percent of the station file still applies: remove it, or state that of this measurement."
        )


def edited_board(text: str, values: dict[str, float]) -> str:
    """A station file with these values of [board] and ``scale_from = "measured"``; comments and layout are kept."""
    written = {key: repr(value) for key, value in values.items()}
    written["scale_from"] = '"measured"'
    out: list[str] = []
    within, last = False, -1
    for line in text.splitlines(keepends=True):
        if header := re.match(r"\s*\[\s*([^\]]+?)\s*\]", line):
            within = header[1] == "board"
        found = re.match(r"(\s*(\w+)\s*=\s*)(\"[^\"]*\"|[^\s#]+)([ \t]*)(.*)", line, re.DOTALL) if within else None
        if found and found[2] in written:
            value = written.pop(found[2])
            # A comment behind the value stays where it was.
            gap = max(1, len(found[3]) + len(found[4]) - len(value)) if found[5].startswith("#") else len(found[4])
            line = f"{found[1]}{value}{' ' * gap}{found[5]}"
        out.append(line)
        if within and found:
            last = len(out)
    if last >= 0 and written:
        if not out[last - 1].endswith("\n"):
            out[last - 1] += "\n"
        ending = "\r\n" if out[last - 1].endswith("\r\n") else "\n"
        out[last:last] = [f"{key} = {value}{ending}" for key, value in written.items()]
    return "".join(out)


def _check_measurement(across_mm: float, down_mm: float, squares: int, stated_mm: float) -> None:
    def fault(message: str, remedy: str) -> InputFault:
        return InputFault("board-measured", message, remedy)

    for name, length_mm in (("across", across_mm), ("down", down_mm)):
        if not math.isfinite(length_mm) or abs(length_mm / (squares * stated_mm) - 1) > _MAX_CHANGE:
            raise fault(
                f"{length_mm:g} mm {name} over {squares} squares of {stated_mm:g} mm is no length of this board:"
                f" {squares * stated_mm:g} mm are expected",
                "measure over ten squares, or state over how many with --squares; write the size that was sent to the"
                " printer into the station file if it is another board.",
            )
    unevenness = abs(across_mm - down_mm) / ((across_mm + down_mm) / 2)
    reading = _RULER_DIFFERENCE_M * 1e3 / (squares * stated_mm)
    if unevenness > max(_MAX_UNEVENNESS, reading):
        raise fault(
            f"across ({across_mm:g} mm) and down ({down_mm:g} mm) differ by {100 * unevenness:.2f} %: no single size"
            " describes this print",
            "measure again; if they still differ, print again on another printer, or turned by 90 deg without any"
            " scaling.",
        )


def _parsed(text: str, station_file: Path) -> Station:
    return parse_station(text, str(station_file))


def _write(path: Path, data: bytes) -> None:
    try:
        write_atomically(FileSystem(access=Access.ALL), path, data)
    except OSError as error:
        raise InputFault(
            "file-unwritable", f"{path} cannot be written: {error.strerror}", writing_remedy(error)
        ) from None
