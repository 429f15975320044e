"""A session with one fault in an invented cell, against a daemon of its own: the robot's replies and the result."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from eyebolt.calibration import AcceptanceStatus, Severity
from eyebolt.errors import EyeboltError, InputFault, MachineFault
from eyebolt.results import ResultDocument, read_result
from eyebolt.store import list_sessions
from eyebolt_sim.cell import CellOptions, prepare_cell
from eyebolt_sim.cell_faults import CellFault
from eyebolt_sim.demo_cell import write_demo_cell
from eyebolt_sim.processes import log_tail, run_daemon
from eyebolt_sim.robot_program import RejectedRequest

# Nobody watches the arm: moves take next to no time.
_SPEED = 500.0


@dataclass(frozen=True)
class FaultOutcome:
    """What a session with a fault led to."""

    rejected_requests: tuple[RejectedRequest, ...]
    """requests without success, in order"""
    was_injected: bool
    """False if the session ended before the start waypoint of the fault"""
    acceptance: AcceptanceStatus
    """acceptance of the result"""
    message: str
    """message of the first finding that is more than a note; "" without one"""
    remedy: str
    """remedy of that finding; "" without one"""


def run_fault(fault: CellFault, mount: str, seed: int, folder: Path) -> FaultOutcome:
    """Runs a session with ``fault`` in the new folder ``folder``, where station, log and record remain.

    Raises what `prepare_cell` and the robot program raise; InputFault ``folder-unwritable``, MachineFault
    ``sim-no-daemon``, ``sim-endpoint``.
    """
    if folder.exists():
        raise InputFault("folder-unwritable", f"the folder {folder} exists already", "name a new folder: --folder.")
    station_file = write_demo_cell(folder, mount)
    log = folder / "daemon.log"
    cell = prepare_cell(station_file, CellOptions(seed=seed, speed=_SPEED, fault=fault))
    arm = cell.moving_arm()
    with run_daemon(station_file, log) as daemon:
        try:
            with cell.camera_server(arm):
                rejected_requests = cell.run_robot(arm, lambda _: None).rejected_requests
        except EyeboltError as error:
            if daemon.poll() is None:
                raise
            message = f"the daemon ended during the session with {fault.name}: {log_tail(log)}"
            raise MachineFault("sim-no-daemon", message, f"read {log}.") from error
    was_injected = cell.active_fault.started or not fault.has_start_waypoint
    return _outcome(rejected_requests, was_injected, _last_result(folder / "sessions", log))


def _last_result(record_folder: Path, log: Path) -> ResultDocument:
    try:
        return read_result(list_sessions(record_folder)[-1])
    except (EyeboltError, IndexError) as missing:
        raise MachineFault("sim-no-daemon", "the daemon wrote no result of the session", f"read {log}.") from missing


def _outcome(
    rejected_requests: tuple[RejectedRequest, ...], was_injected: bool, result: ResultDocument
) -> FaultOutcome:
    first = next((finding for finding in result.findings if finding.severity is not Severity.NOTE), None)
    message, remedy = (first.message, first.remedy) if first is not None else ("", "")
    return FaultOutcome(rejected_requests, was_injected, result.acceptance, message, remedy)
