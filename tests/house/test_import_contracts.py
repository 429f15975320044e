"""The import contracts of pyproject.toml: each of them catches what it is there for.

A contract that cannot be broken proves nothing: a small tree with the package names of the real one is built, found
clean, and violated in one way at a time. `.ci/check` lints the real tree.
"""

import ast
import importlib
import itertools
import sys
import tomllib
from pathlib import Path

import pytest
from importlinter import configuration
from importlinter.application import output, use_cases

ROOT = Path(__file__).resolve().parents[2]
CONFIG = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]
CONTRACTS = {contract["name"]: contract for contract in CONFIG["contracts"]}
LAYERED = next(c for c in CONFIG["contracts"] if c.get("containers") == ["eyebolt"])
LAYERS = LAYERED["layers"]
PURE = next(c for c in CONFIG["contracts"] if "socket" in c.get("forbidden_modules", []))
MONITOR = next(c for c in CONFIG["contracts"] if c.get("source_modules") == ["eyebolt.monitor"])
# The design's contract; the configuration must not be weaker.
FORBIDDEN_TO_PURE = {"socket", "asyncio", "threading", "time", "os", "pathlib", "random", "zmq", "structlog"}
PURE_PACKAGES = {
    "geometry",
    "protocol",
    "boards",
    "config",
    "observations",
    "calibration",
    "planning",
    "session",
}


def names(layer, container="eyebolt"):
    return [f"{container}.{name.strip(' ()')}" for name in layer.replace(":", "|").split("|")]


@pytest.fixture
def small_tree(tmp_path):
    """Every package that a contract names, empty, with the contracts of the real file."""
    (tmp_path / "pyproject.toml").write_text((ROOT / "pyproject.toml").read_text())
    wanted = set()
    for contract in CONFIG["contracts"]:
        for container in contract.get("containers", []):
            wanted |= {name for layer in contract["layers"] for name in names(layer, container)}
        wanted |= set(contract.get("source_modules", [])) | set(contract.get("forbidden_modules", []))
    for name in wanted:
        if name.split(".")[0] in {"eyebolt", "eyebolt_sim"}:
            package = tmp_path.joinpath("source", *name.split("."))
            for folder in [package, *package.parents]:
                if folder == tmp_path / "source":
                    break
                folder.mkdir(parents=True, exist_ok=True)
                (folder / "__init__.py").touch()
    (tmp_path / "source/eyebolt/geometry/se3.py").touch()
    # The imports that a contract leaves out.
    for name in ("graphics", "picture"):
        (tmp_path / f"source/eyebolt/monitor/{name}.py").write_text("import cv2\n")
    return tmp_path


def add(tree, module, line):
    path = tree.joinpath("source", *module.split("."), "__init__.py")
    path.write_text(path.read_text() + line + "\n")


@pytest.fixture
def broken(monkeypatch, capsys):
    """The names of the contracts that a tree breaks, and import-linter's report on them.

    import-linter runs in this process (10 ms instead of a second each). It locates the packages as an import does, so
    the real ones, which are imported already, are hidden from it meanwhile.
    """
    configuration.configure()

    def lint(tree):
        with monkeypatch.context() as patch:
            for package in CONFIG["root_packages"]:
                patch.delitem(sys.modules, package, raising=False)
            patch.syspath_prepend(tree / "source")
            patch.setattr(output.console, "width", 200)
            passed = use_cases.lint_imports(str(tree / "pyproject.toml"), cache_dir=None, no_logo=True)
        report = capsys.readouterr().out
        kept = {name for name in CONTRACTS if f"{name} KEPT" in report}
        found = {name for name in CONTRACTS if f"{name} BROKEN" in report}
        assert kept | found == set(CONTRACTS), report
        assert passed != bool(found), report
        return found, report

    return lint


def test_the_small_tree_is_clean(broken, small_tree):
    assert broken(small_tree)[0] == set()


def test_downward_imports_are_allowed(broken, small_tree):
    for upper, lower in itertools.pairwise(LAYERS):
        for name in names(upper):
            add(small_tree, name, "".join(f"import {below}\n" for below in names(lower)))
    found, report = broken(small_tree)
    # The monitor has a narrower contract of its own.
    assert {name for name in found if CONTRACTS[name]["type"] == "layers"} == set(), report


@pytest.mark.parametrize("place", range(len(LAYERS) - 1))
def test_an_upward_import_is_caught(broken, small_tree, place):
    upper, lower = names(LAYERS[place])[-1], names(LAYERS[place + 1])[0]
    add(small_tree, lower, f"import {upper}")
    found, report = broken(small_tree)
    assert LAYERED["name"] in found
    assert f"{lower} is not allowed to import {upper}" in report


def test_neighbours_in_a_layer_are_independent(broken, small_tree):
    for layer in LAYERS:
        if len(names(layer)) > 1:
            add(small_tree, names(layer)[0], f"import {names(layer)[1]}")
    _, report = broken(small_tree)
    for layer in LAYERS:
        if len(names(layer)) > 1:
            assert f"{names(layer)[0]} is not allowed to import {names(layer)[1]}" in report


def test_the_contract_for_pure_packages_asks_for_what_the_design_asks():
    assert set(PURE["forbidden_modules"]) >= FORBIDDEN_TO_PURE
    assert set(PURE["source_modules"]) >= {f"eyebolt.{name}" for name in PURE_PACKAGES}


@pytest.mark.parametrize("module", PURE["source_modules"])
def test_a_pure_package_that_reaches_into_the_world_is_caught(broken, small_tree, module):
    forms = {"os": "from os import path", "pathlib": "from pathlib import Path", "asyncio": "import asyncio.events"}
    for world in FORBIDDEN_TO_PURE:
        add(small_tree, module, forms.get(world, f"import {world}"))
    found, report = broken(small_tree)
    assert PURE["name"] in found
    for world in FORBIDDEN_TO_PURE:
        assert f"{module} is not allowed to import {world}:" in report, world


def test_a_detour_into_the_world_is_caught(broken, small_tree):
    (small_tree / "source/eyebolt/detour.py").write_text("import threading\n")
    add(small_tree, "eyebolt.session", "from eyebolt import detour")
    found, report = broken(small_tree)
    assert PURE["name"] in found
    assert "eyebolt.session is not allowed to import threading" in report


def test_an_import_inside_a_function_is_caught(broken, small_tree):
    add(small_tree, "eyebolt.calibration", "def later():\n    import random\n    return random")
    assert PURE["name"] in broken(small_tree)[0]


def test_the_product_importing_its_simulator_is_caught(broken, small_tree):
    add(small_tree, "eyebolt.cli", "import eyebolt_sim")
    assert "The product never imports its simulator" in broken(small_tree)[0]


@pytest.mark.parametrize(
    "line", ["import eyebolt.geometry", "from eyebolt import geometry", "from eyebolt.geometry import se3"]
)
def test_the_simulator_using_the_products_geometry_is_caught(broken, small_tree, line):
    add(small_tree, "eyebolt_sim", line)
    assert "The simulator computes its truth without the product's geometry" in broken(small_tree)[0]


@pytest.mark.parametrize("name", ["boards", "calibration", "session", "config"])
def test_a_monitor_that_reaches_past_the_message_is_caught(broken, small_tree, name):
    add(small_tree, "eyebolt.monitor", f"import eyebolt.{name}")
    assert MONITOR["name"] in broken(small_tree)[0]


def test_a_package_without_a_layer_is_caught(broken, small_tree):
    (small_tree / "source/eyebolt/newcomer.py").touch()
    assert LAYERED["name"] in broken(small_tree)[0]


def imports(source):
    """(module, name) of each import of the product in a module's text, wherever it stands in it."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            yield from ((node.module, alias.name) for alias in node.names)
        elif isinstance(node, ast.Import):
            yield from ((alias.name, "") for alias in node.names)


def face_violations(importer, source, packages):
    """Imports in module ``importer`` that reach past the ``__init__`` of one of ``packages`` that it is not part of."""
    found = []
    for module, name in imports(source):
        for package in packages:
            if importer == package or importer.startswith(f"{package}."):
                continue
            if module.startswith(f"{package}.") and module not in packages:
                found.append(f"{importer}: from {module} import {name}")
    return sorted(set(found))


def product_modules():
    for root in ("service", "simulator"):
        for path in sorted((ROOT / root).rglob("*.py")):
            yield ".".join(path.relative_to(ROOT / root).with_suffix("").parts).removesuffix(".__init__"), path


PACKAGES = {name for name, path in product_modules() if path.name == "__init__.py"} - {"eyebolt", "eyebolt_sim"}


def test_other_packages_import_faces_only():
    assert {"eyebolt.geometry", "eyebolt.calibration", "eyebolt.calibration.robust"} <= PACKAGES
    assert not [v for name, path in product_modules() for v in face_violations(name, path.read_text(), PACKAGES)]


def test_an_import_past_a_face_is_caught():
    packages = {"eyebolt.geometry", "eyebolt.calibration", "eyebolt.calibration.robust"}
    past = "from eyebolt.geometry.se3 import exp\ndef later():\n    import eyebolt.geometry.se3\n"
    assert len(face_violations("eyebolt.session.step", past, packages)) == 2
    assert not face_violations("eyebolt.geometry.camera_model", past, packages)
    assert face_violations("eyebolt.planning.x", "from eyebolt.calibration.robust.outliers import f", packages)
    assert not face_violations("eyebolt.calibration.solve", "from eyebolt.calibration.robust import f", packages)
    assert not face_violations("eyebolt.session.step", "from eyebolt.geometry import se3", packages)


def test_a_face_names_what_it_exports():
    for name in sorted(PACKAGES):
        module = importlib.import_module(name)
        for exported in module.__all__:
            assert hasattr(module, exported), f"{name}.{exported}"
