"""The simulated cell of a station file: truth, camera, arm and robot program."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from eyebolt.config import Station
from eyebolt.context import load_station
from eyebolt.errors import InputFault
from eyebolt.security import ClientKeys
from eyebolt_sim.arm import LINK_LENGTH_M, Arm, faulty_arm
from eyebolt_sim.board_texture import BoardTexture, Image, draw_board_texture
from eyebolt_sim.camera_server import CameraServer, RemoteArm
from eyebolt_sim.cell_faults import NO_FAULT, ActiveFault, CellFault
from eyebolt_sim.cell_geometry import UPRIGHT_T_OUTWARD, CellGeometry, Mount, Turns, make_cell_geometry, write_truth
from eyebolt_sim.controllers import Controller, ControllerLink, ControllerProgram
from eyebolt_sim.lens import Lens, read_lens
from eyebolt_sim.moving_arm import MovingArm
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.pose_follower import PoseFollower
from eyebolt_sim.pose_format import PoseFormat
from eyebolt_sim.render import Renderer
from eyebolt_sim.robot_link import RobotLink, open_connection, open_link
from eyebolt_sim.robot_program import MovableArm, ProgramOutcome, RobotProgram, active_tool
from eyebolt_sim.touch_plan import Pointer, TouchPlan, plan_touches
from eyebolt_sim.transforms import Array, inverse
from eyebolt_sim.waypoints import MAX_WAYPOINTS, Waypoint, plan_waypoints

# Enough for a verdict, and not so many that a session takes noticeably longer.
_CHECKS = 2
_NOISE_MM, _NOISE_DEG = 0.1, 0.02
StatusSource = tuple[str, ClientKeys | None]
"""Address of a station's status, and the keys for it."""


@dataclass(frozen=True)
class CellOptions:
    """Options of a simulated cell beyond the station file."""

    seed: int = 0
    """seed of geometry, waypoints and noise"""
    waypoints: int = 15
    """number of captures, 3 to 20"""
    speed: float = 20.0
    """times the reduced speed of `travel_time_s`"""
    robot_noise_mm: float | None = None
    """standard deviation per axis; None: ``noise_mm`` of the station, or else 0.1 mm"""
    robot_noise_deg: float | None = None
    """standard deviation per axis; None: ``noise_deg`` of the station, or else 0.02 deg"""
    joint_error_deg: float = 0.0
    """standard deviation of constant joint offsets"""
    link_error_mm: float = 0.0
    """standard deviation of constant link errors"""
    checks: bool = True
    """whether two checks follow the captures, at waypoints of their own: a repeated pose would prove less"""
    wait_s: float = 15.0
    """how long to wait for the daemon"""
    touches: int = 0
    """number of corners touched at the end"""
    tip_error_mm: float | None = None
    """standard deviation per axis of the pointer's tip; None: ``tip_sigma_mm`` of the station, or else 0"""
    fault: CellFault = NO_FAULT
    """injected fault"""
    controller: Controller | None = None
    """controller whose habits the robot has; None: a plain client"""
    lens_file: Path | None = None
    """file of the real lens; None: it is that of the station's lens file"""


@dataclass(frozen=True)
class Cell:
    """The simulated cell of a station: its truth and the waypoints of its robot program."""

    station: Station
    """the station file"""
    options: CellOptions
    """the options it was prepared with"""
    scene: CellGeometry
    """true poses of camera and board"""
    lens: Lens
    """real lens, but for the fault"""
    board: BoardTexture
    """board as stated in the station file"""
    noise: PoseNoise
    """noise of the arm"""
    captures: list[Waypoint]
    """waypoints of the captures"""
    checks: list[Waypoint]
    """waypoints of the checks"""
    active_fault: ActiveFault
    """injected fault and its state"""
    touch_plan: TouchPlan | None = None
    """touches at the end; None without"""

    def view_from_outward(self, base_T_outward: Array, base_T_board: Array | None = None) -> Array:
        """camera_T_board (4, 4) when the outward flange frame is at ``base_T_outward`` (4, 4).

        ``base_T_board`` (4, 4) is the pose of a placed board, for a fixed camera.
        """
        if base_T_board is not None and self.scene.mount == Mount.FIXED:
            return inverse(self.scene.hand_eye) @ base_T_board
        is_upright = self.scene.turns == Turns.VERTICAL
        return self.scene.view_from(base_T_outward @ UPRIGHT_T_OUTWARD if is_upright else base_T_outward)

    def moving_arm(self) -> MovingArm:
        """The real arm, at rest at the first waypoint."""
        return MovingArm(_real_arm(self.options), self.noise, self.options.seed, self.captures[0].joints_rad)

    def pose_follower(self, source: StatusSource, arm: MovingArm, print_line: Callable[[str], None]) -> PoseFollower:
        """Moves ``arm`` to the poses that the robot's requests report; ``source``: of the station's status."""
        robot = self.station.robot
        pose_format = PoseFormat(robot.length, robot.rotation, robot.angle)
        reported_T_flange = inverse(active_tool(pose_format, robot.pose_of, robot.tool))

        def base_T_outward(numbers: tuple[float, ...]) -> Array:
            base_T_flange = pose_format.parse_pose(numbers) @ reported_T_flange
            return base_T_flange @ UPRIGHT_T_OUTWARD if self.scene.turns == Turns.VERTICAL else base_T_flange

        return PoseFollower(*source, arm, base_T_outward, print_line)

    def camera_server(self, arm: MovingArm, before_exposure: Callable[[], None] | None = None) -> CameraServer:
        """The camera of the cell, a context manager. Raises InputFault ``sim-source`` if the station has another.

        ``before_exposure``: see CameraServer.
        """
        fault = self.active_fault.fault
        texture = fault.board(self.board)
        initial_renderer = later_renderer = Renderer(fault.lens(self.lens, False), texture, seed=self.options.seed)
        if fault.changes_lens_mid_session:
            later_renderer = Renderer(fault.lens(self.lens, True), texture, seed=self.options.seed)
            # Computes its tables now, so that no request waits for them.
            later_renderer.render(self.view_from_outward(arm.pose_at(0.0)), 0)

        def expose(base_T_outward: Array, served: int) -> Image:
            started = self.active_fault.started
            view = self.view_from_outward(base_T_outward, arm.base_T_board)
            return (later_renderer if started else initial_renderer).render(fault.view(view, started), served)

        return CameraServer(simulated_endpoint(self.station), expose, arm, before_exposure)

    def run_robot(
        self,
        arm: MovableArm,
        print_line: Callable[[str], None],
        first_waypoint: int = 1,
        on_waypoint: Callable[[int, RobotLink], None] = lambda *_: None,
    ) -> ProgramOutcome:
        """Connect to the daemon and run the robot program.

        ``first_waypoint``: see `RobotProgram.run`. ``on_waypoint`` is called before each capture of a plain client with
        the number of its waypoint and the connection.
        Raises what `open_link` and `RobotProgram` or `ControllerProgram` raise.
        """
        robot, speed = self.station.robot, self.options.speed
        pose_format = PoseFormat(robot.length, robot.rotation, robot.angle)
        tool = active_tool(pose_format, robot.pose_of, robot.tool)
        if self.options.controller is not None:
            connection = open_connection(robot, self.options.wait_s)
            with contextlib.closing(ControllerLink(self.options.controller, connection)) as controller_link:
                controlled = ControllerProgram(controller_link, arm, tool, speed, print_line)
                return controlled.run(self.captures, self.checks)
        with contextlib.closing(open_link(robot, self.options.wait_s)) as link:
            real_format = self.active_fault.fault.pose_format(pose_format)
            fault, units = self.active_fault, self._joint_units()
            program = RobotProgram(
                link, arm, real_format, tool, speed, print_line, fault, units, lambda number: on_waypoint(number, link)
            )
            return program.run(self.captures, self.checks, self.touch_plan, first_waypoint)

    def _joint_units(self) -> tuple[str, ...]:
        """Unit of each joint that the robot program sends; empty if the station file names no six joints."""
        units = self.station.robot.joint_units
        return units if len(units) == len(LINK_LENGTH_M) and "mm" not in units else ()

    def write_truth(self, path: Path) -> None:
        """Write ``truth.json``. Raises InputFault ``sim-truth``."""
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
                "sim-truth", f"{path} cannot be written: {fault.strerror}", "name another file: --truth FILE."
            ) from fault


def prepare_cell(station_file: Path, options: CellOptions) -> Cell:
    """The cell of a station file, with a truth drawn from the seed.

    Raises InputFault ``file-unreadable``, ``station-file``, ``lens-file``, ``sim-board``, ``sim-waypoints``,
    ``sim-fault``, ``sim-controller``, ``no-waypoints``, ``sim-tip`` or ``no-touches``.
    """
    if not 3 <= options.waypoints <= MAX_WAYPOINTS:
        raise InputFault(
            "sim-waypoints",
            f"--waypoints {options.waypoints} is out of range",
            f"choose 3 to {MAX_WAYPOINTS} with --waypoints.",
        )
    options.fault.check_fits(options.waypoints)
    station = load_station(station_file)
    if options.controller is not None:
        options.controller.check_fits(station.robot)
    texture = station_texture(station)
    lens = read_lens(options.lens_file or station_file.parent / station.camera.intrinsics)
    near_m, far_m = station.goal.near_mm * 1e-3, station.goal.far_mm * 1e-3
    mount, turns = Mount(station.station.mount.value), Turns(station.station.turns.value)
    scene = make_cell_geometry(mount, options.seed, (near_m + far_m) / 2, texture.shape.size_m, turns)
    extra = _CHECKS if options.checks else 0
    waypoints = plan_waypoints(scene, lens, texture.shape, near_m, far_m, options.waypoints + extra, options.seed)
    captures = waypoints[: options.waypoints]
    checks = waypoints[options.waypoints :]
    noise = _noise(station, options)
    touch_plan = None
    if options.touches:
        real, pointer, middle_m = _real_arm(options), _pointer(station, options), (near_m + far_m) / 2
        touch_plan = plan_touches(
            scene, lens, texture.shape, middle_m, real, noise, pointer, options.touches, captures[0], options.seed
        )
    return Cell(station, options, scene, lens, texture, noise, captures, checks, ActiveFault(options.fault), touch_plan)


def station_texture(station: Station) -> BoardTexture:
    """The board as the station file states it. Raises InputFault ``sim-board``."""
    board = station.board
    return draw_board_texture(
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


def simulated_endpoint(station: Station) -> str:
    """Endpoint of the simulated camera. Raises InputFault ``sim-source`` if the station has another camera."""
    camera = station.camera
    if camera.source != "simulated" or camera.endpoint is None:
        raise InputFault(
            "sim-source",
            f'[camera] source of the station is "{camera.source}", not "simulated"',
            'write source = "simulated" and an endpoint under [camera], or simulate the robot alone: --robot-only.',
        )
    return camera.endpoint


def remote_arm(station: Station) -> RemoteArm | None:
    """The arm of a camera server in another process; None for a station with a real camera."""
    return (
        RemoteArm(station.camera.endpoint) if station.camera.source == "simulated" and station.camera.endpoint else None
    )


class NullArm:
    """The arm of a station with a real camera: there is nothing to move."""

    def move_to(self, joints_rad: Array, seconds: float, now_s: float) -> None:
        """Do nothing."""

    def place_board(self, base_T_board: Array) -> None:
        """Do nothing."""


def _real_arm(options: CellOptions) -> Arm:
    return faulty_arm(np.random.default_rng([options.seed, 13]), options.joint_error_deg, options.link_error_mm)


def _pointer(station: Station, options: CellOptions) -> Pointer:
    robot = station.robot
    if robot.tip_mm is None:
        raise InputFault(
            "sim-tip",
            "the station file does not state the pointer's tip",
            "write tip_mm = [x, y, z] under [robot] in the station file, or omit --touch.",
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
