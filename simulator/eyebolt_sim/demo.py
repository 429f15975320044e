"""``eyebolt demo``: the daemon, and robot and camera of an invented cell, as processes; the result beside its truth.

The simulator is another package of this distribution and is run as a program, never imported: what it says of the
truth is read from its ``truth.json``.
"""

from __future__ import annotations

import contextlib
import json
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import typer

from eyebolt.calibration import WorkingVolume
from eyebolt.context import StationInputs, read_inputs
from eyebolt.errors import EyeboltError, MachineFault
from eyebolt.results import accepted_transform, summary
from eyebolt.store import list_sessions
from eyebolt_sim.demo_cell import write_invented_cell
from eyebolt_sim.processes import Process, end, last_words, program
from eyebolt_sim.transforms import carry

_LONGEST_S = 120.0


def run_demo(mount: str, seed: int, folder: Path | None) -> int:
    """Runs the whole job in a new folder; 0 when the true error lies within the stated p95, else 1."""
    place = folder or Path(tempfile.mkdtemp(prefix="eyebolt-demo-"))
    station_file = write_invented_cell(place, mount)
    typer.echo(
        f"An invented cell, camera {'fixed in it' if mount == 'fixed' else 'on the arm'}. Everything is real but the"
    )
    typer.echo(f"cell: daemon, robot program and camera talk over sockets. Files: {place}")
    with program(["eyebolt.cli.main", "serve", str(station_file), "--log", "json"], place / "daemon.log") as daemon:
        robot_log = place / "robot.log"
        command = ["eyebolt_sim", "cell", str(station_file), "--seed", str(seed), "--truth", str(place / "truth.json")]
        with program(command, robot_log) as robot, _counter(station_file):
            _wait(robot, daemon, place)
            # A moment to see the full counter.
            time.sleep(1.0)
        if robot.returncode not in (0, 3):
            raise _broke("the simulated cell", robot_log)
    return _compare(read_inputs(station_file), place / "truth.json")


@contextlib.contextmanager
def _counter(station_file: Path) -> Iterator[None]:
    """The operator's counter in this terminal."""
    process = subprocess.Popen([sys.executable, "-m", "eyebolt.cli.main", "watch", str(station_file)])
    try:
        yield
    finally:
        end(process, signal.SIGINT)


def _wait(robot: Process, daemon: Process, place: Path) -> None:
    until = time.monotonic() + _LONGEST_S
    while robot.poll() is None:
        if daemon.poll() is not None:
            raise _broke("the daemon", place / "daemon.log")
        if time.monotonic() > until:
            raise _broke("the robot program did not come to its end:", place / "robot.log")
        time.sleep(0.1)


def _broke(what: str, log: Path) -> EyeboltError:
    return MachineFault("demo-broke", f"{what} ended early: {last_words(log)}", f"read {log}.")


def _compare(inputs: StationInputs, truth_file: Path) -> int:
    session = list_sessions(inputs.record_folder)[-1]
    document = json.loads((session / "result.json").read_text(encoding="utf-8"))
    width = min(shutil.get_terminal_size().columns, 110)
    typer.echo("-" * width)
    for line in summary(document):
        typer.echo(line)
    if document["transform"] is None:
        return 1
    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    name = document["transform"]["name"]
    found, true = accepted_transform(json.dumps(document)), np.array(truth[name])
    goal = inputs.station.goal
    grid = WorkingVolume(goal.near_mm / 1e3, goal.far_mm / 1e3).grid(inputs.lens)
    errors_mm = np.linalg.norm(carry(found, grid) - carry(true, grid), axis=1) * 1e3
    true_mm, stated_mm = float(np.sqrt((errors_mm**2).mean())), float(document["expected_error_mm"]["p95"])
    typer.echo("-" * width)
    typer.echo(
        f"against the cell's truth: {true_mm:.3f} mm rms over the working volume (worst point {errors_mm.max():.3f} mm)"
    )
    typer.echo(
        f"stated before: p95 {stated_mm:.3f} mm -> {'kept' if true_mm <= stated_mm else 'NOT kept (1 in 20 may)'}"
    )
    typer.echo(f"session: {session}")
    typer.echo(f"accept it with: eyebolt accept {session} --by YOUR-NAME")
    return 0 if true_mm <= stated_mm else 1
