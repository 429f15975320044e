"""Every event that the daemon can log stands in the table of DEVELOPERS.md, and nothing that it cannot."""

import ast
import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LEVELS = {"info", "warning", "error", "exception"}
# Own helpers that log, and the place of the event among their arguments.
HELPERS = {"_log_throttled": 1, "_evict": 1}


def text_of(node):
    """A literal as a pattern: what an f-string fills in may be anything. None for a name."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return re.escape(node.value)
    if isinstance(node, ast.JoinedStr):
        parts = [re.escape(p.value) if isinstance(p, ast.Constant) else "[A-Za-z0-9]+" for p in node.values]
        return "".join(map(str, parts))
    return None


def events_in(tree):
    """Patterns of all events logged in a module; an event held in the name `says` is found where that is set."""
    found = set()
    for function in ast.walk(tree):
        if not isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        named = {
            target.id: text_of(node.value)
            for node in ast.walk(function)
            if isinstance(node, ast.Assign)
            for target in node.targets
            if isinstance(target, ast.Name)
        }
        for call in [node for node in ast.walk(function) if isinstance(node, ast.Call)]:
            place = place_of_event(call.func)
            if place is None or len(call.args) <= place:
                continue
            argument = call.args[place]
            text = named.get(argument.id) if isinstance(argument, ast.Name) else text_of(argument)
            if text is not None:
                found.add(text)
    return found


def place_of_event(function):
    if isinstance(function, ast.Attribute):
        if function.attr in LEVELS and isinstance(function.value, ast.Name) and function.value.id in ("_log", "log"):
            return 0
        return HELPERS.get(function.attr)
    return 0 if isinstance(function, ast.Name) and function.id == "note" else None


def test_each_event_is_documented_and_each_documented_event_exists():
    logged = set()
    for path in (ROOT / "service/eyebolt").rglob("*.py"):
        logged |= events_in(ast.parse(path.read_text(encoding="utf-8")))
    section = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("\n## The log\n")[1].split("\n## ")[0]
    rows = section.split("| event | level | fields |")[1].splitlines()
    documented = [event for row in rows for event in re.findall(r"`([^`]+)`", row.split(" | ")[0])]
    assert len(logged) > 25
    missing = [event for event in logged if not any(re.fullmatch(event, text) for text in documented)]
    assert not missing
    assert not [text for text in documented if not any(re.fullmatch(event, text) for event in logged)]


def test_an_event_is_found_however_it_is_said():
    text = (
        "def f(self):\n"
        "    _log.info('a')\n"
        "    says = f'b {n} s'\n"
        "    self._tell('warning', says, peer)\n"
        "    _log.warning(f'no {role} here')\n"
    )
    assert events_in(ast.parse(text)) == {"a", r"b\ [A-Za-z0-9]+\ s", r"no\ [A-Za-z0-9]+\ here"}
