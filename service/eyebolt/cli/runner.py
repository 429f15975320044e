"""Shared by the programs of this project: exit codes, faults as text, option types, and checks of the computer."""

from __future__ import annotations

import contextlib
import importlib
import os
import sys
from collections.abc import Callable
from enum import StrEnum
from pathlib import Path

import typer

from eyebolt.errors import EyeboltError, InputFault, MachineFault, writing_remedy
from eyebolt.plain_text import clean_block, clean_line

EXIT_FAULT = 1
"""A fault, a rejected result or a damaged record; the text names it. 2 is the command line's own: wrong arguments."""
EXIT_INTERRUPTED = 130
"""Ctrl-C, as shells report it: 128 + SIGINT."""


class MountChoice(StrEnum):
    """Mount of the camera, as an option."""

    fixed = "fixed"
    arm = "arm"


def run_command(name: str, command: Callable[[], object]) -> None:
    """Runs ``command``; a fault, Ctrl-C or a defect of the program ends the process with its exit code."""
    _open_missing_streams()
    try:
        command()
    except EyeboltError as fault:
        _print_error(f"{name}: {fault}")
        sys.exit(EXIT_FAULT)
    except KeyboardInterrupt:
        sys.exit(EXIT_INTERRUPTED)
    except Exception as defect:
        if isinstance(defect, OSError) and isinstance(defect.filename, str):
            # Not foreseen where the file is used: a name that is too long, a folder that may not be entered.
            unusable = InputFault(
                "file-unusable",
                f"{defect.filename}: {defect.strerror}",
                "check the path and the permissions of its folders.",
            )
            _print_error(f"{name}: {unusable}")
            sys.exit(EXIT_FAULT)
        # A traceback does not help an operator; record and log hold what is needed to find the defect.
        _print_error(clean_block(f"{name}: internal error: {defect!r}"))
        _print_error("  What to do: keep the session folder and the log, report this line, and start again.")
        sys.exit(EXIT_FAULT)


def _open_missing_streams() -> None:
    """Started without a standard stream, the next file to be opened gets its number, and every stray message of a
    library goes into that file."""
    for descriptor in range(3):
        try:
            os.fstat(descriptor)
        except OSError:
            os.open(os.devnull, os.O_RDWR)


def print_line(line: str) -> None:
    """Prints one line; words from outside in it cannot steer the terminal or begin a line of their own."""
    typer.echo(clean_line(line))


def _print_error(text: str) -> None:
    # The exit code remains if nobody reads the text.
    with contextlib.suppress(OSError):
        typer.echo(text, err=True)


def write_text_file(path: Path, text: str, make_folder: bool = False) -> None:
    """Writes a text file in UTF-8, with its folder if ``make_folder``. Raises InputFault ``file-unwritable``."""
    try:
        if make_folder:
            path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputFault(
            "file-unwritable", f"{path} cannot be written: {error.strerror}", writing_remedy(error)
        ) from None


def require_posix(command: str) -> None:
    """Raises MachineFault ``platform`` where ``command``, which writes the record, cannot run: on Windows."""
    try:
        importlib.import_module("fcntl")
    except ImportError:
        raise MachineFault(
            "platform",
            f"eyebolt {command} cannot write a record durably on this computer ({sys.platform})",
            "run it on the cell's PC under Linux; watch, solve, plan, inspect, keys and new run here.",
        ) from None


# OpenCV's wheel contains its own libraries but these, which slim systems lack; the loader names the missing file.
_SYSTEM_LIBRARIES = ("libGL.so", "libgthread", "libglib")
_APT_COMMAND = "sudo apt-get install -y libgl1 libglib2.0-0"


def require_opencv() -> None:
    """Loads OpenCV (``cv2``). Raises MachineFault ``opencv-missing`` with the command that installs what is missing."""
    try:
        importlib.import_module("cv2")
    except ImportError as error:
        reason = str(error)
        if any(name in reason for name in _SYSTEM_LIBRARIES):
            remedy = f"install the system libraries on this computer: {_APT_COMMAND}"
        else:
            remedy = "install OpenCV into the Python that runs eyebolt: python3 -m pip install 'opencv-python<5'"
        raise MachineFault(
            "opencv-missing", f"OpenCV (cv2) cannot be loaded: {reason}", remedy, reason=reason
        ) from None
