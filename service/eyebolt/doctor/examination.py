"""The order of the checks: each one only where what it rests on is there."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from eyebolt.context import StationContext, load_context, local_status_source
from eyebolt.doctor import camera, computer, files, robot, running
from eyebolt.doctor.bounded import Report, Work, run_bounded
from eyebolt.doctor.report import CheckResult, State
from eyebolt.errors import InputFault

_FILE_S = 5.0
_DISK_S = 15.0
_DAEMON_S = running.STATUS_S + running.VIEW_S + 3.0
_SPARE_S = 3.0


@dataclass(frozen=True)
class Progress:
    """A check that has begun."""

    subject: str
    """The thing that is checked."""
    limit_s: float
    """It is given up after so many seconds."""


Run = Callable[[str, Work, float], Iterator[CheckResult]]


def examine(station_file: Path, pose_wait_s: float | None, run: Run = run_bounded) -> Iterator[Progress | CheckResult]:
    """Everything that can be known before the arm moves, as it is found.

    ``pose_wait_s``: how long a pose of the robot is waited for; None: not at all. ``run`` runs one check.
    """
    clock = computer.ClockCheck()
    yield computer.version_result()
    is_readable = {}
    for subject, check in (("station file", files.check_station_file), ("lens file", files.check_lens_file)):
        yield Progress(subject, _FILE_S)
        is_readable[subject] = True
        for result in run(subject, _on_file(check, station_file), _FILE_S):
            is_readable[subject] &= result.subject != subject or result.state is not State.FAULT
            yield result
        if not is_readable["station file"]:
            break
    context = None
    if is_readable["station file"]:
        # A lens is calibrated from pictures: camera and board are looked at before there is a lens file.
        has_lens = is_readable["lens file"]
        context = load_context(station_file) if has_lens else files.context_without_lens(station_file)
        yield from _examine_station(station_file, context, has_lens, pose_wait_s, run)
    else:
        message, remedy = "the other checks need the station file", "Mend it first, then try again."
        yield CheckResult(subject="the rest", state=State.NOT_TRIED, message=message, remedy=remedy)
    record_folder = None if context is None else context.record_folder
    yield from run("clock", lambda report: report(clock.result(record_folder)), _FILE_S)


def _examine_station(
    station_file: Path, context: StationContext, has_lens: bool, pose_wait_s: float | None, run: Run
) -> Iterator[Progress | CheckResult]:
    yield Progress("disk", _DISK_S)
    yield from run("disk", lambda report: computer.check_disk(context, report), _DISK_S)
    yield Progress("keys", _FILE_S)
    yield from run("keys", lambda report: computer.check_keys(context, report), _FILE_S)
    yield Progress(running.RUNNING, _DAEMON_S)
    states = []
    for result in run(running.RUNNING, _asking(station_file, context), _DAEMON_S):
        if result.subject == running.RUNNING:
            states.append(result.state)
        yield result
    if not states:
        message = "does not run, so that camera and ports are free for these checks"
        yield CheckResult(subject=running.RUNNING, state=State.OK, message=message)
        yield Progress("ports", _FILE_S)
        yield from run("record", lambda report: computer.check_record_lock(context, report), _FILE_S)
        yield from run("ports", lambda report: computer.check_ports(context, report), _FILE_S)
        yield Progress("camera", camera.LIMIT_S)
        yield from run("camera", lambda report: camera.check_camera(context, has_lens, report), camera.LIMIT_S)
    if State.FAULT not in states:
        yield from _examine_pose(context, pose_wait_s, bool(states), run)


def _examine_pose(
    context: StationContext, wait_s: float | None, is_running: bool, run: Run
) -> Iterator[Progress | CheckResult]:
    if wait_s is None or is_running:
        reason = "the daemon has the robot's port" if is_running else "not waited for"
        remedy = robot.how_to_send(context)
        if is_running:
            remedy = "End the daemon, and wait for one with --pose SECONDS."
        else:
            remedy = f"Add --pose SECONDS. {remedy}"
        yield CheckResult(subject=robot.SUBJECT, state=State.NOT_TRIED, message=reason, remedy=remedy)
        return
    yield Progress(robot.SUBJECT, wait_s)
    yield from run(robot.SUBJECT, robot.PoseCheck(context, wait_s).run, wait_s + _SPARE_S)


def _on_file(check: Callable[[Path, Report], None], station_file: Path) -> Work:
    return lambda report: check(station_file, report)


def _asking(station_file: Path, context: StationContext) -> Work:
    def ask(report: Report) -> None:
        try:
            address, keys = local_status_source(station_file, context.station)
        except InputFault:
            # Without its keys no daemon can run; ``check_keys`` has the fault.
            return
        running.ask_daemon(context, address, keys, report)

    return ask
