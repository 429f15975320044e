"""What a bench writes with ``--record``, and the tables generated from it."""

import json
import math

import pytest

from bench import record
from bench.record import Figure, Table, recording


@pytest.fixture
def results(tmp_path, monkeypatch):
    monkeypatch.setattr(record, "RESULTS", tmp_path / "results")
    monkeypatch.setattr("sys.argv", ["bench", "speed", "--seeds", "7", "--record"])
    return tmp_path / "results"


def measure(write):
    with recording("arm.speed", write):
        table = Table("one | two, 7 seeds", ("mount", 6), ("ratio", 14), ("ms", 8), ("bar", 8))
        table.row("fixed", Figure(1.01349, 0.0121), 12.345678901, "<= 2 met")
        table.row("arm", Figure(0.5, math.nan), math.nan, None)
        table.note("a note")


def test_a_recorded_run_holds_figures_command_date_commit_and_machine(results, capsys):
    measure(write=True)
    found = json.loads((results / "arm.speed.json").read_text())
    assert found["command"] == "python -m bench.arm speed --seeds 7"
    assert len(found["date"].split("-")) == 3
    assert found.keys() >= {"commit", "uncommitted_changes", "duration_s", "schema"}
    assert found["machine"].keys() >= {"processor", "processors", "memory_gb", "python", "numpy", "opencv-python"}
    (table,) = found["tables"]
    assert table["columns"] == ["mount", "ratio", "ms", "bar"]
    assert table["rows"] == [
        ["fixed", {"value": 1.01349, "error": 0.0121}, 12.3457, "<= 2 met"],
        ["arm", {"value": 0.5, "error": None}, None, None],
    ]
    assert table["notes"] == ["a note"]
    assert "1.013 +-0.012" in capsys.readouterr().out


def test_without_the_option_nothing_is_written(results):
    measure(write=False)
    assert not results.exists()


def test_a_bench_that_fails_records_nothing(results):
    with pytest.raises(ZeroDivisionError), recording("arm.speed", True):
        Table("half", ("a", 3)).row(1 / 0)
    assert not results.exists()
    Table("outside", ("a", 3)).row(1)


def test_tables_are_generated_from_the_recorded_files(results):
    measure(write=True)
    text = record.markdown(results)
    assert "`python -m bench.arm speed --seeds 7`" in text
    assert "| fixed | 1.013 ± 0.012 | 12.3457 | <= 2 met |" in text
    assert "| arm | 0.500 | - | - |" in text
