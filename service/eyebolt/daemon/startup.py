"""Starting and ending the daemon as a process.

What a starting daemon finds on disk and goes on with.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import resource
import signal
import sys
from dataclasses import replace
from pathlib import Path
from typing import Literal, TextIO

import structlog
from structlog.typing import ExcInfo

from eyebolt.cameras import open_camera
from eyebolt.context import StationInputs, read_inputs
from eyebolt.daemon.daemon import Daemon
from eyebolt.daemon.systemd import Supervisor
from eyebolt.errors import MachineFault, RecordFault
from eyebolt.session import State, fold
from eyebolt.store import RecordLock, SessionFolder, list_sessions

LogForm = Literal["console", "json"]

# Between two steps on the disk, and in the loop, a thread needs the interpreter for microseconds only; by default it
# waits 5 ms for one that is finding a board, and there are a dozen such steps before an answer.
_SWITCH_S = 0.0005


def configure_log(form: LogForm) -> None:
    """Log lines on stderr: for people (console) or for machines (one JSON object a line)."""
    shared: list[structlog.typing.Processor] = [
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    last: structlog.typing.Processor = (
        structlog.processors.JSONRenderer()
        if form == "json"
        else structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty(), exception_formatter=_name_of_defect)
    )
    if form == "json":
        where = structlog.tracebacks.ExceptionDictTransformer(show_locals=False)
        shared.append(structlog.processors.ExceptionRenderer(where))
    structlog.configure(
        processors=[*shared, last],
        logger_factory=structlog.WriteLoggerFactory(file=sys.stderr),
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        cache_logger_on_first_use=False,
    )


def _name_of_defect(out: TextIO, fault: ExcInfo) -> None:
    """An operator gets no traceback; the log for machines has it."""
    out.write(f"\n  a defect of the program: {fault[1]!r}; '--log json' tells where")


def serve(station_file: Path, form: LogForm) -> None:
    """Serves one station until SIGTERM or Ctrl-C. Raises EyeboltError if it cannot begin."""
    configure_log(form)
    _raise_file_limit()
    sys.setswitchinterval(_SWITCH_S)
    inputs = read_inputs(station_file)
    with RecordLock(inputs.record_folder):
        folder, state, last_picture = recover(inputs)
        settings = inputs.station.camera
        camera = open_camera(settings.source, settings.model_dump(), inputs.folder, last_picture, inputs.keys_folder)
        asyncio.run(_serve(Daemon(inputs, camera, folder, state), inputs.station.robot.listen))


def _raise_file_limit() -> None:
    """Connections and files share one limit, which is 1024 for most: a crowd at a door must not keep a picture out."""
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
    supervisor = Supervisor.of(os.environ, os.getpid())

    def ready(where: str) -> None:
        log.info("ready", robot=where)
        supervisor.ready(where)

    living = asyncio.create_task(supervisor.keep_saying_alive())
    try:
        await daemon.run(ready)
    except OSError as error:
        raise MachineFault(
            "robot-port",
            f"the robot's door {listen} cannot be opened: {error.strerror or error}",
            "stop the other program on that port, or give [robot] listen another one.",
        ) from None
    finally:
        supervisor.stopping()
        living.cancel()
    log.info("ended")


_log = structlog.get_logger("session")


def recover(inputs: StationInputs) -> tuple[SessionFolder | None, State, str | None]:
    """The newest session of this station as it stands on disk: folder, state, and name of the last picture used.

    A session recorded under another station or lens file is not gone on with: its numbers may mean something else.
    """
    state = State(inputs.terms)
    sessions = list_sessions(inputs.record_folder)
    if not sessions:
        return None, state, None
    folder = SessionFolder.open(sessions[-1])
    if folder.loss:
        _log.warning("the record was damaged at its end", session=folder.path.name, loss=folder.loss)
    log = fold(folder.records)
    last_picture = (log.last_source_name if log is not None else None) or _last_picture(sessions[:-1])
    if log is None or any(_differs(folder.path, name, data) for name, data in inputs.keepsakes.items()):
        _log.info("the station or lens file has changed: the next request opens a new session")
        folder.close()
        return None, state, last_picture
    _log.info("going on with a session", session=log.name, kept=len(log.kept), closed=log.closed)
    return folder, replace(state, log=log), last_picture


def _last_picture(sessions: list[Path]) -> str | None:
    """The source's name of the last picture that any session took: recorded pictures are never handed out twice."""
    for path in reversed(sessions):
        try:
            log = fold(SessionFolder.view(path).records)
        except RecordFault as fault:
            _log.warning("an old session cannot be read", session=path.name, says=fault.message)
            continue
        if log is not None and log.last_source_name is not None:
            return log.last_source_name
    return None


def _differs(session: Path, name: str, data: bytes) -> bool:
    try:
        return (session / name).read_bytes() != data
    except OSError:
        return True
