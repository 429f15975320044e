"""The daemon: one loop that takes events from a queue, one at a time, and has the session decide what follows."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

import structlog

from eyebolt.cameras import Camera
from eyebolt.context import StationContext
from eyebolt.daemon.control_server import ControlServer
from eyebolt.daemon.executor import DaemonExecutor
from eyebolt.daemon.guiding import GuidedCapture
from eyebolt.daemon.live_view import LiveView
from eyebolt.daemon.operator_requests import OperatorRequests
from eyebolt.daemon.proving import ResultProver
from eyebolt.daemon.robot_server import RobotServer
from eyebolt.daemon.status_publisher import StatusPublisher
from eyebolt.protocol import LineFault, LinkStatus, Reply, Request
from eyebolt.results import utc_timestamp
from eyebolt.session import GuidedRecord, SessionDefect, State, execute_all, resume, status_message, step
from eyebolt.session import messages as msg
from eyebolt.store import SessionFolder

# A subscriber takes the daemon for lost after five missed messages.
HEARTBEAT_S = 0.5
# A device is opened within this time, and a sender that is restarted is back.
_SILENCE_LOGGED_S = 2.0
_REMINDER_S = 600.0

_log = structlog.get_logger("session")


class CameraLog:
    """Logs a camera that delivers no images: once it has been so for some seconds, then every ten minutes.

    Sources retry without a word, and show their state in the status only.
    """

    def __init__(self) -> None:
        self._silent_since_s: float | None = None
        self._logged_s: float | None = None

    def note(self, camera: LinkStatus, now_s: float) -> None:
        """The state of the camera at the monotonic instant ``now_s``, s."""
        if camera.is_connected:
            if self._logged_s is not None:
                _log.info("camera delivers images again", camera=camera.message)
            self._silent_since_s = self._logged_s = None
            return
        if self._silent_since_s is None:
            self._silent_since_s = now_s
        is_due = self._logged_s is None or now_s - self._logged_s >= _REMINDER_S
        if is_due and now_s - self._silent_since_s >= _SILENCE_LOGGED_S:
            self._logged_s = now_s
            remedy = camera.remedy or "check its power and cable, or its sending program: it is reopened automatically"
            _log.warning("camera delivers no usable images", camera=camera.message, remedy=remedy)


class Daemon:
    """The service of one station. ``run`` until ``stop``; ``folder`` is the session to continue, if there is one.

    ``log_lines_lost``: returns how many lines of the log could not be written.
    """

    def __init__(
        self,
        context: StationContext,
        camera: Camera,
        folder: SessionFolder | None,
        state: State,
        log_lines_lost: Callable[[], int] = lambda: 0,
    ) -> None:
        self._log_lines_lost = log_lines_lost
        self._context = context
        self._camera = camera
        self._camera_log = CameraLog()
        self._state = state
        self._events: asyncio.Queue[msg.Event | None] = asyncio.Queue()
        station = context.station
        self._robot_server = RobotServer(
            station.robot,
            station.pose_format.field_count,
            self._on_line,
            self._on_disconnect,
            lambda: self._state.robot_connection,
        )
        self._operator = OperatorRequests(
            station.robot, station.pose_format.field_count, self._events.put_nowait, lambda: self._state
        )
        self._executor = DaemonExecutor(
            context, camera, folder, self._robot_server, self._operator.answer, self._events.put_nowait, self._publish
        )
        self._guided = GuidedCapture(
            context, self._executor, lambda: self._state, self._submit_guided_pair, self._publish
        )
        self._prover = ResultProver(context, lambda: self._state)
        self._live_view = LiveView(
            context,
            camera,
            self._prover,
            lambda: self._executor.acquisition.newest_searched,
            lambda: self._status_publisher.has_view_subscribers,
            lambda: self._state.task is not None,
            lambda content, jpeg: self._status_publisher.publish_view(content, jpeg),
        )
        self._status_publisher = StatusPublisher(
            station.station.status, context.keys_folder, on_view_subscribed=self._live_view.wake
        )

    async def run(self, on_ready: Callable[[str], None]) -> None:
        """Serves until ``stop``; ``on_ready`` is called with the robot's address, in words.

        Raises OSError if the robot's port is taken, and as ControlServer.
        """
        periodic: list[asyncio.Task[None]] = []
        control: ControlServer | None = None
        try:
            where = await self._robot_server.start()
            control = self._open_control()
            await self._executor.refresh_accepted()
            periodic = [asyncio.create_task(self._heartbeat()), asyncio.create_task(self._poll_accepted())]
            on_ready(where)
            self._executor.preload_libraries()
            self._live_view.start()
            self._state, commands = resume(self._state)
            execute_all(commands, self._executor)
            if self._context.station.robot.guided:
                periodic.append(asyncio.create_task(self._guided.run()))
            while (event := await self._events.get()) is not None:
                self._take(event)
        finally:
            for task in periodic:
                task.cancel()
            await self._robot_server.close()
            if control is not None:
                control.close()
            await self._executor.close()
            await asyncio.to_thread(self._live_view.close)
            self._status_publisher.close()

    def stop(self) -> None:
        """Ends ``run`` after the events that are queued already."""
        self._events.put_nowait(None)

    async def submit_operator_request(self, verb: str, pose_line: str | None = None) -> Reply:
        """The final reply to a request of the operator: ``begin``, ``capture`` with a pose, ``undo`` or ``bye``.

        ``pose_line``: the numbers of the pose, and joint angles behind a ``j``, as the robot writes them.
        """
        return (await self._operator.submit(verb, pose_line)).reply

    async def _submit_guided_pair(self, pose_line: str, at_ns: int, guided: GuidedRecord) -> Reply:
        return (await self._operator.submit("capture", pose_line, at_ns, guided)).reply

    def _open_control(self) -> ControlServer | None:
        """Raises MachineFault ``control-port``."""
        endpoint = self._context.station.station.control
        if endpoint is None:
            return None
        return ControlServer(endpoint, self._context.keys_folder, self._operator.handle, asyncio.get_running_loop())

    def _take(self, event: msg.Event) -> None:
        try:
            self._state, commands = step(self._state, event)
        except SessionDefect:
            # The state is as before the event: the service goes on without it.
            _log.exception("event dropped: impossible in this state", type=type(event).__name__)
            return
        execute_all(commands, self._executor)
        if self._prover.has_news:
            self._live_view.wake()

    def _on_line(self, caller: msg.Caller, parsed: Request | LineFault) -> None:
        if isinstance(parsed, LineFault):
            self._events.put_nowait(msg.LineRejected(caller, parsed))
            return
        at_ns = time.monotonic_ns()
        if parsed.verb == "pose":
            self._operator.note_pose(caller.connection, parsed)
            if parsed.pose is not None and self._prover.add_pose(caller.connection, parsed.pose, at_ns):
                self._live_view.wake()
            if parsed.pose is not None and self._context.station.robot.guided:
                self._guided.add_pose(caller.connection, parsed.pose, at_ns)
        self._events.put_nowait(msg.RequestReceived(caller, parsed, at_ns, utc_timestamp()))

    def _on_disconnect(self, connection: int) -> None:
        self._guided.drop_connection(connection)
        self._operator.forget_pose_of(connection)
        self._events.put_nowait(msg.Disconnected(connection))

    async def _heartbeat(self) -> None:
        while True:
            self._publish()
            await asyncio.sleep(HEARTBEAT_S)

    async def _poll_accepted(self) -> None:
        while True:
            await asyncio.sleep(HEARTBEAT_S)
            await self._executor.refresh_accepted()

    def _publish(self) -> None:
        # A robot that only streams poses does not hold the station.
        holder = self._state.robot_connection
        peer = self._robot_server.peer(self._guided.streaming if holder is None else holder)
        notice = self._robot_server.notice(self._state.robot_connection)
        direction = "from" if self._context.station.robot.dial is None else "to"
        connected = f"connected {direction} {peer}" if peer else "not connected"
        robot = LinkStatus(is_connected=peer is not None, message=f"{connected}: {notice}" if notice else connected)
        log = self._state.log
        folder = str((self._context.record_folder / log.name).resolve()) if log is not None else None
        camera = self._camera.health()
        self._camera_log.note(camera, time.monotonic())
        message = status_message(
            self._state,
            robot,
            camera,
            folder,
            utc_timestamp(),
            self._log_lines_lost(),
            self._guided.status(),
            self._prover.proof,
        )
        self._status_publisher.publish(message.to_json())
