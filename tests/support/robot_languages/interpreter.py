"""The common part of the interpreters: statements in blocks by a table of rules, expressions, variables, calls."""

from __future__ import annotations

import contextlib
import copy
import operator
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

Tree = tuple[Any, ...]
"""An expression: ``("str", text)``, ``("num", value)``, ``("name", name)``, ``("call", name, arguments)``,
``("unary", operator, tree)``, ``("binary", operator, left, right)`` or ``("list", items)``."""


class ScriptError(Exception):
    """The script violates a rule of its language, as far as the interpreter knows them."""


class LanguageError(Exception):
    """A run-time error that a script can handle, such as a connection that is lost."""


class ProgramEnded(Exception):
    """The program was ended: by itself, by the operator, or by the test."""


class _Return(Exception):
    def __init__(self, value: Any = None) -> None:
        super().__init__(value)
        self.value = value


class Host(Protocol):
    """What a controller offers its programs; a test stands in for cell, operator and network."""

    def open(self) -> bool: ...
    def send(self, text: str) -> None: ...
    def receive(self, most: int) -> str | None: ...
    def waiting(self) -> int: ...
    def peek(self) -> str: ...
    def close(self) -> None: ...
    def ask(self, question: str) -> int: ...
    def tell(self, text: str) -> None: ...
    def move(self, target: str) -> None: ...
    def wait(self, seconds: float) -> None: ...
    def pose(self) -> Sequence[float]: ...


class Struct(dict[str, Any]):
    """A value with named parts, such as a pose; dotted names reach into it."""


@dataclass(frozen=True)
class Rule:
    """One form of statement."""

    kind: str
    """What it is; ``end:KIND`` closes a block of that kind, ``end`` any block."""
    pattern: re.Pattern[str]
    """Matches the whole statement; its named groups are the parts."""
    command: Callable[[Program, re.Match[str]], None] | None = None
    """For kind ``command``: what it does."""


@dataclass
class Node:
    """A statement with the blocks inside it."""

    kind: str
    line: int
    match: re.Match[str]
    rule: Rule
    branches: list[tuple[re.Match[str], str, list[Node]]] = field(default_factory=list)


@dataclass
class Routine:
    """A routine: its parameters, its statements, and those that handle an error."""

    name: str
    parameters: list[str]
    by_reference: list[bool]
    body: list[Node]
    handler: list[Node]


OPENING = {"routine", "if", "while", "for", "select"}
BRANCHING = {"elif": "if", "else": "if", "case": "select", "default": "select", "handler": "routine"}
_OPERATORS: Mapping[str, Callable[[Any, Any], Any]] = {
    "+": operator.add, "-": operator.sub, "*": operator.mul, "/": operator.truediv, "^": operator.pow,
    "DIV": operator.floordiv, "==": operator.eq, "!=": operator.ne, "<": operator.lt, "<=": operator.le,
    ">": operator.gt, ">=": operator.ge,
}  # fmt: skip


@dataclass(frozen=True)
class Grammar:
    """How a language writes its expressions."""

    quote: str = '"'
    comment: str = ";"
    equal: str = "="
    unequal: str = "<>"
    precedence: str = "usual"
    """``usual``: NOT binds tightest, then arithmetic, comparison, AND, OR; ``pascal``: AND like a product;
    ``not-first``: NOT stands only at the beginning of an expression and refers to all of its first AND terms."""
    case_sensitive: bool = False
    decode_string: Callable[[str], str] = str

    def fold(self, name: str) -> str:
        """The form of a name under which it is stored."""
        return name if self.case_sensitive else name.lower()


class ExpressionParser:
    """Recursive descent over one expression."""

    def __init__(self, grammar: Grammar, text: str) -> None:
        self.grammar = grammar
        quote = re.escape(grammar.quote)
        pattern = (
            rf"\s*(?:(?P<str>{quote}[^{quote}]*{quote})|(?P<num>\d+\.?\d*(?:[eE][+-]?\d+)?)"
            r"|(?P<name>[.#]?\$?[A-Za-z_]\w*\$?(?:\.\$?[A-Za-z_]\w*)*)|(?P<op><>|==|!=|<=|>=|[-+*/^<>=(){}\[\],]))"
        )
        self.tokens: list[tuple[str, str]] = []
        position = 0
        while text[position:].strip():
            match = re.compile(pattern).match(text, position)
            if match is None:
                raise ScriptError(f"not an expression: {text!r} from {text[position:]!r}")
            kind = str(match.lastgroup)
            self.tokens.append((kind, match[kind]))
            position = match.end()
        self.text = text
        self.at = 0

    def parse(self) -> Tree:
        tree = self._or()
        if self.at != len(self.tokens):
            raise ScriptError(f"not an expression: {self.text!r}")
        return tree

    def _peek(self) -> str:
        if self.at >= len(self.tokens):
            return ""
        kind, text = self.tokens[self.at]
        return text.upper() if kind == "name" else text if kind == "op" else ""

    def _take(self, *wanted: str) -> str:
        if self._peek() in wanted and self._peek():
            self.at += 1
            return self.tokens[self.at - 1][1].upper()
        return ""

    def _or(self) -> Tree:
        if self.grammar.precedence == "pascal":
            return self._comparison()
        if self.grammar.precedence == "not-first" and self._take("NOT"):
            tree: Tree = ("unary", "NOT", self._and())
        else:
            tree = self._and()
        while self._take("OR"):
            tree = ("binary", "OR", tree, self._and())
        return tree

    def _and(self) -> Tree:
        tree = self._comparison()
        while self._take("AND"):
            tree = ("binary", "AND", tree, self._comparison())
        return tree

    def _comparison(self) -> Tree:
        tree = self._sum()
        found = self._take(self.grammar.equal, self.grammar.unequal, "<", "<=", ">", ">=")
        if found:
            name = {self.grammar.equal: "==", self.grammar.unequal: "!="}.get(found, found)
            return ("binary", name, tree, self._sum())
        return tree

    def _sum(self) -> Tree:
        tree = self._product()
        words = ("+", "-", "OR") if self.grammar.precedence == "pascal" else ("+", "-")
        while found := self._take(*words):
            tree = ("binary", found, tree, self._product())
        return tree

    def _product(self) -> Tree:
        tree = self._unary()
        words = ("*", "/", "DIV", "AND") if self.grammar.precedence == "pascal" else ("*", "/", "DIV")
        while found := self._take(*words):
            tree = ("binary", found, tree, self._unary())
        return tree

    def _unary(self) -> Tree:
        if self._take("-"):
            return ("unary", "-", self._unary())
        if self.grammar.precedence != "not-first" and self._take("NOT"):
            return ("unary", "NOT", self._unary())
        tree = self._primary()
        if self._take("^"):
            return ("binary", "^", tree, self._unary())
        return tree

    def _primary(self) -> Tree:
        if self.at >= len(self.tokens):
            raise ScriptError(f"an incomplete expression: {self.text!r}")
        kind, text = self.tokens[self.at]
        self.at += 1
        if kind == "str":
            return ("str", self.grammar.decode_string(text[1:-1]))
        if kind == "num":
            return ("num", float(text) if re.search(r"[.eE]", text) else int(text))
        if kind == "name":
            if text.upper() in ("AND", "OR", "NOT", "DIV"):
                raise ScriptError(f"{text} where a value is expected: {self.text!r}")
            return self._postfix(text)
        if text == "(":
            tree = self._or()
            self._close(")")
            return tree
        if text == "[":
            return ("list", self._arguments("]"))
        raise ScriptError(f"not an expression: {self.text!r}")

    def _postfix(self, name: str) -> Tree:
        opening = self._take("(", "[", "{")
        if not opening:
            return ("name", name)
        arguments = self._arguments({"(": ")", "[": "]", "{": "}"}[opening])
        return ("list", arguments) if (name, opening) == ("p", "[") else ("call", name, arguments)

    def _arguments(self, closing: str) -> list[Tree]:
        if self._take(closing):
            return []
        found = [self._or()]
        while self._take(","):
            found.append(self._or())
        self._close(closing)
        return found

    def _close(self, closing: str) -> None:
        if not self._take(closing):
            raise ScriptError(f"{closing} is missing: {self.text!r}")


def split_arguments(text: str) -> list[str]:
    """The parts between the commas that are in no brackets and no string."""
    parts, depth, quoted, start = [], 0, "", 0
    for index, character in enumerate(text):
        if quoted:
            quoted = "" if character == quoted else quoted
        elif character in "\"'":
            quoted = character
        elif character in "([{":
            depth += 1
        elif character in ")]}":
            depth -= 1
        elif character == "," and depth == 0:
            parts.append(text[start:index].strip())
            start = index + 1
    last = text[start:].strip()
    return [*parts, last] if last or parts else []


@dataclass(frozen=True)
class Language:
    """The rules of a language."""

    grammar: Grammar
    rules: Sequence[Rule]
    functions: Mapping[str, Callable[..., Any]]
    """Functions of values."""
    specials: Mapping[str, Callable[[Program, list[Tree]], Any]]
    """Functions and statements that assign to their arguments or talk to the host; lower case unless case counts."""
    substitutions: Sequence[tuple[str, str]] = ()
    """Applied to each statement outside comments."""
    string_limit: int = 255
    rounds_integers: bool = False
    """A variable that is declared as an integer rounds what is assigned to it."""
    must_declare: bool = True
    predefined: Mapping[str, Any] = field(default_factory=dict)
    """Variables that are there before the script begins."""
    top_is_program: bool = False
    """The statements outside routines are the program; else they are constants."""
    on_loop: Callable[[Program], None] | None = None
    """Called in every turn of a loop: interrupts."""


class Script:
    """The statements of a script; the last of ``texts`` is the program, those before it are data."""

    def __init__(self, language: Language, texts: Sequence[str]) -> None:
        self.language = language
        self.routines: dict[str, Routine] = {}
        self.statements: set[int] = set()
        """Lines of all statements of the program that do something."""
        self.top: list[Node] = []
        for text in texts:
            self.statements.clear()
            self.top += self._parse(text)

    def _parse(self, text: str) -> list[Node]:
        top: list[Node] = []
        open_nodes: list[Node] = []
        for number, line in enumerate(text.splitlines(), 1):
            statement = self._without_comment(line)
            if statement:
                self._add(statement, number, top, open_nodes)
        if open_nodes:
            raise ScriptError(f"line {open_nodes[-1].line}: {open_nodes[-1].kind} is not closed")
        return top

    def _add(self, statement: str, number: int, top: list[Node], open_nodes: list[Node]) -> None:
        rule, match = self.rule(statement, number)
        kind = rule.kind
        if kind == "skip" or (kind == "begin" and open_nodes):
            return
        if kind == "begin":
            kind = "routine"
        if kind.startswith("end"):
            self._close(kind.partition(":")[2], statement, number, open_nodes)
            return
        if kind in BRANCHING:
            if not open_nodes or open_nodes[-1].kind != BRANCHING[kind]:
                raise ScriptError(f"line {number}: {statement!r} without its beginning")
            open_nodes[-1].branches.append((match, kind, []))
            return
        node = Node(kind, number, match, rule)
        (open_nodes[-1].branches[-1][2] if open_nodes else top).append(node)
        if kind in OPENING:
            node.branches.append((match, kind, []))
            open_nodes.append(node)
        elif kind not in ("declare", "stop"):
            self.statements.add(number)

    def _close(self, kind: str, statement: str, number: int, open_nodes: list[Node]) -> None:
        if not open_nodes or kind not in ("", open_nodes[-1].kind):
            raise ScriptError(f"line {number}: {statement!r} closes nothing that is open")
        closed = open_nodes.pop()
        if closed.kind == "routine":
            self._define(closed)

    def rule(self, statement: str, number: int) -> tuple[Rule, re.Match[str]]:
        """The rule of a statement."""
        for rule in self.language.rules:
            match = rule.pattern.fullmatch(statement)
            if match is not None:
                return rule, match
        raise ScriptError(f"line {number}: no statement of the language as far as it is known: {statement!r}")

    def _without_comment(self, line: str) -> str:
        grammar, quoted, end = self.language.grammar, False, len(line)
        for index, character in enumerate(line):
            if character == grammar.quote:
                quoted = not quoted
            elif not quoted and line.startswith(grammar.comment, index):
                end = index
                break
        statement = line[:end].strip()
        for pattern, replacement in self.language.substitutions:
            statement = re.sub(pattern, replacement, statement)
        return statement

    def _define(self, node: Node) -> None:
        groups = node.match.groupdict()
        parameters, by_reference = [], []
        for part in re.split(r"[,;]", groups.get("params") or ""):
            words = [word for word in re.split(r"[\s:]+", part.strip()) if word]
            if words:
                by_reference.append(any(word.endswith("&") for word in words))
                names = [word for word in words if word.upper() not in _TYPE_WORDS and not word.endswith("&")]
                parameters.append(self.language.grammar.fold(names[0]))
        name = self.language.grammar.fold(groups.get("name") or "main")
        handlers = [block for _, kind, block in node.branches if kind == "handler"]
        self.routines[name] = Routine(
            name, parameters, by_reference, node.branches[0][2], handlers[0] if handlers else []
        )


# The scripts are run many times, and their text is parsed once.
_SCRIPTS: dict[tuple[int, tuple[str, ...]], Script] = {}
_TREES: dict[tuple[int, str], Tree] = {}


class Program:
    """A script and its state."""

    def __init__(self, language: Language, texts: Sequence[str], host: Host) -> None:
        key = id(language), tuple(texts)
        if key not in _SCRIPTS:
            _SCRIPTS[key] = Script(language, texts)
        self.script = _SCRIPTS[key]
        self.language = language
        self.routines = self.script.routines
        self.host = host
        self.variables: dict[str, Any] = copy.deepcopy(dict(language.predefined))
        self.limits: dict[str, int] = {}
        self.integers: set[str] = set()
        """Variables that round what is assigned to them."""
        self.frames: list[dict[str, Any]] = []
        self.executed: set[int] = set()
        """Lines of the statements that were executed."""
        self.state: dict[str, Any] = {}
        """Of the language: files, timers, flags."""
        self.calling: list[str] = []
        self._fold = language.grammar.fold
        for node in self.script.top:
            if node.kind == "assign" and not language.top_is_program:
                self.executed.add(node.line)
                self.declare(node.match["target"], self.value_of(node.match["value"]))
            elif node.kind == "declare" or (node.kind == "command" and not language.top_is_program):
                self._run([node])

    # Statements

    def run(self, name: str) -> None:
        """Runs a routine to its end, or until the program is ended."""
        with contextlib.suppress(ProgramEnded):
            self.call(name, [])

    def run_top(self) -> None:
        """Runs the statements outside routines."""
        with contextlib.suppress(ProgramEnded):
            self._run([node for node in self.script.top if node.kind not in ("declare", "routine")])

    def call(self, name: str, arguments: Sequence[Tree]) -> Any:
        routine = self.routines[self._fold(name)]
        if len(arguments) != len(routine.parameters):
            raise ScriptError(f"{name} takes {len(routine.parameters)} arguments, not {len(arguments)}")
        frame = dict(zip(routine.parameters, [copy.copy(self.value(tree)) for tree in arguments], strict=True))
        self.frames.append(frame)
        self.calling.append(routine.name)
        try:
            result = self._run_body(routine)
        finally:
            self.frames.pop()
            self.calling.pop()
        for parameter, reference, tree in zip(routine.parameters, routine.by_reference, arguments, strict=True):
            if reference:
                self.assign(tree, frame[parameter])
        return frame.get("<result>", result)

    def _run_body(self, routine: Routine) -> Any:
        try:
            try:
                self._run(routine.body)
            except LanguageError:
                if not routine.handler:
                    raise
                self._run(routine.handler)
        except _Return as done:
            return done.value
        return None

    def _run(self, nodes: Sequence[Node]) -> None:
        for node in nodes:
            self.executed.add(node.line)
            try:
                getattr(self, f"_run_{node.kind}")(node)
            except ScriptError as error:
                if str(error).startswith("line "):
                    raise
                raise ScriptError(f"line {node.line}: {error}") from error

    def _run_if(self, node: Node) -> None:
        for match, kind, block in node.branches:
            if kind == "else" or self.is_true(match["cond"]):
                self._run(block)
                return

    def _run_if1(self, node: Node) -> None:
        if self.is_true(node.match["cond"]):
            rule, match = self.script.rule(node.match["then"], node.line)
            self._run([Node(rule.kind, node.line, match, rule)])

    def _run_while(self, node: Node) -> None:
        turns = 0
        condition = node.match.groupdict().get("cond")
        while condition is None or self.is_true(condition):
            turns += 1
            if turns > 20_000:
                raise ScriptError("a loop that does not end")
            self._run(node.branches[0][2])
            if self.language.on_loop is not None:
                self.language.on_loop(self)

    def _run_for(self, node: Node) -> None:
        first, last = self.value_of(node.match["first"]), self.value_of(node.match["last"])
        for number in range(int(first), int(last) + 1):
            self.assign_to(node.match["var"], number)
            self._run(node.branches[0][2])

    def _run_select(self, node: Node) -> None:
        value = self.value_of(node.match["value"])
        for match, kind, block in node.branches[1:]:
            if kind == "default" or any(self._is_case(value, case) for case in split_arguments(match["values"])):
                self._run(block)
                return

    def _is_case(self, value: Any, case: str) -> bool:
        first, _, last = re.sub(r"(?i) to ", "\0", case).partition("\0")
        if last:
            return bool(self.value_of(first) <= value <= self.value_of(last))
        return bool(value == self.value_of(first))

    def _run_return(self, node: Node) -> None:
        value = node.match.groupdict().get("value")
        raise _Return(None if value is None else self.value_of(value))

    def _run_routine(self, node: Node) -> None:
        """A definition does nothing where it stands."""

    def _run_stop(self, node: Node) -> None:
        raise ProgramEnded

    def _run_assign(self, node: Node) -> None:
        target = node.match["target"]
        value = self.value_of(node.match["value"])
        if self.calling and self._fold(target) == self.calling[-1]:
            self.frames[-1]["<result>"] = value
        else:
            self.assign_to(target, value)

    def _run_local(self, node: Node) -> None:
        self.frames[-1][self._fold(node.match["target"])] = self.value_of(node.match["value"])

    def _run_global(self, node: Node) -> None:
        self.variables[self._fold(node.match["target"])] = self.value_of(node.match["value"])

    def _run_call(self, node: Node) -> None:
        name = node.match["name"]
        self.call_any(name, [self.tree(part) for part in split_arguments(node.match.groupdict().get("args") or "")])

    def _run_command(self, node: Node) -> None:
        assert node.rule.command is not None
        node.rule.command(self, node.match)

    def _run_declare(self, node: Node) -> None:
        assert node.rule.command is not None
        node.rule.command(self, node.match)

    # Variables

    def declare(self, name: str, value: Any, limit: int | None = None) -> None:
        """A variable with its first value; None: it has none yet."""
        scope = self.frames[-1] if self.frames else self.variables
        if not self.frames or self._fold(name) not in self._parameters():
            scope[self._fold(name)] = copy.copy(value)
        if limit is not None:
            self.limits[self._fold(name)] = limit

    def _parameters(self) -> Sequence[str]:
        return self.routines[self.calling[-1]].parameters

    def _scope(self, name: str) -> dict[str, Any] | None:
        if self.frames and name in self.frames[-1]:
            return self.frames[-1]
        return self.variables if name in self.variables else None

    def assign_to(self, target: str, value: Any) -> None:
        self.assign(self.tree(target), value)

    def assign(self, tree: Tree, value: Any) -> None:
        if tree[0] not in ("name", "call"):
            raise ScriptError(f"cannot assign to {tree}")
        name, _, part = self._split_name(tree[1])
        scope = self._scope(name)
        if scope is None:
            if self.language.must_declare:
                raise ScriptError(f"{name} is not declared")
            scope = self.frames[-1] if self.frames and name.startswith(".") else self.variables
            scope[name] = {} if tree[0] == "call" else Struct() if part else None
        value = round(value) if name in self.integers else copy.copy(value)
        if isinstance(value, str):
            limit = self.limits.get(name, self.language.string_limit)
            if len(value) > limit:
                raise ScriptError(f"{name} holds {limit} characters, not {len(value)}: {value!r}")
        if tree[0] == "call":
            scope[name][self._index(tree)] = value
        elif part:
            if scope[name] is None:
                raise ScriptError(f"{name} has no value, and a part of it is set")
            scope[name][self._fold(part)] = value
        else:
            scope[name] = value

    def _split_name(self, name: str) -> tuple[str, str, str]:
        prefix = name[0] if name[0] == "." else ""
        base, dot, part = name[len(prefix) :].partition(".")
        return self._fold(prefix + base), dot, part

    def _index(self, tree: Tree) -> int:
        return int(self.value(tree[2][0]))

    # Expressions

    def tree(self, text: str) -> Tree:
        key = id(self.language), text
        if key not in _TREES:
            _TREES[key] = ExpressionParser(self.language.grammar, text).parse()
        return _TREES[key]

    def value_of(self, text: str) -> Any:
        return self.value(self.tree(text))

    def is_true(self, text: str) -> bool:
        value = self.value_of(text)
        if not isinstance(value, bool | int):
            raise ScriptError(f"{text!r} is no condition")
        return bool(value)

    def value(self, tree: Tree) -> Any:
        match tree:
            case ("str" | "num", found):
                return found
            case ("list", items):
                return [self.value(item) for item in items]
            case ("unary", "-", operand):
                return -self.value(operand)
            case ("unary", _, operand):
                return not self.value(operand)
            case ("binary", "AND", left, right):
                return bool(self.value(left)) & bool(self.value(right))
            case ("binary", "OR", left, right):
                return bool(self.value(left)) | bool(self.value(right))
            case ("binary", name, left, right):
                return self._operate(name, self.value(left), self.value(right))
            case ("name", name):
                return self._named(name)
            case ("call", name, arguments):
                return self._called(name, arguments)
        raise ScriptError(f"no value: {tree}")

    def _operate(self, name: str, left: Any, right: Any) -> Any:
        if isinstance(left, str) != isinstance(right, str):
            raise ScriptError(f"{left!r} {name} {right!r}: a string and a number")
        return _OPERATORS[name](left, right)

    def _named(self, name: str) -> Any:
        base, _, part = self._split_name(name)
        scope = self._scope(base)
        if scope is None:
            return self.call_any(name, [])
        value = scope[base]
        if part:
            value = value[self._fold(part)] if isinstance(value, Struct) and self._fold(part) in value else None
        if value is None:
            raise ScriptError(f"{name} has no value")
        return value

    def _called(self, name: str, arguments: list[Tree]) -> Any:
        scope = self._scope(self._split_name(name)[0])
        if scope is None:
            return self.call_any(name, arguments)
        found = scope[self._split_name(name)[0]]
        index = self._index(("call", name, arguments))
        if isinstance(found, dict):
            if index not in found:
                raise ScriptError(f"{name} has no element {index}, or it was not set")
            return found[index]
        return found[index]

    def call_any(self, name: str, arguments: list[Tree]) -> Any:
        """A routine of the script, or a function of the language."""
        folded = self._fold(name)
        if folded in self.routines:
            return self.call(folded, arguments)
        if folded in self.language.specials:
            return self.language.specials[folded](self, arguments)
        if folded in self.language.functions:
            return self.language.functions[folded](*[self.value(tree) for tree in arguments])
        raise ScriptError(f"{name} is neither declared nor known")


_TYPE_WORDS = {"NUM", "STRING", "BOOL", "IN", "OUT", "INTEGER", "LONG", "REAL", "BOOLEAN", "AS", "TRSF"}
