"""What lies where: the top of the repository and the source roots."""

import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "service", "robot_scripts", "tests", "simulator"}


def files_as_git_sees_them():
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


def test_the_top_level_is_what_the_design_says():
    top = {name.split("/")[0] for name in files_as_git_sees_them()}
    assert {name for name in top if not name.startswith(".")} - {"LICENSE"} == TOP


def test_the_source_roots_are_no_packages():
    assert (ROOT / "service/eyebolt/__init__.py").is_file()
    assert (ROOT / "simulator/eyebolt_sim/__init__.py").is_file()
    for folder in ("service", "simulator", "tests", "robot_scripts"):
        assert not (ROOT / folder / "__init__.py").exists()
    for folder, package in (("service", "eyebolt"), ("simulator", "eyebolt_sim")):
        inside = {name.split("/")[1] for name in files_as_git_sees_them() if name.startswith(f"{folder}/")}
        assert inside == {package}


def test_test_folders_hold_no_packages_and_no_name_twice():
    tests = [Path(name) for name in files_as_git_sees_them() if name.startswith("tests/") and name.endswith(".py")]
    assert len(tests) > 5
    assert not [path for path in tests if path.name == "__init__.py"]
    names = [path.name for path in tests if path.name.startswith("test_")]
    assert sorted(names) == sorted(set(names))
