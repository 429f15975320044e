"""Tests with a short form, which runs always, and a long one, which runs with ``pytest -m long``."""

from __future__ import annotations

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
