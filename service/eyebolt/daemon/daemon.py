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
from typing import Any

import structlog

from eyebolt.cameras import Camera, Pixels
from eyebolt.context import StationInputs
from eyebolt.daemon.acquisition import Picturing
from eyebolt.daemon.robot_server import RobotDoor
from eyebolt.daemon.status_publisher import StatusDoor
from eyebolt.errors import EyeboltError, RecordFault
from eyebolt.planning import advice_after
from eyebolt.protocol import CODES, LineFault, Request
from eyebolt.results import accepted_session, find_accepted, wall_now, write_result
from eyebolt.session import Alive, State, resume, status_message, step
from eyebolt.session import messages as msg
from eyebolt.store import SessionFolder, list_sessions, session_name

HEARTBEAT_S = 0.5

_log = structlog.get_logger("session")


class Daemon:
    """One station's service. ``run`` until ``stop``; ``folder`` is the session to go on with, if any."""

    def __init__(self, inputs: StationInputs, camera: Camera, folder: SessionFolder | None, state: State) -> None:
        self._inputs = inputs
        self._camera = camera
        self._folder = folder
        self._state = state
        self._events: asyncio.Queue[msg.Event | None] = asyncio.Queue()
        self._camera_thread = ThreadPoolExecutor(1, "camera")
        self._work_thread = ThreadPoolExecutor(1, "work")
        # Apart from the board's, so that the next picture is searched while a solve follows its answer.
        self._solve_thread = ThreadPoolExecutor(1, "solve")
        self._disk_thread = ThreadPoolExecutor(1, "disk")
        self._picturing = Picturing(inputs, camera, self._work_thread.submit)
        self._accepted = accepted_session(inputs.record_folder)
        robot = inputs.station.robot
        fields = inputs.station.reading.field_count
        self._robot_door = RobotDoor(robot, fields, self._on_line, self._on_left, lambda: self._state.robot)
        self._status_door = StatusDoor(inputs.station.station.status, inputs.keys_folder)

    async def run(self, on_ready: Callable[[str], None]) -> None:
        """Serves until ``stop``; ``on_ready`` gets where, in words. Raises OSError if the robot's port is taken."""
        beating: list[asyncio.Task[None]] = []
        try:
            where = await self._robot_door.start()
            beating = [asyncio.create_task(self._heartbeat()), asyncio.create_task(self._look_for_accepted())]
            on_ready(where)
            self._solve_thread.submit(load_late_parts)
            self._state, commands = resume(self._state)
            self._carry_out(commands)
            while (event := await self._events.get()) is not None:
                self._state, commands = step(self._state, event)
                self._carry_out(commands)
        finally:
            for task in beating:
                task.cancel()
            await self._robot_door.close()
            self._status_door.close()
            # A picture being waited for ends with its camera; what the disk was given, it finishes.
            self._camera.close()
            for thread in (self._camera_thread, self._work_thread, self._solve_thread, self._disk_thread):
                unfinished = thread is not self._disk_thread
                await asyncio.to_thread(thread.shutdown, wait=True, cancel_futures=unfinished)
            if self._folder is not None:
                self._folder.close()

    def stop(self) -> None:
        """Ends ``run`` after the event in hand."""
        self._events.put_nowait(None)

    def _on_line(self, caller: msg.Caller, parsed: Request | LineFault) -> None:
        if isinstance(parsed, LineFault):
            self._events.put_nowait(msg.LineFailed(caller, parsed))
        else:
            self._events.put_nowait(msg.Asked(caller, parsed, time.monotonic_ns(), wall_now()))

    def _on_left(self, connection: int) -> None:
        self._events.put_nowait(msg.Left(connection))

    async def _heartbeat(self) -> None:
        while True:
            self._publish()
            await asyncio.sleep(HEARTBEAT_S)

    async def _look_for_accepted(self) -> None:
        """A person may accept a result at any time, in another process."""
        while True:
            self._accepted = await asyncio.to_thread(accepted_session, self._inputs.record_folder)
            await asyncio.sleep(HEARTBEAT_S)

    def _publish(self) -> None:
        peer = self._robot_door.peer(self._state.robot)
        robot = Alive(peer is not None, f"connected from {peer}" if peer else "not connected")
        health = self._camera.describe()
        log = self._state.log
        accepted = log is not None and self._accepted == log.name
        folder = str((self._inputs.record_folder / log.name).resolve()) if log is not None else None
        camera = Alive(health.alive, health.says)
        message = status_message(self._state, robot, camera, accepted, folder, wall_now())
        self._status_door.publish(message)

    def _carry_out(self, commands: list[msg.Command]) -> None:
        for command in commands:
            self._carry_out_one(command)

    def _carry_out_one(self, command: msg.Command) -> None:
        match command:
            case msg.Answer():
                self._answer(command)
            case msg.DropConnection():
                self._robot_door.drop(command.connection)
            case msg.Publish():
                self._publish()
            case msg.WakeAt():
                delay_s = max(0.0, (command.at_ns - time.monotonic_ns()) / 1e9)
                asyncio.get_running_loop().call_later(delay_s, self._events.put_nowait, msg.Woke(command.task))
            case msg.Grab():
                self._in_thread(self._camera_thread, lambda: self._picturing.grab(command))
            case msg.Detect():
                self._in_thread(self._work_thread, lambda: self._picturing.detect(command, self._load_picture))
            case msg.Solve():
                self._in_thread(self._solve_thread, lambda: self._solve(command))
            case msg.Advise():
                self._in_thread(self._solve_thread, lambda: self._advise(command))
            case msg.StorePicture():
                self._on_disk(command.task, lambda: self._store_picture(command))
            case msg.Record():
                self._on_disk(command.task, lambda: self._record(command))
            case msg.OpenSession():
                self._on_disk(command.task, lambda: self._open_session(command))
            case msg.WriteResult():
                self._in_thread(self._disk_thread, lambda: self._write_result(command))
            case msg.FindAccepted():
                self._in_thread(self._disk_thread, lambda: self._find_accepted(command))

    def _on_disk(self, task: int, work: Callable[[], msg.Event]) -> None:
        """Whatever goes wrong with the disk, the task ends: a robot must not wait for ever."""

        def safely() -> msg.Event:
            try:
                return work()
            except Exception as error:
                _log.exception("recording broke down")
                return msg.RecordFailed(task, f"recording broke down: {error!r}")

        self._in_thread(self._disk_thread, safely)

    def _in_thread(self, thread: ThreadPoolExecutor, work: Callable[[], msg.Event]) -> None:
        loop = asyncio.get_running_loop()
        thread.submit(lambda: loop.call_soon_threadsafe(self._events.put_nowait, work()))

    def _answer(self, command: msg.Answer) -> None:
        reply = command.reply
        says = command.says or CODES[reply.code].says
        note = _log.info if reply.code < 20 else _log.warning
        note("answered", code=reply.code, seq=reply.seq, kept=reply.count, aux=reply.aux, says=says)
        self._robot_door.answer(command.caller, reply, command.bracketed)

    # What follows runs in the threads.

    def _store_picture(self, command: msg.StorePicture) -> msg.Event:
        begun_ns = time.monotonic_ns()
        frame = self._picturing.frame(command.task)
        if frame is None:
            return msg.RecordFailed(command.task, "the picture is no longer in memory")
        try:
            stored = self._session_folder().store_picture(command.name, frame.pixels)
        except EyeboltError as fault:
            return msg.RecordFailed(command.task, _text(fault))
        return msg.Stored(command.task, stored.digest_sha256, time.monotonic_ns() - begun_ns)

    def _load_picture(self, name: str) -> Pixels:
        return self._session_folder().load_picture(name)

    def _solve(self, command: msg.Solve) -> msg.Event:
        try:
            begun_ns = time.monotonic_ns()
            outcome, knowledge = self._inputs.solved(command.pairs, command.checks, command.placed)
            return msg.Solved(command.task, outcome, time.monotonic_ns() - begun_ns, knowledge)
        except Exception as error:
            _log.exception("solving broke down")
            return msg.WorkFailed(command.task, f"solving broke down: {error!r}")

    def _advise(self, command: msg.Advise) -> msg.Event:
        try:
            pairs, _ = self._inputs.numbered_alike(command.pairs, ())
            advice = advice_after(self._inputs.problem(pairs), command.outcome, self._inputs.terms.goal)
            return msg.Advised(command.task, advice)
        except Exception as error:
            _log.exception("looking for advice broke down")
            return msg.WorkFailed(command.task, f"looking for advice broke down: {error!r}")

    def _record(self, command: msg.Record) -> msg.Event:
        begun_ns = time.monotonic_ns()
        try:
            self._session_folder().append([dict(fact) for fact in command.facts])
        except EyeboltError as fault:
            _log.error("facts could not be recorded", facts=[fact["fact"] for fact in command.facts], says=_text(fault))
            return msg.RecordFailed(command.task, _text(fault))
        return msg.Recorded(command.task, time.monotonic_ns() - begun_ns)

    def _open_session(self, command: msg.OpenSession) -> msg.Event:
        record_folder = self._inputs.record_folder
        try:
            taken = [path.name for path in list_sessions(record_folder)]
            name = session_name(datetime.now(UTC), taken)
            fact: dict[str, Any] = {**command.fact, "session": name}
            # A session without its first fact is none: the folder appears with it, or not at all.
            folder = SessionFolder.create(record_folder, name, self._inputs.keepsakes, first=[fact])
        except EyeboltError as fault:
            return msg.RecordFailed(command.task, _text(fault))
        previous, self._folder = self._folder, folder
        if previous is not None:
            previous.close()
        _log.info("session opened", folder=str(folder.path))
        return msg.Opened(command.task, fact)

    def _write_result(self, command: msg.WriteResult) -> msg.Event:
        try:
            folder = self._session_folder()
            known = command.knowledge
            write_result(self._inputs, folder.path, command.outcome, command.judgement, command.accept, known)
            if command.accept:
                self._accepted = folder.path.name
        except Exception as fault:
            _log.error("the result could not be written", says=_text(fault))
        return msg.ResultWritten(command.task)

    def _find_accepted(self, command: msg.FindAccepted) -> msg.Event:
        transform = None
        try:
            transform = find_accepted(self._inputs.record_folder)
            self._accepted = accepted_session(self._inputs.record_folder)
        except Exception as fault:
            _log.error("the accepted result cannot be read", says=_text(fault))
        return msg.AcceptedFound(command.caller, command.request, transform)

    def _session_folder(self) -> SessionFolder:
        if self._folder is None:
            raise RecordFault("record-none", "no session is open", "begin a session.")
        return self._folder


def _text(fault: Exception) -> str:
    return fault.message if isinstance(fault, EyeboltError) else repr(fault)


# A package before its parts, as a use loads them: two threads that load a package and a part of it each from its own
# end get hold of half-loaded modules.
_PARTS = ("scipy.sparse", "scipy.sparse.csgraph", "scipy.special", "scipy.spatial")


def load_late_parts() -> None:
    """Takes half a second."""
    for name in _PARTS:
        importlib.import_module(name)
