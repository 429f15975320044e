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
from eyebolt.context import StationContext, load_context
from eyebolt.deadline import Deadline
from eyebolt.errors import EyeboltError, MachineFault
from eyebolt.results import read_result, summary
from eyebolt.store import list_sessions
from eyebolt_sim.demo_cell import write_demo_cell
from eyebolt_sim.processes import Process, log_tail, run_program, terminate
from eyebolt_sim.transforms import transform_points

_TIMEOUT_S = 120.0


def run_demo(mount: str, seed: int, folder: Path | None) -> int:
    """Runs the whole job in a new folder; 0 when the true error lies within the stated p95, else 1."""
    work_folder = folder or Path(tempfile.mkdtemp(prefix="eyebolt-demo-"))
    station_file = write_demo_cell(work_folder, mount)
    typer.echo(
        f"An invented cell, camera {'fixed in it' if mount == 'fixed' else 'on the arm'}. Everything is real but the"
    )
    typer.echo(f"cell: daemon, robot program and camera talk over sockets. Files: {work_folder}")
    with run_program(
        ["eyebolt.cli.main", "serve", str(station_file), "--log", "json"], work_folder / "daemon.log"
    ) as daemon:
        robot_log = work_folder / "robot.log"
        command = [
            "eyebolt_sim",
            "cell",
            str(station_file),
            "--seed",
            str(seed),
            "--truth",
            str(work_folder / "truth.json"),
        ]
        with run_program(command, robot_log) as robot, _operator_screen(station_file):
            _wait_for_robot(robot, daemon, work_folder)
            # A moment to see the full counter.
            time.sleep(1.0)
        if robot.returncode not in (0, 3):
            raise _ended_early("the simulated cell", robot_log)
    return _compare(load_context(station_file), work_folder / "truth.json")


@contextlib.contextmanager
def _operator_screen(station_file: Path) -> Iterator[None]:
    """The operator's counter in this terminal."""
    process = subprocess.Popen([sys.executable, "-m", "eyebolt.cli.main", "watch", str(station_file)])
    try:
        yield
    finally:
        terminate(process, signal.SIGINT)


def _wait_for_robot(robot: Process, daemon: Process, work_folder: Path) -> None:
    deadline = Deadline.after(_TIMEOUT_S)
    while robot.poll() is None:
        if daemon.poll() is not None:
            raise _ended_early("the daemon", work_folder / "daemon.log")
        if deadline.has_passed:
            raise _ended_early("the robot program did not come to its end:", work_folder / "robot.log")
        time.sleep(0.1)


def _ended_early(what: str, log: Path) -> EyeboltError:
    return MachineFault("demo-failed", f"{what} ended early: {log_tail(log)}", f"read {log}.")


def _compare(context: StationContext, truth_file: Path) -> int:
    session = list_sessions(context.record_folder)[-1]
    document = read_result(session)
    width = min(shutil.get_terminal_size().columns, 110)
    typer.echo("-" * width)
    for line in summary(document):
        typer.echo(line)
    if document.transform is None or document.expected_error_mm is None:
        return 1
    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    estimated, true = document.transform.to_array(), np.array(truth[document.transform.name])
    goal = context.station.goal
    grid = WorkingVolume(goal.near_mm / 1e3, goal.far_mm / 1e3).grid(context.lens)
    errors_mm = np.linalg.norm(transform_points(estimated, grid) - transform_points(true, grid), axis=1) * 1e3
    error_rms_mm, stated_mm = float(np.sqrt((errors_mm**2).mean())), document.expected_error_mm.p95
    typer.echo("-" * width)
    typer.echo(
        f"against the cell's truth: {error_rms_mm:.3f} mm rms over the working volume (worst point {errors_mm.max():.3f} mm)"
    )
    typer.echo(
        f"stated before: p95 {stated_mm:.3f} mm -> {'kept' if error_rms_mm <= stated_mm else 'NOT kept (1 in 20 may)'}"
    )
    typer.echo(f"session: {session}")
    typer.echo(f"accept it with: eyebolt accept {session} --by YOUR-NAME")
    return 0 if error_rms_mm <= stated_mm else 1
