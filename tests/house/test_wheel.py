"""The distribution as a user gets it: what the wheel holds, and what can be imported once it is installed."""

import json
import os
import subprocess
import sys
import sysconfig
import zipfile
from importlib import metadata
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PROBE = """
import importlib.util, json, sys
import eyebolt, eyebolt_sim, eyebolt.errors, eyebolt.machine
print(json.dumps({
    "eyebolt": eyebolt.__file__,
    "eyebolt_sim": eyebolt_sim.__file__,
    "roots": [name for name in ("service", "simulator", "tests") if importlib.util.find_spec(name)],
}))
"""


def run(*words, cwd=None):
    done = subprocess.run(
        [str(word) for word in words],
        cwd=cwd,
        env={k: v for k, v in os.environ.items() if k not in {"PYTHONPATH", "PYTHONHOME"}},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """The wheel, built from the tree by the project's own build backend."""
    folder = tmp_path_factory.mktemp("built")
    run(sys.executable, "-m", "hatchling", "build", "-t", "wheel:standard", "-d", folder, cwd=ROOT)
    (found,) = folder.glob("*.whl")
    return found


def installed(wheel_path, folder):
    """The Python of a fresh environment with only this wheel in it; its dependencies are lent by the running one.

    A path in a .pth file is searched, but the .pth files at that path are not followed: an editable install in the
    running environment stays out of sight.
    """
    run(sys.executable, "-m", "venv", "--without-pip", folder / "env")
    python = folder / "env/bin/python"
    purelib = Path(run(python, "-I", "-c", "import sysconfig; print(sysconfig.get_paths()['purelib'])").strip())
    (purelib / "lent.pth").write_text(sysconfig.get_paths()["purelib"] + "\n")
    run(
        sys.executable, "-m", "pip", "--python", python, "--disable-pip-version-check",
        "install", "--no-deps", "--no-index", "--force-reinstall", wheel_path,
    )  # fmt: skip
    return python


def probe(python, cwd):
    return json.loads(run(python, "-I", "-c", PROBE, cwd=cwd))


def test_the_wheel_holds_the_two_packages_and_nothing_else(built):
    with zipfile.ZipFile(built) as archive:
        names = archive.namelist()
    tops = {name.split("/")[0] for name in names}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"eyebolt", "eyebolt_sim"}
    assert len(tops) == 3
    assert not [name for name in names if "__pycache__" in name or name.endswith(".pyc")]
    on_disk = {
        str(path.relative_to(ROOT / root))
        for root in ("service", "simulator")
        for path in (ROOT / root).rglob("*.py")
        if "__pycache__" not in path.parts
    }
    assert {name for name in names if name.endswith(".py")} == on_disk


def test_an_installed_wheel_is_imported_from_its_own_place(built, tmp_path):
    python = installed(built, tmp_path)
    for place in (tmp_path, ROOT):
        seen = probe(python, place)
        assert seen["roots"] == []
        assert Path(seen["eyebolt"]).is_relative_to(tmp_path / "env")
        assert Path(seen["eyebolt_sim"]).is_relative_to(tmp_path / "env")
    assert (tmp_path / "env/bin/eyebolt").is_file()
    assert (tmp_path / "env/bin/eyebolt-sim").is_file()


def test_the_install_that_runs_these_tests_is_imported_from_where_it_says(tmp_path):
    record = metadata.distribution("eyebolt").read_text("direct_url.json") or "{}"
    editable = json.loads(record).get("dir_info", {}).get("editable", False)
    home = ROOT if editable else Path(sysconfig.get_paths()["purelib"])
    seen = probe(sys.executable, tmp_path)
    assert seen["roots"] == []
    assert Path(seen["eyebolt"]) == home / ("service" if editable else "") / "eyebolt/__init__.py"
    assert Path(seen["eyebolt_sim"]) == home / ("simulator" if editable else "") / "eyebolt_sim/__init__.py"
