"""Generated tables of the documentation.

    python -m support.doc_tables [--check]

A page holds ``<!-- table: NAME ARGUMENT -->`` ... ``<!-- /table -->``; the lines between are generated from the
code. ``--check`` writes nothing and ends with 1 if a page is out of date; a test does the same.
"""

from __future__ import annotations

import argparse
import ast
import functools
import importlib
import inspect
import json
import re
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from types import MappingProxyType

from pydantic import BaseModel

ROOT = Path(__file__).resolve().parents[2]
_BLOCK = re.compile(r"(<!-- table: (?P<spec>[^>]+?) -->\n).*?(<!-- /table -->)", re.DOTALL)
_FAULTS = {"InputFault": "input", "CameraFault": "camera", "RecordFault": "record", "MachineFault": "machine"}
_LEVELS = ("debug", "info", "warning", "error", "exception")


def pages() -> list[Path]:
    """The pages that may hold tables."""
    found = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
    for folder in ("service", "simulator", "robot_scripts", "tests"):
        found += sorted((ROOT / folder).rglob("*.md"))
    return found


def _cell(text: str) -> str:
    return re.sub(r"\s+", " ", text.replace("|", "\\|").replace("``", "`")).strip()


def _table(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    lines += ["| " + " | ".join(_cell(cell) for cell in row) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def _load(dotted: str) -> object:
    module, _, name = dotted.rpartition(".")
    return getattr(importlib.import_module(module), name)


def _documented_members(thing: type) -> Iterator[tuple[str, str, str]]:
    """(name, annotation or value, docstring) of the members of a class, in the order of its source."""
    for base in reversed(thing.__mro__):
        if not base.__module__.startswith(("eyebolt", "support", "bench")):
            continue
        body = ast.parse(textwrap.dedent(inspect.getsource(base))).body[0]
        if not isinstance(body, ast.ClassDef):
            continue
        for node, following in zip(body.body, [*body.body[1:], None], strict=True):
            doc = ""
            if isinstance(following, ast.Expr) and isinstance(following.value, ast.Constant):
                doc = inspect.cleandoc(str(following.value.value))
            if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                name = node.target.id
                if (
                    name.startswith("_")
                    or name == "model_config"
                    or ast.unparse(node.annotation).startswith("ClassVar")
                ):
                    continue
                yield name, ast.unparse(node.annotation), doc
            elif isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name) and issubclass(thing, Enum):
                yield node.targets[0].id, "", doc


def _fields(dotted: str) -> str:
    """Fields of a class: name, type, docstring."""
    thing = _load(dotted)
    if not isinstance(thing, type):
        raise TypeError(f"{dotted} is not a class")
    names = getattr(thing, "model_fields", {})
    rows = []
    for name, annotation, doc in _documented_members(thing):
        alias = getattr(names.get(name), "alias", None) or name
        rows.append((f"`{alias}`", f"`{annotation}`", doc))
    return _table(("key", "type", "meaning"), rows)


def _settings(dotted: str) -> str:
    """Keys of a section of a configuration file: default, allowed values (the description of the field), docstring."""
    thing = _load(dotted)
    if not (isinstance(thing, type) and issubclass(thing, BaseModel)):
        raise TypeError(f"{dotted} is not a pydantic model")
    docs = {name: doc for name, _, doc in _documented_members(thing)}
    rows = []
    for name, field in thing.model_fields.items():
        default = "required" if field.is_required() else "-" if field.default is None else json.dumps(field.default)
        rows.append((f"`{name}`", default, str(field.description or ""), docs.get(name, "")))
    return _table(("key", "default", "allowed", "meaning"), rows)


def _members(dotted: str) -> str:
    """Members of an enumeration: value and docstring."""
    thing = _load(dotted)
    if not (isinstance(thing, type) and issubclass(thing, Enum)):
        raise TypeError(f"{dotted} is not an enumeration")
    docs = {name: doc for name, _, doc in _documented_members(thing)}
    return _table(("value", "meaning"), [(f"`{member.value}`", docs.get(member.name, "")) for member in thing])


def _codes(_: str) -> str:
    from eyebolt.protocol import Code

    docs = {name: doc for name, _, doc in _documented_members(Code)}
    return _table(
        ("code", "name", "when", "on the operator's screen", "remedy"),
        [(str(int(c)), f"`{c.name}`", docs[c.name], c.message, c.remedy) for c in Code],
    )


def _verbs(_: str) -> str:
    """The verbs of a robot: the line, whether its reply is recorded, and its meaning."""
    from eyebolt.protocol import VERBS

    return _table(
        ("line", "recorded", "reply"),
        [(f"`{verb.syntax}`", "yes" if verb.is_recorded else "no", verb.meaning) for verb in VERBS.values()],
    )


def _limits(_: str) -> str:
    """Limits of a view: codes, quantity, value, source and note."""
    from eyebolt.observations import all_thresholds

    return _table(
        ("code", "quantity", "limit", "source", "note"),
        [
            (", ".join(str(int(c)) for c in t.codes), t.quantity, f"{t.value:g} {t.unit}", t.source.value, t.note)
            for t in all_thresholds().values()
        ],
    )


def _template(node: ast.expr, constants: Mapping[str, Sequence[ast.expr]] = MappingProxyType({})) -> str:
    """The text of a string expression; empty for anything else.

    Holes of an f-string are filled from ``constants`` (name -> its values), or stand as a name in angle brackets.
    """

    def filled(part: ast.expr) -> str:
        inner = part.value if isinstance(part, ast.FormattedValue) else part
        values = constants.get(inner.id, ()) if isinstance(inner, ast.Name) else [inner]
        match values:
            case [ast.Constant(value=value)]:
                return str(value)
        return f"`<{_hole(inner)}>`"

    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    return "".join(map(filled, node.values)) if isinstance(node, ast.JoinedStr) else ""


def _hole(node: ast.expr) -> str:
    """A readable name for an inserted value: that of the function called, or the last attribute."""
    match node:
        case ast.Call(func=ast.Attribute(attr="join"), args=[inner]) | ast.Call(func=ast.Name(), args=[inner]):
            return _hole(inner) if _called_name(node) in _FORMATTING else _called_name(node)
        case ast.Call(func=ast.Name(id="map"), args=[_, inner]):
            return _hole(inner)
        case ast.Call():
            return _called_name(node)
        case ast.Attribute(attr=name) | ast.Name(id=name):
            return name.lower().strip("_").replace("_", " ")
        case ast.GeneratorExp(elt=element) | ast.ListComp(elt=element):
            return _hole(element)
        case ast.JoinedStr(values=values):
            return next((_hole(v.value) for v in values if isinstance(v, ast.FormattedValue)), "...")
        case ast.IfExp(body=inner) | ast.Subscript(value=inner):
            return _hole(inner)
        case ast.BinOp():
            return ast.unparse(node).replace("_", " ")
    return "..."


_FORMATTING = ("join", "sorted", "list", "str", "len", "repr")


def _called_name(node: ast.Call) -> str:
    return _called(node).lower().strip("_").replace("_", " ")


@functools.cache
def _sources() -> tuple[tuple[str, ast.Module], ...]:
    found = []
    for root in ("service", "simulator"):
        for path in sorted((ROOT / root).rglob("*.py")):
            dotted = ".".join(path.relative_to(ROOT / root).with_suffix("").parts)
            found.append((dotted.removesuffix(".__init__"), ast.parse(path.read_text(encoding="utf-8"))))
    return tuple(found)


def _called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def _is_in(module: str, package: str) -> bool:
    return module == package or module.startswith(f"{package}.")


@dataclass(frozen=True)
class _Function:
    """A function, with the values that its names may have."""

    node: ast.FunctionDef | ast.AsyncFunctionDef
    """Its definition."""
    module: str
    """Dotted name of its module."""
    assigned: dict[str, list[ast.expr]]
    """Every value that is assigned to a name in the function, or else at the top of its module."""


def _assigned(statements: Iterator[ast.AST]) -> dict[str, list[ast.expr]]:
    values: dict[str, list[ast.expr]] = {}
    for node in statements:
        match node:
            case (
                ast.Assign(targets=[ast.Name(id=name)], value=value)
                | ast.AnnAssign(target=ast.Name(id=name), value=ast.expr() as value)
            ):
                values.setdefault(name, []).append(value)
            case ast.Assign(targets=[ast.Tuple(elts=names)], value=ast.Tuple(elts=parts)):
                for target, part in zip(names, parts, strict=False):
                    if isinstance(target, ast.Name):
                        values.setdefault(target.id, []).append(part)
    return values


@functools.cache
def _functions() -> tuple[_Function, ...]:
    found: list[_Function] = []
    for module, tree in _sources():
        constants = _assigned(iter(tree.body))
        found += [
            _Function(node, module, constants | _assigned(ast.walk(node)))
            for node in ast.walk(tree)
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        ]
    return tuple(found)


@functools.cache
def _calls() -> Mapping[str, Sequence[tuple[_Function, ast.Call]]]:
    """Every call and the function that it is in, by the name that is called."""
    found: dict[str, list[tuple[_Function, ast.Call]]] = {}
    for caller in _functions():
        for call in ast.walk(caller.node):
            if isinstance(call, ast.Call):
                found.setdefault(_called(call), []).append((caller, call))
    return found


def _texts(node: ast.expr, function: _Function) -> list[str]:
    """Every text that a string expression in ``function`` may have; empty where it cannot be found."""

    def of(inner: ast.expr) -> list[str]:
        return _texts(inner, function)

    match node:
        case ast.Constant() | ast.JoinedStr():
            return [_template(node, function.assigned)]
        case ast.IfExp(body=first, orelse=second):
            return of(first) + of(second)
        case ast.BoolOp(op=ast.Or(), values=values):
            return [text for value in values for text in of(value)]
        case ast.BinOp(left=left, op=ast.Add(), right=right):
            return [first + second for first in of(left) for second in of(right)]
        case ast.Dict(values=values):
            return [text for value in values for text in of(value)]
        case ast.Subscript(value=ast.Name(id=name) as inner, slice=index):
            for table in function.assigned.get(name, ()):
                if isinstance(table, ast.Dict) and isinstance(index, ast.Constant):
                    pairs = zip(table.keys, table.values, strict=True)
                    return [t for k, v in pairs if k is not None and ast.dump(k) == ast.dump(index) for t in of(v)]
            return of(inner)
        case ast.Call(func=ast.Attribute(attr="get", value=inner), args=[_, default]):
            return of(inner) + of(default)
        case ast.Call(func=ast.Attribute(attr="format", value=inner)):
            return [re.sub(r"\{(\w*)\}", r"`<\1>`", text) for text in of(inner)]
        case ast.Call(func=ast.Name(id=name)):
            return _returned_texts(name, function)
        case ast.Name(id=name) if name in function.assigned:
            return [text for value in function.assigned[name] for text in of(value)]
        case ast.Name(id=name):
            return _argument_texts(name, function)
    return []


def _returned_texts(name: str, caller: _Function) -> list[str]:
    """The texts that the functions called ``name`` return."""
    return [
        text
        for function in _functions()
        if function.node.name == name and (not name.startswith("_") or function.module == caller.module)
        for node in ast.walk(function.node)
        if isinstance(node, ast.Return) and node.value is not None
        for text in _texts(node.value, function)
    ]


def _argument_texts(name: str, function: _Function) -> list[str]:
    """The texts that callers give for the parameter ``name``, and its default."""
    arguments = function.node.args
    names = [argument.arg for argument in arguments.args if argument.arg not in ("self", "cls")]
    if name not in names:
        return []
    texts = []
    default = dict(zip(reversed(names), reversed(arguments.defaults), strict=False)).get(name)
    if default is not None:
        texts += _texts(default, function)
    for caller, call in _calls().get(function.node.name, ()):
        # A name with an underscore is called in its own module only.
        if caller.node is function.node or (function.node.name.startswith("_") and caller.module != function.module):
            continue
        given = dict(zip(names, call.args, strict=False)) | {w.arg: w.value for w in call.keywords if w.arg}
        if name in given:
            texts += _texts(given[name], caller)
    return texts


def _errors(package: str) -> str:
    """Every stable error code of a package, whose fault it is, its remedies and the modules that raise it."""
    found: dict[str, tuple[str, set[str], dict[str, None]]] = {}
    for function in _functions():
        if not _is_in(function.module, package):
            continue
        for node in ast.walk(function.node):
            if not (isinstance(node, ast.Call) and _called(node) in _FAULTS):
                continue
            given = dict(zip(("code", "message", "remedy"), node.args, strict=False))
            given |= {word.arg: word.value for word in node.keywords if word.arg}
            code, remedy = given.get("code"), given.get("remedy")
            if not (isinstance(code, ast.Constant) and isinstance(code.value, str)):
                continue
            _, modules, remedies = found.setdefault(code.value, (_FAULTS[_called(node)], set(), {}))
            modules.add(function.module)
            remedies |= dict.fromkeys(_texts(remedy, function) if remedy is not None else [])
    return _table(
        ("code", "fault of", "remedy", "raised in"),
        [
            (f"`{code}`", party, " / ".join(filter(None, remedies)), ", ".join(f"`{m}`" for m in sorted(modules)))
            for code, (party, modules, remedies) in sorted(found.items())
        ],
    )


def _log_events(package: str) -> str:
    """Events of the structured log written by a package, by default the whole service."""
    found: dict[str, tuple[set[str], set[str]]] = {}
    for module, tree in _sources():
        if not _is_in(module, package or "eyebolt"):
            continue
        bound = _bound_log_methods(tree)
        for node in ast.walk(tree):
            if not (isinstance(node, ast.Call) and node.args):
                continue
            event = _template(node.args[0])
            called = bound.get(node.func.id, set()) if isinstance(node.func, ast.Name) else _log_levels([node.func])
            if called and event:
                levels, fields = found.setdefault(event, (set(), set()))
                levels |= called
                fields |= {word.arg for word in node.keywords if word.arg}
    return _table(
        ("event", "level", "fields"),
        [
            (f"`{e}`", ", ".join(sorted(ls)), ", ".join(f"`{f}`" for f in sorted(fs)))
            for e, (ls, fs) in sorted(found.items())
        ],
    )


def _bound_log_methods(tree: ast.AST) -> dict[str, set[str]]:
    """Names to which methods of a logger are assigned, as in ``log = _log.info if ... else _log.warning``."""
    bound: dict[str, set[str]] = {}
    for node in ast.walk(tree):
        if not isinstance(node, ast.Assign):
            continue
        branches = [node.value.body, node.value.orelse] if isinstance(node.value, ast.IfExp) else [node.value]
        levels = _log_levels(branches)
        for target in node.targets:
            if levels and isinstance(target, ast.Name):
                bound.setdefault(target.id, set()).update(levels)
    return bound


def _log_levels(functions: Iterable[ast.expr]) -> set[str]:
    """Levels of those that are methods of a logger."""
    methods = [f for f in functions if isinstance(f, ast.Attribute) and f.attr in _LEVELS]
    return {
        "error" if method.attr == "exception" else method.attr
        for method in methods
        if "log" in ast.unparse(method.value).lower()
    }


def _findings(_: str) -> str:
    """The catalogue of findings."""
    from eyebolt.calibration import FINDING_KINDS

    rows = []
    for code, kind in FINDING_KINDS.items():
        keys = [f"`{key}`" for key in kind.evidence] + [f"`{key}` (in some)" for key in kind.optional_evidence]
        rows.append((f"`{code}`", " or ".join(kind.severities), kind.description, ", ".join(keys)))
    return _table(("code", "severity", "what is wrong", "evidence"), rows)


def _evidence_keys(_: str) -> str:
    from eyebolt.calibration import EVIDENCE_KEYS

    return _table(("key", "meaning"), [(f"`{key}`", meaning) for key, meaning in EVIDENCE_KEYS.items()])


def _acceptance(_: str) -> str:
    """The causes of an acceptance, in the order in which they are tested."""
    from eyebolt.calibration import AcceptanceCause

    docs = {name: doc for name, _, doc in _documented_members(AcceptanceCause)}
    rows = [(f"`{cause}`", f"`{cause.status}`", docs[cause.name]) for cause in AcceptanceCause]
    return _table(("cause", "acceptance", "meaning"), rows)


def _session_diagram(_: str) -> str:
    """The stages of a session and their transitions, drawn from the table of the state machine."""
    from eyebolt.session import state_diagram

    return f"```mermaid\n{state_diagram()}```\n"


def _bench_results(_: str) -> str:
    """The recorded figures of all benches."""
    from bench.record import markdown

    return markdown()


def _cell_faults(_: str) -> str:
    """Faults of a simulated cell, the first reply without success and the first finding of a typical session."""
    from eyebolt_sim.cell_faults import CELL_FAULTS

    rows = []
    for fault in CELL_FAULTS.values():
        code = "every pair kept" if fault.expected_code is None else f"{int(fault.expected_code)}"
        finding = "none" if fault.expected_finding is None else f"`{fault.expected_finding}`"
        spec = f"`{fault.name}`" + (" (at a waypoint)" if fault.has_start_waypoint else "")
        rows.append((spec, fault.description, code, finding))
    return _table(("fault", "what is wrong", "first reply without success", "first finding"), rows)


def _controllers(_: str) -> str:
    """The models of controllers."""
    from eyebolt_sim.controllers import CONTROLLERS

    rows = []
    for row in CONTROLLERS.values():
        form = row.pose_format
        angle = "" if form.is_quaternion else f", {form.angle}"
        connections = ", ".join(f"`{connection}`" for connection in row.connections)
        rows.append((f"`{row.name}`", connections, f"{form.length}, {form.rotation}{angle}", row.traits))
    return _table(("controller", "[robot]", "`length`, `rotation`, `angle`", "habits"), rows)


def _replay_faults(_: str) -> str:
    """Faults that a replay can inject, and the promise of the daemon under each."""
    from eyebolt_sim.replay.faults import REPLAY_FAULTS

    rows = [(f"`{fault.name}`", fault.description, fault.expectation) for fault in REPLAY_FAULTS.values()]
    return _table(("fault", "what happens", "reply"), rows)


TABLES: dict[str, Callable[[str], str]] = {
    "acceptance": _acceptance,
    "cell-faults": _cell_faults,
    "bench-results": _bench_results,
    "codes": _codes,
    "controllers": _controllers,
    "verbs": _verbs,
    "errors": _errors,
    "evidence-keys": _evidence_keys,
    "fields": _fields,
    "findings": _findings,
    "limits": _limits,
    "members": _members,
    "replay-faults": _replay_faults,
    "settings": _settings,
    "log-events": _log_events,
    "session-diagram": _session_diagram,
}
"""Name in the marker -> what writes the table from the marker's argument."""


def table(spec: str) -> str:
    """The table that a marker names. Raises ValueError with the page's remedy for an unknown name."""
    name, _, argument = spec.partition(" ")
    if name not in TABLES:
        raise ValueError(f"no table is called {name!r}: write one of {', '.join(sorted(TABLES))}")
    return TABLES[name](argument.strip())


def refreshed(text: str) -> str:
    """A page with all its tables as the code has them now."""
    return _BLOCK.sub(lambda block: block.group(1) + table(block.group("spec")) + block.group(3), text)


def stale_pages() -> list[Path]:
    """Pages of which a table is out of date."""
    return [page for page in pages() if refreshed(text := page.read_text(encoding="utf-8")) != text]


def main(arguments: Sequence[str] | None = None) -> int:
    """Writes the tables, or only checks them; the exit code."""
    parser = argparse.ArgumentParser(
        prog="python -m support.doc_tables", description="Updates the generated tables of the documentation."
    )
    parser.add_argument("--check", action="store_true", help="write nothing; exit code 1 if a table is out of date")
    check_only = parser.parse_args(arguments).check
    stale = stale_pages()
    for page in stale:
        print(f"{page.relative_to(ROOT)}: {'out of date' if check_only else 'written'}")
        if not check_only:
            page.write_text(refreshed(page.read_text(encoding="utf-8")), encoding="utf-8")
    return 1 if stale and check_only else 0


if __name__ == "__main__":
    sys.exit(main())
