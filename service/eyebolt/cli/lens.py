"""``eyebolt lens``: the lens from pictures of the board, a test of the lens file, a page, and other programs' forms."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2

from eyebolt.access import Access
from eyebolt.boards import Board, Chessboard, CircleGrid, Detection, NoDetection, find_board
from eyebolt.bounded_file import read_bounded
from eyebolt.cameras import IMAGE_SUFFIXES, natural_sort_key, read_image
from eyebolt.cli.runner import EXIT_FAULT
from eyebolt.config import Station, lens_text, parse_lens
from eyebolt.context import load_session, load_station
from eyebolt.errors import InputFault, RecordFault, reading_remedy, writing_remedy
from eyebolt.geometry import COEFFICIENT_COUNTS, CameraModel
from eyebolt.lens import (
    PAGE_MARKER,
    LensCalibration,
    LensForm,
    LensPage,
    LensRefusal,
    LensView,
    PictureLine,
    best_next_view,
    calibrate_lens,
    compare_with_stated,
    export_lens,
    import_lens,
    lens_page,
    verdict,
    view_fingerprint,
)
from eyebolt.protocol import Code
from eyebolt.results import utc_timestamp
from eyebolt.store import FileSystem, SessionFolder, list_sessions, session_path, write_atomically

_MAX_BYTES = 1 << 20
LATEST = "latest"
"""Word for the newest session."""
# A picture that was refused for one of these is no good for the lens either; the other refusals are about its pose.
_BAD_PICTURES = (Code.MOVING, Code.BLURRED, Code.BAD_EXPOSURE)
# Below it, by chance in ordinary sets of pictures. Measured: 1.1 on average for independent errors.
_NOTED_DISPERSION = 2.0
PrintLine = Callable[[str], None]


@dataclass(frozen=True)
class LensOptions:
    """Options of ``eyebolt lens``."""

    pictures: Path | None = None
    """Folder of pictures."""
    session: str | None = None
    """Folder or name of a session, or "latest"."""
    out: Path | None = None
    """Lens file to write instead of the station's."""
    coefficients: int | None = None
    """Number of distortion coefficients; chosen by held-out error without it."""
    import_file: Path | None = None
    """File of another program to make the lens file from."""
    export: tuple[LensForm, Path] | None = None
    """Form and file to export to."""
    force: bool = False
    """Whether existing files are replaced."""


@dataclass(frozen=True)
class _Pictures:
    """Pictures of the board, with what was found in them."""

    views: tuple[LensView, ...]
    """Those that show it."""
    size_px: tuple[int, int] | None
    """Their size; None without any picture."""
    lines: tuple[PictureLine, ...]
    """All of them, for people."""


def run_lens(station_file: Path, options: LensOptions, print_line: PrintLine) -> int:
    """Carries the command out, prints the result, and returns the exit code: 1 if the lens file does not fit.

    Raises InputFault or RecordFault.
    """
    station = load_station(station_file)
    lens_path = station_file.parent / station.camera.intrinsics
    _check(options)
    stated = _read_lens(lens_path) if lens_path.exists() else None
    if options.import_file is not None:
        camera = import_lens(_read_text(options.import_file), str(options.import_file))
        if stated is not None and _size(stated) != _size(camera):
            raise InputFault(
                "lens-import",
                f"the lens in {options.import_file} is for images of {_size_text(_size(camera))}, those of the station"
                f" have {_size_text(_size(stated))}",
                "export the lens of the images as the station's camera delivers them, or calibrate it again.",
            )
        out = options.out or lens_path
        _write(out, lens_text(camera), options.force)
        print_line(f"{out} written from {options.import_file}. It states no standard deviations: the defaults apply.")
        print_line(f"test it: eyebolt lens {station_file} --pictures FOLDER")
        _export(camera, station, options, print_line)
        return 0
    if options.export is not None and options.pictures is None and options.session is None:
        if stated is None:
            raise _no_lens_file(lens_path)
        _export(stated, station, options, print_line)
        return 0
    return _calibrate(station_file, station, lens_path, stated, options, print_line)


def _calibrate(
    station_file: Path,
    station: Station,
    lens_path: Path,
    stated: CameraModel | None,
    options: LensOptions,
    print_line: PrintLine,
) -> int:
    board = station.board.to_board()
    pictures = _gather(station_file, station, board, options, print_line)
    size_px = pictures.size_px
    if size_px is None:
        raise InputFault("lens-pictures", "there are no pictures", "give --pictures FOLDER or --session SESSION.")
    if stated is not None and _size(stated) != size_px:
        raise InputFault(
            "image-size",
            f"the pictures have {_size_text(size_px)}, the lens file {lens_path} is for {_size_text(_size(stated))}",
            "take the pictures with the camera settings of the station, or move the lens file away.",
        )
    found = calibrate_lens(pictures.views, size_px, board.corners_m(), options.coefficients)
    if isinstance(found, LensRefusal):
        raise InputFault(
            "lens-pictures", f"no lens from these pictures, {len(pictures.lines)} in all: {found.message}", found.remedy
        )
    comparison = None if stated is None else compare_with_stated(stated, found)
    stated_name = None if stated is None else str(lens_path)
    further = best_next_view(found, board.corners_m(), isinstance(board, (Chessboard, CircleGrid)))
    sentence = verdict(found, stated_name, comparison)
    print_line(f"{sentence[0].upper()}{sentence[1:]}.")
    for line in _number_lines(found):
        print_line(line)
    if further is not None:
        print_line(
            f"What would help most ({further.error_before_px:.2f} px to {further.error_after_px:.2f} px over the"
            f" picture): {further.text}."
        )
    title = f"Lens of station {station.station.name}, {utc_timestamp()}"
    page = LensPage(title, found, stated_name, comparison, further, pictures.lines)
    out = options.out or lens_path
    marks = tuple(sorted({view_fingerprint(view.corners_px) for view in found.views}))
    if out.exists() and not options.force and options.out is None:
        print_line(f"{out} is left as it is: --force replaces it, --out FILE writes another.")
    else:
        _write(out, lens_text(found.camera, marks), options.force)
        print_line(f"{out} written")
    page_path = out.with_suffix(".html")
    _write_page(page_path, lens_page(page), options.force)
    print_line(f"{page_path} written: open it in a browser")
    _export(found.camera, station, options, print_line)
    return EXIT_FAULT if stated is not None and (comparison is None or not comparison.is_confirmed) else 0


def _check(options: LensOptions) -> None:
    """Raises InputFault for options that contradict each other, before anything is read or written."""
    if options.import_file is not None and (options.pictures is not None or options.session is not None):
        raise InputFault(
            "lens-options",
            "--import makes the lens file from another file, --pictures and --session from pictures",
            "import first, then test the lens with --pictures or --session.",
        )
    if options.coefficients is not None and options.coefficients not in COEFFICIENT_COUNTS:
        counts = ", ".join(map(str, COEFFICIENT_COUNTS))
        raise InputFault(
            "lens-options", f"--coefficients {options.coefficients} is no model of a lens", f"give one of {counts}."
        )
    targets = [options.out, None if options.export is None else options.export[1]]
    for path in targets:
        if path is not None:
            _refuse_existing(path, options.force)


def _gather(
    station_file: Path, station: Station, board: Board, options: LensOptions, print_line: PrintLine
) -> _Pictures:
    parts = []
    if options.session is not None or options.pictures is None:
        parts.append(_session_pictures(station_file, station, board, options.session or LATEST, print_line))
    if options.pictures is not None:
        parts.append(_folder_pictures(options.pictures, board, print_line))
    sizes = {part.size_px for part in parts if part.size_px is not None}
    if len(sizes) > 1:
        raise InputFault(
            "image-size",
            f"the pictures of the session and of {options.pictures} have different sizes:"
            f" {' and '.join(_size_text(size) for size in sorted(sizes))}",
            "use pictures of the same camera with the same settings.",
        )
    views: dict[str, LensView] = {}
    for part in parts:
        for view in part.views:
            # A picture that is in the session and in the folder counts once.
            views.setdefault(view_fingerprint(view.corners_px), view)
    lines = tuple(line for part in parts for line in part.lines)
    return _Pictures(tuple(views.values()), next(iter(sizes), None), lines)


def _session_pictures(
    station_file: Path, station: Station, board: Board, name: str, print_line: PrintLine
) -> _Pictures:
    """The detections on record; the pictures are not searched again."""
    record_folder = station_file.parent / station.record.folder
    if name == LATEST:
        sessions = list_sessions(record_folder)
        if not sessions:
            raise InputFault(
                "lens-pictures",
                f"there is no session in {record_folder}",
                "take pictures of the board into a folder and give it with --pictures, or capture a session first.",
            )
        path = sessions[-1]
    else:
        path = Path(name) if Path(name).is_dir() else _named_session(record_folder, name)
    session = load_session(SessionFolder.open_read_only(path))
    if session.context.board != board:
        raise InputFault(
            "lens-pictures",
            f"the session {path.name} was recorded with another board than {station_file} states",
            "choose a session with this board, or correct [board].",
        )
    views, lines = [], []
    for capture in session.log.captures:
        label = f"{path.name}/{capture.image.file}"
        detection = capture.detection
        if capture.code is not None and capture.code in _BAD_PICTURES:
            lines.append(PictureLine(label, f"not used: refused with {int(capture.code)} when it was taken"))
        elif isinstance(detection, Detection):
            views.append(LensView(label, detection.ids, detection.corners_px))
            lines.append(PictureLine(label, f"{len(detection.ids)} corners"))
        else:
            lines.append(PictureLine(label, "no board"))
    print_line(f"session {path.name}: {len(views)} of {len(lines)} pictures show the board")
    size = (session.context.lens.width_px, session.context.lens.height_px)
    return _Pictures(tuple(views), size if lines else None, tuple(lines))


def _folder_pictures(folder: Path, board: Board, print_line: PrintLine) -> _Pictures:
    try:
        paths = [p for p in folder.iterdir() if p.suffix.lower() in IMAGE_SUFFIXES and not p.name.startswith(".")]
    except OSError as error:
        raise InputFault(
            "lens-pictures", f"{folder} cannot be read: {error.strerror}", "give the folder that holds the pictures."
        ) from None
    if not paths:
        kinds = " ".join(sorted(IMAGE_SUFFIXES))
        raise InputFault("lens-pictures", f"there is no picture in {folder}", f"put pictures there ({kinds}).")
    paths.sort(key=lambda p: natural_sort_key(p.name))
    views: list[LensView] = []
    lines: list[PictureLine] = []
    size_px: tuple[int, int] | None = None
    first = ""
    for number, path in enumerate(paths, 1):
        outcome = _detect(path, board)
        if isinstance(outcome, (Detection, NoDetection)):
            if size_px is None:
                size_px, first = outcome.image_size_px, path.name
            elif outcome.image_size_px != size_px:
                raise InputFault(
                    "image-size",
                    f"{path} has {_size_text(outcome.image_size_px)}, {first} has {_size_text(size_px)}",
                    "keep the pictures of each camera, and of each image size, in a folder of their own.",
                )
        if isinstance(outcome, Detection):
            views.append(LensView(path.name, outcome.ids, outcome.corners_px))
            text = f"{len(outcome.ids)} corners"
        else:
            text = outcome if isinstance(outcome, str) else f"no board ({outcome.reason})"
        lines.append(PictureLine(path.name, text))
        print_line(f"{number}/{len(paths)} {path.name}: {text}")
    return _Pictures(tuple(views), size_px, tuple(lines))


def _detect(path: Path, board: Board) -> Detection | NoDetection | str:
    """What is in a picture, or why it cannot be read."""
    try:
        return find_board(read_image(path), board)
    except (OSError, ValueError, cv2.error) as error:
        return f"cannot be read: {error.strerror if isinstance(error, OSError) else error}"
    except InputFault as fault:
        return f"cannot be used: {fault.message}"


def _number_lines(found: LensCalibration) -> Sequence[str]:
    camera = found.camera
    fx, fy, cx, cy = camera.matrix[[0, 1, 0, 1], [0, 1, 2, 2]]
    chosen = "chosen by held-out error" if found.models else "as prescribed"
    lines = [
        f"  fx {fx:.2f} px (sigma {camera.sigma['fx']:.2f}), fy {fy:.2f} px ({camera.sigma['fy']:.2f}),"
        f" cx {cx:.2f} px ({camera.sigma['cx']:.2f}), cy {cy:.2f} px ({camera.sigma['cy']:.2f})",
        f"  {found.coefficients} distortion coefficients, {chosen}; RMS distance of the corners {found.rms_px:.3f} px",
    ]
    if found.outlier_corners:
        lines.append(f"  {found.outlier_corners} corners are outliers")
    open_model = found.better_undetermined_model
    if open_model is not None:
        lines.append(
            f"  the model with {open_model.coefficients} coefficients predicts pictures better"
            f" ({open_model.rms_px:.2f} px), but these do not determine it: take more with the board near the corners"
        )
    if found.dispersion > _NOTED_DISPERSION:
        lines.append(
            f"  the pictures differ by more than the noise of their corners explains (the covariance is widened"
            f" {found.dispersion:.1f} times): a board that is not flat, or motion"
        )
    return lines


def _export(camera: CameraModel, station: Station, options: LensOptions, print_line: PrintLine) -> None:
    if options.export is not None:
        form, path = options.export
        _write(path, export_lens(camera, form, station.station.name), options.force)
        print_line(f"{path} written ({form}; without the standard deviations, which this form does not have)")


def _named_session(record_folder: Path, name: str) -> Path:
    try:
        return session_path(record_folder, name)
    except RecordFault as fault:
        remedy = f'give --session the folder of a session, its name in {record_folder}, or "{LATEST}".'
        raise InputFault(fault.code, fault.message, remedy) from None


def _read_lens(path: Path) -> CameraModel:
    return parse_lens(_read_text(path), str(path))


def _read_text(path: Path) -> str:
    try:
        return read_bounded(path, _MAX_BYTES).decode("utf-8")
    except OSError as error:
        remedy = reading_remedy(error) or "check the path."
        raise InputFault("file-unreadable", f"{path} cannot be read: {error.strerror}", remedy) from None
    except UnicodeDecodeError as error:
        message = f"{path} is not a text file in UTF-8 (byte {error.start})"
        raise InputFault("file-unreadable", message, "save it as UTF-8 text.") from None


def _refuse_existing(path: Path, force: bool) -> None:
    if path.exists() and not force:
        raise InputFault("file-exists", f"{path} exists already", "name another file, or give --force to replace it.")


def _write_page(path: Path, text: str, force: bool) -> None:
    """A page of this program is replaced, any other file only with ``force``."""
    if path.exists() and not force and PAGE_MARKER not in _read_head(path):
        raise InputFault(
            "file-exists", f"{path} exists and is no page of eyebolt lens", "move it away, or give --force."
        )
    _write(path, text, force=True)


def _read_head(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return file.read(200).decode("utf-8", "replace")
    except OSError:
        return ""


def _write(path: Path, text: str, force: bool) -> None:
    _refuse_existing(path, force)
    try:
        write_atomically(FileSystem(access=Access.ALL), path, text.encode("utf-8"))
    except OSError as error:
        raise InputFault(
            "file-unwritable", f"{path} cannot be written: {error.strerror}", writing_remedy(error)
        ) from None


def _size(camera: CameraModel) -> tuple[int, int]:
    return camera.width_px, camera.height_px


def _size_text(size_px: tuple[int, int]) -> str:
    return f"{size_px[0]} x {size_px[1]} px"


def _no_lens_file(path: Path) -> InputFault:
    return InputFault(
        "file-unreadable", f"there is no lens file {path}", "calibrate the lens first, with --pictures or --session."
    )
