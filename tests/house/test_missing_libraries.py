"""A computer without OpenCV's system libraries gets the line that installs them, not a traceback."""

import os
import subprocess
import sys

import pytest

CODE = """
from eyebolt.errors import EyeboltError
from eyebolt.machine import require_opencv
try:
    require_opencv()
except EyeboltError as fault:
    print(type(fault).__name__, fault.code)
    print(fault)
    raise SystemExit(3)
print("loaded")
"""
APT_LINE = "sudo apt-get install -y libgl1 libglib2.0-0"


def ask(folder=None, body=None):
    """What a process says whose ``cv2`` is a package with that ``body`` (None: the real one)."""
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    if body is not None:
        (folder / "cv2").mkdir()
        (folder / "cv2/__init__.py").write_text(body)
        environment["PYTHONPATH"] = str(folder)
    return subprocess.run([sys.executable, "-c", CODE], env=environment, capture_output=True, text=True, check=False)


# The texts are those of the dynamic loader on a Debian without the library in question.
@pytest.mark.parametrize(
    "text",
    [
        "libGL.so.1: cannot open shared object file: No such file or directory",
        "libgthread-2.0.so.0: cannot open shared object file: No such file or directory",
        "libglib-2.0.so.0: cannot open shared object file: No such file or directory",
    ],
)
def test_a_missing_system_library_gives_the_line_that_installs_it(tmp_path, text):
    said = ask(tmp_path, f"raise ImportError({text!r})\n")
    assert said.returncode == 3, said.stderr
    assert "MachineFault opencv-missing" in said.stdout
    assert text in said.stdout
    assert APT_LINE in said.stdout
    assert said.stderr == ""


def test_any_other_lack_gives_the_line_for_pip(tmp_path):
    said = ask(tmp_path, "raise ModuleNotFoundError(\"No module named 'cv2'\")\n")
    assert said.returncode == 3, said.stderr
    assert "MachineFault opencv-missing" in said.stdout
    assert "pip install" in said.stdout
    assert "apt-get" not in said.stdout
    assert said.stderr == ""


def test_with_everything_in_place_nothing_is_said():
    said = ask()
    assert said.stdout == "loaded\n", said.stderr


@pytest.mark.parametrize("command", ["serve", "solve"])
def test_the_command_line_passes_the_line_on(tmp_path, command):
    (tmp_path / "cv2").mkdir()
    (tmp_path / "cv2/__init__.py").write_text(
        "raise ImportError('libGL.so.1: cannot open shared object file: No such file or directory')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", "import sys; from eyebolt.cli import main; sys.exit(main())", command, "nothing.toml"],
        env=os.environ | {"PYTHONPATH": str(tmp_path)},
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    said = done.stdout + done.stderr
    assert done.returncode != 0, said
    assert "Traceback" not in said
    assert APT_LINE in " ".join(said.split())
