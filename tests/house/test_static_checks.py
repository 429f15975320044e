"""Types, style, length and docstrings of the whole tree."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MOST_LINES = 300
# Path from the root -> why this one module may be longer. Empty is best.
MAY_BE_LONGER: dict[str, str] = {}


def sources(*folders):
    return sorted(p for folder in folders for p in (ROOT / folder).rglob("*.py") if "__pycache__" not in p.parts)


def run(*words):
    done = subprocess.run([sys.executable, "-m", *words], cwd=ROOT, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr


def test_mypy_finds_nothing():
    code, said = run("mypy")
    assert code == 0, said
    assert re.search(r"no issues found in \d+ source files", said), said


def test_ruff_finds_nothing():
    code, said = run("ruff", "check", "--no-cache", "--output-format", "concise", ".")
    assert code == 0, said


def test_ruff_would_change_no_layout():
    code, said = run("ruff", "format", "--no-cache", "--check", ".")
    assert code == 0, said


@pytest.mark.parametrize("line", ["import service", "from service import eyebolt", "import service.eyebolt.errors"])
def test_ruff_catches_an_import_of_a_source_root(line):
    done = subprocess.run(
        [sys.executable, "-m", "ruff", "check", "--no-cache", "--stdin-filename", "service/eyebolt/x.py", "-"],
        cwd=ROOT,
        input=line + "\n",
        capture_output=True,
        text=True,
        check=False,
    )
    assert "TID251" in done.stdout, done.stdout + done.stderr


def test_no_module_is_too_long():
    lengths = {
        str(path.relative_to(ROOT)): len(path.read_text(encoding="utf-8").splitlines())
        for path in sources("service", "simulator", "robot_scripts")
    }
    too_long = {name: n for name, n in lengths.items() if n > MOST_LINES and name not in MAY_BE_LONGER}
    assert not too_long
    stale = [name for name in MAY_BE_LONGER if lengths.get(name, 0) <= MOST_LINES]
    assert not stale, "no longer needed in the list"


def without_docstring(tree):
    """The public functions and classes at the top of a module, and public methods of public classes, without one."""
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)
    bare = []
    for node in tree.body:
        if not isinstance(node, kinds) or node.name.startswith("_"):
            continue
        if not ast.get_docstring(node):
            bare.append(node.name)
        if isinstance(node, ast.ClassDef):
            bare += [
                f"{node.name}.{inner.name}"
                for inner in node.body
                if isinstance(inner, kinds) and not inner.name.startswith("_") and not ast.get_docstring(inner)
            ]
    return bare


def test_everything_public_has_a_docstring():
    bare = {}
    for path in sources("service/eyebolt", "simulator/eyebolt_sim"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        missing = ([] if ast.get_docstring(tree) else ["the module itself"]) + without_docstring(tree)
        if missing:
            bare[str(path.relative_to(ROOT))] = missing
    assert not bare


def test_a_bare_function_class_or_method_would_be_seen():
    text = "def a(): ...\nclass B:\n    def c(self): ...\n    def _d(self): ...\ndef _e(): ...\nasync def f(): ...\n"
    assert without_docstring(ast.parse(text)) == ["a", "B", "B.c", "f"]
