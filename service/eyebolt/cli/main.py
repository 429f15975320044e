"""The command ``eyebolt``: each subcommand reads its arguments, calls one function and prints what that returns."""

from __future__ import annotations

import os
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

# The matrices are small: threads of the linear algebra library cost more than they save, and compete with the camera.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import typer

from eyebolt import __version__
from eyebolt.cli.runner import EXIT_FAULT, MountChoice, print_line, require_opencv, require_posix, run_command

if TYPE_CHECKING:
    from eyebolt.logs import LogFormat

app = typer.Typer(
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Finds, proves and keeps proving where a camera is relative to a robot arm. Never moves the robot; its output"
    " is not a safety signal.",
)


class ExportForm(StrEnum):
    """Form of an exported lens."""

    opencv_yaml = "opencv-yaml"
    opencv_xml = "opencv-xml"
    camera_info = "camera-info"


class PaperChoice(StrEnum):
    """Paper of a printed board."""

    a4 = "A4"
    a3 = "A3"
    letter = "letter"


class LogChoice(StrEnum):
    """Format of the log of ``serve``."""

    console = "console"
    json = "json"


StationFile = Annotated[Path, typer.Argument(help="Station file (TOML).")]


def _print_version(requested: bool) -> None:
    if requested:
        typer.echo(f"eyebolt {__version__}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and exit.", callback=_print_version, is_eager=True)
    ] = False,
) -> None:
    pass


@app.command()
def new(
    station: Annotated[Path, typer.Argument(help="Station file to write.")] = Path("station.toml"),
    mount: Annotated[MountChoice | None, typer.Option(help="Mount of the camera (default: fixed).")] = None,
    name: Annotated[str | None, typer.Option(help="Name of the station (default: bay-3).")] = None,
    axes: Annotated[int | None, typer.Option(min=4, max=7, help="Axes of the arm (default: 6).")] = None,
    listen: Annotated[
        str | None, typer.Option(help="ADDRESS:PORT of this computer at which the robot connects.")
    ] = None,
    dial: Annotated[
        str | None, typer.Option(help="ADDRESS:PORT of a controller that only can be connected to.")
    ] = None,
    allow: Annotated[list[str] | None, typer.Option(help="Address from which the robot connects.")] = None,
    pose_line: Annotated[
        str | None, typer.Option("--pose", help="One line with a pose, as the controller writes it.")
    ] = None,
    pose_format: Annotated[
        str | None, typer.Option("--pose-format", help="How it writes poses, as in euler-ZYX,deg,mm.")
    ] = None,
    camera: Annotated[
        str | None,
        typer.Option(help="Number, /dev/..., stream address, folder of images, push, or simulated (the default)."),
    ] = None,
    tolerance: Annotated[
        float | None, typer.Option(metavar="MM", help="Largest error of a pick, mm (default: 1).")
    ] = None,
    near: Annotated[float | None, typer.Option(metavar="MM", help="Nearest working distance, mm.")] = None,
    far: Annotated[float | None, typer.Option(metavar="MM", help="Farthest working distance, mm.")] = None,
    no_questions: Annotated[bool, typer.Option("--no-questions", help="Ask nothing; also without a terminal.")] = False,
) -> None:
    """Write a commented station file to start from. In a terminal it asks for what is not stated here."""
    require_opencv()
    from eyebolt.cli.new_station import StationOptions, Terminal, make_station, next_steps
    from eyebolt.cli.session import person_at_terminal
    from eyebolt.cli.solving import parse_pose_format
    from eyebolt.geometry import Mount

    if listen is not None and dial is not None:
        raise typer.BadParameter("either --listen or --dial")
    options = StationOptions(
        name=name,
        mount=None if mount is None else Mount(mount.value),
        axes=axes,
        listen=listen,
        dial=dial,
        allow=tuple(allow or ()),
        pose_line=pose_line,
        pose_format=None if pose_format is None else parse_pose_format(pose_format),
        camera=camera,
        tolerance_mm=tolerance,
        near_mm=near,
        far_mm=far,
    )
    person = Terminal() if person_at_terminal() and not no_questions else None
    for line in next_steps(make_station(station, options, person)):
        print_line(line)


@app.command()
def serve(
    station: StationFile,
    log: Annotated[
        LogChoice | None, typer.Option(help="Log format (default: console on a terminal, else json).")
    ] = None,
) -> None:
    """Run the daemon of one station. Needs Linux."""
    require_posix("serve")
    require_opencv()
    from eyebolt.daemon import serve as run
    from eyebolt.logs import stderr_is_terminal

    form: LogFormat = "console" if (stderr_is_terminal() if log is None else log is LogChoice.console) else "json"
    run(station, form)


@app.command()
def watch(
    stations: Annotated[
        list[Path] | None,
        typer.Argument(metavar="[STATION]...", help="Station file (default: station.toml); several: a line each."),
    ] = None,
    endpoint: Annotated[str | None, typer.Option(help="Status address, instead of a station file.")] = None,
    key: Annotated[Path | None, typer.Option(help="Key file, for a station on another computer.")] = None,
    once: Annotated[bool, typer.Option("--once", help="Show one status and exit.")] = False,
    plain: Annotated[bool, typer.Option("--plain", help="Print a line per change instead of a screen.")] = False,
    control: Annotated[
        str | None, typer.Option(help="Control address, for keys that control the session; with --endpoint.")
    ] = None,
    bell: Annotated[
        bool, typer.Option("--bell", help="Ring the terminal's bell once for a kept pair, twice for another.")
    ] = False,
    view: Annotated[
        bool, typer.Option("--view", help="Show also what the camera sees; not with --once, --plain.")
    ] = False,
) -> None:
    """Show the operator's screen of a station, or a line for each of several, until Ctrl-C. Daemons may start later."""
    if endpoint is None or view:
        require_opencv()  # the boards of the station file, the picture
    if view and (once or plain):
        raise typer.BadParameter("a picture needs the screen: --view goes with neither --once nor --plain")
    from eyebolt.cli.keys import status_source
    from eyebolt.cli.session import control_source
    from eyebolt.monitor import watch as run
    from eyebolt.monitor import watch_stations

    files = stations or []
    if len(files) > 1:
        if endpoint is not None or control is not None or bell or view:
            raise typer.BadParameter("with several stations there is no --endpoint, --control, --bell or --view")
        sources = []
        for file in files:
            found, address, keys = status_source(file, None, key)
            sources.append((found or str(file), address, keys))
        raise typer.Exit(watch_stations(sources, once=once, plain=plain))
    station = files[0] if files else None
    name, status, keys = status_source(station, endpoint, key)
    source = control_source(station, control, key) if endpoint is None or control is not None else None
    raise typer.Exit(run(status, keys, once=once, plain=plain, control=source, bell=bell, station=name, with_view=view))


@app.command()
def cameras() -> None:
    """List the GigE Vision and USB3 Vision cameras that answer. Exit code 1 if there is none."""
    from eyebolt.cameras import find_cameras

    found = find_cameras()
    for one in found:
        print_line(f'{one.transport}  {one.name}  serial = "{one.serial}"')
    if not found:
        print_line("No GigE Vision or USB3 Vision camera answers: check power, cable, address and firewall.")
        raise typer.Exit(1)


@app.command()
def page(
    station: Annotated[Path | None, typer.Argument(help="Station file (default: station.toml).")] = None,
    endpoint: Annotated[str | None, typer.Option(help="Status address, instead of a station file.")] = None,
    key: Annotated[Path | None, typer.Option(help="Key file, for a station on another computer.")] = None,
    address: Annotated[
        str,
        typer.Option(
            help="ADDRESS:PORT to serve at. Beyond this computer only with --token, --certificate and --private-key."
        ),
    ] = "127.0.0.1:4753",
    name: Annotated[
        list[str] | None, typer.Option(help="Further address or host name under which browsers open the page.")
    ] = None,
    token: Annotated[Path | None, typer.Option(help="Token file; made if it does not exist.")] = None,
    certificate: Annotated[Path | None, typer.Option(help="TLS certificate of this computer (PEM).")] = None,
    private_key: Annotated[Path | None, typer.Option(help="Private key of the certificate (PEM).")] = None,
) -> None:
    """Serve a page for a browser at the arm: what the camera sees and what to do now. It only shows. Until Ctrl-C."""
    from eyebolt.cli.page import PageOptions, serve_page

    if endpoint is None:
        require_opencv()  # the boards of the station file
    serve_page(station, endpoint, key, PageOptions(address, name or (), token, certificate, private_key), print_line)


session_app = typer.Typer(
    no_args_is_help=True,
    help="Control the session of a running daemon. Exit codes: 0 done, 3 refused by the session, 4 not confirmed.",
)
app.add_typer(session_app, name="session")
ControlledStation = Annotated[Path | None, typer.Argument(help="Station file (default: station.toml).")]
ControlEndpoint = Annotated[str | None, typer.Option(help="Control address, instead of a station file.")]
OperatorKey = Annotated[Path | None, typer.Option(help="Key file, for a station on another computer.")]


def _control_session(
    action: str, station: Path | None, endpoint: str | None, key: Path | None, new: bool = False
) -> NoReturn:
    if endpoint is None:
        require_opencv()  # the boards of the station file
    from eyebolt.cli.session import control_source, person_at_terminal, run_session
    from eyebolt.protocol import ControlAction

    ask = typer.confirm if person_at_terminal() else None
    source = control_source(station, endpoint, key)
    raise typer.Exit(run_session(ControlAction(action), source, new, print_line, ask))


@session_app.command("begin")
def session_begin(
    station: ControlledStation = None,
    new: Annotated[bool, typer.Option("--new", help="Also if a session with pairs is open.")] = False,
    endpoint: ControlEndpoint = None,
    key: OperatorKey = None,
) -> None:
    """Begin a session. The pairs of an open one do not count in it."""
    _control_session("begin", station, endpoint, key, new)


@session_app.command("take")
def session_take(station: ControlledStation = None, endpoint: ControlEndpoint = None, key: OperatorKey = None) -> None:
    """Take a pair now, with the pose that the robot streams. The arm stands still."""
    _control_session("take", station, endpoint, key)


@session_app.command("undo")
def session_undo(station: ControlledStation = None, endpoint: ControlEndpoint = None, key: OperatorKey = None) -> None:
    """Take the newest pair back."""
    _control_session("undo", station, endpoint, key)


@session_app.command("finish")
def session_finish(
    station: ControlledStation = None, endpoint: ControlEndpoint = None, key: OperatorKey = None
) -> None:
    """End the session; its result is written."""
    _control_session("finish", station, endpoint, key)


@app.command()
def keys(
    station: StationFile,
    watcher: Annotated[list[str] | None, typer.Option(help="Name of a computer that may watch.")] = None,
    camera: Annotated[list[str] | None, typer.Option(help="Name of a program that may send images.")] = None,
    operator: Annotated[
        list[str] | None, typer.Option(help="Name of a computer that may watch and control sessions.")
    ] = None,
) -> None:
    """Make keys for a station that other computers can reach, and for each watcher, camera and operator."""
    require_opencv()
    from eyebolt.cli.keys import make_keys

    for line in make_keys(station, watcher or (), camera or (), operator or ()):
        print_line(line)


@app.command()
def solve(
    paths: Annotated[list[Path], typer.Argument(help="Session folders and problem files.")],
    json: Annotated[bool, typer.Option("--json", help="Print a JSON line per session.")] = False,
    refine_lens: Annotated[
        bool, typer.Option("--refine-lens", help="Estimate the lens jointly with the transform.")
    ] = False,
    pose_format: Annotated[
        str | None,
        typer.Option(
            "--pose-format", help="Read the robot's poses in another format, as in euler-ZYX,deg,mm (sessions)."
        ),
    ] = None,
) -> None:
    """Solve recorded sessions or problem files offline. A problem file always gives a JSON line."""
    require_opencv()
    from eyebolt.cli.solving import SolveOptions, parse_pose_format, solve_all

    options = SolveOptions(refine_lens, None if pose_format is None else parse_pose_format(pose_format))
    raise typer.Exit(solve_all(paths, json, options, print_line))


@app.command()
def plan(
    station: StationFile,
    camera: Annotated[
        str | None,
        typer.Option(
            help="Guessed pose of the camera in the robot's format: in the base, or in the flange if it is on the arm."
            " Its axes: z forward along the line of sight, x right and y down in the image."
        ),
    ] = None,
    board: Annotated[
        str | None,
        typer.Option(
            help="Guessed pose of the board: in the flange (default: centred), in the base for a camera on the arm."
        ),
    ] = None,
    session: Annotated[Path | None, typer.Option(help="Earlier session, instead of guesses.")] = None,
    reach: Annotated[
        float | None, typer.Option(min=1, help="Largest distance of the flange from the base, mm.")
    ] = None,
    pose: Annotated[
        list[str] | None,
        typer.Option(help="Pose that the arm can take, in the robot's format; a 4-axis arm stays near the given ones."),
    ] = None,
    out: Annotated[Path | None, typer.Option(help="File to write the waypoints to (CSV).")] = None,
) -> None:
    """Propose waypoints that reach the tolerance with few pairs. Check reach and collisions before use."""
    require_opencv()
    from eyebolt.cli.planning import plan_station

    for line in plan_station(station, camera, board, session, out, reach, pose or ()):
        print_line(line)


@app.command()
def lens(
    station: StationFile,
    pictures: Annotated[Path | None, typer.Option(help="Folder with pictures of the board, anywhere.")] = None,
    session: Annotated[
        str | None, typer.Option(help='Session whose pictures are used: a folder, a name, or "latest" (the default).')
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Lens file to write (default: that of the station).")] = None,
    coefficients: Annotated[
        int | None, typer.Option(help="Distortion coefficients: 0, 4, 5, 8 or 12 (default: chosen by held-out error).")
    ] = None,
    import_file: Annotated[
        Path | None, typer.Option("--import", help="Make the lens file from one of OpenCV, or from a camera-info file.")
    ] = None,
    export: Annotated[
        tuple[ExportForm, Path] | None, typer.Option(help="Write the lens in another form as well.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace existing files.")] = False,
) -> None:
    """Calibrate the lens from pictures of the board; test the lens file with them (exit code 1: it does not fit)."""
    require_posix("lens")
    require_opencv()
    from eyebolt.cli.lens import LensOptions, run_lens
    from eyebolt.lens import LensForm

    target = None if export is None else (LensForm(export[0].value), export[1])
    options = LensOptions(pictures, session, out, coefficients, import_file, target, force)
    raise typer.Exit(run_lens(station, options, print_line))


@app.command()
def board(
    station: StationFile,
    paper: Annotated[PaperChoice, typer.Option(help="Paper of the pages.", case_sensitive=False)] = PaperChoice.a4,
    out: Annotated[
        Path | None,
        typer.Option(help="File to write, without .pdf and .svg (default: board, beside the station file)."),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace existing files.")] = False,
    forecast: Annotated[
        bool, typer.Option("--forecast", help="Only show which boards suit the station; write nothing.")
    ] = False,
    measured: Annotated[
        tuple[float, float] | None,
        typer.Option(
            metavar="ACROSS_MM DOWN_MM",
            help="Lengths over ten squares of the print (markers with gaps, spacings), along columns and rows: written"
            " into the station file.",
        ),
    ] = None,
    squares: Annotated[int, typer.Option(min=1, help="Number of squares that --measured is over.")] = 10,
) -> None:
    """Write the station's board as PDF and SVG at true scale; take over the measured size of the print."""
    require_posix("board")
    require_opencv()
    from eyebolt.cli.board import BoardOptions, print_board, record_measurement

    if measured is not None:
        record_measurement(station, *measured, squares, print_line)
    else:
        print_board(station, BoardOptions(paper.value, out, force, forecast), print_line)


@app.command()
def doctor(
    station: StationFile,
    pose: Annotated[
        float | None,
        typer.Option(metavar="SECONDS", min=0.1, max=3600, help="Wait so long for one line of the robot with a pose."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print a JSON line per check.")] = False,
) -> None:
    """Check what can be known before the arm moves. Exit codes: 0 ready, 3 warnings, 1 a fault. It moves nothing."""
    require_posix("doctor")
    require_opencv()
    from eyebolt.cli.doctor import run_doctor

    raise typer.Exit(run_doctor(station, pose, json))


@app.command()
def snapshot(
    station: StationFile = Path("station.toml"),
    out: Annotated[
        Path | None, typer.Option(help="File, .png or .jpg (default: STATION-TIME.png, in this folder).")
    ] = None,
) -> None:
    """Write one picture of the camera with what was found drawn in. Exits with 3 if the board was not found."""
    require_opencv()
    from eyebolt.cli.snapshot import take_snapshot

    raise typer.Exit(take_snapshot(station, out, print_line))


@app.command()
def inspect(
    session: Annotated[Path, typer.Argument(help="Session folder.")],
    json: Annotated[bool, typer.Option("--json", help="Print one JSON line.")] = False,
) -> None:
    """Show what happened in a session, its findings, and whether its files are intact (exit code 1 if not)."""
    require_opencv()
    from json import dumps

    from eyebolt.cli.inspection import inspect_session, report_lines

    report = inspect_session(session)
    for line in [dumps(report.model_dump(mode="json", by_alias=True))] if json else report_lines(report):
        print_line(line)
    raise typer.Exit(EXIT_FAULT if report.damage else 0)


@app.command()
def accept(
    session: Annotated[Path, typer.Argument(help="Session folder with the result.")],
    by: Annotated[str, typer.Option(help="Name of the person who accepts it.")],
    incomplete: Annotated[
        bool,
        typer.Option(
            "--incomplete",
            help="Accept a transform with an unknown direction, or one that the robot's pose format cannot hold. The"
            " robot is not given it until that is mended.",
        ),
    ] = False,
    few_pairs: Annotated[
        bool, typer.Option("--few-pairs", help="Accept a result of fewer pairs than [goal] min_pairs.")
    ] = False,
) -> None:
    """Make the result of a session the one that the robot receives. Needs Linux."""
    require_posix("accept")
    require_opencv()
    from eyebolt.cli.solving import accept_result

    for line in accept_result(session, by, incomplete, few_pairs):
        print_line(line)


def main() -> None:
    """Entry point."""
    run_command("eyebolt", app)


if __name__ == "__main__":
    main()
