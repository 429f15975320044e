"""The mutants of the mutation bench: what is changed, what is left alone, and that each is valid code."""

import ast
import random

import pytest

from bench.mutation import mutants
from bench.mutation.reach import names_bound_at


@pytest.fixture
def changes(tmp_path):
    """From code to the changes of it, as (before, after)."""

    def of(code):
        (tmp_path / "module.py").write_text(code, encoding="utf-8")
        found = list(mutants.all_of(tmp_path, "module.py"))
        for mutant in found:
            assert ast.dump(ast.parse(mutant.text)) != ast.dump(ast.parse(code)), mutant
        return {(mutant.before, mutant.after) for mutant in found}

    return of


@pytest.mark.parametrize(
    ("code", "before", "after"),
    [
        ("LIMIT_S = 0.5", "LIMIT_S = 0.5", "LIMIT_S = 2.0"),
        ("LIMIT_S = 0.5", "LIMIT_S = 0.5", "LIMIT_S = 0.125"),
        ("CODES = (3, 30, 31)", "CODES = (3, 30, 31)", "CODES = (3, 31)"),
        ("CODES = frozenset((3, 30))", "CODES = frozenset((3, 30))", "CODES = frozenset((3,))"),
        ("def f(a):\n    return a in (1, 2)", "return a in (1, 2)", "return a in (1,)"),
        ("def f(a):\n    return a in (1, 2)", "return a in (1, 2)", "return a not in (1, 2)"),
        ("def f(a):\n    return len(a) > 3", "return len(a) > 3", "return len(a) >= 3"),
        ("def f(a):\n    return len(a) > 3", "return len(a) > 3", "return None"),
        ("def f(a):\n    if a.is_open:\n        g(a)", "if a.is_open:", "if not a.is_open:"),
        ("def f(a):\n    if a:\n        raise ValueError('text')", "raise ValueError('text')", "pass"),
        ("def f(files):\n    files.sync(1)", "files.sync(1)", "pass"),
        ("def f(a, b):\n    g(a, b, key=1)", "g(a, b, key=1)", "g(b, a, key=1)"),
        ("def f(a, b):\n    g(a, b, key=1)", "g(a, b, key=1)", "g(a, b)"),
        ("def f(one, other):\n    return one and other", "return one and other", "return one or other"),
        ("def f(one, other):\n    return one and other", "return one and other", "return other"),
        ("def f(one, other):\n    return one - other", "return one - other", "return one + other"),
        ("def f(one, other):\n    return one @ other", "return one @ other", "return other @ one"),
        ("def f(values):\n    return min(values)", "return min(values)", "return max(values)"),
        ("def f(a):\n    return [x for x in a if x]", "return [x for x in a if x]", "return [x for x in a]"),
        ("def f(a, flag=True): ...", "def f(a, flag=True):", "def f(a, flag=False):"),
    ],
)
def test_what_is_changed(changes, code, before, after):
    assert (before, after) in changes(code)


@pytest.mark.parametrize(
    "code",
    [
        '"""A docstring with 3 numbers."""',
        "LEAST = 1e-300",
        "from os import path, sep",
        "__all__ = ['a', 'b']",
        "LENGTH: Literal[3, 4]",
        "def f(a):\n    return None",
        "def f(value):\n    return",
        "NAME = 'text'",
    ],
)
def test_what_is_left_alone(changes, code):
    assert changes(code) == set()


def test_a_boundary_of_real_numbers_is_left_alone(changes):
    assert ("return shift > limit", "return shift >= limit") not in changes(
        "def f(shift, limit):\n    return shift > limit"
    )


def test_texts_for_people_are_left_alone(changes):
    assert changes("def f():\n    raise ValueError('at least', 3)") == {("raise ValueError('at least', 3)", "pass")}


def test_keywords_for_people_and_the_check_of_zip_are_left_alone(changes):
    after = {after for _, after in changes("def f(a, b):\n    return g(zip(a, b, strict=True), meaning='text', key=a)")}
    assert "g(zip(a, b, strict=True), meaning='text')" in after
    assert not any(text.startswith(("zip(a, b", "g(zip(a, b)", "g(zip(a, b, strict=True), key")) for text in after)


def test_a_sample_is_reproducible_and_has_one_mutant_a_line(tmp_path):
    (tmp_path / "module.py").write_text("\n".join(f"N{n} = {n + 2}" for n in range(50)), encoding="utf-8")
    first, again, other = (mutants.sample(tmp_path, ["module.py"], 20, random.Random(seed)) for seed in (1, 1, 2))
    assert first == again
    assert first != other
    assert len({mutant.line for mutant in first}) == 20


def test_a_mutant_has_its_place_and_a_key_without_line_numbers(tmp_path):
    code = "\n\nclass A:\n    def f(self, one, other):\n        return max(\n            one - other, 0)\n"
    (tmp_path / "module.py").write_text(code, encoding="utf-8")
    (mutant,) = [m for m in mutants.all_of(tmp_path, "module.py") if m.kind == "operator"]
    assert (mutant.scope, mutant.line, mutant.statement) == ("A.f", 6, (5, 6))
    assert mutant.key == "module.py::A.f: return max(one - other, 0) => return max(one + other, 0)"


def test_names_that_a_statement_of_module_or_class_level_binds():
    tree = ast.parse("A = 1\nB, C = 2, 3\nclass D:\n    e: int = 4\n    def f(self, g=5):\n        return 6\n")
    assert [names_bound_at(tree, line) for line in (1, 2, 4, 5, 6)] == [("A",), ("B", "C"), ("D", "e"), ("D", "f"), ()]


@pytest.mark.parametrize(
    ("use", "is_changed"),
    [
        ("abs({})", False),
        ("np.linalg.norm({}, axis=1)", False),
        ("({}) ** 2", False),
        ("({}) ** 3", True),
        ("2 ** ({})", True),
        ("np.sqrt({})", True),
    ],
)
def test_the_sign_of_a_difference_matters_unless_only_its_size_is_used(changes, use, is_changed):
    found = changes(f"def f(one, other):\n    return {use.format('one - other')}")
    swapped = ast.unparse(ast.parse(use.format("other - one")))
    assert any(swapped in after for _, after in found) is is_changed
    assert any(ast.unparse(ast.parse(use.format("one + other"))) in after for _, after in found)


def test_equal_arguments_are_not_swapped(changes):
    assert changes("def f(one):\n    g(one, one)") == {("g(one, one)", "pass")}
