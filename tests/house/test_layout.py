"""The layout of the repository: its top level, the source roots, the test folders."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "service", "robot_scripts", "tests", "simulator"}


def tracked_files():
    if shutil.which("git") is None or not (ROOT / ".git").exists():
        pytest.skip("no git checkout")
    done = subprocess.run(
        ["git", "-c", "safe.directory=*", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return [name for name in done.stdout.split("\0") if name and (ROOT / name).exists()]


def test_the_top_level_is_as_designed():
    top = {name.split("/")[0] for name in tracked_files()}
    assert {name for name in top if not name.startswith(".")} - {"LICENSE"} == TOP


def test_the_source_roots_are_no_packages():
    assert (ROOT / "service/eyebolt/__init__.py").is_file()
    assert (ROOT / "simulator/eyebolt_sim/__init__.py").is_file()
    for folder in ("service", "simulator", "tests", "robot_scripts"):
        assert not (ROOT / folder / "__init__.py").exists()
    for folder, package in (("service", "eyebolt"), ("simulator", "eyebolt_sim")):
        modules = [name for name in tracked_files() if name.startswith(f"{folder}/") and name.endswith(".py")]
        assert {name.split("/")[1] for name in modules} == {package}


def test_test_folders_are_no_packages_except_support_and_bench():
    packages = {str(Path(name).parent) for name in tracked_files() if re.fullmatch(r"tests/.*/__init__\.py", name)}
    assert {"tests/support", "tests/bench"} <= packages
    assert {folder.split("/")[1] for folder in packages} == {"support", "bench"}
