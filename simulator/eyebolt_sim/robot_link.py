"""The connection of the simulated robot controller to the daemon: one line out, one reply line back."""

from __future__ import annotations

import contextlib
import socket
import time
from dataclasses import dataclass

from eyebolt.addresses import split_host_port
from eyebolt.config import RobotSection
from eyebolt.deadline import Deadline
from eyebolt.errors import MachineFault
from eyebolt.protocol import Code

_REPLY_TIMEOUT_S = 10.0
_RETRY_S = 0.1
_MAX_REPLY_BYTES = 256
_POLL_INTERVAL_S = 0.5
_MAX_WORK_S = 120.0


@dataclass(frozen=True)
class Reply:
    """A reply of the daemon."""

    code: Code
    """reply code"""
    seq: int
    """sequence number of the request"""
    numbers: tuple[float, ...]
    """the fields after ``seq``; at least two"""

    @property
    def count(self) -> int:
        """Number of pairs kept, the third field."""
        return int(self.numbers[0])

    @property
    def aux(self) -> int:
        """The fourth field: pairs still wanted, unless the verb gives it another meaning."""
        return int(self.numbers[1])


class RobotLink:
    """A connection to the daemon. Raises MachineFault ``sim-no-daemon`` if it breaks or a reply is malformed."""

    def __init__(self, connection: socket.socket, peer: str, reply_wait_s: float = 0.0) -> None:
        """``reply_wait_s``: how long the daemon holds a reply, see [robot] of a station file."""
        self._connection = connection
        self._peer = peer
        self._buffer = b""
        self._timeout_s = _REPLY_TIMEOUT_S + reply_wait_s
        connection.settimeout(self._timeout_s)

    def exchange(self, line: str) -> Reply:
        """Send ``line`` and wait for the reply."""
        self.send(line.encode("ascii") + b"\n", line)
        return self.reply(line)

    def exchange_until_final(self, line: str, seq: int) -> Reply:
        """Send ``line`` and wait for the final reply, see ``await_final``."""
        return self.await_final(self.exchange(line), line, seq)

    def await_final(self, reply: Reply, line: str, seq: int) -> Reply:
        """``reply`` if it is final, else the final reply to request ``seq``, polled with ``again``.

        ``line`` is the request, for messages.
        """
        deadline = Deadline.after(_MAX_WORK_S)
        while not reply.code.is_final:
            if deadline.has_passed:
                raise MachineFault(
                    "sim-no-daemon",
                    f"the daemon still replies {reply.code} {_MAX_WORK_S:.0f} s after {line!r}",
                    "read the daemon's log.",
                )
            time.sleep(_POLL_INTERVAL_S)
            reply = self.exchange(f"again {seq}")
        return reply

    def send(self, data: bytes, line: str) -> None:
        """Send bytes unchanged; ``line`` identifies them in messages."""
        try:
            self._connection.sendall(data)
        except OSError as fault:
            raise self._link_fault(
                f"the connection to the daemon at {self._peer} broke at {line!r}: {fault}"
            ) from fault

    def reply(self, line: str) -> Reply:
        """Wait for the next reply; ``line`` identifies the request in messages."""
        try:
            while b"\n" not in self._buffer:
                chunk = self._connection.recv(_MAX_REPLY_BYTES)
                if not chunk:
                    raise self._link_fault(f"the daemon at {self._peer} closed the connection after {line!r}")
                self._buffer += chunk
        except TimeoutError as fault:
            raise self._link_fault(
                f"the daemon at {self._peer} did not reply to {line!r} within {self._timeout_s:.0f} s"
            ) from fault
        except OSError as fault:
            raise self._link_fault(f"the connection to the daemon at {self._peer} broke: {fault.strerror}") from fault
        raw, _, self._buffer = self._buffer.partition(b"\n")
        try:
            code, seq, *numbers = raw.decode("ascii").strip().split(",")
            reply = Reply(Code(int(code)), int(seq), tuple(float(n) for n in numbers))
        except ValueError as fault:
            raise self._link_fault(f"{raw!r} from {self._peer} is not a reply of this protocol") from fault
        if len(reply.numbers) < 2:
            raise self._link_fault(f"{raw!r} from {self._peer} is not a reply of this protocol")
        return reply

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()

    def _link_fault(self, message: str) -> MachineFault:
        return MachineFault("sim-no-daemon", message, "read the daemon's log, then start the simulator again.")


def open_link(robot: RobotSection, wait_s: float) -> RobotLink:
    """A connection as configured: to a daemon that listens, or from a daemon that dials.

    Raises what `connect_to_daemon` and `accept_daemon` raise.
    """
    return RobotLink(open_connection(robot, wait_s), robot.listen or robot.dial or "", robot.reply_wait_s)


def connect_to_daemon(host: str, port: int, wait_s: float) -> RobotLink:
    """Connect to a listening daemon, retrying for ``wait_s`` seconds. Raises MachineFault ``sim-no-daemon``."""
    return RobotLink(_connect(host, port, wait_s), f"{host}:{port}")


def accept_daemon(host: str, port: int, wait_s: float) -> RobotLink:
    """Accept a connection of a daemon that dials. Raises MachineFault ``sim-no-daemon``, ``sim-port``."""
    return RobotLink(_accept(host, port, wait_s), f"{host}:{port}")


def open_connection(robot: RobotSection, wait_s: float) -> socket.socket:
    """The socket of `open_link`."""
    host, port = split_host_port(robot.listen or robot.dial or "")
    return (_connect if robot.listen else _accept)(host, port, wait_s)


def _connect(host: str, port: int, wait_s: float) -> socket.socket:
    deadline = Deadline.after(wait_s)
    while True:
        with contextlib.suppress(OSError):
            return socket.create_connection((host, port), timeout=max(_RETRY_S, wait_s))
        if deadline.has_passed:
            raise MachineFault(
                "sim-no-daemon",
                f"no daemon listens at {host}:{port}",
                "start it with: eyebolt serve STATION (the same station file), then start the simulator again.",
                host=host,
                port=port,
            )
        time.sleep(_RETRY_S)


def _accept(host: str, port: int, wait_s: float) -> socket.socket:
    try:
        listener = socket.create_server((host, port))
    except OSError as fault:
        raise MachineFault(
            "sim-port",
            f"the simulated robot cannot listen at {host}:{port}: {fault.strerror}",
            "end the program that uses the port, or change [robot] dial in the station file.",
            host=host,
            port=port,
        ) from fault
    with listener:
        listener.settimeout(wait_s)
        try:
            connection, _ = listener.accept()
        except TimeoutError as fault:
            raise MachineFault(
                "sim-no-daemon",
                f"no daemon connected to the simulated robot at {host}:{port} within {wait_s:.0f} s",
                "start it with: eyebolt serve STATION (the same station file), then start the simulator again.",
                host=host,
                port=port,
            ) from fault
    return connection
