"""The table of rows: one disturbance each, both mounts, several pair counts.

Columns: RMS error over the working volume by the Cramer-Rao bound with the row's nuisances and by that with lens and
board exact; share of the volume within the stated p95; stated p95 by true p95 (median); sets in which a clean pair is
lost; sets stopped by a finding, and warned; ``wrong/pick``: results whose picks (tool down) have a true p95 above the
tolerance, of those that are accepted; ``wrong/tr.``: the same of the transform over the volume, accepted with
``tolerance_of = "transform"``; ``half/pick`` and ``half/tr.``: the same at a tolerance of the cell by which half of
the results that no finding stops are accepted, the hard case; picks within the stated pick p95, tool down and as at the
waypoints (serial arms only);
stated by true p95 of picks; processor time of a solve.

Bars: share within 0.92 and 0.98 (0.88 at 5 pairs), a clean pair lost in at most 1 set of 100, at most 5 % of the
accepted results with a true p95 above the tolerance.
"""

import json
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from bench.calibration.common import bar, mean, rms_ratio, share
from bench.honesty.disturbances import ROWS, Row
from bench.honesty.measure import TOLERANCE_MM, Measured, as_json, measure
from bench.record import Figure, Table

LOST_BAR, WRONG_BAR = 0.01, 0.05
INSIDE_BAR, INSIDE_BAR_AT_5 = (0.92, 0.98), (0.88, 0.98)


def run(bench) -> None:
    """Prints the section."""
    rows = [ROWS[name] for name in bench.rows or ROWS]
    table = Table(
        f"statement against truth, tolerance {TOLERANCE_MM:g} mm, {bench.seeds(200)} sets a cell",
        ("row", 22),
        ("mount", 5),
        ("pairs", 5),
        ("RMS / bound", 14),
        ("RMS / exact", 14),
        ("inside p95", 14),
        ("bar", 34),
        ("p95 ratio", 9),
        ("lost", 6),
        ("bar", 8),
        ("stop", 5),
        ("warn", 5),
        ("wrong/pick", 10),
        ("bar", 8),
        ("wrong/tr.", 10),
        ("bar", 8),
        ("half/pick", 10),
        ("half/tr.", 10),
        ("picks down", 14),
        ("as waypoint", 14),
        ("pick ratio", 10),
        ("ms", 5),
    )
    begin = time.monotonic()
    for row in rows:
        for pairs in bench.pairs or row.pairs:
            if pairs not in row.pairs:
                continue
            for mount in bench.mounts:
                print_cell(table, row, mount, pairs, cell(bench, row, mount, pairs), bench.details)
    print(f"{time.monotonic() - begin:.0f} s")


def cell(bench, row: Row, mount: str, pairs: int) -> list[Measured]:
    """The sets of a cell; with ``--keep`` those in its file are not measured again."""
    seeds = bench.seeds(200)
    path = Path(bench.keep, f"{row.name}.{mount}.{pairs}.json") if bench.keep else None
    known = [Measured.from_json(r) for r in json.loads(path.read_text())] if path and path.exists() else []
    by_seed = {one.seed: one for one in known}
    missing = [seed for seed in range(bench.first, bench.first + seeds) if seed not in by_seed]
    for one in bench.each(measure, missing, row.name, mount, pairs):
        by_seed[one.seed] = one
    if path and missing:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(as_json([by_seed[seed] for seed in sorted(by_seed)])))
    return [by_seed[seed] for seed in range(bench.first, bench.first + seeds)]


def print_cell(table: Table, row: Row, mount: str, pairs: int, sets: Sequence[Measured], details: bool) -> None:
    """One row of the table."""
    solved = [one for one in sets if one.solved]
    error = [one.error_mm2 for one in sets]
    inside = mean([one.inside for one in solved])
    lost = share([one.clean_lost > 0 for one in sets])
    of_pick = [one.pick_p95_mm["down"] > TOLERANCE_MM for one in solved if one.accepted]
    of_transform = [one.true_p95_mm > TOLERANCE_MM for one in solved if one.accepted_transform]
    low, high = INSIDE_BAR_AT_5 if pairs <= 5 else INSIDE_BAR
    table.row(
        row.name,
        mount,
        pairs,
        rms_ratio(error, [one.bound_mm2 for one in sets]),
        rms_ratio(error, [one.exact_mm2 for one in sets]),
        inside,
        bar(inside, at_least=low, at_most=high),
        _median([one.stated_p95_mm / one.true_p95_mm for one in solved]),
        sum(one.clean_lost > 0 for one in sets),
        _verdict(lost, LOST_BAR),
        sum(one.stopped for one in sets),
        sum(any(f.endswith("/warn") for f in one.findings) for one in sets),
        f"{sum(of_pick)}/{len(of_pick)}",
        _verdict(share(of_pick), WRONG_BAR),
        f"{sum(of_transform)}/{len(of_transform)}",
        _verdict(share(of_transform), WRONG_BAR),
        wrong_of_half([(one.stated_pick_upper_mm, one.pick_p95_mm["down"]) for one in solved if not one.stopped]),
        wrong_of_half([(one.stated_upper_mm, one.true_p95_mm) for one in solved if not one.stopped]),
        mean([one.picks_inside["down"] for one in solved]),
        mean([one.picks_inside.get("waypoint", np.nan) for one in solved]),
        _median([one.stated_pick_p95_mm["down"] / one.pick_p95_mm["down"] for one in solved]),
        1e3 * _median([one.seconds for one in sets]),
    )
    if details:
        counts = Counter(finding for one in sets for finding in set(one.findings)).most_common(6)
        causes = Counter(one.cause for one in sets).most_common(4)
        table.note("    " + ", ".join(f"{name} {k}" for name, k in (*counts, *causes)))


def wrong_of_half(sets: Sequence[tuple[float, float]]) -> str:
    """Results truly above the tolerance of the half that are accepted, of (compared, true p95), mm."""
    tolerance = _median([compared for compared, _ in sets])
    wrong = [true > tolerance for compared, true in sets if compared <= tolerance]
    return f"{sum(wrong)}/{len(wrong)}"


def _verdict(figure: Figure, at_most: float) -> str:
    """Whether a share meets its bar; a miss that fewer than two standard errors make is marked."""
    if not figure.value > at_most:
        return "met"
    return "MISSED?" if figure.value - at_most <= 2 * figure.error else "MISSED"


def _median(values: Sequence[float]) -> float:
    kept = [value for value in values if np.isfinite(value)]
    return float(np.median(kept)) if kept else float("nan")
