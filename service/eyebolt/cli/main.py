"""The command ``eyebolt``. Commands only read their arguments, call one function and say what came out."""

from __future__ import annotations

import os
import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

# Matrices here are small: threads of the linear algebra library cost more than they bring, and steal the camera's core.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import typer

from eyebolt.cli.runner import MountChoice, require_opencv, run_command

if TYPE_CHECKING:
    from eyebolt.daemon import LogFormat

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Finds, proves and keeps proving where a camera is relative to a robot arm. It never moves a robot, and its"
    " answers are no safety signals.",
)


class LogChoice(StrEnum):
    """How ``serve`` writes its log."""

    console = "console"
    json = "json"


StationFile = Annotated[Path, typer.Argument(help="The station file (TOML).")]


@app.callback()
def _root() -> None:
    require_opencv()


@app.command()
def new(
    station: Annotated[Path, typer.Argument(help="The station file to write.")] = Path("station.toml"),
    mount: Annotated[MountChoice, typer.Option(help="Camera fixed in the cell, or on the arm.")] = MountChoice.fixed,
    name: Annotated[str, typer.Option(help="Name of the station.")] = "bay-3",
) -> None:
    """Write a station file to begin with, its keys explained."""
    from eyebolt.cli.solving import write_new_station

    write_new_station(station, mount.value, name)
    typer.echo(f"{station} written: open it, then run 'eyebolt serve {station}'")


@app.command()
def serve(
    station: StationFile,
    log: Annotated[LogChoice | None, typer.Option(help="For people or for machines (console on a terminal).")] = None,
) -> None:
    """Serve one station: answer its robot, take its pictures, keep its record."""
    from eyebolt.daemon import serve as run

    form: LogFormat = "console" if (sys.stderr.isatty() if log is None else log is LogChoice.console) else "json"
    run(station, form)


@app.command()
def watch(
    station: Annotated[Path | None, typer.Argument(help="The station file (else station.toml).")] = None,
    endpoint: Annotated[str | None, typer.Option(help="The status address, instead of a station file.")] = None,
    key: Annotated[Path | None, typer.Option(help="Key file, for a station on another computer.")] = None,
    once: Annotated[bool, typer.Option("--once", help="Show one status and end.")] = False,
    plain: Annotated[bool, typer.Option("--plain", help="One line for each change, no screen.")] = False,
) -> None:
    """Watch the counter of a station fill up. Starts before or after the daemon; Ctrl-C ends it."""
    from eyebolt.cli.keys import status_source
    from eyebolt.monitor import watch as run

    raise typer.Exit(run(*status_source(station, endpoint, key), once=once, plain=plain))


@app.command()
def keys(
    station: StationFile,
    watcher: Annotated[list[str] | None, typer.Option(help="A name for who may watch from another computer.")] = None,
    camera: Annotated[list[str] | None, typer.Option(help="A name for a program that may send pictures.")] = None,
) -> None:
    """Make keys for a station that other computers reach, and for each watcher or camera that may reach it."""
    from eyebolt.cli.keys import make_keys

    for line in make_keys(station, watcher or (), camera or ()):
        typer.echo(line)


@app.command()
def solve(
    paths: Annotated[list[Path], typer.Argument(help="Session folders and problem files, any number.")],
    json: Annotated[bool, typer.Option("--json", help="One JSON line for each session too.")] = False,
    refine_lens: Annotated[
        bool, typer.Option("--refine-lens", help="Estimate the lens from the pairs too, and say what it would be.")
    ] = False,
    pose_format: Annotated[
        str | None,
        typer.Option(
            "--pose-format", help="Read the robot's numbers in other terms, as in euler-ZYX,deg,mm (sessions)."
        ),
    ] = None,
) -> None:
    """Solve recorded sessions or problem files again, offline. A problem file always gives one JSON line."""
    from eyebolt.cli.solving import SolveOptions, parse_pose_format, solve_all

    options = SolveOptions(refine_lens, None if pose_format is None else parse_pose_format(pose_format))
    raise typer.Exit(solve_all(paths, json, options, typer.echo))


@app.command()
def plan(
    station: StationFile,
    camera: Annotated[
        str | None,
        typer.Option(
            help="A rough guess, as the robot writes a pose: the camera in the base, or in the flange if on the arm."
        ),
    ] = None,
    board: Annotated[
        str | None,
        typer.Option(
            help="The same for the board: in the flange (centred unless said), or in the base if the camera rides."
        ),
    ] = None,
    session: Annotated[Path | None, typer.Option(help="A session so far, instead of guesses.")] = None,
    reach: Annotated[float | None, typer.Option(min=1, help="Greatest distance of flange from base, mm.")] = None,
    out: Annotated[Path | None, typer.Option(help="Where to write the waypoints (CSV).")] = None,
) -> None:
    """Propose waypoints that reach the tolerance with few stops. Reach and collisions are the teacher's to judge."""
    from eyebolt.cli.planning import plan_station

    for line in plan_station(station, camera, board, session, out, reach):
        typer.echo(line)


@app.command()
def inspect(
    session: Annotated[Path, typer.Argument(help="The session folder.")],
    json: Annotated[bool, typer.Option("--json", help="One JSON line, for programs.")] = False,
) -> None:
    """Show what happened in a session, what its pairs say is wrong, and whether anything in it is damaged."""
    from json import dumps

    from eyebolt.cli.inspection import inspect_session, report_lines

    report = inspect_session(session)
    for line in [dumps(report)] if json else report_lines(report):
        typer.echo(line)
    raise typer.Exit(1 if report["damage"] else 0)


@app.command()
def accept(
    session: Annotated[Path, typer.Argument(help="The session folder whose result the station shall use.")],
    by: Annotated[str, typer.Option(help="Who takes responsibility for it.")],
) -> None:
    """Make a session's result the one that the robot gets."""
    from eyebolt.cli.solving import accept_result

    for line in accept_result(session, by):
        typer.echo(line)


def main() -> None:
    """Entry point."""
    run_command("eyebolt", app)


if __name__ == "__main__":
    main()
