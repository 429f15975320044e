"""The daemon: feeds events to ``session.step`` and carries out the commands that come back.

One loop decides, one event at a time. Work that takes long happens in four threads of one worker each: camera, board,
solve, disk. What a thread returns comes back as the next event.

Libraries that take long to load and that no robot needs at once: loaded when the doors are open.

Every use of them loads them too, and tells what cannot be loaded: only the time of the first answers hangs on this.
"""

from __future__ import annotations

import asyncio
import importlib
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

import structlog

from eyebolt.cameras import Camera, Pixels
from eyebolt.context import StationContext
from eyebolt.daemon.acquisition import ImageAcquisition
from eyebolt.daemon.robot_server import RobotServer
from eyebolt.daemon.status_publisher import StatusPublisher
from eyebolt.errors import EyeboltError, RecordFault
from eyebolt.observations import Dataset
from eyebolt.planning import find_next_view
from eyebolt.protocol import LineFault, LinkStatus, Request
from eyebolt.results import accepted_session_name, read_accepted_transform, utc_timestamp, write_result
from eyebolt.session import State, encode_fact, resume, status_message, step
from eyebolt.session import messages as msg
from eyebolt.store import SessionFolder, list_sessions, session_name

HEARTBEAT_S = 0.5

_log = structlog.get_logger("session")


class Daemon:
    """One station's service. ``run`` until ``stop``; ``folder`` is the session to go on with, if any."""

    def __init__(self, context: StationContext, camera: Camera, folder: SessionFolder | None, state: State) -> None:
        self._context = context
        self._camera = camera
        self._folder = folder
        self._state = state
        self._events: asyncio.Queue[msg.Event | None] = asyncio.Queue()
        self._camera_thread = ThreadPoolExecutor(1, "camera")
        self._detect_thread = ThreadPoolExecutor(1, "work")
        # Apart from the board's, so that the next picture is searched while a solve follows its answer.
        self._solve_thread = ThreadPoolExecutor(1, "solve")
        self._disk_thread = ThreadPoolExecutor(1, "disk")
        self._acquisition = ImageAcquisition(context, camera, self._detect_thread.submit)
        self._accepted = accepted_session_name(context.record_folder)
        robot = context.station.robot
        fields = context.station.pose_format.field_count
        self._robot_server = RobotServer(
            robot, fields, self._on_line, self._on_disconnect, lambda: self._state.robot_connection
        )
        self._status_publisher = StatusPublisher(context.station.station.status, context.keys_folder)

    async def run(self, on_ready: Callable[[str], None]) -> None:
        """Serves until ``stop``; ``on_ready`` gets where, in words. Raises OSError if the robot's port is taken."""
        periodic: list[asyncio.Task[None]] = []
        try:
            where = await self._robot_server.start()
            periodic = [asyncio.create_task(self._heartbeat()), asyncio.create_task(self._poll_accepted())]
            on_ready(where)
            self._solve_thread.submit(preload_libraries)
            self._state, commands = resume(self._state)
            self._execute(commands)
            while (event := await self._events.get()) is not None:
                self._state, commands = step(self._state, event)
                self._execute(commands)
        finally:
            for task in periodic:
                task.cancel()
            await self._robot_server.close()
            self._status_publisher.close()
            # A picture being waited for ends with its camera; what the disk was given, it finishes.
            self._camera.close()
            for thread in (self._camera_thread, self._detect_thread, self._solve_thread, self._disk_thread):
                unfinished = thread is not self._disk_thread
                await asyncio.to_thread(thread.shutdown, wait=True, cancel_futures=unfinished)
            if self._folder is not None:
                self._folder.close()

    def stop(self) -> None:
        """Ends ``run`` after the event in hand."""
        self._events.put_nowait(None)

    def _on_line(self, caller: msg.Caller, parsed: Request | LineFault) -> None:
        if isinstance(parsed, LineFault):
            self._events.put_nowait(msg.LineRejected(caller, parsed))
        else:
            self._events.put_nowait(msg.RequestReceived(caller, parsed, time.monotonic_ns(), utc_timestamp()))

    def _on_disconnect(self, connection: int) -> None:
        self._events.put_nowait(msg.Disconnected(connection))

    async def _heartbeat(self) -> None:
        while True:
            self._publish()
            await asyncio.sleep(HEARTBEAT_S)

    async def _poll_accepted(self) -> None:
        """A person may accept a result at any time, in another process."""
        while True:
            self._accepted = await asyncio.to_thread(accepted_session_name, self._context.record_folder)
            await asyncio.sleep(HEARTBEAT_S)

    def _publish(self) -> None:
        peer = self._robot_server.peer(self._state.robot_connection)
        robot = LinkStatus(is_connected=peer is not None, message=f"connected from {peer}" if peer else "not connected")
        log = self._state.log
        accepted = log is not None and self._accepted == log.name
        folder = str((self._context.record_folder / log.name).resolve()) if log is not None else None
        message = status_message(self._state, robot, self._camera.health(), accepted, folder, utc_timestamp())
        self._status_publisher.publish(message.to_json())

    def _execute(self, commands: list[msg.Command]) -> None:
        for command in commands:
            self._execute_one(command)

    def _execute_one(self, command: msg.Command) -> None:
        match command:
            case msg.SendReply():
                self._answer(command)
            case msg.CloseConnection():
                self._robot_server.drop(command.connection)
            case msg.PublishStatus():
                self._publish()
            case msg.StartTimer():
                delay_s = max(0.0, (command.at_ns - time.monotonic_ns()) / 1e9)
                asyncio.get_running_loop().call_later(delay_s, self._events.put_nowait, msg.TimerExpired(command.task))
            case msg.Grab():
                self._submit(self._camera_thread, lambda: self._acquisition.grab(command))
            case msg.Detect():
                self._submit(self._detect_thread, lambda: self._acquisition.detect(command, self._load_image))
            case msg.Solve():
                self._submit(self._solve_thread, lambda: self._solve(command))
            case msg.PlanNextView():
                self._submit(self._solve_thread, lambda: self._plan_next_view(command))
            case msg.StoreImage():
                self._submit_to_disk(command.task, lambda: self._store_image(command))
            case msg.RecordFacts():
                self._submit_to_disk(command.task, lambda: self._record(command))
            case msg.OpenSession():
                self._submit_to_disk(command.task, lambda: self._open_session(command))
            case msg.WriteResult():
                self._submit(self._disk_thread, lambda: self._write_result(command))
            case msg.ReadAcceptedResult():
                self._submit(self._disk_thread, lambda: self._read_accepted(command))

    def _submit_to_disk(self, task: int, work: Callable[[], msg.Event]) -> None:
        """Whatever goes wrong with the disk, the task ends: a robot must not wait for ever."""

        def safely() -> msg.Event:
            try:
                return work()
            except Exception as error:
                _log.exception("recording failed unexpectedly")
                return msg.WriteFailed(task, f"recording broke down: {error!r}")

        self._submit(self._disk_thread, safely)

    def _submit(self, thread: ThreadPoolExecutor, work: Callable[[], msg.Event]) -> None:
        loop = asyncio.get_running_loop()
        thread.submit(lambda: loop.call_soon_threadsafe(self._events.put_nowait, work()))

    def _answer(self, command: msg.SendReply) -> None:
        reply = command.reply
        message = command.message or reply.code.message
        note = _log.info if reply.code.is_success or not reply.code.is_final else _log.warning
        note("reply sent", code=int(reply.code), seq=reply.seq, kept=reply.count, aux=reply.aux, message=message)
        self._robot_server.answer(command.caller, reply, command.bracketed)

    # What follows runs in the threads.

    def _store_image(self, command: msg.StoreImage) -> msg.Event:
        begun_ns = time.monotonic_ns()
        frame = self._acquisition.frame(command.task)
        if frame is None:
            return msg.WriteFailed(command.task, "the picture is no longer in memory")
        try:
            stored = self._session_folder().store_image(command.name, frame.pixels)
        except EyeboltError as fault:
            return msg.WriteFailed(command.task, _fault_message(fault))
        return msg.ImageStored(command.task, stored.digest_sha256, time.monotonic_ns() - begun_ns)

    def _load_image(self, name: str) -> Pixels:
        return self._session_folder().load_image(name)

    def _solve(self, command: msg.Solve) -> msg.Event:
        try:
            begun_ns = time.monotonic_ns()
            solved = self._context.solve(command.dataset)
            return msg.Solved(command.task, solved.outcome, time.monotonic_ns() - begun_ns, solved.coverage)
        except Exception as error:
            _log.exception("solving failed unexpectedly")
            return msg.WorkerFailed(command.task, f"solving broke down: {error!r}")

    def _plan_next_view(self, command: msg.PlanNextView) -> msg.Event:
        try:
            pairs = self._context.resolve_half_turns(Dataset(command.pairs)).pairs
            goal = self._context.session_config.goal
            next_view = find_next_view(self._context.problem(pairs), command.outcome, goal)
            return msg.NextViewPlanned(command.task, next_view)
        except Exception as error:
            _log.exception("next-view planning failed unexpectedly")
            return msg.WorkerFailed(command.task, f"looking for advice broke down: {error!r}")

    def _record(self, command: msg.RecordFacts) -> msg.Event:
        begun_ns = time.monotonic_ns()
        try:
            self._session_folder().append([encode_fact(fact) for fact in command.facts])
        except EyeboltError as fault:
            _log.error("facts not recorded", facts=[fact.type for fact in command.facts], message=_fault_message(fault))
            return msg.WriteFailed(command.task, _fault_message(fault))
        return msg.FactsRecorded(command.task, time.monotonic_ns() - begun_ns)

    def _open_session(self, command: msg.OpenSession) -> msg.Event:
        record_folder = self._context.record_folder
        try:
            existing = [path.name for path in list_sessions(record_folder)]
            name = session_name(datetime.now(UTC), existing)
            fact = command.first_fact(name)
            # A session without its first fact is none: the folder appears with it, or not at all.
            folder = SessionFolder.create(record_folder, name, self._context.snapshots, first=[encode_fact(fact)])
        except EyeboltError as fault:
            return msg.WriteFailed(command.task, _fault_message(fault))
        previous, self._folder = self._folder, folder
        if previous is not None:
            previous.close()
        _log.info("session opened", folder=str(folder.path))
        return msg.SessionOpened(command.task, fact)

    def _write_result(self, command: msg.WriteResult) -> msg.Event:
        try:
            folder = self._session_folder()
            known = command.coverage
            write_result(self._context, folder.path, command.outcome, command.acceptance, command.accept, known)
            if command.accept:
                self._accepted = folder.path.name
        except Exception as fault:
            _log.error("result not written", message=_fault_message(fault))
        return msg.ResultWritten(command.task)

    def _read_accepted(self, command: msg.ReadAcceptedResult) -> msg.Event:
        transform = None
        try:
            transform = read_accepted_transform(self._context.record_folder)
            self._accepted = accepted_session_name(self._context.record_folder)
        except Exception as fault:
            _log.error("accepted result unreadable", message=_fault_message(fault))
        return msg.AcceptedResultRead(command.caller, command.request, transform)

    def _session_folder(self) -> SessionFolder:
        if self._folder is None:
            raise RecordFault("record-none", "no session is open", "begin a session.")
        return self._folder


def _fault_message(fault: Exception) -> str:
    return fault.message if isinstance(fault, EyeboltError) else repr(fault)


# A package before its parts, as a use loads them: two threads that load a package and a part of it each from its own
# end get hold of half-loaded modules.
_PRELOADED = ("scipy.sparse", "scipy.sparse.csgraph", "scipy.special", "scipy.spatial")


def preload_libraries() -> None:
    """Takes half a second."""
    for name in _PRELOADED:
        importlib.import_module(name)
