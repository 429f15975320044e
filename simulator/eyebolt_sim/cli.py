"""The command ``eyebolt-sim``."""

from __future__ import annotations

import contextlib
import math
import os
import shutil
import sys
import tempfile
import textwrap
import threading
import time
from collections.abc import Callable, Iterator
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

# One thread, as in the daemon: the order of floating-point sums, and so the last digits of a replay, depend on it.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import typer

from eyebolt.cli import MountChoice, print_line, run_command
from eyebolt.errors import InputFault
from eyebolt.plain_text import clean_line
from eyebolt_sim.scenario_names import ScenarioName

# Each command imports what it needs, so that --help does not load the solver.
if TYPE_CHECKING:
    from eyebolt_sim.cell import Cell, StatusSource
    from eyebolt_sim.fault_scenarios import FaultOutcome
    from eyebolt_sim.moving_arm import MovingArm
    from eyebolt_sim.replay import Played
    from eyebolt_sim.robot_program import ProgramOutcome
    from eyebolt_sim.verdict import Verdict


class WayChoice(StrEnum):
    """How the bytes of a transcript's lines are cut, as an option."""

    lines = "lines"
    bytes = "bytes"
    merged = "merged"


_FAULT_SPEC_HELP = "FAULT or FAULT@WAYPOINT; an unknown name lists them."
STOPPED_BY_DAEMON = 3
DIFFERS = 1
app = typer.Typer(
    add_completion=False, no_args_is_help=True, pretty_exceptions_enable=False, help="Simulated cells for Eyebolt."
)


@app.callback()
def _root() -> None:
    """Simulated cells for Eyebolt."""


@app.command(
    help="""Calibrate a simulated cell, without hardware, and compare what the tool answers with what it has to answer.

Robot program, camera and what befalls them are simulated; the daemon is a real one. Exit code 0 if the tool answered
all that it had to, else 1. The scenarios:

\b
"""
    + "\n".join(f"{name:<17} {name.description}" for name in ScenarioName)
)
def demo(
    scenario: Annotated[
        ScenarioName, typer.Option(metavar="NAME", help="What happens in the cell: one of those above.")
    ] = ScenarioName.CAMERA_FIXED,
    seed: Annotated[int, typer.Option(min=0, help="Seed of geometry, waypoints and noise.")] = 0,
    folder: Annotated[Path | None, typer.Option(help="Folder for all files (default: a new temporary one).")] = None,
) -> None:
    """Play a scenario."""
    from eyebolt_sim.demo import run_demo

    raise typer.Exit(run_demo(scenario, seed, folder))


@app.command()
def cell(
    station: Annotated[Path, typer.Argument(help="The station file that the daemon serves.")],
    seed: Annotated[int, typer.Option(min=0, help="Seed of geometry, waypoints and noise.")] = 0,
    waypoints: Annotated[int, typer.Option(help="Number of captures, 3 to 20.")] = 15,
    speed: Annotated[float, typer.Option(min=0.01, help="Times the reduced speed of 250 mm/s.")] = 20.0,
    robot_noise_mm: Annotated[float | None, typer.Option(min=0, help="Arm noise per axis, one sigma.")] = None,
    robot_noise_deg: Annotated[float | None, typer.Option(min=0, help="Arm noise per axis, one sigma.")] = None,
    joint_error_deg: Annotated[float, typer.Option(min=0, help="Constant joint offsets, one sigma.")] = 0.0,
    link_error_mm: Annotated[float, typer.Option(min=0, help="Constant link errors, one sigma.")] = 0.0,
    checks: Annotated[bool, typer.Option(help="Two check waypoints at the end.")] = True,
    touch: Annotated[int, typer.Option(min=0, max=50, help="Corners of a placed board to touch at the end.")] = 0,
    tip_error_mm: Annotated[float | None, typer.Option(min=0, help="Error of the pointer's tip, one sigma.")] = None,
    inject: Annotated[str | None, typer.Option(help=f"A fault of the cell: {_FAULT_SPEC_HELP}")] = None,
    controller: Annotated[
        str | None, typer.Option(help="The robot has the habits of this controller language; an unknown lists them.")
    ] = None,
    wait: Annotated[float, typer.Option(min=0.1, help="Seconds to wait for the daemon.")] = 15.0,
    lens: Annotated[Path | None, typer.Option(help="File of the real lens (default: the station's lens file).")] = None,
    truth: Annotated[Path | None, typer.Option(help="File for the truth (default: beside the station file).")] = None,
    camera_only: Annotated[
        bool, typer.Option(help="Simulate the camera until interrupted; the arm stands where requests report it.")
    ] = False,
    robot_only: Annotated[bool, typer.Option(help="Simulate the robot; the camera is elsewhere.")] = False,
    guided: Annotated[
        bool, typer.Option(help="A hand guides the arm through the waypoints; the robot only streams its poses.")
    ] = False,
    pose_rate: Annotated[float, typer.Option(min=10, max=500, help="With --guided: poses per second.")] = 125.0,
    pose_delay_ms: Annotated[float, typer.Option(min=0, max=250, help="With --guided: delay of the poses.")] = 60.0,
) -> None:
    """Simulate camera and robot of a station against its daemon; --inject adds a fault of the cell.

    With --controller the robot connects, prints, sends and reads as controllers of that language do.

    Exit code 0 if the session ended normally, 3 if the daemon stopped the robot program, 1 for an error.
    """
    from eyebolt.context import local_status_source
    from eyebolt_sim.cell import CellOptions, prepare_cell
    from eyebolt_sim.cell_faults import NO_FAULT, parse_cell_fault
    from eyebolt_sim.controllers import find_controller
    from eyebolt_sim.robot_program import rejection_fault

    if camera_only and robot_only:
        raise InputFault(
            "sim-usage", "--camera-only and --robot-only exclude each other", "omit both to simulate both."
        )
    if inject and (camera_only or robot_only or touch):
        raise InputFault(
            "sim-usage",
            "--inject cannot be combined with --camera-only, --robot-only or --touch",
            "a fault involves robot program and camera, and touches have none yet: omit the other options.",
        )
    if controller and (camera_only or inject or touch):
        raise InputFault(
            "sim-usage",
            "--controller cannot be combined with --camera-only, --inject or --touch",
            "its program captures and checks only: omit the other options.",
        )
    if guided and (camera_only or robot_only or inject or touch or controller):
        raise InputFault(
            "sim-usage",
            "--guided cannot be combined with --camera-only, --robot-only, --inject, --controller or --touch",
            "a guided arm has no program: omit the other options.",
        )
    options = CellOptions(
        seed=seed,
        waypoints=waypoints,
        speed=speed,
        robot_noise_mm=robot_noise_mm,
        robot_noise_deg=robot_noise_deg,
        joint_error_deg=joint_error_deg,
        link_error_mm=link_error_mm,
        checks=checks,
        wait_s=wait,
        touches=touch,
        tip_error_mm=tip_error_mm,
        fault=NO_FAULT if inject is None else parse_cell_fault(inject),
        controller=None if controller is None else find_controller(controller),
        lens_file=lens,
    )
    simulated_cell = prepare_cell(station, options)
    if guided:
        _run_guided(simulated_cell, truth or station.parent / "truth.json", pose_rate, pose_delay_ms / 1e3)
        return
    if robot_only:
        outcome = _run_robot_only(simulated_cell)
    else:
        arm = simulated_cell.moving_arm()
        truth_file = truth or station.parent / "truth.json"
        announcement = f"images at {simulated_cell.station.camera.endpoint}, seed {seed}"
        if camera_only:
            source = local_status_source(station, simulated_cell.station)
            _run_camera_only(simulated_cell, arm, source, truth_file, announcement)
            return
        with simulated_cell.camera_server(arm):
            simulated_cell.write_truth(truth_file)
            print_line(announcement)
            outcome = simulated_cell.run_robot(arm, print_line)
    print_line(f"{outcome.message}; {outcome.kept} pairs kept")
    if outcome.stop_code is not None:
        raise typer.Exit(STOPPED_BY_DAEMON)
    if not outcome.solved:
        raise rejection_fault(outcome.message)


@app.command()
def pictures(
    station: Annotated[Path, typer.Argument(help="The station file whose board is taken.")],
    folder: Annotated[Path, typer.Argument(help="Folder for the pictures.")],
    count: Annotated[int, typer.Option(min=1, max=200, help="Number of pictures.")] = 20,
    seed: Annotated[int, typer.Option(min=0, help="Seed of views and noise.")] = 0,
) -> None:
    """Take pictures of a station's board with a simulated camera, for `eyebolt lens`.

    The lens that took them is written beside the station file; `cell --lens` simulates the same camera.
    """
    from eyebolt_sim.lens_pictures import take_pictures

    true_lens = take_pictures(station, folder, count, seed)
    print_line(f"{count} pictures in {folder}, taken with the lens in {true_lens}")


@app.command()
def faults(
    names: Annotated[list[str] | None, typer.Argument(metavar="FAULT", help=_FAULT_SPEC_HELP)] = None,
    mount: Annotated[MountChoice, typer.Option(help="Camera fixed in the cell, or on the arm.")] = MountChoice.fixed,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the cells.")] = 0,
    folder: Annotated[Path | None, typer.Option(help="Folder for the sessions (default: a temporary one).")] = None,
) -> None:
    """Run a session with each fault of a cell, or with those named, and print how the daemon detects it.

    A fault that begins at a waypoint begins at the fifth, or at N: FAULT@N. Each session takes some seconds.
    """
    from eyebolt_sim.cell import CellOptions
    from eyebolt_sim.cell_faults import CELL_FAULTS, StartingFault, parse_cell_fault
    from eyebolt_sim.fault_scenarios import run_fault

    chosen = {name: parse_cell_fault(name) for name in names or CELL_FAULTS}
    for fault in chosen.values():
        fault.check_fits(CellOptions().waypoints)
    work_folder = folder or Path(tempfile.mkdtemp(prefix="eyebolt-faults-"))
    mount_text = "fixed" if mount is MountChoice.fixed else "on the arm"
    print_line(f"Simulated cells, camera {mount_text}. Waypoints count from 1, pairs from 0. Sessions: {work_folder}")
    for name, fault in chosen.items():
        begins = f" (waypoint {fault.start_waypoint})" if isinstance(fault, StartingFault) else ""
        print_line("")
        print_line(f"{name}: {fault.description}{begins}")
        for label, text in _outcome_lines(run_fault(fault, mount.value, seed, work_folder / name)):
            for line in textwrap.wrap(text, 100, initial_indent=f"  {label:<10}", subsequent_indent=" " * 12):
                print_line(line)


def _outcome_lines(outcome: FaultOutcome) -> Iterator[tuple[str, str]]:
    if not outcome.was_injected:
        yield "no fault:", "the session ended before that waypoint"
    places = {"capture": "waypoint {}", "check": "check {}", "solve": "the solve"}
    codes = [f"{code} at {places[verb].format(number)}" for verb, number, code in outcome.rejected_requests]
    yield "replies:", f"{', '.join(codes) or 'every pair kept'}; result: {outcome.acceptance}"
    if outcome.message:
        yield "finding:", outcome.message
        yield "remedy:", outcome.remedy


@app.command()
def replay(
    session: Annotated[Path, typer.Argument(help="The folder of a recorded session.")],
    speed: Annotated[str, typer.Option(help="Times the recorded speed (1: real time), or 'max'.")] = "max",
    inject: Annotated[
        list[str] | None, typer.Option(help="A fault of line or camera, FAULT or FAULT@LINE; repeat it for more.")
    ] = None,
    station: Annotated[
        Path | None, typer.Option(help="Replay against the running daemon of this station file, camera 'push'.")
    ] = None,
    folder: Annotated[
        Path | None, typer.Option(help="Working folder of the daemon that is started, with its record.")
    ] = None,
    facts: Annotated[bool, typer.Option(help="No daemon: decide again from the recorded facts.")] = False,
) -> None:
    """Replay a recorded session as robot and camera, and compare every reply and the result with the record.

    By default against a new daemon in a temporary folder. An unknown name of a fault lists them.
    Exit code 0 if everything agrees, else 1.
    """
    from eyebolt_sim.replay import LiveOptions, replay_in_process, replay_live

    if facts:
        if inject or station or folder or speed != "max":
            raise InputFault("sim-usage", "--facts cannot be combined with another option", "omit the other options.")
        report = replay_in_process(session)
    else:
        if station and folder:
            raise InputFault("sim-usage", "--station and --folder exclude each other", "omit one of them.")
        with _progress() as on_played:
            report = replay_live(session, LiveOptions(_speed(speed), tuple(inject or ()), station, folder), on_played)
    for line in report.lines():
        print_line(line)
    if not report.same:
        raise typer.Exit(DIFFERS)


@app.command()
def conform(
    address: Annotated[str, typer.Argument(metavar="HOST:PORT", help="The robot's port of a running daemon.")],
    station: Annotated[
        Path | None, typer.Option(help="Its station file, for pose format, joints and reply_wait_s.")
    ] = None,
    transcript: Annotated[list[str] | None, typer.Option(help="Play only this transcript; repeat it for more.")] = None,
    way: Annotated[
        list[WayChoice] | None, typer.Option(help="Cut the bytes only this way; repeat it for more.")
    ] = None,
    take_over: Annotated[
        bool, typer.Option(help="Even if a robot is connected or a session is open, which ends it.")
    ] = False,
) -> None:
    """Play the protocol's transcripts to a daemon, and print which rule of the wire specification it keeps.

    Opens sessions of its own, which remain in the daemon's record. Does nothing if a robot is connected or a session is
    open, unless --take-over is given. Exit code 0 if no rule failed and one was tried, else 1.
    """
    from eyebolt.addresses import split_host_port
    from eyebolt_sim import conformance

    try:
        host, port = split_host_port(address)
    except ValueError as allowed:
        raise InputFault("sim-usage", f"{address} is not an address", f"write {allowed}.") from None
    ways = [conformance.Way[choice.name.upper()] for choice in way or WayChoice]
    target = conformance.target_of(host, port, station)
    print_line(f"Each transcript opens sessions of its own at {address}; they are ended, and remain in its record.")
    with _progress_line() as show:
        verdict = conformance.conform(target, conformance.chosen_transcripts(transcript or ()), ways, take_over, show)
    _print_verdict(verdict)


@app.command()
def listen(
    station: Annotated[Path, typer.Argument(help="The station file that the robot program is for.")],
    part: Annotated[
        list[str] | None, typer.Option(help="Play only this part: faults, stop or line-fault; repeat it for more.")
    ] = None,
    pairs: Annotated[
        int | None, typer.Option(min=1, max=100, help="Pairs with which the goal is met (default: after all faults).")
    ] = None,
    wait: Annotated[float, typer.Option(min=1, help="Seconds to wait for the robot program, in each part.")] = 300.0,
    away: Annotated[float, typer.Option(min=1, help="Seconds without a connection that end a part.")] = 60.0,
) -> None:
    """Stand in for the daemon of a station against any robot program, with faults, and print a verdict on the program.

    No camera, lens file or board is needed: images, pairs and result are made up. A station with dial is dialled.
    Ctrl-C ends it with the verdict on what was seen. Exit code 0 if no rule failed and one was tried, else 1.
    """
    import asyncio
    import signal

    from eyebolt.context import load_station
    from eyebolt_sim.program_check import PARTS, StandIn, Times

    unknown = [name for name in part or () if name not in PARTS]
    if unknown:
        raise InputFault("sim-usage", f"there is no part {unknown[0]}", f"write one of {', '.join(PARTS)}.")
    chosen = [PARTS[name] for name in part or PARTS]

    async def run() -> Verdict:
        stand_in = StandIn(load_station(station), chosen, print_line, pairs, Times(away_s=away))
        with contextlib.suppress(NotImplementedError):
            asyncio.get_running_loop().add_signal_handler(signal.SIGINT, stand_in.stop)
        return await stand_in.run(wait)

    verdict = asyncio.run(run())
    print_line("")
    _print_verdict(verdict)


def _print_verdict(verdict: Verdict) -> None:
    for line in verdict.lines(shutil.get_terminal_size((100, 24)).columns):
        print_line(line)
    if not verdict.passed:
        raise typer.Exit(DIFFERS)


def _speed(text: str) -> float:
    try:
        speed = math.inf if text == "max" else float(text)
    except ValueError:
        speed = 0.0
    if not speed > 0:
        raise InputFault(
            "sim-usage", f"--speed {text} is not a speed", "write a number above 0 (1: real time), or max."
        )
    return speed


@contextlib.contextmanager
def _progress() -> Iterator[Callable[[Played], None]]:
    """A progress line on a terminal, for the lines of a replay."""
    with _progress_line() as show:
        yield lambda played: show(f"line {played.line.number}: {played.line.text[:60]}")


@contextlib.contextmanager
def _progress_line() -> Iterator[Callable[[str], None]]:
    """A line on a terminal that each text replaces."""
    is_terminal = sys.stderr.isatty()

    def show(text: str) -> None:
        if is_terminal:
            typer.echo(f"\r\x1b[K{clean_line(text)}", err=True, nl=False)

    try:
        yield show
    finally:
        if is_terminal:
            typer.echo("\r\x1b[K", err=True, nl=False)


def _run_camera_only(
    simulated_cell: Cell, arm: MovingArm, source: StatusSource, truth_file: Path, announcement: str
) -> None:
    with (
        simulated_cell.pose_follower(source, arm, print_line) as follower,
        simulated_cell.camera_server(arm, follower.follow),
    ):
        simulated_cell.write_truth(truth_file)
        print_line(f"{announcement}; the arm stands where the robot's requests report it")
        _wait_for_interrupt()


def _run_guided(simulated_cell: Cell, truth_file: Path, rate_hz: float, delay_s: float) -> None:
    from eyebolt_sim.guided_cell import GUIDED_ROUNDS, GuidedCell
    from eyebolt_sim.hand_guiding import StreamTiming
    from eyebolt_sim.robot_link import open_link

    guided = GuidedCell(simulated_cell, StreamTiming(rate_hz=rate_hz, delay_s=delay_s), GUIDED_ROUNDS)
    with simulated_cell.camera_server(guided.moving_arm()):
        simulated_cell.write_truth(truth_file)
        with contextlib.closing(open_link(simulated_cell.station.robot, simulated_cell.options.wait_s)) as link:
            print_line(f"begin a session: eyebolt session begin; a hand guides the arm for {guided.end_s:.0f} s")
            stop = threading.Event()
            with contextlib.suppress(KeyboardInterrupt):
                guided.stream(link, stop, print_line)
    print_line("the hand let go of the arm")


def _run_robot_only(simulated_cell: Cell) -> ProgramOutcome:
    from eyebolt_sim.cell import NullArm, remote_arm

    arm = remote_arm(simulated_cell.station)
    if arm is None:
        return simulated_cell.run_robot(NullArm(), print_line)
    try:
        return simulated_cell.run_robot(arm, print_line)
    finally:
        arm.close()


def _wait_for_interrupt() -> None:
    while True:
        time.sleep(1)


def main() -> None:
    """Entry point."""
    run_command("eyebolt-sim", app)
