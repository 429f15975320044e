"""Would a test notice a wrong line? Mutants of the product's code, one at a time, and the tests that run the line.

    OPENBLAS_NUM_THREADS=1 python -m bench.mutation [PACKAGE ...] [--lines 40] [--seed 0] [--only TEXT]

From each package so many lines are drawn, every line being equally likely, and one change is made to each (`mutants`):
a comparison negated or moved by its boundary, a constant times or divided by 4, a call, a condition, a keyword or a
member of a collection dropped, operands or arguments swapped, + for -, None returned. The tests run against a copy of
the product with that change; the work tree is never touched. Which tests run a line is measured first and kept in a
file (`reach`): of these, those of the package's own folder come first, the cheapest first, until one fails. A change
that none of them notices meets whole test modules around the package that start daemons.

The score of a package is the part of its mutants that a test notices; those listed in `equivalent.toml` with a reason
do not count. Survivors are printed with file, line and change. `--only TEXT` runs all mutants whose key contains TEXT
instead of a sample: the way to see that a new test notices what it was written for.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import sys
import tempfile
import time
import tomllib
from dataclasses import dataclass
from pathlib import Path

# More threads only wait for each other on matrices this small; must be set before NumPy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
from bench import record
from bench.mutation import forked, mutants, reach
from bench.mutation.forked import PACKAGE, SERVICE
from bench.mutation.mutants import Mutant
from bench.mutation.reach import Reach

# Test folders by package, the nearest first; and test modules with daemons, tried on survivors.
FOLDERS = {
    "protocol": ("protocol", "session"),
    "observations": ("observations", "calibration", "session"),
    "calibration": ("calibration", "observations", "session"),
    "store": ("store", "session"),
    "results": ("results", "session"),
    "session": ("session", "results", "planning"),
}
DAEMON_MODULES = {
    "protocol": ("raw_socket_session", "robot_server", "status_messages"),
    "observations": ("motion_and_identical_frames", "real_images"),
    "calibration": ("simulated_cells", "touch_session"),
    "store": ("recovery", "disk_faults", "startup_errors"),
    "results": ("status_messages", "recovery", "touch_session"),
    "session": ("raw_socket_session", "session_continuity", "recovery", "status_messages", "touch_session"),
}
EQUIVALENT = Path(__file__).with_name("equivalent.toml")
# Processor seconds of the tests that one mutant meets, by what they took when their lines were measured.
_FIRST_S, _BUDGET_S = 3.0, 20.0
_DAEMON_LIMIT_S = 400.0


@dataclass(frozen=True)
class Verdict:
    """What the tests made of a mutant."""

    mutant: Mutant
    killed_by: str | None
    """The test that failed, or how the run ended; None for a survivor."""
    tests: int
    """Number of tests that run the line."""
    duration_s: float
    """Time of the runs."""


def main() -> int:
    """Reads the command line and runs the packages; 1 if a survivor is neither noticed nor named as equivalent."""
    parser = argparse.ArgumentParser(prog="python -m bench.mutation", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("packages", nargs="*", metavar="PACKAGE", help=", ".join(FOLDERS))
    parser.add_argument("--lines", type=int, default=40, help="lines of each package (40)")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--only", default="", metavar="TEXT", help="all mutants whose key contains it, no sample")
    parser.add_argument("--module", default="", metavar="TEXT", help="only modules whose path contains it")
    parser.add_argument("--jobs", type=int, default=2, help="mutants at a time (2)")
    parser.add_argument("--no-daemons", action="store_true", help="leave out the test modules that start daemons")
    parser.add_argument(
        "--reach",
        type=Path,
        default=Path(tempfile.gettempdir()) / "eyebolt-mutation-reach.json",
        help="file that keeps which tests run which lines",
    )
    record.add_option(parser)
    options = parser.parse_args()
    if unknown := [name for name in options.packages if name not in FOLDERS]:
        parser.error(f"no package {', '.join(unknown)}; there are {', '.join(FOLDERS)}")
    packages = options.packages or list(FOLDERS)
    forked.load_libraries()
    reached = reach.measure(options.reach, dict.fromkeys(f for p in packages for f in FOLDERS[p]), options.jobs)
    with record.recording("mutation", options.record):
        return _run(packages, options, reached)


def _run(packages: list[str], options: argparse.Namespace, reached: Reach) -> int:
    listed = _equivalent()
    tasks = []
    for package in packages:
        for mutant in _mutants(package, options):
            if mutant.key not in listed:
                daemons = () if options.no_daemons else DAEMON_MODULES[package]
                tasks.append((package, mutant, _select(reached, package, mutant), daemons))
    verdicts: dict[str, list[Verdict]] = {package: [] for package in packages}
    begun = time.monotonic()
    with forked.pool(options.jobs) as workers:
        for number, (package, verdict) in enumerate(workers.imap_unordered(_try, tasks), 1):
            verdicts[package].append(verdict)
            _print_progress(number, len(tasks), verdict)
    table = record.Table(
        f"Mutants noticed by a test, seed {options.seed}",
        *(("package", 13), ("mutants", 8), ("noticed", 8), ("survived", 9), ("equivalent", 11), ("score", 14)),
    )
    for package in packages:
        found = verdicts[package]
        survived = sum(v.killed_by is None for v in found)
        equivalent = sum(m.key in listed for m in _mutants(package, options))
        share = 1 - survived / len(found) if found else float("nan")
        error = (share * (1 - share) / len(found)) ** 0.5 if found else float("nan")
        counts = (len(found) + equivalent, len(found) - survived, survived, equivalent)
        table.row(package, *counts, record.Figure(share, error))
    survivors = [v for found in verdicts.values() for v in found if v.killed_by is None]
    for verdict in sorted(survivors, key=lambda v: (v.mutant.module, v.mutant.line)):
        mutant = verdict.mutant
        table.note(f"{mutant.module}:{mutant.line} {mutant.scope} ({mutant.kind}): {mutant.before} => {mutant.after}")
    print(f"{time.monotonic() - begun:.0f} s", file=sys.stderr)
    return 1 if survivors else 0


def _equivalent() -> dict[str, str]:
    """Keys and reasons."""
    content = tomllib.loads(EQUIVALENT.read_text(encoding="utf-8"))
    return {entry["key"]: entry["reason"] for entry in content.get("mutant", [])}


def _mutants(package: str, options: argparse.Namespace) -> list[Mutant]:
    paths = sorted((SERVICE / PACKAGE / package).rglob("*.py"))
    modules = [m for path in paths if options.module in (m := str(path.relative_to(SERVICE)))]
    if options.only:
        return [m for module in modules for m in mutants.all_of(SERVICE, module) if options.only in m.key]
    return mutants.sample(SERVICE, modules, options.lines, random.Random(f"{options.seed} {package}"))


def _select(reached: Reach, package: str, mutant: Mutant) -> list[reach.Test]:
    """The tests that run the line, nearest folder first, cheapest first, as many as the budget allows."""
    numbers = reached.of(mutant.module, *mutant.statement)
    tree = ast.parse((SERVICE / mutant.module).read_text(encoding="utf-8"))
    numbers |= reached.of_names(reach.names_bound_at(tree, mutant.statement[0]))
    order = FOLDERS[package]
    tests = [reached.tests[n] for n in numbers if reached.tests[n].folder in order]
    tests.sort(key=lambda test: (order.index(test.folder) > 0, test.cpu_s, test.name))
    chosen, spent = [], 0.0
    for test in tests:
        spent += test.cpu_s
        if spent > _BUDGET_S:
            break
        chosen.append(test)
    return chosen


def _try(task: tuple[str, Mutant, list[reach.Test], tuple[str, ...]]) -> tuple[str, Verdict]:
    """Runs the tests against one mutant; in a worker."""
    package, mutant, tests, daemon_modules = task
    begun = time.monotonic()
    killed_by = None
    overlay = forked.own_overlay()
    with overlay.changed(mutant.module, mutant.text):
        for group in _groups(tests):
            if killed_by := _run_tests([test.name for test in group], group, overlay.folder):
                break
        else:
            killed_by = _run_daemon_modules([f"tests/daemon/test_{name}.py" for name in daemon_modules], overlay.folder)
    return package, Verdict(mutant, killed_by, len(tests), time.monotonic() - begun)


def _groups(tests: list[reach.Test]) -> list[list[reach.Test]]:
    """The cheap ones first: each run imports the test modules of all its tests before the first one begins."""
    first, spent = [], 0.0
    for test in tests:
        spent += test.cpu_s
        if first and (spent > _FIRST_S or test.folder != first[0].folder):
            break
        first.append(test)
    return [group for group in (first, tests[len(first) :]) if group]


def _run_tests(names: list[str], group: list[reach.Test], source: Path) -> str | None:
    cpu_s = 20 + 5 * sum(test.cpu_s for test in group)
    wall_s = 60 + 20 * sum(test.wall_s for test in group)
    ended = forked.run(lambda: forked.pytest_main(["-x", *names]), source, cpu_s, wall_s)
    if ended.code == 4 and "not found" in ended.output:
        # Tests made from the product's own tables have other names now, which by itself fails nothing.
        files = sorted({test.file for test in group})
        ended = forked.run(lambda: forked.pytest_main(["-x", *files]), source, 5 * cpu_s, 5 * wall_s)
    return _cause(ended)


def _run_daemon_modules(modules: list[str], source: Path) -> str | None:
    if not modules:
        return None
    return _cause(forked.run(lambda: forked.pytest_main(["-x", *modules]), source, _DAEMON_LIMIT_S, _DAEMON_LIMIT_S))


def _cause(ended: forked.Ended) -> str | None:
    if ended.code in (0, 5):
        return None
    if ended.code is None:
        return "the limit of time"
    lines = ended.output.splitlines()
    failed = [line for line in lines if line.startswith(("FAILED ", "ERROR "))]
    return (failed or lines[-1:] or [""])[0][:160] or f"exit code {ended.code}"


def _print_progress(number: int, count: int, verdict: Verdict) -> None:
    mutant = verdict.mutant
    place = f"{mutant.module}:{mutant.line}"
    text = f"{verdict.killed_by}" if verdict.killed_by else f"SURVIVED {mutant.key}"
    print(
        f"{number}/{count} {verdict.duration_s:.1f} s, {verdict.tests} tests, {place}: {text}",
        file=sys.stderr,
        flush=True,
    )


if __name__ == "__main__":
    sys.exit(main())
