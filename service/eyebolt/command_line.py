"""What both commands share: how they end, every fault one text and never a traceback; the choice of the mount."""

from __future__ import annotations

import sys
from collections.abc import Callable
from enum import StrEnum

import typer

from eyebolt.errors import EyeboltError

FAULT = 1
INTERRUPTED = 130


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
        sys.exit(FAULT)
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)
    except Exception as defect:
        # Nobody at a machine is helped by a traceback; what is needed to mend the defect is in the record and the log.
        typer.echo(f"{name}: a defect of this program: {defect!r}", err=True)
        typer.echo("  What to do: keep the session folder and the log, report this line, and start again.", err=True)
        sys.exit(FAULT)
