"""Tests with a short form, which runs always, and a long one, which runs with ``pytest -m long``."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from typing import Any

import pytest


def seeds(short: int, long: int) -> pytest.MarkDecorator:
    """Parametrizes ``seeds``: the first ``short`` of them, and all ``long`` in the long form."""
    return pytest.mark.parametrize(
        "seeds",
        [
            pytest.param(range(short), id=f"{short} seeds"),
            pytest.param(range(long), id=f"{long} seeds", marks=pytest.mark.long),
        ],
    )


def examples(short: int, long: int) -> pytest.MarkDecorator:
    """Parametrizes ``examples``, the number of drawn examples: ``short``, and ``long`` in the long form."""
    return pytest.mark.parametrize(
        "examples",
        [
            pytest.param(short, id=f"{short} examples"),
            pytest.param(long, id=f"{long} examples", marks=pytest.mark.long),
        ],
    )


def first(name: str, values: Sequence[Any]) -> pytest.MarkDecorator:
    """Parametrizes ``name`` by the first of ``values``, and by the others in the long form.

    For a claim that does not depend on the value, in code that other tests run with the others.
    """
    return pytest.mark.parametrize(
        name, [values[0], *(pytest.param(value, marks=pytest.mark.long) for value in values[1:])]
    )


def crossed(values: Mapping[str, Sequence[Any] | Mapping[str, Any]]) -> pytest.MarkDecorator:
    """Parametrizes by the product of ``values``: from a name, or several with commas, to their values by identifier.

    The short form has every value of each parameter at least once, in step with the others; the remaining combinations
    are the long form. For parameters that act in different parts of the code.
    """
    named = [
        list(each.items()) if isinstance(each, Mapping) else [(_identifier(value), value) for value in each]
        for each in values.values()
    ]
    rows = max(len(each) for each in named)
    short = {tuple(row % len(each) for each in named) for row in range(rows)}
    sets = []
    for chosen in itertools.product(*(range(len(each)) for each in named)):
        row = [each[k] for each, k in zip(named, chosen, strict=True)]
        arguments = [
            argument
            for names, (_, value) in zip(values, row, strict=True)
            for argument in (value if "," in names else (value,))
        ]
        marks = () if chosen in short else pytest.mark.long
        sets.append(pytest.param(*arguments, id="-".join(name for name, _ in row), marks=marks))
    return pytest.mark.parametrize(",".join(values), sets)


def crossed_with_noise(values: Mapping[str, Sequence[Any] | Mapping[str, Any]]) -> pytest.MarkDecorator:
    """``crossed`` with ``stated``: whether the noise of the arm is stated or estimated."""
    return crossed({**values, "stated": {"noise-stated": True, "noise-estimated": False}})


def _identifier(value: Any) -> str:
    return "-".join(map(_identifier, value)) if isinstance(value, tuple) else str(getattr(value, "__name__", value))
