"""Every file and every text from outside is read within limits; what is not is listed here, with the reason."""

import ast
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2] / "service/eyebolt"
READERS = {"loads", "load", "read_text", "read_bytes", "imread", "imdecode", "imreadmulti"}
ALLOWED = {
    ("bounded_text.py", "loads"): "the readers themselves",
    ("config/diagnostics.py", "loads"): "statements of a text that the bounded reader has seen",
    ("store/journal.py", "read_bytes"): "a file of the length of the one that is compared",
    ("cameras/folder.py", "imread"): "after the size in its header",
    ("cli/snapshot.py", "imdecode"): "after the size in its header",
    ("monitor/picture.py", "imdecode"): "after the size in its header",
    ("page/app.py", "read_bytes"): "files of this distribution",
    ("page/server.py", "load"): "no reader: the web server's settings",
}


def test_no_reader_is_unbounded():
    found = set()
    for path in ROOT.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in READERS:
                found.add((path.relative_to(ROOT).as_posix(), node.func.attr))
    assert found - {("daemon/executor.py", "load")} == set(ALLOWED)
