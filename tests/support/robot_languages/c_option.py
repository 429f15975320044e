"""The programs of the C option, compiled with a stand-in for its header."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

_ROOT = Path(__file__).resolve().parents[3]
SCRIPTS = _ROOT / "robot_scripts" / "inform"
_STAND = Path(__file__).parent / "c_option"

has_compiler = shutil.which("gcc") is not None


def compiled(folder: Path, name: str, *changes: tuple[str, str]) -> Path:
    """The program ``name`` in ``folder``, with the changes (old, new) of its text; warnings are errors.

    Each line of its input is what the job asks for and where the arm is; it prints the variables that it sets, and ends
    with its input. ``PORT`` is the daemon's.
    """
    text = (SCRIPTS / f"{name}.c").read_text("ascii")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (folder / f"{name}.c").write_text(text)
    shutil.copy(_STAND / "c_option.h", folder)
    command = [
        "gcc",
        "-std=c99",
        "-D_GNU_SOURCE",
        "-Wall",
        "-Wextra",
        "-Wformat-overflow",
        "-Werror",
        "-I",
        str(folder),
    ]
    subprocess.run([*command, str(folder / f"{name}.c"), str(_STAND / "stand.c"), "-o", str(folder / name)], check=True)
    return folder / name
