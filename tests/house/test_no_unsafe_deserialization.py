"""Bytes from outside are never turned into objects by anything that can run code."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MODULES = {"pickle", "_pickle", "cPickle", "marshal", "shelve", "dill", "cloudpickle", "joblib", "jsonpickle", "yaml"}
# multiprocessing sends pickles between processes, and listens for them.
MODULES |= {"multiprocessing"}
METHODS = {"recv_pyobj", "send_pyobj", "recv_serialized", "read_pickle", "to_pickle"}
BUILTINS = {"eval", "exec", "compile", "__import__"}


def found_in(text):
    """Everything in a module's text that unpickles, or runs text."""
    found = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names if alias.name.split(".")[0] in MODULES]
        elif isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] in MODULES:
            found.append(node.module)
        elif isinstance(node, ast.Attribute) and node.attr in METHODS:
            found.append(node.attr)
        elif isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name) and node.func.id in BUILTINS:
                found.append(node.func.id)
            found += [k.arg for k in node.keywords if k.arg == "allow_pickle" and not _is_false(k.value)]
    return found


def _is_false(value):
    return isinstance(value, ast.Constant) and value.value is False


def test_nothing_in_the_tree_unpickles():
    paths = [p for folder in ("service", "simulator", "robot_scripts") for p in (ROOT / folder).rglob("*.py")]
    assert len(paths) > 100
    found = {str(path.relative_to(ROOT)): found_in(path.read_text(encoding="utf-8")) for path in paths}
    assert not {name: what for name, what in found.items() if what}


@pytest.mark.parametrize(
    "line",
    [
        "import pickle",
        "from pickle import loads",
        "import multiprocessing.connection",
        "socket.recv_pyobj()",
        "import yaml as y",
        "numpy.load(f, allow_pickle=True)",
        "numpy.load(f, allow_pickle=flag)",
        "eval(text)",
    ],
)
def test_each_way_would_be_seen(line):
    assert found_in(line)


def test_what_is_harmless_is_not_taken_for_it():
    assert not found_in("import json\nnumpy.load(f, allow_pickle=False)\nre.compile('x')\nsocket.recv_multipart()")
