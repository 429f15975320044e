"""Mistakes, each in an invented cell against a daemon of its own: what robot and people are told."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from eyebolt.errors import EyeboltError, InputFault, MachineFault
from eyebolt.store import list_sessions
from eyebolt_sim.cell import CellOptions, prepare_cell
from eyebolt_sim.cell_faults import CellFault
from eyebolt_sim.demo_cell import write_demo_cell
from eyebolt_sim.processes import log_tail, run_program
from eyebolt_sim.robot_program import RejectedRequest

# Nobody watches the arm go: moves take next to no time.
_SPEED = 500.0


@dataclass(frozen=True)
class FaultOutcome:
    """``rejected_requests``: the answers that kept no pair; ``was_injected``: False if the session ended before the mistake was made.

    ``acceptance`` of the result; ``message`` and ``remedy`` of its first finding that is no note, "" without one.
    """

    rejected_requests: tuple[RejectedRequest, ...]
    was_injected: bool
    acceptance: str
    message: str
    remedy: str


def run_fault(fault: CellFault, mount: str, seed: int, folder: Path) -> FaultOutcome:
    """Plays a session with ``fault`` in ``folder``, which is made; its station, log and record stay there.

    Raises what prepare_cell and the robot program raise; InputFault ``folder-unwritable``, MachineFault
    ``sim-no-daemon``, ``sim-endpoint``.
    """
    if folder.exists():
        raise InputFault("folder-unwritable", f"{folder} is there already", "name a new folder: --folder.")
    station_file = write_demo_cell(folder, mount)
    log = folder / "daemon.log"
    cell = prepare_cell(station_file, CellOptions(seed=seed, speed=_SPEED, fault=fault))
    arm = cell.moving_arm()
    with run_program(["eyebolt.cli.main", "serve", str(station_file), "--log", "json"], log) as daemon:
        try:
            with cell.camera_server(arm):
                rejected_requests = cell.run_robot(arm, lambda _: None).rejected_requests
        except EyeboltError as fault_of_cell:
            if daemon.poll() is None:
                raise
            message = f"the daemon ended in the session with {fault.name}: {log_tail(log)}"
            raise MachineFault("sim-no-daemon", message, f"read {log}.") from fault_of_cell
    was_injected = cell.active_fault.started or not fault.has_start_waypoint
    return _read_outcome(rejected_requests, was_injected, folder / "sessions", log)


def _read_outcome(
    rejected_requests: tuple[RejectedRequest, ...], was_injected: bool, record: Path, log: Path
) -> FaultOutcome:
    try:
        result = json.loads((list_sessions(record)[-1] / "result.json").read_text(encoding="utf-8"))
    except (OSError, IndexError) as missing:
        raise MachineFault("sim-no-daemon", "the daemon left no result of the session", f"read {log}.") from missing
    findings = [finding for finding in result["findings"] if finding["severity"] != "note"]
    message, remedy = (findings[0]["message"], findings[0]["remedy"]) if findings else ("", "")
    return FaultOutcome(rejected_requests, was_injected, result["acceptance"], message, remedy)
