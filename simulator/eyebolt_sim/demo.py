"""``eyebolt-sim demo``: a daemon and an invented cell as processes, and the result compared with the truth."""

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

from eyebolt.calibration import WorkingVolume
from eyebolt.cli import print_line
from eyebolt.context import StationContext, load_context
from eyebolt.deadline import Deadline
from eyebolt.errors import EyeboltError, MachineFault
from eyebolt.results import read_result, summary
from eyebolt.store import list_sessions
from eyebolt_sim.cell_geometry import Mount
from eyebolt_sim.demo_cell import write_demo_cell
from eyebolt_sim.processes import Process, log_tail, run_daemon, run_program, terminate
from eyebolt_sim.transforms import transform_points

_TIMEOUT_S = 120.0
_POLL_INTERVAL_S = 0.1
# The monitor stays for a moment after the last pair, so that its full counter can be read.
_LINGER_S = 1.0
# Exit codes of `eyebolt-sim cell`: session ended, daemon stopped the program.
_CELL_EXIT_CODES = (0, 3)


def run_demo(mount: str, seed: int, folder: Path | None) -> int:
    """Runs a whole calibration in a new folder; 0 if the true error is within the stated p95, else 1.

    Raises InputFault ``folder-unwritable``, MachineFault ``demo-failed``.
    """
    work_folder = folder or Path(tempfile.mkdtemp(prefix="eyebolt-demo-"))
    station_file = write_demo_cell(work_folder, mount)
    truth_file = work_folder / "truth.json"
    camera_text = "fixed in the cell" if mount == Mount.FIXED else "on the arm"
    print_line(f"A simulated cell, camera {camera_text}. Daemon, robot program and camera are separate processes that")
    print_line(f"talk over sockets, as in a real cell. Files: {work_folder}")
    with run_daemon(station_file, work_folder / "daemon.log") as daemon:
        robot_log = work_folder / "robot.log"
        command = ["eyebolt_sim", "cell", str(station_file), "--seed", str(seed), "--truth", str(truth_file)]
        with run_program(command, robot_log) as robot, _monitor(station_file):
            _wait_for_robot(robot, daemon, work_folder)
            time.sleep(_LINGER_S)
        if robot.returncode not in _CELL_EXIT_CODES:
            raise _ended_early("the simulated cell", robot_log)
    return _compare(load_context(station_file), truth_file)


@contextlib.contextmanager
def _monitor(station_file: Path) -> Iterator[None]:
    """``eyebolt watch`` in this terminal."""
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
            log = work_folder / "robot.log"
            message = f"the robot program did not end within {_TIMEOUT_S:.0f} s: {log_tail(log)}"
            raise MachineFault("demo-failed", message, f"read {log}.")
        time.sleep(_POLL_INTERVAL_S)


def _ended_early(what: str, log: Path) -> EyeboltError:
    return MachineFault("demo-failed", f"{what} ended early: {log_tail(log)}", f"read {log}.")


def _compare(context: StationContext, truth_file: Path) -> int:
    session = list_sessions(context.record_folder)[-1]
    document = read_result(session)
    rule = "-" * min(shutil.get_terminal_size().columns, 110)
    print_line(rule)
    for line in summary(document):
        print_line(line)
    if document.transform is None or document.expected_error_mm is None:
        return 1
    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    estimated, true = document.transform.to_array(), np.array(truth[document.transform.name])
    goal = context.station.goal
    grid = WorkingVolume(goal.near_mm / 1e3, goal.far_mm / 1e3).grid(context.lens)
    errors_mm = np.linalg.norm(transform_points(estimated, grid) - transform_points(true, grid), axis=1) * 1e3
    error_rms_mm, stated_mm = float(np.sqrt((errors_mm**2).mean())), document.expected_error_mm.p95
    is_within = error_rms_mm <= stated_mm
    print_line(rule)
    print_line(f"true error: {error_rms_mm:.3f} mm RMS over the working volume (largest {errors_mm.max():.3f} mm)")
    comparison = "within it" if is_within else "ABOVE it (expected in 1 of 20 sessions)"
    print_line(f"stated 95 % limit of the transform: {stated_mm:.3f} mm -> {comparison}")
    print_line(f"session: {session}")
    print_line(f"accept it with: eyebolt accept {session} --by YOUR-NAME")
    return 0 if is_within else 1
