"""Mistakes, each in an invented cell against a daemon of its own: what robot and people are told."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from eyebolt.errors import EyeboltError, InputFault, MachineFault
from eyebolt.store import list_sessions
from eyebolt_sim.cell import CellChoices, prepare_cell
from eyebolt_sim.cell_faults import CellFault
from eyebolt_sim.demo_cell import write_invented_cell
from eyebolt_sim.processes import last_words, program
from eyebolt_sim.robot_program import NotKept

# Nobody watches the arm go: moves take next to no time.
_SPEED = 500.0


@dataclass(frozen=True)
class Told:
    """``not_kept``: the answers that kept no pair; ``began``: False if the session ended before the mistake was made.

    ``verdict`` of the result; ``says`` and ``remedy`` of its first finding that is no note, "" without one.
    """

    not_kept: tuple[NotKept, ...]
    began: bool
    verdict: str
    says: str
    remedy: str


def play_fault(fault: CellFault, mount: str, seed: int, folder: Path) -> Told:
    """Plays a session with ``fault`` in ``folder``, which is made; its station, log and record stay there.

    Raises what prepare_cell and the robot program raise; InputFault ``folder-unwritable``, MachineFault
    ``sim-no-daemon``, ``sim-endpoint``.
    """
    if folder.exists():
        raise InputFault("folder-unwritable", f"{folder} is there already", "name a new folder: --folder.")
    station_file = write_invented_cell(folder, mount)
    log = folder / "daemon.log"
    cell = prepare_cell(station_file, CellChoices(seed=seed, speed=_SPEED, fault=fault))
    arm = cell.moving_arm()
    with program(["eyebolt.cli.main", "serve", str(station_file), "--log", "json"], log) as daemon:
        try:
            with cell.picture_server(arm):
                not_kept = cell.run_robot(arm, lambda _: None).not_kept
        except EyeboltError as broken:
            if daemon.poll() is None:
                raise
            why = f"the daemon ended in the session with {fault.name}: {last_words(log)}"
            raise MachineFault("sim-no-daemon", why, f"read {log}.") from broken
    began = cell.in_force.begun or not fault.begins_later
    return _told(not_kept, began, folder / "sessions", log)


def _told(not_kept: tuple[NotKept, ...], began: bool, record: Path, log: Path) -> Told:
    try:
        result = json.loads((list_sessions(record)[-1] / "result.json").read_text(encoding="utf-8"))
    except (OSError, IndexError) as missing:
        raise MachineFault("sim-no-daemon", "the daemon left no result of the session", f"read {log}.") from missing
    found = [finding for finding in result["findings"] if finding["severity"] != "note"]
    says, remedy = (found[0]["says"], found[0]["remedy"]) if found else ("", "")
    return Told(not_kept, began, result["verdict"], says, remedy)
