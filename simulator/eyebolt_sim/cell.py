"""A whole simulated cell for one station file: its truth, its camera, its arm and its robot program."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from eyebolt.config import Station
from eyebolt.context import read_station
from eyebolt.errors import InputFault
from eyebolt_sim.arm import Arm, faulty_arm
from eyebolt_sim.board_texture import BoardPrint, Picture, print_board
from eyebolt_sim.camera_server import PictureServer, RemoteArm
from eyebolt_sim.cell_faults import NO_FAULT, CellFault, FaultInForce
from eyebolt_sim.cell_geometry import UPRIGHT_T_OUTWARD, Scene, make_scene, write_truth
from eyebolt_sim.lens import Lens, read_lens
from eyebolt_sim.moving_arm import MovingArm
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.pose_format import PoseTerms
from eyebolt_sim.render import Renderer
from eyebolt_sim.robot_link import link_to
from eyebolt_sim.robot_program import Movable, Outcome, RobotProgram, check_waypoints, tool_in_force
from eyebolt_sim.touch_plan import Pointer, Touching, plan_touching
from eyebolt_sim.transforms import Array, inverse
from eyebolt_sim.waypoints import MOST_WAYPOINTS, Waypoint, plan_waypoints

_NOISE_MM, _NOISE_DEG = 0.1, 0.02


@dataclass(frozen=True)
class CellChoices:
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
    choices: CellChoices
    scene: Scene
    lens: Lens
    board: BoardPrint
    noise: PoseNoise
    captures: list[Waypoint]
    checks: list[Waypoint]
    in_force: FaultInForce
    touching: Touching | None = None

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
        return MovingArm(_real_arm(self.choices), self.noise, self.choices.seed, self.captures[0].joints_rad)

    def picture_server(self, arm: MovingArm) -> PictureServer:
        """The camera of the cell, to be opened with ``with``. Raises InputFault ``sim-source`` for other cameras."""
        fault = self.in_force.fault
        face = fault.board(self.board)
        at_first = later = Renderer(fault.lens(self.lens, False), face, seed=self.choices.seed)
        if fault.focal_grows_later:
            later = Renderer(fault.lens(self.lens, True), face, seed=self.choices.seed)
            # Makes its tables now: no robot should have to wait for them.
            later.render(self.view_from_outward(arm.pose_at(0.0)), 0)

        def look(base_T_outward: Array, served: int) -> Picture:
            begun = self.in_force.begun
            view = self.view_from_outward(base_T_outward, arm.base_T_board)
            return (later if begun else at_first).render(fault.view(view, begun), served)

        return PictureServer(simulated_endpoint(self.station), look, arm)

    def run_robot(self, arm: Movable, say: Callable[[str], None]) -> Outcome:
        """Connect to the daemon and play the robot program; see RobotProgram for what it raises."""
        robot = self.station.robot
        terms = PoseTerms(robot.length, robot.rotation, robot.angle)
        with contextlib.closing(link_to(robot, self.choices.wait_s)) as link:
            tool = tool_in_force(terms, robot.pose_of, robot.tool)
            written = self.in_force.fault.terms(terms)
            program = RobotProgram(link, arm, written, tool, self.choices.speed, say, self.in_force)
            return program.run(self.captures, self.checks, self.touching)

    def write_truth(self, path: Path) -> None:
        """Write ``truth.json``. Raises InputFault ``sim-truth`` if it cannot be written."""
        try:
            write_truth(
                path,
                self.scene,
                self.noise,
                joint_error_deg=self.choices.joint_error_deg,
                link_error_mm=self.choices.link_error_mm,
                fault=self.in_force.fault.wish,
            )
        except OSError as fault:
            raise InputFault(
                "sim-truth", f"{path} cannot be written: {fault.strerror}", "give another place with --truth FILE."
            ) from fault


def prepare_cell(station_file: Path, choices: CellChoices) -> Cell:
    """The cell that a station file describes, filled with a seeded truth.

    Raises InputFault ``file-unreadable``, ``station-file``, ``lens-file``, ``sim-board``, ``sim-waypoints``,
    ``sim-fault``, ``no-waypoints``, ``sim-tip`` or ``no-touches``.
    """
    if not 3 <= choices.waypoints <= MOST_WAYPOINTS:
        raise InputFault(
            "sim-waypoints",
            f"{choices.waypoints} waypoints are asked for",
            f"choose 3 to {MOST_WAYPOINTS} with --waypoints.",
        )
    refuse_late(choices.fault, choices.waypoints)
    station = read_station(station_file)
    board = station.board
    face = print_board(
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
    mount, turns = station.station.mount, station.station.turns
    scene = make_scene(mount, choices.seed, (near_m + far_m) / 2, face.shape.size_m, turns)
    spare = 1 if choices.checks else 0
    places = plan_waypoints(scene, lens, face.shape, near_m, far_m, choices.waypoints + spare, choices.seed)
    captures = places[: choices.waypoints]
    checks = check_waypoints(captures, places[-1]) if choices.checks else []
    noise = _noise(station, choices)
    touching = None
    if choices.touches:
        real, pointer, middle_m = _real_arm(choices), _pointer(station, choices), (near_m + far_m) / 2
        touching = plan_touching(
            scene, lens, face.shape, middle_m, real, noise, pointer, choices.touches, captures[0], choices.seed
        )
    return Cell(station, choices, scene, lens, face, noise, captures, checks, FaultInForce(choices.fault), touching)


def refuse_late(fault: CellFault, waypoints: int) -> None:
    """Raises InputFault ``sim-fault`` if a fault would begin after the last waypoint."""
    if fault.begins_later and fault.since > waypoints:
        raise InputFault(
            "sim-fault",
            f"{fault.name} would begin at waypoint {fault.since}, and there are {waypoints}",
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


class UnwatchedArm:
    """An arm that no simulated camera looks at: moving it changes nothing."""

    def move_to(self, joints_rad: Array, seconds: float, now_s: float) -> None:
        """Do nothing."""

    def lay_board(self, base_T_board: Array) -> None:
        """Do nothing: a real camera sees the board that is there."""


def _real_arm(choices: CellChoices) -> Arm:
    return faulty_arm(np.random.default_rng([choices.seed, 13]), choices.joint_error_deg, choices.link_error_mm)


def _pointer(station: Station, choices: CellChoices) -> Pointer:
    robot = station.robot
    if robot.tip_mm is None:
        raise InputFault(
            "sim-tip",
            "the station does not say where the pointer's tip is",
            "write tip_mm = [x, y, z] under [robot] in the station file, or leave --touch out.",
        )
    stated_mm = robot.tip_sigma_mm or 0.0
    sigma_mm = stated_mm if choices.tip_error_mm is None else choices.tip_error_mm
    return Pointer.draw(robot.tip_mm, sigma_mm, np.random.default_rng([choices.seed, 19]))


def _noise(station: Station, choices: CellChoices) -> PoseNoise:
    robot = station.robot
    stated_mm = _NOISE_MM if robot.noise_mm is None else robot.noise_mm
    stated_deg = _NOISE_DEG if robot.noise_deg is None else robot.noise_deg
    return PoseNoise(
        stated_mm if choices.robot_noise_mm is None else choices.robot_noise_mm,
        stated_deg if choices.robot_noise_deg is None else choices.robot_noise_deg,
    )
