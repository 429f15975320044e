"""Mutants of a module: its code with one small change, of the kinds that reviewers find in real defects.

Left alone is what cannot matter or is not tested on purpose: docstrings, annotations, imports, ``__all__``, decorators,
texts for people (f-strings, the arguments of a raise, messages), ``zip(..., strict=True)``, and the boundary of a
comparison of real numbers, which no input hits. Nor is left what is the same by construction: the sign of a difference
of which only the size is used, and the size of a bound that only keeps a quotient finite.
"""

from __future__ import annotations

import ast
import copy
import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

_NEGATED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
_BOUNDARY: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
}
_OTHER_OPERATOR: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.FloorDiv,
    ast.Pow: ast.Mult,
}
_NOT_COMMUTATIVE = (ast.Sub, ast.Div, ast.MatMult, ast.Pow)
_OTHER_NAME = {
    "min": "max",
    "max": "min",
    "any": "all",
    "all": "any",
    "argmin": "argmax",
    "argmax": "argmin",
    "minimum": "maximum",
    "maximum": "minimum",
}
# Functions of the size of their argument.
_EVEN = ("abs", "norm", "square", "cos")
# A smaller positive number only keeps a quotient finite.
_LEAST = 1e-100
# A change of a constant by less may be a matter of taste; by much more, anything would notice it.
_FACTOR = 4
# Keywords that are texts for people, and the check of `zip` that lengths agree, which no correct call can trip.
_KEYWORDS_LEFT_ALONE = ("meaning", "message", "remedy", "strict")
# Shorter texts do not identify a change.
_SHOWN_CHARACTERS = 20

_Node = TypeVar("_Node", bound=ast.AST)


@dataclass(frozen=True)
class Mutant:
    """One change of one module."""

    module: str
    """Path of the module below the source root, such as ``eyebolt/store/lock.py``."""
    scope: str
    """Dotted name of the class and function around the change; empty at module level."""
    line: int
    """Line of the change."""
    statement: tuple[int, int]
    """First and last line of the statement around the change; of a compound statement, its head."""
    kind: str
    """What was done."""
    before: str
    """The changed code as it stands."""
    after: str
    """The same, changed."""
    text: str
    """The whole module with the change, without comments."""

    @property
    def key(self) -> str:
        """Identifies the change by its content, so that it survives changes elsewhere in the module."""
        return f"{self.module}::{self.scope}: {self.before} => {self.after}"


@dataclass(frozen=True)
class _Change:
    parent: ast.AST
    old: ast.AST
    new: ast.AST
    kind: str

    @property
    def line(self) -> int:
        return self.old.lineno  # type: ignore[attr-defined, no-any-return]

    def apply(self) -> None:
        """Puts the new node into the place of the old one."""
        ast.copy_location(self.new, self.old)
        for name, value in ast.iter_fields(self.parent):
            if value is self.old:
                setattr(self.parent, name, self.new)
            elif isinstance(value, list):
                value[:] = [self.new if item is self.old else item for item in value]


def sample(root: Path, modules: list[str], count: int, generator: random.Random) -> list[Mutant]:
    """One mutant each of ``count`` lines of ``modules`` (paths below ``root``), every line being equally likely."""
    lines = [(module, line) for module in modules for line in sorted(_by_line(root / module))]
    chosen = generator.sample(lines, min(count, len(lines)))
    return [_make(root, module, generator.choice(_by_line(root / module)[line])) for module, line in chosen]


def all_of(root: Path, module: str) -> Iterator[Mutant]:
    """Every mutant of a module."""
    for _, numbers in sorted(_by_line(root / module).items()):
        for number in numbers:
            yield _make(root, module, number)


def _by_line(path: Path) -> dict[int, list[int]]:
    """The numbers of the changes on each line."""
    lines: dict[int, list[int]] = {}
    for number, change in enumerate(_changes(_parse(path))):
        lines.setdefault(change.line, []).append(number)
    return lines


def _parse(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def _make(root: Path, module: str, number: int) -> Mutant:
    tree = _parse(root / module)
    parents = {child: node for node in ast.walk(tree) for child in ast.iter_child_nodes(node)}
    change = list(_changes(tree))[number]
    chain = [change.old]
    while chain[-1] in parents:
        chain.append(parents[chain[-1]])
    statement = next(node for node in chain if isinstance(node, ast.stmt))
    names = [n.name for n in chain[1:] if isinstance(n, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)]
    last_line = statement.end_lineno or statement.lineno
    body = getattr(statement, "body", None)
    if isinstance(body, list):
        last_line = max(statement.lineno, body[0].lineno - 1)
    shown = next(
        (
            n
            for n in chain
            if n is statement or (len(ast.unparse(n)) >= _SHOWN_CHARACTERS and not isinstance(n, ast.arguments))
        ),
        statement,
    )
    before = _head(shown)
    change.apply()
    after = _head(change.new if shown is change.old else shown)
    text = ast.unparse(ast.fix_missing_locations(tree)) + "\n"
    scope = ".".join(reversed(names))
    return Mutant(module, scope, change.line, (statement.lineno, last_line), change.kind, before, after, text)


def _head(node: ast.AST) -> str:
    """The code of a node; of a compound statement, the part before its body."""
    text = ast.unparse(node)
    if isinstance(node, ast.stmt) and isinstance(getattr(node, "body", None), list):
        lines = text.splitlines()
        text = next((line for line in lines if not line.startswith("@")), text)
    return " ".join(text.split())


def _changes(tree: ast.Module) -> Iterator[_Change]:
    """The changes of a module, always in the same order."""
    for parent, node, in_set in _walk(tree, tree, False):
        for new, kind in _variants(node, in_set):
            if not (kind == "operands swapped" and _is_size_of_difference(parent, node)):
                yield _Change(parent, node, new, kind)


def _is_size_of_difference(parent: ast.AST, node: ast.AST) -> bool:
    """Whether only the size of the difference ``node`` is used."""
    if not (isinstance(node, ast.BinOp) and isinstance(node.op, ast.Sub)):
        return False
    match parent:
        case ast.Call():
            return _name_of(parent.func) in _EVEN and parent.args[0] is node
        case ast.BinOp(op=ast.Pow(), right=ast.Constant(value=int(power))):
            return parent.left is node and power % 2 == 0
    return False


def _walk(parent: ast.AST, node: ast.AST, in_set: bool) -> Iterator[tuple[ast.AST, ast.AST, bool]]:
    """The nodes that may be changed, each with its parent; and whether a tuple there is a set of alternatives."""
    if _is_left_alone(node):
        return
    yield parent, node, in_set
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "type_params", "type_comment", "type_ignores"):
            continue
        if name in ("bases", "keywords") and isinstance(node, ast.ClassDef):
            continue
        if name == "args" and isinstance(node, ast.Call) and _is_text_for_people(node):
            continue
        # Tuples that are looked through: x in (...), for x in (...), NAMES = (...), frozenset((...)).
        a_set = (
            (name == "comparators" and isinstance(node, ast.Compare) and isinstance(node.ops[0], ast.In | ast.NotIn))
            or (name == "iter" and isinstance(node, ast.For | ast.comprehension))
            or (name == "value" and isinstance(node, ast.Assign | ast.AnnAssign) and isinstance(parent, ast.Module))
            or (name == "args" and isinstance(node, ast.Call) and _name_of(node.func) in ("frozenset", "set", "dict"))
        )
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST):
                yield from _walk(node, child, a_set)


def _is_left_alone(node: ast.AST) -> bool:
    if isinstance(node, ast.Import | ast.ImportFrom | ast.Raise | ast.JoinedStr | ast.Global | ast.Nonlocal):
        # A raise is dropped as a statement, by its parent; what it tells is not tested.
        return not isinstance(node, ast.Raise)
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return True
    if isinstance(node, ast.keyword) and node.arg in _KEYWORDS_LEFT_ALONE:
        return True
    if isinstance(node, ast.If) and _name_of(node.test) == "TYPE_CHECKING":
        return True
    if isinstance(node, ast.Assign | ast.AnnAssign):
        targets = node.targets if isinstance(node, ast.Assign) else [node.target]
        if any(_name_of(target) in ("__all__", "__slots__", "__version__") for target in targets):
            return True
        return (
            isinstance(node, ast.Assign) and isinstance(node.value, ast.Call) and _name_of(node.value.func) == "TypeVar"
        )
    return False


def _is_text_for_people(call: ast.Call) -> bool:
    name = _name_of(call.func)
    return name.endswith(("Fault", "Error", "_fault"))


def _name_of(node: ast.AST) -> str:
    return node.id if isinstance(node, ast.Name) else node.attr if isinstance(node, ast.Attribute) else ""


def _with(node: _Node, **fields: object) -> _Node:
    """The node with other fields; what it does not replace is shared."""
    new = copy.copy(node)
    for name, value in fields.items():
        setattr(new, name, value)
    return new


def _not(node: ast.expr) -> ast.expr:
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        return node.operand
    return ast.UnaryOp(ast.Not(), node)


def _variants(node: ast.AST, in_set: bool) -> Iterator[tuple[ast.AST, str]]:
    """What may stand in the place of ``node``, and the kind of the change."""
    match node:
        case ast.Expr(value=ast.Call() | ast.Await() | ast.Yield() | ast.YieldFrom()):
            yield ast.Pass(), "call dropped"
        case ast.Raise():
            yield ast.Pass(), "raise dropped"
        case ast.Break() | ast.Continue() | ast.AugAssign():
            yield ast.Pass(), "statement dropped"
        case ast.Return(value=ast.expr()) if not (isinstance(node.value, ast.Constant) and node.value.value is None):
            yield _with(node, value=ast.Constant(None)), "None returned"
        case ast.If() | ast.While():
            if not isinstance(node.test, ast.Compare | ast.BoolOp | ast.NamedExpr):
                yield _with(node, test=_not(node.test)), "condition negated"
        case ast.IfExp():
            yield _with(node, body=node.orelse, orelse=node.body), "condition negated"
        case ast.comprehension(ifs=[_, *_]):
            pass
        case ast.ListComp() | ast.SetComp() | ast.GeneratorExp() | ast.DictComp():
            for index, part in enumerate(node.generators):
                if part.ifs:
                    parts = [*node.generators]
                    parts[index] = _with(part, ifs=[])
                    yield _with(node, generators=parts), "filter dropped"
        case ast.Compare(ops=[op], comparators=[other]):
            yield _with(node, ops=[_NEGATED[type(op)]()]), "comparison negated"
            if type(op) in _BOUNDARY and (_is_count(node.left) or _is_count(other)):
                yield _with(node, ops=[_BOUNDARY[type(op)]()]), "boundary"
        case ast.BoolOp():
            yield _with(node, op=ast.Or() if isinstance(node.op, ast.And) else ast.And()), "and <-> or"
            for index in range(len(node.values)):
                rest = node.values[:index] + node.values[index + 1 :]
                yield (rest[0] if len(rest) == 1 else _with(node, values=rest)), "condition dropped"
        case ast.UnaryOp(op=ast.USub() | ast.Not()):
            yield node.operand, "sign or not dropped"
        case ast.BinOp():
            if type(node.op) in _OTHER_OPERATOR and not _is_text(node):
                yield _with(node, op=_OTHER_OPERATOR[type(node.op)]()), "operator"
            if isinstance(node.op, _NOT_COMMUTATIVE):
                yield _with(node, left=node.right, right=node.left), "operands swapped"
        case ast.Constant():
            yield from _other_constants(node)
        case ast.Set() | ast.List() if len(node.elts) > 1 and not isinstance(getattr(node, "ctx", None), ast.Store):
            yield from _members_dropped(node)
        case ast.Tuple(ctx=ast.Load()) if in_set and len(node.elts) > 1:
            yield from _members_dropped(node)
        case ast.Dict() if len(node.keys) > 1:
            for index in range(len(node.keys)):
                keys, values = [*node.keys], [*node.values]
                del keys[index], values[index]
                yield _with(node, keys=keys, values=values), "member dropped"
        case ast.Call() if not _is_text_for_people(node):
            yield from _other_calls(node)


def _members_dropped(node: ast.Set | ast.List | ast.Tuple) -> Iterator[tuple[ast.AST, str]]:
    for index in range(len(node.elts)):
        yield _with(node, elts=node.elts[:index] + node.elts[index + 1 :]), "member dropped"


def _other_constants(node: ast.Constant) -> Iterator[tuple[ast.AST, str]]:
    value = node.value
    if isinstance(value, bool):
        yield ast.Constant(not value), "constant"
    elif isinstance(value, int):
        yield ast.Constant(value + 1), "constant"
        if value > 1:
            yield ast.Constant(value * _FACTOR), "constant"
    elif isinstance(value, float) and not 0 < value < _LEAST:
        yield ast.Constant(value * _FACTOR if value else 1.0), "constant"
        if value:
            yield ast.Constant(value / _FACTOR), "constant"


def _other_calls(node: ast.Call) -> Iterator[tuple[ast.AST, str]]:
    name = _name_of(node.func)
    if name in _OTHER_NAME:
        other = _OTHER_NAME[name]
        new = _with(node.func, id=other) if isinstance(node.func, ast.Name) else _with(node.func, attr=other)
        yield _with(node, func=new), "opposite function"
    for index in range(len(node.args) - 1):
        first, second = node.args[index : index + 2]
        # The order of the arguments of these does not matter.
        if name in _OTHER_NAME or isinstance(first, ast.Starred) or isinstance(second, ast.Starred):
            continue
        if ast.dump(first) == ast.dump(second):
            continue
        args = [*node.args]
        args[index : index + 2] = second, first
        yield _with(node, args=args), "arguments swapped"
    for index, keyword in enumerate(node.keywords):
        if keyword.arg is not None and keyword.arg not in _KEYWORDS_LEFT_ALONE:
            yield _with(node, keywords=node.keywords[:index] + node.keywords[index + 1 :]), "keyword dropped"


def _is_count(node: ast.expr) -> bool:
    """Whether the value is an integer, as far as the code shows: only then is a boundary hit."""
    match node:
        case ast.Constant(value=int()):
            return not isinstance(node.value, bool)
        case ast.Call(func=ast.Name(id="len" | "sum" | "int")):
            return True
        case ast.BinOp(op=ast.Add() | ast.Sub() | ast.FloorDiv() | ast.Mod()):
            return _is_count(node.left) and _is_count(node.right)
    return _name_of(node).lower().endswith(("count", "bytes", "pairs", "index", "sequence", "seq", "_ns", "number"))


def _is_text(node: ast.BinOp) -> bool:
    """Whether it puts texts together."""
    return any(
        isinstance(side, ast.JoinedStr)
        or (isinstance(side, ast.Constant) and isinstance(side.value, str | bytes))
        or (isinstance(side, ast.BinOp) and _is_text(side))
        for side in (node.left, node.right)
    )
