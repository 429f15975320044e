"""The operator's requests over ZeroMQ: read and answered in a thread of its own, carried out in the daemon's loop.

Neither the loop nor the robot waits for a client: what the loop is given is bounded by bytes a second, connections, and
requests in progress. A client that does not read its replies loses them.
"""

from __future__ import annotations

import asyncio
import queue
from collections import Counter
from collections.abc import Callable, Coroutine
from concurrent.futures import Future
from pathlib import Path

import structlog
import zmq

from eyebolt.addresses import listening_reason, listening_remedy
from eyebolt.daemon.relayed_socket import RelayedSocket, SocketPurpose, sender_of
from eyebolt.daemon.socket_relay import RelayLimits, RelayWords
from eyebolt.errors import MachineFault
from eyebolt.logs import LogThrottle, ThrottledLogger
from eyebolt.protocol import (
    MAX_REQUEST_BYTES,
    ControlOutcome,
    ControlReply,
    ControlRequest,
    parse_control_request,
)

_log = structlog.get_logger("control")

CONTROL_LIMITS = RelayLimits(
    max_connections=64, burst_bytes=8192, bytes_per_s=400.0, accepted_per_s=5.0, accepted_burst=20
)
"""An operator sends a few requests a minute; a screen asks for the state once a second."""
_MAX_MESSAGES_PER_PASS = 100
# A person makes one request at a time.
_MAX_IN_PROGRESS = 8
# Messages of one connection that are no request; then it is closed.
_MAX_INVALID = 4


def _port_fault(endpoint: str, error: Exception) -> MachineFault:
    return MachineFault(
        "control-port",
        f"the operator's requests cannot be received at {endpoint}: {listening_reason(error, endpoint)}",
        listening_remedy(error, endpoint, "[station] control"),
        endpoint=endpoint,
    )


_PURPOSE = SocketPurpose(
    kind=zmq.ROUTER,
    role="operator",
    words=RelayWords("control", "control programs", "an operator's program sends a few short requests"),
    send_queue=16,
    max_message_bytes=MAX_REQUEST_BYTES,
    port_fault=_port_fault,
)


class ControlServer:
    """A ZeroMQ ROUTER socket behind a relay. ``handle`` is run in ``loop`` for each request.

    Raises MachineFault ``control-port``, InputFault of ``ZapAuthenticator.bind``.
    """

    def __init__(
        self,
        endpoint: str,
        keys: Path | None,
        handle: Callable[[ControlRequest], Coroutine[object, object, ControlReply]],
        loop: asyncio.AbstractEventLoop,
        limits: RelayLimits = CONTROL_LIMITS,
    ) -> None:
        self._handle = handle
        self._loop = loop
        self._throttled_log = ThrottledLogger(_log, LogThrottle(max_entries=5))
        # Requests in progress: the client's routing id and the request. Only the thread uses it.
        self._in_progress: dict[Future[ControlReply], tuple[bytes, ControlRequest]] = {}
        self._ended: queue.SimpleQueue[Future[ControlReply]] = queue.SimpleQueue()
        self._invalid_counts: Counter[str] = Counter()
        self._relayed = RelayedSocket(_PURPOSE, endpoint, keys, limits, self._on_pass)
        self._socket = self._relayed.socket
        self._relayed.start()

    def close(self) -> None:
        """Ends the service; requests in progress are abandoned by their clients' sockets, not by the session."""
        self._relayed.close()

    def _on_pass(self) -> None:
        try:
            self._send_replies()
            self._receive()
        except zmq.ZMQError:
            _log.exception("control socket failed")

    def _receive(self) -> None:
        for _ in range(_MAX_MESSAGES_PER_PASS):
            try:
                frames = self._socket.recv_multipart(zmq.NOBLOCK, copy=False)
            except zmq.Again:
                return
            sender = sender_of(frames[-1])
            if sender is None or not self._relayed.is_open(sender):
                continue
            client = frames[0].bytes
            try:
                if len(frames) != 2:
                    raise ValueError(f"it has {len(frames) - 1} parts, and a request has one")
                request = parse_control_request(frames[1].bytes)
            except ValueError as reason:
                self._reject(client, sender, str(reason))
                continue
            self._begin(client, request)

    def _begin(self, client: bytes, request: ControlRequest) -> None:
        if len(self._in_progress) >= _MAX_IN_PROGRESS:
            message = f"{len(self._in_progress)} requests are in progress"
            self._send(client, _plain_reply(request.id, ControlOutcome.BUSY, message, "wait for their replies."))
            return
        future = asyncio.run_coroutine_threadsafe(self._handle(request), self._loop)
        self._in_progress[future] = client, request
        future.add_done_callback(self._on_ended)

    def _on_ended(self, future: Future[ControlReply]) -> None:
        """In the loop's thread."""
        self._ended.put(future)
        self._relayed.wake()

    def _send_replies(self) -> None:
        while not self._ended.empty():
            future = self._ended.get_nowait()
            client, request = self._in_progress.pop(future)
            if future.cancelled():
                continue
            fault = future.exception()
            if fault is not None:
                _log.error("request of the operator failed unexpectedly", action=request.action, error=repr(fault))
                reason = "the daemon failed unexpectedly"
                reply = _plain_reply(request.id, ControlOutcome.REFUSED, reason, "keep the log, and report it.")
                self._send(client, reply)
            else:
                self._send(client, future.result())

    def _send(self, client: bytes, reply: ControlReply) -> None:
        try:
            self._socket.send_multipart([client, reply.to_json()], zmq.NOBLOCK)
        except zmq.Again:
            # It does not read its replies.
            return

    def _reject(self, client: bytes, sender: str, reason: str) -> None:
        peer = self._relayed.peer(sender)
        self._throttled_log.warning(
            "control message ignored: not a request",
            peer,
            peer=peer,
            reason=reason,
            remedy="find out which program it is; eyebolt session and eyebolt watch send requests",
        )
        self._send(client, _plain_reply(0, ControlOutcome.INVALID, f"not a request: {reason}", "correct the program."))
        self._invalid_counts[sender] += 1
        if self._invalid_counts[sender] >= _MAX_INVALID:
            del self._invalid_counts[sender]
            self._relayed.disconnect(sender)
        if len(self._invalid_counts) > CONTROL_LIMITS.max_connections:
            for closed in [address for address in self._invalid_counts if not self._relayed.is_open(address)]:
                del self._invalid_counts[closed]


def _plain_reply(number: int, outcome: ControlOutcome, message: str, remedy: str) -> ControlReply:
    """A reply that does not come from the session."""
    return ControlReply(
        id=number,
        outcome=outcome,
        message=message,
        remedy=remedy,
        station="",
        session=None,
        kept=0,
        wanted=0,
        live_pose_age_s=None,
    )
