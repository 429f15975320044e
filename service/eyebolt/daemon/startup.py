"""The daemon as a process: startup, recovery of the newest session, signals, end."""

from __future__ import annotations

import asyncio
import contextlib
import os
import resource
import signal
import sys
from dataclasses import replace
from pathlib import Path

import structlog

from eyebolt.addresses import listening_reason, listening_remedy
from eyebolt.bounded_file import read_bounded
from eyebolt.cameras import Camera, open_camera, replay_path
from eyebolt.context import StationContext, load_context
from eyebolt.daemon.daemon import Daemon
from eyebolt.daemon.systemd import SystemdNotifier
from eyebolt.errors import MachineFault, RecordFault
from eyebolt.logs import LogFormat, configure_log
from eyebolt.session import FrameInfo, State, decode_facts, fold
from eyebolt.store import RecordLock, SessionFolder, list_sessions

_log = structlog.get_logger("session")

# The loop and the disk thread need the interpreter for microseconds at a time. By default they wait 5 ms for a thread
# that is detecting a board, and a reply takes a dozen such steps.
_SWITCH_INTERVAL_S = 0.0005


def serve(station_file: Path, log_format: LogFormat) -> None:
    """Serves one station until SIGTERM or Ctrl-C. Raises EyeboltError if it cannot start."""
    log_stream = configure_log(log_format)
    _raise_file_limit()
    sys.setswitchinterval(_SWITCH_INTERVAL_S)
    context = load_context(station_file)
    with RecordLock(context.record_folder, context.station.record.access):
        folder, state, last_frame = recover(context)
        camera = open_station_camera(context, last_frame)
        daemon = Daemon(context, camera, folder, state, lambda: log_stream.lost)
        asyncio.run(_serve(daemon, context.station.robot.listen))


def _raise_file_limit() -> None:
    """Connections and files share one limit, usually 1024: a crowd of peers must not keep an image from the disk."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft != hard:
        with contextlib.suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))


async def _serve(daemon: Daemon, listen: str | None) -> None:
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        with contextlib.suppress(NotImplementedError):
            loop.add_signal_handler(number, daemon.stop)
    log = structlog.get_logger("daemon")
    notifier = SystemdNotifier.from_environment(os.environ, os.getpid())

    def ready(where: str) -> None:
        log.info("ready", robot=where)
        notifier.ready(where)

    watchdog = asyncio.create_task(notifier.send_watchdog_pings())
    try:
        await daemon.run(ready)
    except OSError as error:
        raise MachineFault(
            "robot-port",
            f"the robot's port {listen} cannot be opened: {listening_reason(error, str(listen))}",
            listening_remedy(error, str(listen), "[robot] listen"),
        ) from None
    finally:
        notifier.stopping()
        watchdog.cancel()
    log.info("daemon stopped")


def recover(context: StationContext) -> tuple[SessionFolder | None, State, FrameInfo | None]:
    """The newest session of this station from the disk: its folder, the state, and the last frame of any session.

    A session recorded with another station or lens file is not continued: its poses may have another meaning.
    """
    state = State(context.session_config)
    sessions = list_sessions(context.record_folder)
    if not sessions:
        return None, state, None
    folder = SessionFolder.open(sessions[-1])
    if folder.loss:
        _log.warning("journal tail was damaged", session=folder.path.name, loss=folder.loss)
    log = fold(decode_facts(folder.records, str(folder.path)))
    last_frame = (log.last_frame if log is not None else None) or _last_frame(sessions[:-1])
    if log is None or any(_file_differs(folder.path, name, data) for name, data in context.snapshots.items()):
        _log.info("station or lens file changed: the next request opens a new session")
        folder.close()
        return None, state, last_frame
    _log.info("session resumed", session=log.name, kept=len(log.kept), closed=log.is_closed)
    return folder, replace(state, log=log), last_frame


def open_station_camera(context: StationContext, last_frame: FrameInfo | None) -> Camera:
    """The camera of the station, which delivers images of the lens file's size; recorded ones after ``last_frame``.

    Raises what ``open_camera`` raises.
    """
    return open_camera(
        context.station.camera,
        context.folder,
        last_image_used(context, last_frame),
        context.keys_folder,
        context.session_config.lens_size_px,
    )


def last_image_used(context: StationContext, last_frame: FrameInfo | None) -> str | None:
    """Name of the recorded image to go on after: the last one used, if it is of the folder or file replayed now."""
    path = replay_path(context.station.camera, context.folder)
    if path is None or last_frame is None:
        return None
    if last_frame.source_path != path:
        # Names of recorded images are often alike: that of another source would skip images that were never used.
        previous = last_frame.source_path or "a live camera"
        _log.warning("recorded images begin with the first: another source was used last", path=path, previous=previous)
        return None
    return last_frame.name


def _last_frame(sessions: list[Path]) -> FrameInfo | None:
    """The last frame that any of these sessions took: recorded images are not delivered twice."""
    for path in reversed(sessions):
        try:
            log = fold(decode_facts(SessionFolder.open_read_only(path).records, str(path)))
        except RecordFault as fault:
            _log.warning("earlier session unreadable", session=path.name, message=fault.message)
            continue
        if log is not None and log.last_frame is not None:
            return log.last_frame
    return None


def _file_differs(session: Path, name: str, data: bytes) -> bool:
    try:
        return read_bounded(session / name, len(data)) != data
    except OSError:
        return True
