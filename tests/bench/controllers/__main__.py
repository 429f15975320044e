"""Whole sessions of every modelled controller and both mounts against ``eyebolt serve``, and what their digits cost.

    OPENBLAS_NUM_THREADS=1 python -m bench.controllers [NAME ...] [--mounts fixed arm] [--seed S] [--record]

For each row of ``eyebolt_sim.controllers`` with each of its connections a daemon of its own and three sessions: of the
model, of a plain client that sends the same numbers, and of one that sends all digits. Images are rendered once and
pushed, the same to all. Printed for each:

- ``same``: largest displacement within the working volume between the transforms of model and plain client, m.
  Bar: 1e-6.
- ``read``: the same between the numbers that the controller reads from ``result`` and result.json, um. Bar: what the
  decimals of the reply and single precision round, at most 4 um.
- ``pose``: largest displacement, at 1 m from the flange, of a pose by the decimals of the controller, um.
- ``full``: displacement between the transforms of model and client with all digits, um. Bar: the largest of ``pose``.

Ends with 1 if a session does not reach its end, or a bar is broken. Not collected by pytest.
"""

import os

# More threads only wait for each other on matrices this small; must be set before NumPy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

from bench.record import Table, add_option, recording
from eyebolt_sim.controllers import CONTROLLERS, Connection, Controller
from support import processes, warm_start
from support.controller_sessions import ControllerCell
from support.folder_camera_cell import grid_errors_mm
from support.push_camera_cell import LENS, PushedCell, record_pushed_cell

WAYPOINTS = 13
MIN_PAIRS = 10
SAME_M, READ_UM = 1e-6, 4.0


def displacement_um(found: np.ndarray, other: np.ndarray) -> float:
    """Largest distance between points of the working volume transformed by two transforms (4, 4)."""
    return float(grid_errors_mm(found, other, lens=LENS).max()) * 1e3


def rounding_um(cell: PushedCell, row: Controller) -> float:
    """Largest displacement of a point at 1 m from the flange by the decimals of the reported poses."""
    found = []
    for waypoint in cell.waypoints:
        printed = row.pose_format.parse_pose(row.printed_numbers(row.pose_format.numbers(waypoint.base_T_flange)))
        between = printed - waypoint.base_T_flange
        found.append(np.linalg.norm(between[:3, 3]) + np.linalg.norm(between[:3, :3], ord=2))
    return float(max(found)) * 1e6


def compare(table: Table, cell: PushedCell, row: Controller, connection: Connection, place: Path) -> list[str]:
    """One row of the table; the bars that it breaks."""
    with ControllerCell(cell, place, row, connection, MIN_PAIRS) as sessions:
        modelled, plain, full = sessions.modelled(), sessions.plain(), sessions.plain(full_precision=True)
    same_um = displacement_um(modelled.transform, plain.transform)
    full_um, pose_um = displacement_um(modelled.transform, full.transform), rounding_um(cell, row)
    handed_out = modelled.outcome.result
    read_um = displacement_um(row.pose_format.parse_pose(handed_out), modelled.transform) if handed_out else np.nan
    way = "dialled" if connection is Connection.LISTENER else "client"
    table.row(
        row.name,
        way,
        cell.mount,
        modelled.outcome.kept,
        f"{same_um * 1e-6:.1e}",
        f"{read_um:.2f}",
        f"{pose_um:.1f}",
        f"{full_um:.2f}",
    )
    name = f"{row.name}, {way}, {cell.mount}"
    broken = []
    if modelled.outcome.message != "done" or plain.outcome.message != "done":
        broken.append(f"{name}: {modelled.outcome.message} / {plain.outcome.message}")
    if not same_um * 1e-6 <= SAME_M:
        broken.append(f"{name}: same {same_um} um")
    if not read_um <= READ_UM:
        broken.append(f"{name}: read {read_um} um")
    if not full_um <= pose_um:
        broken.append(f"{name}: full {full_um} um")
    return broken


def run(names: list[str], mounts: list[str], seed: int) -> list[str]:
    """All sessions; the bars that are broken."""
    table = Table(
        "Sessions of modelled controllers beside a plain client",
        ("controller", 23),
        ("connection", 11),
        ("mount", 6),
        ("pairs", 6),
        ("same m", 8),
        ("read um", 8),
        ("pose um", 8),
        ("full um", 8),
    )
    broken: list[str] = []
    with tempfile.TemporaryDirectory(prefix="eyebolt-controllers-") as temporary:
        for mount in mounts:
            folder = Path(temporary) / mount
            folder.mkdir()
            cell = record_pushed_cell(folder, WAYPOINTS, seed, mount)
            for name in names:
                for connection in CONTROLLERS[name].connections:
                    place = folder / f"{name}-{connection}"
                    place.mkdir()
                    broken += compare(table, cell, CONTROLLERS[name], connection, place)
    table.note("bars: " + ("met" if not broken else "; ".join(broken)))
    return broken


def main() -> int:
    """Runs the sessions; the exit code."""
    parser = argparse.ArgumentParser(prog="python -m bench.controllers", description=__doc__)
    parser.add_argument("names", nargs="*", choices=[*CONTROLLERS, []], metavar="NAME")
    parser.add_argument("--mounts", nargs="+", choices=["fixed", "arm"], default=["fixed", "arm"])
    parser.add_argument("--seed", type=int, default=4)
    add_option(parser)
    chosen = parser.parse_args()
    processes.adopt_orphans()
    try:
        with recording("controllers", chosen.record):
            broken = run(chosen.names or list(CONTROLLERS), chosen.mounts, chosen.seed)
    finally:
        warm_start.end_template()
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
