"""Which tests run which lines of the product: the tests that can notice a mutant.

Kept in a file between runs. A test module is run again when it or its folder's `conftest.py` has changed; the lines of
a module of the product that has changed since are found again by their text.
"""

from __future__ import annotations

import ast
import difflib
import hashlib
import json
import re
import sys
import time
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from bench.mutation import forked
from bench.mutation.forked import PACKAGE, REPOSITORY, SERVICE, TESTS

# Far longer than any test module takes.
_LIMIT_S = 900.0
# From a constant to those computed from it, and to the code that uses these.
_NAME_STEPS = 3


@dataclass(frozen=True)
class Test:
    """One test that passes on the code as it stands."""

    name: str
    """Its node id."""
    cpu_s: float
    """Processor time of its set-up and call."""
    wall_s: float
    """The same by the clock."""

    @property
    def file(self) -> str:
        """Path of its module in the repository."""
        return self.name.split("::")[0]

    @property
    def folder(self) -> str:
        """Its folder below tests/."""
        return self.name.split("/")[1]


@dataclass
class Reach:
    """The tests, and the lines of the product that they run."""

    tests: list[Test] = field(default_factory=list)
    lines: dict[str, dict[int, set[int]]] = field(default_factory=dict)
    """Numbers of the tests that run a line, by module (path below the source root) and line."""

    def of(self, module: str, first: int, last: int) -> set[int]:
        """Numbers of the tests that run one of these lines."""
        lines = self.lines.get(module, {})
        return set().union(*(lines.get(line, set()) for line in range(first, last + 1)))

    def of_files(self, files: Iterable[str]) -> set[int]:
        """Numbers of the tests of these test modules."""
        wanted = set(files)
        return {number for number, test in enumerate(self.tests) if test.file in wanted}

    def of_names(self, names: Iterable[str]) -> set[int]:
        """Numbers of the tests that depend on these names of module or class level.

        They name one themselves, or run a line in which it stands; also through other such names.
        """
        found: set[int] = set()
        due, seen = set(names), set[str]()
        for _ in range(_NAME_STEPS):
            seen |= due
            found |= self.of_files(file for name in due for file in _test_modules_by_word().get(name, ()))
            further: set[str] = set()
            for use in (use for name in due for use in _uses().get(name, ())):
                by_line = self.of(use.module, use.line, use.line)
                found |= by_line
                if not by_line:
                    further.update(use.binds)
            due = further - seen
        return found


class _Recorder:
    """A pytest plugin: which lines each test runs, how long it takes, whether it passes."""

    def __init__(self, collector: Any) -> None:
        self.tests: dict[str, dict[str, Any]] = {}
        self._collector = collector
        self._begun = (0.0, 0.0)

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_setup(self, item: Any) -> None:
        call = getattr(item, "callspec", None)
        # A fixture that tests share is set up in the first of them, and serves all.
        shared = [
            f"{name}[{call.indices.get(name) if call is not None else None}]"
            for name, found in item._fixtureinfo.name2fixturedefs.items()
            if found[-1].scope != "function" and not name.startswith("_")
        ]
        self.tests[item.nodeid] = {"passed": True, "cpu_s": 0.0, "wall_s": 0.0, "shared": shared}
        self._collector.switch_context(f"{item.nodeid}|setup")
        self._begun = (time.process_time(), time.monotonic())

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_call(self, item: Any) -> None:
        self._collector.switch_context(f"{item.nodeid}|call")

    def pytest_runtest_teardown(self, item: Any) -> None:
        cpu_s, wall_s = self._begun
        self.tests[item.nodeid] |= {"cpu_s": time.process_time() - cpu_s, "wall_s": time.monotonic() - wall_s}

    def pytest_runtest_logreport(self, report: Any) -> None:
        if not report.passed:
            self.tests[report.nodeid]["passed"] = False


def measure(file: Path, folders: Iterable[str], jobs: int) -> Reach:
    """The reach of the tests in ``folders`` (below tests/); ``file`` keeps it for the next time."""
    content = json.loads(file.read_text(encoding="utf-8")) if file.exists() else {"tests": {}, "sources": {}}
    kept, sources = content["tests"], content["sources"]
    names = [str(p.relative_to(REPOSITORY)) for f in folders for p in sorted((TESTS / f).rglob("test_*.py"))]
    due = [name for name in names if kept.get(name, {}).get("digest") != _digest(name)]
    if due:
        with forked.pool(jobs) as workers:
            for number, (name, found) in enumerate(workers.imap_unordered(_measure_one, due), 1):
                kept[name] = found
                for module in found["lines"]:
                    text = (SERVICE / module).read_text(encoding="utf-8")
                    found["sources"][module] = hashlib.sha256(text.encode()).hexdigest()
                    sources[found["sources"][module]] = text
                # At once: an interrupted measurement goes on from here.
                file.write_text(json.dumps(content), encoding="utf-8")
                print(f"{number}/{len(due)} {name}: {len(found['tests'])} tests", file=sys.stderr, flush=True)
    reach = Reach()
    for name in names:
        _add(reach, kept[name], sources)
    return reach


def _measure_one(name: str) -> tuple[str, dict[str, Any]]:
    source = forked.own_overlay().folder
    target = source / f"{hashlib.sha256(name.encode()).hexdigest()[:16]}.json"
    ended = forked.run(lambda: _record(name, source, target), source, _LIMIT_S, 4 * _LIMIT_S)
    found: dict[str, Any] = json.loads(target.read_text(encoding="utf-8")) if target.exists() else {"tests": []}
    if not found["tests"]:
        raise RuntimeError(f"no test of {name} could be run:\n{ended.output}")
    return name, found | {"digest": _digest(name), "sources": {}}


def _record(name: str, source: Path, target: Path) -> int:
    """Runs a test module with coverage by test; in a fork."""
    import coverage

    collector = coverage.Coverage(
        data_file=None, source=[str(source / PACKAGE)], config_file=False, messages=False, timid=False
    )
    collector.start()
    recorder = _Recorder(collector)
    code = forked.pytest_main([name], [recorder])
    collector.stop()
    data = collector.get_data()
    numbers = {test: number for number, test in enumerate(recorder.tests)}
    sharers: dict[str, set[int]] = defaultdict(set)
    for test, about in recorder.tests.items():
        for fixture in about["shared"]:
            sharers[fixture].add(numbers[test])
    lines: dict[str, dict[int, list[int]]] = {}
    for measured in data.measured_files():
        by_line: dict[int, list[int]] = {}
        for line, contexts in data.contexts_by_lineno(measured).items():
            reached: set[int] = set()
            for context in contexts:
                test, _, phase = context.rpartition("|")
                if test in numbers:
                    reached.add(numbers[test])
                    if phase == "setup":
                        reached = reached.union(*(sharers[f] for f in recorder.tests[test]["shared"]))
            if reached:
                by_line[line] = sorted(reached)
        lines[str(Path(measured).relative_to(source))] = by_line
    tests = [{"name": test} | about for test, about in recorder.tests.items()]
    target.write_text(json.dumps({"tests": tests, "lines": lines}), encoding="utf-8")
    return code


def _add(reach: Reach, found: dict[str, Any], sources: dict[str, str]) -> None:
    numbers: dict[int, int] = {}
    for number, test in enumerate(found["tests"]):
        if test["passed"]:
            numbers[number] = len(reach.tests)
            reach.tests.append(Test(test["name"], test["cpu_s"], test["wall_s"]))
    for module, by_line in found["lines"].items():
        today = _today(module, sources[found["sources"][module]])
        of_module = reach.lines.setdefault(module, {})
        for line, tests in by_line.items():
            for now in today.get(int(line), ()):
                of_module.setdefault(now, set()).update(numbers[t] for t in tests if t in numbers)


@cache
def _today(module: str, measured: str) -> dict[int, list[int]]:
    """Where the lines of a module as it was measured stand today; a changed line stands for all that replaced it."""
    path = SERVICE / module
    if not path.exists():
        return {}
    old, new = measured.splitlines(), path.read_text(encoding="utf-8").splitlines()
    found: dict[int, list[int]] = {}
    for _, i1, i2, j1, j2 in difflib.SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
        for line in range(i1, i2):
            found[line + 1] = [j1 + line - i1 + 1] if i2 - i1 == j2 - j1 else list(range(j1 + 1, j2 + 1))
    return found


@cache
def _digest(name: str) -> str:
    path = REPOSITORY / name
    beside = [p for p in (path.parent / "conftest.py", TESTS / "conftest.py") if p.exists()]
    return hashlib.sha256(b"\0".join(file.read_bytes() for file in [path, *beside])).hexdigest()


@dataclass(frozen=True)
class _Use:
    module: str
    line: int
    binds: tuple[str, ...]
    """Names that the statement of module or class level around it binds."""


@cache
def _uses() -> dict[str, list[_Use]]:
    """Where a name stands in the product as a name, an attribute or a keyword."""
    found: dict[str, list[_Use]] = defaultdict(list)
    for path in sorted((SERVICE / PACKAGE).rglob("*.py")):
        module = str(path.relative_to(SERVICE))
        tree = ast.parse(path.read_text(encoding="utf-8"))
        binds: dict[int, tuple[str, ...]] = {}
        for node in ast.walk(tree):
            name = getattr(node, "id", None) or getattr(node, "attr", None) or getattr(node, "arg", None)
            if isinstance(name, str) and hasattr(node, "lineno"):
                line = node.lineno
                if line not in binds:
                    binds[line] = names_bound_at(tree, line)
                found[name].append(_Use(module, line, binds[line]))
    return found


def names_bound_at(tree: ast.Module, line: int) -> tuple[str, ...]:
    """The names that the statement of module or class level on ``line`` binds; none inside a function."""
    names: list[str] = []
    body: list[ast.stmt] = tree.body
    while True:
        around = [s for s in body if s.lineno <= line <= (s.end_lineno or s.lineno)]
        if not around:
            return tuple(names)
        (statement,) = around[:1]
        match statement:
            case ast.ClassDef():
                names.append(statement.name)
                body = statement.body
                continue
            case ast.FunctionDef() | ast.AsyncFunctionDef():
                if line >= statement.body[0].lineno:
                    return ()
                names.append(statement.name)
            case ast.Assign():
                names += [n.id for target in statement.targets for n in ast.walk(target) if isinstance(n, ast.Name)]
            case ast.AnnAssign(target=ast.Name(id=name)):
                names.append(name)
        return tuple(names)


@cache
def _test_modules_by_word() -> dict[str, set[str]]:
    """The test modules in which a word stands."""
    found: dict[str, set[str]] = defaultdict(set)
    for path in sorted(TESTS.rglob("test_*.py")):
        for word in set(re.findall(r"\w+", path.read_text(encoding="utf-8"))):
            found[word].add(str(path.relative_to(REPOSITORY)))
    return found
