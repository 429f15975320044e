"""``eyebolt-sim demo``: an invented cell and a daemon; what the tool answered beside what it had to answer."""

from __future__ import annotations

import shutil
import tempfile
import textwrap
from pathlib import Path

from eyebolt.cli import print_line
from eyebolt.results import summary
from eyebolt_sim.demo_scenarios import SCENARIOS, Scenario, Statement
from eyebolt_sim.demo_stage import Pace, Run, Stage
from eyebolt_sim.scenario_names import ScenarioName

_MAX_WIDTH = 110
_LABEL_WIDTH = 12


def run_demo(name: ScenarioName, seed: int, folder: Path | None, pace: Pace | None = None) -> int:
    """Plays the scenario ``name`` in a new folder; 0 if the tool answered all that it had to, else 1.

    Raises InputFault ``folder-unwritable``, MachineFault ``demo-failed``, and what the simulated cell raises.
    """
    scenario = SCENARIOS[name]
    work_folder = folder or Path(tempfile.mkdtemp(prefix="eyebolt-demo-"))
    stage = Stage(work_folder, seed, pace or Pace(), scenario.plan)
    _print_wrapped(f"{name}: {name.description}.")
    _print_wrapped(
        "A simulated cell. The daemon is a real one, a process of its own; robot program and camera talk to it over"
        f" sockets, as in a real cell. Files: {work_folder}"
    )
    runs: list[Run] = []
    statements: list[Statement] = []
    with stage:
        for each in scenario.play(stage):
            if isinstance(each, Run):
                runs.append(each)
            else:
                statements.append(each)
    _print_run(runs[-1])
    return _print_verdict(scenario, statements, runs[-1])


def _print_run(run: Run) -> None:
    """The tool's own account of the last run."""
    print_line("-" * _width())
    for line in summary(run.result) if run.result else [run.outcome.message]:
        print_line(line)


def _print_verdict(scenario: Scenario, statements: list[Statement], last: Run) -> int:
    print_line("-" * _width())
    for statement in statements:
        _print_wrapped(statement.wanted, "AS EXPECTED" if statement.holds else "NOT SO")
        _print_wrapped(statement.answered, "answered")
    missed = sum(not statement.holds for statement in statements)
    print_line("-" * _width())
    if missed:
        print_line(f"{missed} of {len(statements)} statements do not hold: the tool did not answer what it had to.")
    else:
        print_line(f"The tool answered what it had to, {len(statements)} statements.")
    if scenario.in_a_real_cell:
        _print_wrapped(f"In a real cell: {scenario.in_a_real_cell}")
    print_line(f"session: {last.session}")
    if last.result is not None and last.result.accepted is None and last.outcome.solved:
        print_line(f"accept it with: eyebolt accept {last.session} --by YOUR-NAME")
    return 1 if missed else 0


def _width() -> int:
    return min(shutil.get_terminal_size().columns, _MAX_WIDTH)


def _print_wrapped(text: str, label: str = "") -> None:
    first, rest = (f"{label:<{_LABEL_WIDTH}}", " " * _LABEL_WIDTH) if label else ("", "")
    for line in textwrap.wrap(text, _width(), initial_indent=first, subsequent_indent=rest, break_on_hyphens=False):
        print_line(line)
