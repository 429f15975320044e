"""Installs the lowest versions that pyproject.toml admits, in an environment of its own, and runs a part of the suite.

The part is what meets the libraries most: every command, the station file, the wire, the screen, results, records,
board detection, and a session of a daemon. Lowest are the versions after ``>=`` of the dependencies, of the build
backend and of the test tools named below; what those depend on in turn is the newest, as in a fresh installation.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TOOLS = ("pytest", "pytest-timeout", "pytest-xdist", "hypothesis")
TESTS = (
    "tests/house/test_platforms.py",
    "tests/house/test_missing_libraries.py",
    "tests/config",
    "tests/protocol",
    "tests/results/test_document.py",
    "tests/monitor/test_screen.py",
    "tests/security",
    "tests/boards/test_detection.py",
    "tests/store/test_session_folder.py",
    "tests/store/test_golden_journals.py",
    "tests/daemon/test_raw_socket_session.py",
)
NEWEST_PYTHON = (3, 12)
"""Later ones have no builds of all these versions; a fresh installation takes newer versions there anyway."""

_REQUIREMENT = re.compile(r"([A-Za-z0-9_.-]+)>=([0-9][0-9.]*)(?:,.*)?")


def say(line: str) -> None:
    """One line for whoever reads the run."""
    sys.stderr.write(f".ci/lowest_versions: {line}\n")


def lower_bounds(requirements: Iterable[str]) -> dict[str, str]:
    """The lowest version by name. Raises ValueError for a requirement that is not of the form NAME>=VERSION[,...]."""
    bounds = {}
    for text in requirements:
        match = _REQUIREMENT.fullmatch(text.replace(" ", ""))
        if match is None:
            raise ValueError(f"pyproject.toml: {text!r} has no lower bound of the form NAME>=VERSION")
        bounds[match[1]] = match[2]
    return bounds


def lowest() -> dict[str, str]:
    """The lowest version of each package that is installed here, by name."""
    content = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    project = content["project"]
    tests = lower_bounds(project["optional-dependencies"]["tests"])
    return {
        **lower_bounds(project["dependencies"]),
        **lower_bounds(content["build-system"]["requires"]),
        **{name: tests[name] for name in TOOLS},
    }


def run(*words: object, cwd: Path = ROOT) -> None:
    """A command that must succeed, run without the caller's Python settings. Raises CalledProcessError."""
    removed = {"PYTHONPATH", "PYTHONHOME", "PYTEST_ADDOPTS", "COVERAGE_PROCESS_START"}
    environment = {name: value for name, value in os.environ.items() if name not in removed}
    command = [str(word) for word in words]
    subprocess.run(command, cwd=cwd, env={**environment, "OPENBLAS_NUM_THREADS": "1"}, check=True)


def main() -> int:
    """The exit code: 0 if the part of the suite passes with the lowest versions."""
    if sys.version_info[:2] > NEWEST_PYTHON:
        say("not built for this Python; nothing to run")
        return 0
    versions = lowest()
    say(", ".join(f"{name} {version}" for name, version in versions.items()))
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        python = folder / "env/bin/python"
        (folder / "constraints").write_text("".join(f"{name}=={version}\n" for name, version in versions.items()))
        try:
            run(sys.executable, "-m", "venv", folder / "env")
            pip = (python, "-m", "pip", "--disable-pip-version-check", "install", "-q")
            run(*pip, "--only-binary", ":all:", "-c", folder / "constraints", *versions)
            run(*pip, "--no-deps", "--no-build-isolation", "-e", ROOT)
            say(f"installed in {time.monotonic() - begun:.0f} s")
            run(python, "-m", "pytest", "-q", "-n", "2", *TESTS)
        except subprocess.CalledProcessError as failed:
            say(f"{' '.join(failed.cmd[:6])} ended with {failed.returncode}")
            return 1
    say(f"passed in {time.monotonic() - begun:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
