"""Requests to a daemon's control socket, and their replies; a request is sent at once or not at all."""

from __future__ import annotations

import time

import zmq

from eyebolt.deadline import Deadline
from eyebolt.errors import InputFault, MachineFault
from eyebolt.monitor.daemon_connection import DaemonConnection
from eyebolt.plain_text import sanitize
from eyebolt.protocol import ControlAction, ControlOutcome, ControlReply, ControlRequest, parse_control_reply
from eyebolt.security import ClientKeys

_MAX_REPLY_BYTES = 65_536
_CONNECT_TIMEOUT_S = 3.0
# The result of a session is solved and written before the reply to its end.
_REPLY_TIMEOUT_S = 120.0
_POLL_S = 0.05
# Between two requests for the state, by which a screen sees that the daemon takes requests.
_STATE_INTERVAL_S = 1.0
_REACHABLE_S = 3.5


class ControlClient(DaemonConnection):
    """A connection to one control address. The daemon may start before or after it, and may restart."""

    def __init__(self, endpoint: str, keys: ClientKeys | None = None) -> None:
        """Raises MachineFault ``control-address`` if ``endpoint`` is not a ZeroMQ address."""
        try:
            super().__init__(
                endpoint,
                keys,
                kind=zmq.DEALER,
                role="operator",
                max_message_bytes=_MAX_REPLY_BYTES,
                # A request must not wait for a daemon that is started an hour later, and then be carried out.
                options={zmq.IMMEDIATE: 1, zmq.SNDHWM: 4},
            )
        except zmq.ZMQError as fault:
            raise MachineFault(
                "control-address",
                f"'{endpoint}' is not a valid control address: {zmq.strerror(fault.errno or 0)}",
                "give the daemon's control address as tcp://HOST:PORT.",
                endpoint=endpoint,
            ) from None
        self.state: ControlReply | None = None
        """Newest reply, whatever it is to; None before the first."""
        self._endpoint = endpoint
        self._number = 0
        self._state_number = 0
        self._next_state_s = 0.0
        self._replied_s = float("-inf")

    @property
    def is_reachable(self) -> bool:
        """Whether the daemon has replied lately, to a request that ``poll`` makes by itself or to another."""
        return time.monotonic() - self._replied_s <= _REACHABLE_S

    @property
    def note(self) -> str:
        """Why the connection fails; empty if it does not."""
        return self._handshake.message

    def send(
        self, action: ControlAction, *, new: bool = False, session: str | None = None, kept: int | None = None
    ) -> int | None:
        """Sends a request; its number, or None if the daemon cannot be reached now: then nothing was sent."""
        self._number += 1
        request = ControlRequest(id=self._number, action=action, new=new, session=session, kept=kept)
        try:
            self.socket.send(request.to_json(), zmq.NOBLOCK)
        except zmq.Again:
            return None
        return self._number

    def poll(self) -> list[ControlReply]:
        """The replies that have arrived, but those to its own requests for the state; never waits."""
        self._handshake.poll()
        replies = [reply for reply in self._receive() if reply.id != self._state_number]
        if time.monotonic() >= self._next_state_s:
            self._next_state_s = time.monotonic() + _STATE_INTERVAL_S
            self._state_number = self.send(ControlAction.STATE) or self._state_number
        return replies

    def ask(
        self, action: ControlAction, *, new: bool = False, session: str | None = None, kept: int | None = None
    ) -> ControlReply:
        """The reply to a request.

        Raises MachineFault ``control-unreachable``, ``control-silent``, InputFault ``control-rejected`` if the daemon
        does not accept this computer or its key.
        """
        return self._await_reply(action, self._send_once_connected(action, new=new, session=session, kept=kept))

    def _send_once_connected(self, action: ControlAction, *, new: bool, session: str | None, kept: int | None) -> int:
        deadline = Deadline.after(_CONNECT_TIMEOUT_S)
        while (number := self.send(action, new=new, session=session, kept=kept)) is None:
            self._handshake.poll()
            if self.note:
                raise InputFault(
                    "control-rejected",
                    f"no requests are taken from here at {self._endpoint}: {self.note.rstrip('.')}",
                    "use a key made for this computer on the cell's PC: eyebolt keys STATION --operator NAME.",
                    endpoint=self._endpoint,
                )
            if deadline.has_passed:
                message = f"no daemon takes requests at {self._endpoint}"
                remedy = (
                    "start it on the cell's PC (eyebolt serve STATION); if it runs, it was started before [station]"
                    " control was written: restart it."
                )
                raise MachineFault("control-unreachable", message, remedy, endpoint=self._endpoint)
            time.sleep(_POLL_S)
        return number

    def _await_reply(self, action: ControlAction, number: int) -> ControlReply:
        deadline = Deadline.after(_REPLY_TIMEOUT_S)
        while not deadline.has_passed:
            self.socket.poll(int(_POLL_S * 1000))
            for reply in self._receive():
                if reply.id == number or reply.outcome is ControlOutcome.INVALID:
                    return reply
        message = f"the daemon at {self._endpoint} has not replied to '{action}' for {_REPLY_TIMEOUT_S:.0f} s"
        remedy = "look at the screen whether it was carried out; if the daemon has ended, start it again."
        raise MachineFault("control-silent", message, remedy, endpoint=self._endpoint)

    def _receive(self) -> list[ControlReply]:
        replies: list[ControlReply] = []
        while True:
            try:
                content = self.socket.recv(zmq.NOBLOCK)
            except zmq.Again:
                return replies
            try:
                reply = _sanitized(parse_control_reply(content))
            except ValueError:
                continue
            self._handshake.reset()
            self._replied_s = time.monotonic()
            self.state = reply
            replies.append(reply)


def _sanitized(reply: ControlReply) -> ControlReply:
    """The same with strings that cannot steer a terminal."""
    texts = {name: sanitize(getattr(reply, name)) for name in ("message", "remedy", "station")}
    session = None if reply.session is None else sanitize(reply.session)
    return reply.model_copy(update={**texts, "session": session})
