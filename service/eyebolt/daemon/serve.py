"""Starting and ending the daemon as a process."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import resource
import signal
import sys
from pathlib import Path
from typing import Literal, TextIO

import structlog
from structlog.typing import ExcInfo

from eyebolt.cameras.opening import open_camera
from eyebolt.daemon.inputs import read_inputs
from eyebolt.daemon.recovery import recover
from eyebolt.daemon.service import Daemon
from eyebolt.daemon.supervisor import Supervisor
from eyebolt.errors import MachineFault
from eyebolt.journal.lock import RecordLock

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
