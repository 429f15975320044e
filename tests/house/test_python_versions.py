"""Newer Python versions: every file compiles there, and no import fails for a reason of our own."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
# Third-party modules may be absent from that Python: only a missing module of ours, or another error, is a failure.
IMPORT_ALL = """
import importlib, pkgutil, sys
sys.path[:0] = sys.argv[1:]
count = 0
def load(name):
    global count
    try:
        module = importlib.import_module(name)
    except ModuleNotFoundError as missing:
        if (missing.name or "").split(".")[0] in {"eyebolt", "eyebolt_sim"}:
            raise
        return
    count += 1
    for inner in pkgutil.iter_modules(getattr(module, "__path__", [])):
        if inner.name != "__main__":
            load(name + "." + inner.name)
load("eyebolt")
load("eyebolt_sim")
print(count)
"""


def find(version):
    """The executable of a Python of that version that runs, or None."""
    candidates = [shutil.which(f"python{version}")]
    candidates += sorted(Path.home().glob(f".pyenv/versions/{version}*/bin/python{version}"))
    for candidate in filter(None, candidates):
        asked = subprocess.run(
            [candidate, "-I", "-c", "import sys; print('%d.%d' % sys.version_info[:2])"],
            capture_output=True,
            text=True,
            check=False,
        )
        if asked.returncode == 0 and asked.stdout.strip() == version:
            return candidate
    return None


@pytest.fixture(params=["3.12", "3.13", "3.14"])
def python(request):
    found = find(request.param)
    if found is None:
        pytest.skip(f"no Python {request.param} on this machine")
    return found


def test_every_file_compiles_and_the_package_can_be_imported(python, tmp_path):
    for root in ("service", "simulator", "robot_scripts"):
        shutil.copytree(ROOT / root, tmp_path / root, ignore=shutil.ignore_patterns("__pycache__"))
    environment = {k: v for k, v in os.environ.items() if k not in {"PYTHONPATH", "PYTHONHOME", "VIRTUAL_ENV"}}

    def run(*words):
        done = subprocess.run(
            [python, "-W", "error::SyntaxWarning", *words],
            cwd=tmp_path,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    run("-m", "compileall", "-q", "service", "simulator", "robot_scripts")
    assert int(run("-c", IMPORT_ALL, str(tmp_path / "service"), str(tmp_path / "simulator"))) >= 3
