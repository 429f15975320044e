"""Comparison of two result documents: identical, equal within rounding errors, or different."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from eyebolt.results import ResultDocument

# Other processors and linear-algebra libraries sum in another order; the rounding errors stay far below this.
RELATIVE_TOLERANCE = 1e-9
_RUN_SPECIFIC_KEYS = ("session", "timestamp", "accepted", "software")


@dataclass(frozen=True)
class Difference:
    """A key at which two documents differ."""

    path: str
    """path of the key, as ``a.b[0].c``"""
    recorded: object
    """value in the recording"""
    now: object
    """value in the replay"""
    relative: float
    """largest difference over the largest number of the list, or over max(1, number) for a single number; infinite for
    anything else"""


def differences(recorded: Mapping[str, object], now: Mapping[str, object]) -> list[Difference]:
    """Differences of two results; keys of the run and the digest of the station file do not count."""
    return list(_differ("", _comparable(recorded), _comparable(now)))


def renumber_pairs(result: ResultDocument, images: Sequence[int]) -> dict[str, object]:
    """The result as JSON values, its pairs renumbered as if every image had a reply.

    ``images`` are the indices of the images with a reply, in order.
    """
    number_of = {index: number for number, index in enumerate(images)}

    def renumbered(indices: Iterable[int]) -> tuple[int, ...]:
        return tuple(number_of.get(index, index) for index in indices)

    excluded = tuple(
        one.model_copy(update={"pair": number_of.get(one.pair, one.pair)}) for one in result.pairs.excluded
    )
    pairs, basis = result.pairs.model_copy(update={"excluded": excluded}), result.based_on
    if basis is not None:
        changes = {"pairs": renumbered(basis.pairs), "checks": renumbered(basis.checks)}
        basis = basis.model_copy(update=changes)
    return result.model_copy(update={"pairs": pairs, "based_on": basis}).to_json()


def _comparable(document: Mapping[str, object]) -> dict[str, object]:
    comparable = {key: value for key, value in document.items() if key not in _RUN_SPECIFIC_KEYS}
    inputs = document.get("inputs")
    return {**comparable, "inputs": {"camera.json": inputs.get("camera.json") if isinstance(inputs, Mapping) else None}}


def _differ(path: str, recorded: Any, now: Any) -> Iterator[Difference]:
    if recorded == now:
        return
    if isinstance(recorded, Mapping) and isinstance(now, Mapping):
        for key in dict.fromkeys([*recorded, *now]):
            yield from _differ(f"{path}.{key}" if path else key, recorded.get(key), now.get(key))
        return
    numbers = _numbers(recorded), _numbers(now)
    if numbers[0] is not None and numbers[1] is not None and numbers[0].shape == numbers[1].shape:
        scale = float(np.abs(numbers[0]).max(initial=0.0)) if numbers[0].ndim else max(1.0, abs(float(numbers[0])))
        max_difference = float(np.abs(numbers[0] - numbers[1]).max(initial=0.0))
        yield Difference(path, recorded, now, max_difference / scale if scale else np.inf)
    elif isinstance(recorded, list) and isinstance(now, list) and len(recorded) == len(now):
        for index, (before, after) in enumerate(zip(recorded, now, strict=True)):
            yield from _differ(f"{path}[{index}]", before, after)
    else:
        yield Difference(path, recorded, now, np.inf)


def _numbers(value: Any) -> np.typing.NDArray[np.float64] | None:
    """A number or a nested list of numbers as an array; None for anything else."""
    try:
        array = np.asarray(value)
    except ValueError:
        return None
    return array.astype(float) if array.dtype.kind in "iuf" else None
