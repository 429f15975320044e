"""A computer without OpenCV's system libraries gets the command that installs them, not a traceback."""

import os
import subprocess
import sys

import pytest

CODE = """
from eyebolt.cli.runner import require_opencv
from eyebolt.errors import EyeboltError
try:
    require_opencv()
except EyeboltError as fault:
    print(type(fault).__name__, fault.code)
    print(fault)
    raise SystemExit(3)
print("loaded")
"""
APT_COMMAND = "sudo apt-get install -y libgl1 libglib2.0-0"


def run_with_cv2(folder, body, *words):
    """``python *words`` in an environment whose ``cv2`` is a package with this ``body`` (None: the real one)."""
    search = [os.environ.get("PYTHONPATH", "")]
    if body is not None:
        (folder / "cv2").mkdir()
        (folder / "cv2/__init__.py").write_text(body)
        search.insert(0, str(folder))
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, search))}
    return subprocess.run([sys.executable, *words], env=environment, capture_output=True, text=True, check=False)


# The texts are those of the dynamic loader on a Debian without the library in question.
@pytest.mark.parametrize(
    "text",
    [
        "libGL.so.1: cannot open shared object file: No such file or directory",
        "libgthread-2.0.so.0: cannot open shared object file: No such file or directory",
        "libglib-2.0.so.0: cannot open shared object file: No such file or directory",
    ],
)
def test_a_missing_system_library_gives_the_command_that_installs_it(tmp_path, text):
    run = run_with_cv2(tmp_path, f"raise ImportError({text!r})\n", "-c", CODE)
    assert run.returncode == 3, run.stderr
    assert "MachineFault opencv-missing" in run.stdout
    assert text in run.stdout
    assert APT_COMMAND in run.stdout
    assert run.stderr == ""


def test_any_other_failed_import_gives_the_pip_command(tmp_path):
    run = run_with_cv2(tmp_path, "raise ModuleNotFoundError(\"No module named 'cv2'\")\n", "-c", CODE)
    assert run.returncode == 3, run.stderr
    assert "MachineFault opencv-missing" in run.stdout
    assert "pip install" in run.stdout
    assert "apt-get" not in run.stdout
    assert run.stderr == ""


def test_a_complete_installation_passes(tmp_path):
    run = run_with_cv2(tmp_path, None, "-c", CODE)
    assert run.stdout == "loaded\n", run.stderr


BROKEN = "raise ImportError('libGL.so.1: cannot open shared object file: No such file or directory')\n"


@pytest.mark.parametrize(
    "words",
    [
        *(("serve", "nothing.toml"), ("solve", "nothing"), ("watch", "nothing.toml"), ("keys", "nothing.toml")),
        *(("plan", "nothing.toml"), ("inspect", "nothing"), ("accept", "nothing", "--by", "name"), ("new", "s.toml")),
    ],
    ids=lambda words: words[0],
)
def test_the_command_line_reports_the_fault(tmp_path, words):
    run = run_with_cv2(tmp_path, BROKEN, "-m", "eyebolt.cli.main", *words)
    output = run.stdout + run.stderr
    assert run.returncode == 1, output
    assert "Traceback" not in output
    assert APT_COMMAND in " ".join(output.split())


@pytest.mark.parametrize(("program", "command"), [("eyebolt.cli.main", "watch"), ("eyebolt_sim", "cell")])
@pytest.mark.parametrize("module", ["cv2", "numpy"])
def test_help_loads_neither_opencv_nor_numpy(program, command, module):
    code = (
        f"import sys; sys.modules[{module!r}] = None; import runpy; runpy.run_module({program!r}, run_name='__main__')"
    )
    run = subprocess.run([sys.executable, "-c", code, command, "--help"], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stdout + run.stderr
    assert "Usage" in run.stdout
