"""Station file and lens file: whether they can be read, and what of them a newcomer gets wrong."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from eyebolt.boards import Board
from eyebolt.config import Station
from eyebolt.context import StationContext, load_context, load_station
from eyebolt.doctor.bounded import Report
from eyebolt.doctor.report import CheckResult, State
from eyebolt.geometry import CameraModel

# A picture of so many rows and columns has 4 megapixels, as those of many industrial cameras.
_NOMINAL_PX = 2048.0
_LOOPBACK = ("127.", "localhost", "[::1]")


def check_station_file(station_file: Path, report: Report) -> None:
    """The station file and what of it is known to be worse than it could be. Raises InputFault."""
    station = load_station(station_file)
    goal = station.goal
    message = (
        f"{station_file}: {station.station.name}, camera {station.station.mount.camera_location},"
        f" {_board_text(station)}, {goal.tolerance_mm:g} mm at {goal.near_mm:g} to {goal.far_mm:g} mm"
    )
    report(CheckResult(subject="station file", state=State.OK, message=message))
    if station.board.scale_from == "printed":
        report(
            CheckResult(
                subject="board",
                state=State.WARNING,
                message='its size is not measured (scale_from = "printed"): the stated error is larger',
                remedy=f"Measure ten squares both ways: eyebolt board {station_file} --measured ACROSS_MM DOWN_MM",
            )
        )
    _check_robot_address(station, report)


def context_without_lens(station_file: Path) -> StationContext:
    """A station whose lens file cannot be read, with a lens that only stands for one. Raises InputFault."""
    station = load_station(station_file)
    matrix = np.array([[_NOMINAL_PX, 0, _NOMINAL_PX / 2], [0, _NOMINAL_PX, _NOMINAL_PX / 2], [0, 0, 1]])
    lens = CameraModel(int(_NOMINAL_PX), int(_NOMINAL_PX), matrix, np.zeros(0))
    return StationContext(station, lens, station.board.to_board(), station_file.parent, {})


def _check_robot_address(station: Station, report: Report) -> None:
    robot, is_simulated = station.robot, station.camera.source == "simulated"
    if robot.listen is None or is_simulated:
        return
    is_local = robot.listen.startswith(_LOOPBACK)
    if is_local:
        report(
            CheckResult(
                subject="robot",
                state=State.WARNING,
                message=f"[robot] listen = {robot.listen}: only a program on this computer can connect",
                remedy="Write this computer's address in the robot's network, and the controller's under allow.",
            )
        )
    elif all(address.startswith(_LOOPBACK) for address in robot.allow):
        report(
            CheckResult(
                subject="robot",
                state=State.FAULT,
                message=f"[robot] allow = {list(robot.allow)}: no controller may connect at {robot.listen}",
                remedy="Write the controller's address under allow.",
            )
        )


def check_lens_file(station_file: Path, report: Report) -> None:
    """The lens file, alone: against the pictures it is held once there is one. Raises InputFault."""
    context = load_context(station_file)
    lens, path = context.lens, context.folder / context.station.camera.intrinsics
    message = f"{path}: {lens.width_px} x {lens.height_px} px, fx {lens.matrix[0, 0]:.0f} px, {_sigma_text(lens)}"
    if lens.sigma:
        report(CheckResult(subject="lens file", state=State.OK, message=message))
        return
    remedy = f"Calibrate it with its covariance: eyebolt lens {station_file} --pictures FOLDER; or write sigma."
    report(CheckResult(subject="lens file", state=State.WARNING, message=message, remedy=remedy))


def _sigma_text(lens: CameraModel) -> str:
    if lens.correlation is not None:
        return "with the covariance of its numbers"
    return "with standard deviations" if lens.sigma else "without standard deviations: defaults apply"


def _board_text(station: Station) -> str:
    board: Board = station.board.to_board()
    return f"{station.board.kind} {station.board.columns} x {station.board.rows} of {board.pitch_m * 1e3:g} mm"
