"""Builds the wheel, installs it into an environment of its own and imports it there.

Fails unless the wheel holds the two packages completely and nothing else, the installed packages are imported from
their own place and not from the source tree, and both commands start.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import sysconfig
import tempfile
import zipfile
from importlib import metadata
from pathlib import Path
from urllib.parse import unquote, urlsplit

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = {"service": "eyebolt", "simulator": "eyebolt_sim"}
PAGE_FILES = "service/eyebolt/page/static"
PROBE = """
import importlib.util, json, os, sys
import eyebolt.cli, eyebolt.errors, eyebolt_sim
print(json.dumps({
    "eyebolt": eyebolt.__file__,
    "eyebolt_sim": eyebolt_sim.__file__,
    "roots": [
        name
        for name in ("service", "simulator", "tests")
        if (spec := importlib.util.find_spec(name)) is not None
        # An editable install has tests/simulator on its path, which is another folder of that name.
        and os.path.join(sys.argv[1], name) in map(os.path.realpath, spec.submodule_search_locations or [])
    ],
}))
"""


class ProbeError(Exception):
    """A defect of the distribution."""


def run(*words: object, cwd: Path | None = None) -> str:
    """The standard output of a command that must succeed, run without the caller's Python settings."""
    done = subprocess.run(
        [str(word) for word in words],
        cwd=cwd,
        env={k: v for k, v in os.environ.items() if k not in {"PYTHONPATH", "PYTHONHOME"}},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        raise ProbeError(f"{' '.join(map(str, words))} ended with {done.returncode}:\n{done.stdout}{done.stderr}")
    return done.stdout


def require(condition: bool, problem: str) -> None:
    """Raises ProbeError with ``problem`` unless ``condition`` holds."""
    if not condition:
        raise ProbeError(problem)


def build(folder: Path) -> Path:
    """The wheel, built from the tree by the project's own build backend."""
    run(sys.executable, "-m", "hatchling", "build", "-t", "wheel:standard", "-d", folder, cwd=ROOT)
    wheels = list(folder.glob("*.whl"))
    require(len(wheels) == 1, f"one wheel expected, found {wheels}")
    return wheels[0]


def check_contents(wheel: Path) -> None:
    """Every module and every file of the page is in the wheel, and nothing of the rest of the tree."""
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
    tops = {name.split("/")[0] for name in names}
    require({top for top in tops if not top.endswith(".dist-info")} == set(PACKAGES.values()), f"top level: {tops}")
    require(len(tops) == len(PACKAGES) + 1, f"top level: {tops}")
    compiled = [name for name in names if "__pycache__" in name or name.endswith(".pyc")]
    require(not compiled, f"compiled files in the wheel: {compiled}")
    sources = {
        str(path.relative_to(ROOT / root))
        for root in PACKAGES
        for path in (ROOT / root).rglob("*.py")
        if "__pycache__" not in path.parts
    }
    sources |= {str(path.relative_to(ROOT / "service")) for path in (ROOT / PAGE_FILES).iterdir()}
    packed = {
        name for name in names if name.endswith(".py") or Path(name).parent == Path(PAGE_FILES).relative_to("service")
    }
    require(packed == sources, f"missing or superfluous files: {sorted(packed ^ sources)}")


def install(wheel: Path, folder: Path) -> Path:
    """The Python of a fresh environment with only this wheel in it; its dependencies are those of the running one.

    A folder named in a .pth file is searched, but .pth files in that folder are not read: an editable install in the
    running environment stays invisible.
    """
    run(sys.executable, "-m", "venv", "--without-pip", folder / "env")
    python = folder / "env/bin/python"
    purelib = Path(run(python, "-I", "-c", "import sysconfig; print(sysconfig.get_paths()['purelib'])").strip())
    (purelib / "dependencies.pth").write_text(sysconfig.get_paths()["purelib"] + "\n")
    pip = (sys.executable, "-m", "pip", "--python", python, "--disable-pip-version-check")
    run(*pip, "install", "--no-deps", "--no-index", "--force-reinstall", wheel)
    return python


def probe(python: Path | str, cwd: Path) -> dict[str, object]:
    """Where the packages are imported from, and which source roots can be imported as packages."""
    found: dict[str, object] = json.loads(run(python, "-I", "-c", PROBE, ROOT, cwd=cwd))
    return found


def check_installed(wheel: Path, folder: Path) -> None:
    """The installed wheel is imported from its own place, wherever the process starts; its commands start."""
    python = install(wheel, folder)
    for cwd in (folder, ROOT):
        found = probe(python, cwd)
        require(found["roots"] == [], f"source roots that can be imported: {found['roots']}")
        for package in PACKAGES.values():
            place = Path(str(found[package]))
            require(place.is_relative_to(folder / "env"), f"{package} is imported from {place}")
    for command in ("eyebolt", "eyebolt-sim"):
        run(folder / "env/bin" / command, "--help", cwd=folder)


def check_running_environment(folder: Path) -> None:
    """The environment that runs this imports the packages from the place that the record of the installation names."""
    record = json.loads(metadata.distribution("eyebolt").read_text("direct_url.json") or "{}")
    editable = record.get("dir_info", {}).get("editable", False)
    source = Path(unquote(urlsplit(record["url"]).path)) if editable else ROOT
    found = probe(sys.executable, folder)
    require(found["roots"] == [], f"source roots that can be imported: {found['roots']}")
    for root, package in PACKAGES.items():
        home = source / root if editable else Path(sysconfig.get_paths()["purelib"])
        place = Path(str(found[package]))
        require(place == home / package / "__init__.py", f"{package} is imported from {place}, not from {home}")


def main() -> int:
    """The exit code: 0 if the distribution is as it must be."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        try:
            wheel = build(folder / "built")
            check_contents(wheel)
            check_installed(wheel, folder)
            check_running_environment(folder)
        except ProbeError as problem:
            sys.stderr.write(f"{problem}\n")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
