"""Sessions with one fault: whether the right finding comes first.

``first``: fraction of sessions whose first finding is the right one (its code, and the numbers it must name); bar 98
%. ``wrong stop``: fraction of sessions with a stop finding of another code; bar 2 %. ``instead``: the first finding
where it is not the right one, with its count. Faults and their sizes: ``corrupted_sessions``.
"""

from collections import Counter

from bench.calibration.common import bar, share
from bench.diagnosis.corrupted_sessions import FAULTS
from bench.record import Table
from eyebolt.calibration.solve import solve

only: list[str] | None = None


def run(bench):
    """Prints the section."""
    seeds = bench.seeds(100)
    table = Table(
        f"faults: the right finding first, {seeds} seeds",
        ("fault", 18),
        ("mount", 5),
        ("level", 6),
        ("pairs", 5),
        ("first", 14),
        ("bar", 26),
        ("wrong stop", 14),
        ("bar", 26),
        ("instead", 0),
    )
    for name in only or FAULTS:
        for mount in bench.mounts:
            for level in bench.levels("usual"):
                for poses in bench.poses(5, 10, 20):
                    found = bench.each_seed(diagnosed, seeds, name, mount, poses, level)
                    first, wrong = share([right for right, _, _ in found]), share([stop for _, stop, _ in found])
                    instead = Counter(what for right, _, what in found if not right)
                    stops = Counter(stop for _, stop, _ in found if stop)
                    table.row(
                        name,
                        mount,
                        level,
                        poses,
                        first,
                        bar(first, at_least=0.98),
                        wrong,
                        bar(wrong, at_most=0.02),
                        " ".join(f"{what} {count}" for what, count in (instead + stops).most_common(4)),
                    )


def diagnosed(seed, name, mount, poses, level):
    """Whether the right finding came first, a wrong stop's code or "", the code that came first."""
    corrupted = FAULTS[name](mount, poses, seed, level)
    findings = solve(corrupted.problem).findings
    codes = {f.code for f in findings if corrupted.is_right(f)}
    wrong = [f.code for f in findings if f.severity == "stop" and f.code not in codes]
    first = findings[0] if findings else None
    return (
        first is not None and corrupted.is_right(first),
        wrong[0] if wrong else "",
        first.code if first else "nothing",
    )
