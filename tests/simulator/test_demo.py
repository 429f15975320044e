"""The demo's scenarios with a real daemon: it answers what each has it answer, else the demo fails."""

import sys
from dataclasses import replace

import pytest

from eyebolt_sim import cli
from eyebolt_sim.cell_faults import CELL_FAULTS, NO_FAULT, FaultName
from eyebolt_sim.demo import run_demo
from eyebolt_sim.demo_scenarios import SCENARIOS
from eyebolt_sim.demo_stage import Pace
from eyebolt_sim.scenario_names import ScenarioName

# No pauses, one image a capture, few pairs.
SHORT = Pace(speed=500.0, has_screen=False, settle_ms=0, min_pairs=6, camera_lines=('motion_check = "off"',))


@pytest.mark.parametrize(
    "pace", [pytest.param(SHORT, id="short"), pytest.param(Pace(has_screen=False), id="paced", marks=pytest.mark.long)]
)
@pytest.mark.parametrize("name", ScenarioName)
def test_the_tool_answers_what_the_scenario_has_it_answer(name, pace, tmp_path, warm_daemons, capsys):
    code = run_demo(name, 0, tmp_path / "cell", pace)
    printed = capsys.readouterr().out
    assert "NOT SO" not in printed, printed
    assert code == 0
    assert printed.count("AS EXPECTED") >= 3
    assert ("In a real cell" in printed) == bool(SCENARIOS[name].in_a_real_cell)


def test_the_demo_fails_if_the_tool_does_not_answer_that(tmp_path, warm_daemons, capsys, monkeypatch):
    # Nothing is wrong in this cell, so that a tool that is right answers something else than the scenario expects.
    monkeypatch.setitem(CELL_FAULTS, FaultName.WRONG_ROTATION_FORMAT, NO_FAULT)
    assert run_demo(ScenarioName.WRONG_CONVENTION, 0, tmp_path / "cell", replace(SHORT, waypoints=3)) == 1
    printed = capsys.readouterr().out
    assert printed.count("NOT SO") == 2
    assert "2 of 3 statements do not hold" in printed


def test_help_lists_the_scenarios_without_loading_the_solver(monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["eyebolt-sim", "demo", "--help"])
    monkeypatch.setattr("eyebolt_sim.demo.run_demo", None)
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert not ended.value.code
    printed = capsys.readouterr().out
    for name in SCENARIOS:
        assert f"{name:<17} {name.description}" in printed
