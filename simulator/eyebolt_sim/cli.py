"""The command ``eyebolt-sim``."""

from __future__ import annotations

import contextlib
import math
import os
import sys
import tempfile
import textwrap
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

# Matrices here are small, and with one thread a replay in process adds up as the daemon does.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import typer

from eyebolt.cli import MountChoice, run_command
from eyebolt.errors import InputFault
from eyebolt_sim.cell import Cell, CellOptions, NullArm, check_start_waypoint, prepare_cell, remote_arm
from eyebolt_sim.cell_faults import CELL_FAULTS, NO_FAULT, parse_cell_fault
from eyebolt_sim.demo import run_demo
from eyebolt_sim.fault_scenarios import FaultOutcome, run_fault
from eyebolt_sim.robot_program import ProgramOutcome, refused_fault

if TYPE_CHECKING:
    from eyebolt_sim.replay import Played

_FAULT_SPEC_HELP = "FAULT or FAULT@WAYPOINT; any other word lists them."
STOPPED_BY_DAEMON = 3
DIFFERS = 1
app = typer.Typer(
    add_completion=False, no_args_is_help=True, pretty_exceptions_enable=False, help="Simulated cells for Eyebolt."
)


@app.callback()
def _root() -> None:
    """Simulated cells for Eyebolt."""


@app.command()
def demo(
    mount: Annotated[MountChoice, typer.Option(help="Camera fixed in the cell, or on the arm.")] = MountChoice.fixed,
    seed: Annotated[int, typer.Option(min=0, help="Another cell, other waypoints, other noise.")] = 0,
    folder: Annotated[Path | None, typer.Option(help="Where to leave the files (else a new temporary folder).")] = None,
) -> None:
    """Calibrate a simulated cell, in under a minute and without any hardware, and compare with its truth."""
    raise typer.Exit(run_demo(mount.value, seed, folder))


@app.command()
def cell(
    station: Annotated[Path, typer.Argument(help="The station file that the daemon serves.")],
    seed: Annotated[int, typer.Option(min=0, help="Draws another truth, other waypoints, other noise.")] = 0,
    waypoints: Annotated[int, typer.Option(help="How many places to capture at, 3 to 20.")] = 15,
    speed: Annotated[float, typer.Option(min=0.01, help="Times the reduced speed of 250 mm/s.")] = 20.0,
    robot_noise_mm: Annotated[float | None, typer.Option(min=0, help="Arm scatter per axis, one sigma.")] = None,
    robot_noise_deg: Annotated[float | None, typer.Option(min=0, help="Arm scatter per axis, one sigma.")] = None,
    joint_error_deg: Annotated[float, typer.Option(min=0, help="Constant joint offsets, one sigma.")] = 0.0,
    link_error_mm: Annotated[float, typer.Option(min=0, help="Constant link errors, one sigma.")] = 0.0,
    checks: Annotated[bool, typer.Option(help="Two check waypoints at the end.")] = True,
    touch: Annotated[int, typer.Option(min=0, max=50, help="Corners of a board lying still to touch at the end.")] = 0,
    tip_error_mm: Annotated[float | None, typer.Option(min=0, help="Error of the pointer's tip, one sigma.")] = None,
    inject: Annotated[str | None, typer.Option(help=f"A mistake to make: {_FAULT_SPEC_HELP}")] = None,
    wait: Annotated[float, typer.Option(min=0.1, help="Seconds to wait for the daemon.")] = 15.0,
    truth: Annotated[Path | None, typer.Option(help="Where to write the truth (else beside the station file).")] = None,
    pictures_only: Annotated[bool, typer.Option(help="Play the camera until interrupted.")] = False,
    robot_only: Annotated[bool, typer.Option(help="Play the robot; the camera plays elsewhere.")] = False,
) -> None:
    """Play camera and robot of a station against its daemon, with --lay as somebody who gets something wrong.

    Exits with 0 when the session ended normally, 3 when the daemon said stop, 1 when something is wrong.
    """
    if pictures_only and robot_only:
        raise InputFault("sim-usage", "--pictures-only and --robot-only exclude each other", "leave both out for both.")
    if inject and (pictures_only or robot_only or touch):
        raise InputFault(
            "sim-usage",
            "--lay goes with neither --pictures-only, --robot-only nor --touch",
            "a mistake is made by robot program and cell together, and not yet in touches: leave the others out.",
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
    )
    cell_under_test = prepare_cell(station, options)
    if robot_only:
        outcome = _robot_elsewhere(cell_under_test)
    else:
        arm = cell_under_test.moving_arm()
        with cell_under_test.camera_server(arm):
            cell_under_test.write_truth(truth or station.parent / "truth.json")
            typer.echo(f"pictures at {cell_under_test.station.camera.endpoint}, truth: seed {seed}")
            if pictures_only:
                _until_interrupted()
                return
            outcome = cell_under_test.run_robot(arm, typer.echo)
    typer.echo(f"{outcome.message}; {outcome.kept} pairs kept")
    if outcome.stop_code is not None:
        raise typer.Exit(STOPPED_BY_DAEMON)
    if not outcome.solved:
        raise refused_fault(outcome.message)


@app.command()
def faults(
    names: Annotated[list[str] | None, typer.Argument(metavar="FAULT", help=_FAULT_SPEC_HELP)] = None,
    mount: Annotated[MountChoice, typer.Option(help="Where the camera is.")] = MountChoice.fixed,
    seed: Annotated[int, typer.Option(min=0, help="Draws another cell.")] = 0,
    folder: Annotated[Path | None, typer.Option(help="Where to leave the sessions (else a temporary folder).")] = None,
) -> None:
    """Play what people get wrong, all of it or what is named, and show what the daemon says to each mistake.

    What begins at a waypoint begins at the fifth, or at N: FAULT@N. Each takes some seconds.
    """
    chosen = {name: parse_cell_fault(name) for name in names or CELL_FAULTS}
    for fault in chosen.values():
        check_start_waypoint(fault, CellOptions().waypoints)
    work_folder = folder or Path(tempfile.mkdtemp(prefix="eyebolt-faults-"))
    mount_text = "fixed" if mount is MountChoice.fixed else "on the arm"
    typer.echo(
        f"Invented cells, the camera {mount_text}. Waypoints count from 1, pairs from 0. Sessions: {work_folder}"
    )
    for name, fault in chosen.items():
        begins = f" (waypoint {fault.start_waypoint})" if fault.has_start_waypoint else ""
        typer.echo(f"\n{name}: {fault.description}{begins}")
        for label, text in _outcome_lines(run_fault(fault, mount.value, seed, work_folder / name)):
            typer.echo(textwrap.fill(text, 100, initial_indent=f"  {label:<10}", subsequent_indent=" " * 12))


def _outcome_lines(fault_outcome: FaultOutcome) -> Iterator[tuple[str, str]]:
    if not fault_outcome.was_injected:
        yield "not made:", "the session ended before that waypoint"
    places = {"capture": "waypoint {}", "check": "check {}", "solve": "the solve"}
    answers = [f"{code} at {places[verb].format(number)}" for verb, number, code in fault_outcome.rejected_requests]
    yield "answered:", f"{', '.join(answers) or 'every pair kept'}; result: {fault_outcome.acceptance}"
    if fault_outcome.message:
        yield "found:", fault_outcome.message
        yield "to do:", fault_outcome.remedy


@app.command()
def replay(
    session: Annotated[Path, typer.Argument(help="The folder of a recorded session.")],
    speed: Annotated[str, typer.Option(help="Times its own speed (1: real time), or 'max'.")] = "max",
    inject: Annotated[
        list[str] | None, typer.Option(help="FAULT or FAULT@LINE to lay over it; again for more.")
    ] = None,
    station: Annotated[Path | None, typer.Option(help="Play against the daemon of this file, camera 'push'.")] = None,
    folder: Annotated[
        Path | None, typer.Option(help="Where the daemon of its own works and leaves its record.")
    ] = None,
    facts: Annotated[bool, typer.Option(help="No daemon: decide again from the recorded facts.")] = False,
) -> None:
    """Play a recorded session as robot and camera, and compare every decision and the result with the record.

    By default against a daemon of its own, in a temporary folder. Faults: see DEVELOPERS.md, or name a wrong one.
    Exits with 0 if all is the same, 1 if not.
    """
    # Solving takes a second to load; the cell does not need it.
    from eyebolt_sim.replay import LiveOptions, replay_in_process, replay_live

    if facts:
        if inject or station or folder or speed != "max":
            raise InputFault("sim-usage", "--facts plays no sockets and goes with no other option", "leave them out.")
        report = replay_in_process(session)
    else:
        if station and folder:
            raise InputFault("sim-usage", "--station and --folder exclude each other", "leave one of them out.")
        with _progress() as print_line:
            report = replay_live(session, LiveOptions(_speed(speed), tuple(inject or ()), station, folder), print_line)
    for line in report.lines():
        typer.echo(line)
    if not report.same:
        raise typer.Exit(DIFFERS)


def _speed(text: str) -> float:
    try:
        speed = math.inf if text == "max" else float(text)
    except ValueError:
        speed = 0.0
    if not speed > 0:
        raise InputFault("sim-usage", f"'{text}' is no speed", "write a number above 0, 1 for real time, or max.")
    return speed


@contextlib.contextmanager
def _progress() -> Iterator[Callable[[Played], None]]:
    """A line that says where the replay is, for who watches a terminal."""
    watched = sys.stderr.isatty()

    def print_line(played: Played) -> None:
        if watched:
            typer.echo(f"\r\x1b[Kline {played.line.number}: {played.line.text[:60]}", err=True, nl=False)

    try:
        yield print_line
    finally:
        if watched:
            typer.echo("\r\x1b[K", err=True, nl=False)


def _robot_elsewhere(cell_under_test: Cell) -> ProgramOutcome:
    arm = remote_arm(cell_under_test.station)
    if arm is None:
        return cell_under_test.run_robot(NullArm(), typer.echo)
    try:
        return cell_under_test.run_robot(arm, typer.echo)
    finally:
        arm.close()


def _until_interrupted() -> None:
    while True:
        time.sleep(1)


def main() -> None:
    """Entry point."""
    run_command("eyebolt-sim", app)
