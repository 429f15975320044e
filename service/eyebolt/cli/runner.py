"""What both commands share: how they end, every fault one text and never a traceback; the choice of the mount.

What the computer itself must have before anything else can work.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable
from enum import StrEnum

import typer

from eyebolt.errors import EyeboltError, MachineFault

EXIT_FAULT = 1
EXIT_INTERRUPTED = 130


class MountChoice(StrEnum):
    """Where the camera is."""

    fixed = "fixed"
    arm = "arm"


def run_command(name: str, command: Callable[[], object]) -> None:
    """Runs ``command``; a fault, Ctrl-C or a defect of ours ends the process with its exit code."""
    try:
        command()
    except EyeboltError as fault:
        typer.echo(f"{name}: {fault}", err=True)
        sys.exit(EXIT_FAULT)
    except KeyboardInterrupt:
        sys.exit(EXIT_INTERRUPTED)
    except Exception as defect:
        # Nobody at a machine is helped by a traceback; what is needed to mend the defect is in the record and the log.
        typer.echo(f"{name}: a defect of this program: {defect!r}", err=True)
        typer.echo("  What to do: keep the session folder and the log, report this line, and start again.", err=True)
        sys.exit(EXIT_FAULT)


# OpenCV's wheel brings its own libraries but for these, which slim systems lack: the loader names the file it misses.
_SYSTEM_LIBRARIES = ("libGL.so", "libgthread", "libglib")
_APT_COMMAND = "sudo apt-get install -y libgl1 libglib2.0-0"


def require_opencv() -> None:
    """Loads OpenCV (``cv2``). Raises MachineFault ``opencv-missing`` with the line that installs what it lacks."""
    try:
        importlib.import_module("cv2")
    except ImportError as error:
        reason = str(error)
        if any(name in reason for name in _SYSTEM_LIBRARIES):
            remedy = f"install the system's libraries on this computer: {_APT_COMMAND}"
        else:
            remedy = "install OpenCV into the Python that runs eyebolt: python3 -m pip install 'opencv-python<5'"
        raise MachineFault(
            "opencv-missing", f"OpenCV (cv2) cannot be loaded: {reason}", remedy, reason=reason
        ) from None
