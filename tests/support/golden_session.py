"""Records the session of ``tests/store/golden/version-<n>``: ``python -m support.golden_session FOLDER``.

Run once for each version of the journal's format, with the program that first writes it. A simulated cell whose
pointer has a tip: four captures, two checks, a placed board and four touched corners, solve and bye.
"""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

from eyebolt.cli.solving import SolveOptions, solve_session
from eyebolt.session import decode_facts, fold
from eyebolt.store.names import list_sessions
from eyebolt.store.session_folder import SessionFolder
from eyebolt_sim.cell import CellOptions, prepare_cell
from support.daemon_process import DaemonProcess, free_ports
from support.folder_camera_cell import write_station

SEED = 5
FILES = ("facts.journal", "station.toml", "camera.json")


def record(place: Path) -> Path:
    """Runs the robot program in a cell in the folder ``place``; the folder of the session."""
    station_file = write_station(
        place,
        settle_ms=300,
        robot_lines=("tip_mm = [0.0, 0.0, 152.4]", "tip_sigma_mm = 0.1"),
        camera_lines=('source = "simulated"', f'endpoint = "tcp://127.0.0.1:{free_ports(1)[0]}"'),
        tolerance_mm=1.0,
    )
    with DaemonProcess(station_file) as daemon:
        cell = prepare_cell(station_file, CellOptions(seed=SEED, waypoints=4, speed=500.0, touches=4))
        arm = cell.moving_arm()
        with cell.camera_server(arm):
            outcome = cell.run_robot(arm, print)
        assert outcome.stop_code is None, outcome
        assert daemon.terminate() == 0
    (session,) = list_sessions(place / "sessions")
    return session


def expectation(session: Path) -> dict[str, Any]:
    """What the session amounts to, as ``expected.json`` has it."""
    folder = SessionFolder.open_read_only(session)
    log = fold(decode_facts(folder.records))
    document = solve_session(folder, SolveOptions())
    assert log is not None and document.transform is not None and document.expected_error_mm is not None
    return {
        "records": len(folder.records),
        "kept": [capture.index for capture in log.kept],
        "checks": [capture.index for capture in log.checks],
        "touched": [[touch.placed_board, touch.corner] for touch in log.touches],
        "replies": {str(seq): [reply.code, reply.count, reply.aux] for seq, reply in log.replies.items()},
        "last_seq": log.last_seq,
        "matrix": document.transform.matrix_m,
        "median_mm": document.expected_error_mm.median,
    }


if __name__ == "__main__":
    goal = Path(sys.argv[1])
    goal.mkdir(parents=True)
    with tempfile.TemporaryDirectory() as temporary:
        recorded = record(Path(temporary))
        for name in FILES:
            shutil.copy(recorded / name, goal)
    (goal / "expected.json").write_text(json.dumps(expectation(goal), indent=1) + "\n")
