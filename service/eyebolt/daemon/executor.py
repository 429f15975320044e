"""Carries out the commands of the session: replies and timers in the loop, everything else in four threads.

Each thread is an executor of one worker: *camera*, *detect*, *solve*, *disk*. So commands for one of them are carried
out in the order in which they were given, and the next image is searched while a solve runs in the background. What a
thread returns is posted to the loop as the next event. No decision is made here.
"""

from __future__ import annotations

import asyncio
import importlib
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from typing import TypeVar

import structlog

from eyebolt.cameras import Camera, Frame, Pixels
from eyebolt.context import StationContext
from eyebolt.daemon.acquisition import ImageAcquisition
from eyebolt.daemon.robot_server import RobotServer
from eyebolt.errors import EyeboltError, RecordFault
from eyebolt.observations import Dataset
from eyebolt.planning import find_next_view
from eyebolt.results import accepted_signature, read_accepted, unreadable_accepted, write_result
from eyebolt.session import AcceptedResult, encode_fact
from eyebolt.session import messages as msg
from eyebolt.store import FileSystem, SessionFolder, list_sessions, session_name

# A package before its submodules, in the order in which a first use loads them. Importing a package and its submodule
# concurrently can expose a partially initialised module.
_PRELOADED = ("scipy.sparse", "scipy.sparse.csgraph", "scipy.special", "scipy.spatial", "scipy.linalg")

T = TypeVar("T")

_log = structlog.get_logger("session")


class DaemonExecutor:
    """The executor (``session.Executor``) of a daemon. ``folder``: the session to continue, if there is one.

    ``answer_operator`` takes the replies to the operator, ``post`` puts an event into the loop's queue and ``publish``
    publishes the status; all are called in the loop.
    """

    def __init__(
        self,
        context: StationContext,
        camera: Camera,
        folder: SessionFolder | None,
        robot_server: RobotServer,
        answer_operator: Callable[[msg.SendReply], None],
        post: Callable[[msg.Event], None],
        publish: Callable[[], None],
    ) -> None:
        self._context = context
        self._camera = camera
        self._folder = folder
        self._robot_server = robot_server
        self._answer_operator = answer_operator
        self._post = post
        self._publish = publish
        self._camera_pool = ThreadPoolExecutor(1, "camera")
        self._detect_pool = ThreadPoolExecutor(1, "detect")
        self._solve_pool = ThreadPoolExecutor(1, "solve")
        self._disk_pool = ThreadPoolExecutor(1, "disk")
        self._acquisition = ImageAcquisition(context, camera, self._detect_pool.submit)
        self._accepted: AcceptedResult | None = None
        self._accepted_signature: tuple[object, ...] = ()

    async def refresh_accepted(self) -> None:
        """Reads the accepted result if it may be another one: a person may accept one at any time, in another process.

        Posts AcceptedResultChanged.
        """
        await asyncio.to_thread(self._refresh_accepted, asyncio.get_running_loop())

    def preload_libraries(self) -> None:
        """Loads what the first solve needs, in its thread; takes half a second."""
        self._solve_pool.submit(preload_libraries)

    async def follow_image(self, not_before_ns: int) -> Frame:
        """The next image of a guided session, taken in the camera thread. Raises CameraFault."""
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self._camera_pool, self._acquisition.follow, not_before_ns)

    async def in_detection_thread(self, work: Callable[[], T]) -> T:
        """The result of ``work``, after what the detection thread was given before."""
        return await asyncio.get_running_loop().run_in_executor(self._detect_pool, work)

    @property
    def acquisition(self) -> ImageAcquisition:
        """The images of the station."""
        return self._acquisition

    async def close(self) -> None:
        """Ends the threads. A grab in progress ends with the camera; the disk thread finishes what it was given."""
        self._camera.close()
        for pool in (self._camera_pool, self._detect_pool, self._solve_pool, self._disk_pool):
            cancels = pool is not self._disk_pool
            await asyncio.to_thread(pool.shutdown, wait=True, cancel_futures=cancels)
        if self._folder is not None:
            self._folder.close()

    # In the loop.

    def send_reply(self, command: msg.SendReply) -> None:
        """Logs the reply and writes it."""
        reply = command.reply
        message = command.message or reply.code.message
        log = _log.info if reply.code.is_success or not reply.code.is_final else _log.warning
        log("reply sent", code=int(reply.code), seq=reply.seq, kept=reply.count, aux=reply.aux, message=message)
        if command.caller.is_operator:
            self._answer_operator(command)
        else:
            self._robot_server.answer(command.caller, reply, command.bracketed)

    def close_connection(self, command: msg.CloseConnection) -> None:
        """Closes the connection of a robot that was superseded."""
        self._robot_server.drop(command.connection)

    def publish_status(self, command: msg.PublishStatus) -> None:
        """Publishes the status."""
        self._publish()

    def start_timer(self, command: msg.StartTimer) -> None:
        """Posts TimerExpired at its instant."""
        delay_s = max(0.0, (command.at_ns - time.monotonic_ns()) / 1e9)
        asyncio.get_running_loop().call_later(delay_s, self._post, msg.TimerExpired(command.task))

    # Handed to the threads.

    def grab(self, command: msg.Grab) -> None:
        """In the camera thread."""
        self._submit(self._camera_pool, lambda: self._acquisition.grab(command))

    def detect(self, command: msg.Detect) -> None:
        """In the detection thread."""
        self._submit(self._detect_pool, lambda: self._acquisition.detect(command, self._load_image))

    def solve(self, command: msg.Solve) -> None:
        """In the solve thread."""
        self._submit(self._solve_pool, lambda: self._solve(command))

    def plan_next_view(self, command: msg.PlanNextView) -> None:
        """In the solve thread."""
        self._submit(self._solve_pool, lambda: self._plan_next_view(command))

    def store_image(self, command: msg.StoreImage) -> None:
        """In the disk thread."""
        self._submit_write(command.task, lambda: self._store_image(command))

    def record_facts(self, command: msg.RecordFacts) -> None:
        """In the disk thread."""
        self._submit_write(command.task, lambda: self._record(command))

    def open_session(self, command: msg.OpenSession) -> None:
        """In the disk thread."""
        self._submit_write(command.task, lambda: self._open_session(command))

    def write_result(self, command: msg.WriteResult) -> None:
        """In the disk thread."""
        loop = asyncio.get_running_loop()
        self._submit(self._disk_pool, lambda: self._write_result(command, loop))

    def read_accepted_result(self, command: msg.ReadAcceptedResult) -> None:
        """In the disk thread."""
        self._submit(self._disk_pool, lambda: self._read_accepted(command))

    def _submit(self, pool: ThreadPoolExecutor, work: Callable[[], msg.Event]) -> None:
        loop = asyncio.get_running_loop()
        pool.submit(lambda: loop.call_soon_threadsafe(self._post, work()))

    def _submit_write(self, task: int, work: Callable[[], msg.Event]) -> None:
        """Whatever happens in the disk thread, the task ends: a robot must not wait for ever."""

        def guarded() -> msg.Event:
            try:
                return work()
            except Exception as error:
                _log.exception("recording failed unexpectedly")
                return msg.WriteFailed(task, f"recording failed unexpectedly: {error!r}")

        self._submit(self._disk_pool, guarded)

    # In the threads.

    def _solve(self, command: msg.Solve) -> msg.Event:
        try:
            started_ns = time.monotonic_ns()
            solved = self._context.solve(command.dataset)
            return msg.Solved(command.task, solved.outcome, time.monotonic_ns() - started_ns, solved.coverage)
        except Exception as error:
            _log.exception("solving failed unexpectedly")
            return msg.WorkerFailed(command.task, f"solving failed unexpectedly: {error!r}")

    def _plan_next_view(self, command: msg.PlanNextView) -> msg.Event:
        try:
            pairs = self._context.resolve_half_turns(Dataset(command.pairs)).pairs
            goal = self._context.session_config.goal
            next_view = find_next_view(self._context.problem(pairs), command.outcome, goal)
            return msg.NextViewPlanned(command.task, next_view)
        except Exception as error:
            _log.exception("next-view planning failed unexpectedly")
            return msg.WorkerFailed(command.task, f"planning the next view failed unexpectedly: {error!r}")

    def _load_image(self, name: str) -> Pixels:
        return self._session_folder().load_image(name)

    def _store_image(self, command: msg.StoreImage) -> msg.Event:
        started_ns = time.monotonic_ns()
        frame = self._acquisition.frame(command.task)
        if frame is None:
            return msg.WriteFailed(command.task, "the image is no longer in memory")
        try:
            stored = self._session_folder().store_image(command.name, frame.pixels)
        except EyeboltError as fault:
            return msg.WriteFailed(command.task, fault.message)
        return msg.ImageStored(command.task, stored.digest_sha256, time.monotonic_ns() - started_ns)

    def _record(self, command: msg.RecordFacts) -> msg.Event:
        started_ns = time.monotonic_ns()
        try:
            self._session_folder().append([encode_fact(fact) for fact in command.facts])
        except EyeboltError as fault:
            types = [fact.type for fact in command.facts]
            _log.error("facts not recorded", facts=types, message=fault.message, remedy=fault.remedy)
            return msg.WriteFailed(command.task, fault.message)
        return msg.FactsRecorded(command.task, time.monotonic_ns() - started_ns)

    def _open_session(self, command: msg.OpenSession) -> msg.Event:
        record_folder = self._context.record_folder
        try:
            name = session_name(datetime.now(UTC), [path.name for path in list_sessions(record_folder)])
            fact = command.first_fact(name)
            # A session without its first fact is none: the folder appears with it, or not at all.
            files = FileSystem(access=self._context.station.record.access)
            folder = SessionFolder.create(
                record_folder, name, self._context.snapshots, files, first=[encode_fact(fact)]
            )
        except EyeboltError as fault:
            return msg.WriteFailed(command.task, fault.message)
        previous, self._folder = self._folder, folder
        if previous is not None:
            previous.close()
        _log.info("session opened", folder=str(folder.path))
        return msg.SessionOpened(command.task, fact)

    def _write_result(self, command: msg.WriteResult, loop: asyncio.AbstractEventLoop) -> msg.Event:
        try:
            write_result(
                self._context,
                self._session_folder().path,
                command.dataset,
                command.outcome,
                command.acceptance,
                command.accept,
                command.coverage,
            )
        except Exception as fault:
            # It can be computed again from the record: no request fails for it.
            _log.error("result not written", message=_message_of(fault))
        self._refresh_accepted(loop)
        return msg.ResultWritten(command.task)

    def _read_accepted(self, command: msg.ReadAcceptedResult) -> msg.Event:
        return msg.AcceptedResultRead(command.number, self._accepted_now())

    def _refresh_accepted(self, loop: asyncio.AbstractEventLoop) -> None:
        signature = accepted_signature(self._context.record_folder, self._accepted)
        if signature == self._accepted_signature:
            return
        self._accepted = self._accepted_now()
        # The file of the session that was found is a part of it from now on.
        self._accepted_signature = accepted_signature(self._context.record_folder, self._accepted)
        loop.call_soon_threadsafe(self._post, msg.AcceptedResultChanged(self._accepted))

    def _accepted_now(self) -> AcceptedResult | None:
        try:
            return read_accepted(self._context)
        except Exception as fault:
            message = _message_of(fault)
            _log.error("accepted result unreadable", message=message)
            return unreadable_accepted(message)

    def _session_folder(self) -> SessionFolder:
        if self._folder is None:
            raise RecordFault("record-none", "no session is open", "begin a session.")
        return self._folder


def preload_libraries() -> None:
    """Loads the libraries of the first solve.

    Every use loads them as well, and reports what cannot be loaded; this only keeps the first replies fast.
    """
    for name in _PRELOADED:
        importlib.import_module(name)


def _message_of(fault: Exception) -> str:
    return fault.message if isinstance(fault, EyeboltError) else repr(fault)
