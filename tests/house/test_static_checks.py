"""Docstrings of everything public, and the one rule of ours in ruff's configuration; `.ci/check` runs the linters."""

import ast
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_ruff_catches_an_import_of_a_source_root():
    lines = ["import service", "from service import eyebolt", "import service.eyebolt.errors", "import simulator"]
    command = [sys.executable, "-m", "ruff", "check", "--no-cache", "--select", "TID251", "--output-format", "concise"]
    done = subprocess.run(
        [*command, "--stdin-filename", "service/eyebolt/x.py", "-"],
        cwd=ROOT,
        input="\n".join(lines) + "\n",
        capture_output=True,
        text=True,
        check=False,
    )
    for number in range(1, len(lines) + 1):
        assert f"service/eyebolt/x.py:{number}:" in done.stdout, done.stdout + done.stderr
    assert done.stdout.count("TID251") == len(lines)


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
    paths = [
        p for package in ("service/eyebolt", "simulator/eyebolt_sim") for p in sorted((ROOT / package).rglob("*.py"))
    ]
    assert len(paths) > 100
    for path in paths:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        missing = ([] if ast.get_docstring(tree) else ["the module itself"]) + without_docstring(tree)
        if missing:
            bare[str(path.relative_to(ROOT))] = missing
    assert not bare


def test_a_function_class_or_method_without_docstring_is_found():
    text = "def a(): ...\nclass B:\n    def c(self): ...\n    def _d(self): ...\ndef _e(): ...\nasync def f(): ...\n"
    assert without_docstring(ast.parse(text)) == ["a", "B", "B.c", "f"]
