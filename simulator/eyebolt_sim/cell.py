"""A whole simulated cell for one station file: its truth, its camera, its arm and its robot program."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from eyebolt.config import Station
from eyebolt.context import load_station
from eyebolt.errors import InputFault
from eyebolt_sim.arm import Arm, faulty_arm
from eyebolt_sim.board_texture import BoardTexture, Picture, draw_board_texture
from eyebolt_sim.camera_server import CameraServer, RemoteArm
from eyebolt_sim.cell_faults import NO_FAULT, ActiveFault, CellFault
from eyebolt_sim.cell_geometry import UPRIGHT_T_OUTWARD, CellGeometry, Mount, Turns, make_cell_geometry, write_truth
from eyebolt_sim.lens import Lens, read_lens
from eyebolt_sim.moving_arm import MovingArm
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.render import Renderer
from eyebolt_sim.robot_link import open_link
from eyebolt_sim.robot_program import MovableArm, ProgramOutcome, RobotProgram, active_tool, check_waypoints
from eyebolt_sim.touch_plan import Pointer, TouchPlan, plan_touches
from eyebolt_sim.transforms import Array, inverse
from eyebolt_sim.waypoints import MAX_WAYPOINTS, Waypoint, plan_waypoints

_NOISE_MM, _NOISE_DEG = 0.1, 0.02


@dataclass(frozen=True)
class CellOptions:
    """What the person at the simulator chooses.

    A robot noise of None is the station's own ``noise_mm``, ``noise_deg``, or else 0.1 mm, 0.02 deg. ``touches``: how
    many corners are touched at the end; a ``tip_error_mm`` of None is the station's ``tip_sigma_mm``, or else 0.
    ``fault``: what is wrong in the cell.
    """

    seed: int = 0
    waypoints: int = 15
    speed: float = 20.0
    robot_noise_mm: float | None = None
    robot_noise_deg: float | None = None
    joint_error_deg: float = 0.0
    link_error_mm: float = 0.0
    checks: bool = True
    wait_s: float = 15.0
    touches: int = 0
    tip_error_mm: float | None = None
    fault: CellFault = NO_FAULT


@dataclass(frozen=True)
class Cell:
    """Everything that is true in the cell of a station, and where its arm goes."""

    station: Station
    options: CellOptions
    scene: CellGeometry
    lens: Lens
    board: BoardTexture
    noise: PoseNoise
    captures: list[Waypoint]
    checks: list[Waypoint]
    active_fault: ActiveFault
    touch_plan: TouchPlan | None = None

    def view_from_outward(self, base_T_outward: Array, base_T_board: Array | None = None) -> Array:
        """camera_T_board when the arm's outward flange frame stands at ``base_T_outward`` (4, 4).

        ``base_T_board`` (4, 4): where the board was laid, if a fixed camera looks at one that is not on the arm.
        """
        if base_T_board is not None and self.scene.mount == "fixed":
            return inverse(self.scene.wanted) @ base_T_board
        turned = self.station.station.turns == "vertical"
        return self.scene.view_from(base_T_outward @ UPRIGHT_T_OUTWARD if turned else base_T_outward)

    def moving_arm(self) -> MovingArm:
        """The real arm, at rest at the first waypoint."""
        return MovingArm(_real_arm(self.options), self.noise, self.options.seed, self.captures[0].joints_rad)

    def camera_server(self, arm: MovingArm) -> CameraServer:
        """The camera of the cell, to be opened with ``with``. Raises InputFault ``sim-source`` for other cameras."""
        fault = self.active_fault.fault
        texture = fault.board(self.board)
        initial_renderer = later_renderer = Renderer(fault.lens(self.lens, False), texture, seed=self.options.seed)
        if fault.focal_step:
            later_renderer = Renderer(fault.lens(self.lens, True), texture, seed=self.options.seed)
            # Makes its tables now: no robot should have to wait for them.
            later_renderer.render(self.view_from_outward(arm.pose_at(0.0)), 0)

        def expose(base_T_outward: Array, served: int) -> Picture:
            started = self.active_fault.started
            view = self.view_from_outward(base_T_outward, arm.base_T_board)
            return (later_renderer if started else initial_renderer).render(fault.view(view, started), served)

        return CameraServer(simulated_endpoint(self.station), expose, arm)

    def run_robot(self, arm: MovableArm, print_line: Callable[[str], None]) -> ProgramOutcome:
        """Connect to the daemon and play the robot program; see RobotProgram for what it raises."""
        robot = self.station.robot
        pose_format = PoseFormat(robot.length, robot.rotation, robot.angle)
        with contextlib.closing(open_link(robot, self.options.wait_s)) as link:
            tool = active_tool(pose_format, robot.pose_of, robot.tool)
            written = self.active_fault.fault.pose_format(pose_format)
            program = RobotProgram(link, arm, written, tool, self.options.speed, print_line, self.active_fault)
            return program.run(self.captures, self.checks, self.touch_plan)

    def write_truth(self, path: Path) -> None:
        """Write ``truth.json``. Raises InputFault ``sim-truth`` if it cannot be written."""
        try:
            write_truth(
                path,
                self.scene,
                self.noise,
                joint_error_deg=self.options.joint_error_deg,
                link_error_mm=self.options.link_error_mm,
                fault=self.active_fault.fault.spec,
            )
        except OSError as fault:
            raise InputFault(
                "sim-truth", f"{path} cannot be written: {fault.strerror}", "give another place with --truth FILE."
            ) from fault


def prepare_cell(station_file: Path, options: CellOptions) -> Cell:
    """The cell that a station file describes, filled with a seeded truth.

    Raises InputFault ``file-unreadable``, ``station-file``, ``lens-file``, ``sim-board``, ``sim-waypoints``,
    ``sim-fault``, ``no-waypoints``, ``sim-tip`` or ``no-touches``.
    """
    if not 3 <= options.waypoints <= MAX_WAYPOINTS:
        raise InputFault(
            "sim-waypoints",
            f"{options.waypoints} waypoints are asked for",
            f"choose 3 to {MAX_WAYPOINTS} with --waypoints.",
        )
    check_start_waypoint(options.fault, options.waypoints)
    station = load_station(station_file)
    board = station.board
    texture = draw_board_texture(
        board.kind,
        board.columns,
        board.rows,
        board.square_mm,
        board.marker_mm,
        board.dictionary,
        board.corner_order,
        board.gap_mm,
        board.spacing_mm,
    )
    lens = read_lens(station_file.parent / station.camera.intrinsics)
    near_m, far_m = station.goal.near_mm * 1e-3, station.goal.far_mm * 1e-3
    mount: Mount = "arm" if station.station.mount == "arm" else "fixed"
    turns: Turns = "vertical" if station.station.turns == "vertical" else "free"
    scene = make_cell_geometry(mount, options.seed, (near_m + far_m) / 2, texture.shape.size_m, turns)
    extra = 1 if options.checks else 0
    waypoints = plan_waypoints(scene, lens, texture.shape, near_m, far_m, options.waypoints + extra, options.seed)
    captures = waypoints[: options.waypoints]
    checks = check_waypoints(captures, waypoints[-1]) if options.checks else []
    noise = _noise(station, options)
    touch_plan = None
    if options.touches:
        real, pointer, middle_m = _real_arm(options), _pointer(station, options), (near_m + far_m) / 2
        touch_plan = plan_touches(
            scene, lens, texture.shape, middle_m, real, noise, pointer, options.touches, captures[0], options.seed
        )
    return Cell(station, options, scene, lens, texture, noise, captures, checks, ActiveFault(options.fault), touch_plan)


def check_start_waypoint(fault: CellFault, waypoints: int) -> None:
    """Raises InputFault ``sim-fault`` if a fault would begin after the last waypoint."""
    if fault.has_start_waypoint and fault.start_waypoint > waypoints:
        raise InputFault(
            "sim-fault",
            f"{fault.name} would begin at waypoint {fault.start_waypoint}, and there are {waypoints}",
            f"write {fault.name}@N with N from 2 to {waypoints}.",
        )


def simulated_endpoint(station: Station) -> str:
    """Where the simulated camera serves. Raises InputFault ``sim-source`` if the station has another camera."""
    camera = station.camera
    if camera.source != "simulated" or camera.endpoint is None:
        raise InputFault(
            "sim-source",
            f'the station takes its pictures from the source "{camera.source}", not from a simulated camera',
            'write source = "simulated" and an endpoint under [camera], or play only the robot with --robot-only.',
        )
    return camera.endpoint


def remote_arm(station: Station) -> RemoteArm | None:
    """The arm of a picture server in another process; None where the station's camera is a real one."""
    return (
        RemoteArm(station.camera.endpoint) if station.camera.source == "simulated" and station.camera.endpoint else None
    )


class NullArm:
    """An arm that no simulated camera looks at: moving it changes nothing."""

    def move_to(self, joints_rad: Array, seconds: float, now_s: float) -> None:
        """Do nothing."""

    def place_board(self, base_T_board: Array) -> None:
        """Do nothing: a real camera sees the board that is there."""


def _real_arm(options: CellOptions) -> Arm:
    return faulty_arm(np.random.default_rng([options.seed, 13]), options.joint_error_deg, options.link_error_mm)


def _pointer(station: Station, options: CellOptions) -> Pointer:
    robot = station.robot
    if robot.tip_mm is None:
        raise InputFault(
            "sim-tip",
            "the station does not say where the pointer's tip is",
            "write tip_mm = [x, y, z] under [robot] in the station file, or leave --touch out.",
        )
    default_mm = robot.tip_sigma_mm or 0.0
    sigma_mm = default_mm if options.tip_error_mm is None else options.tip_error_mm
    return Pointer.draw(robot.tip_mm, sigma_mm, np.random.default_rng([options.seed, 19]))


def _noise(station: Station, options: CellOptions) -> PoseNoise:
    robot = station.robot
    default_mm = _NOISE_MM if robot.noise_mm is None else robot.noise_mm
    default_deg = _NOISE_DEG if robot.noise_deg is None else robot.noise_deg
    return PoseNoise(
        default_mm if options.robot_noise_mm is None else options.robot_noise_mm,
        default_deg if options.robot_noise_deg is None else options.robot_noise_deg,
    )
