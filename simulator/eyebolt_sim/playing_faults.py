"""Mistakes, each in an invented cell against a daemon of its own: what robot and people are told."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path

from eyebolt.errors import EyeboltError, InputFault, MachineFault
from eyebolt.invented_cell import write_invented_cell
from eyebolt.journal.names import list_sessions
from eyebolt.programs import last_words, program
from eyebolt_sim.cell import CellChoices, prepare_cell
from eyebolt_sim.faults import CellFault

_SPEED = 500.0
_NOT_KEPT = re.compile(r"waypoint (\d+)/\d+: (?:refused|stop) \((\d+)\)")


@dataclass(frozen=True)
class Told:
    """``not_kept``: waypoint, from 1, and code of each answer that kept no pair.

    ``verdict`` of the result; ``says``: its first finding that is no note, in words, or "".
    """

    not_kept: tuple[tuple[int, int], ...]
    verdict: str
    says: str


def play_fault(fault: CellFault, mount: str, seed: int, folder: Path) -> Told:
    """Plays a session with ``fault`` in ``folder``, which is made; its station, log and record stay there.

    Raises InputFault ``folder-unwritable``, MachineFault ``sim-no-daemon``.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        station_file = write_invented_cell(folder, mount)
    except OSError as error:
        raise InputFault(
            "folder-unwritable", f"the folder {folder} cannot be used: {error.strerror}", "name another one: --folder."
        ) from None
    log, said = folder / "daemon.log", list[str]()
    cell = prepare_cell(station_file, CellChoices(seed=seed, speed=_SPEED, fault=fault))
    arm = cell.moving_arm()
    with program(["eyebolt.cli", "serve", str(station_file), "--log", "json"], log) as daemon:
        try:
            with cell.picture_server(arm):
                cell.run_robot(arm, said.append)
        except EyeboltError as broken:
            why = broken.message if daemon.poll() is None else f"the daemon ended early: {last_words(log)}"
            raise MachineFault(
                "sim-no-daemon", f"the session with {fault.name} broke off: {why}", f"read {log}."
            ) from None
    return _told(said, folder / "sessions")


def _told(said: list[str], record: Path) -> Told:
    result = json.loads((list_sessions(record)[-1] / "result.json").read_text(encoding="utf-8"))
    findings = [finding["says"] for finding in result["findings"] if finding["severity"] != "note"]
    matches = [match for match in map(_NOT_KEPT.match, said) if match]
    not_kept = tuple((int(match[1]), int(match[2])) for match in matches)
    return Told(not_kept, result["verdict"], findings[0] if findings else "")
