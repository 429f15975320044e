"""Whom a ZeroMQ socket that the daemon binds lets in, and a word in the log about everybody else.

On this computer anybody may come. Beyond it only who has a key that the station knows: the socket speaks CURVE
(RFC 26/CURVEZMQ) and asks a handler for each caller (RFC 27/ZAP). If there is no answer, nobody is let in.
"""

from __future__ import annotations

import contextlib
import errno
import os
import socket as network
import threading
import time
from pathlib import Path

import structlog
import zmq
from zmq.utils import z85
from zmq.utils.monitor import recv_monitor_message

from eyebolt import addresses
from eyebolt.errors import InputFault
from eyebolt.logs import Sparing
from eyebolt.security.key_files import Role, admitted, station_secret

_ZAP = "inproc://zeromq.zap.01"
_ZAP_VERSION = b"1.0"
_POLL_MS = 100

_log = structlog.get_logger("guard")


class Guard:
    """Stands before one socket of ``context``, which has no other one that binds; ``role`` is who may come.

    ``bind`` once, ``close`` before the context is destroyed. A thread of its own answers and logs.
    """

    def __init__(self, context: zmq.Context[zmq.Socket[bytes]], role: Role) -> None:
        self._context = context
        self._role: Role = role
        self._keys: Path | None = None
        self._guarded: zmq.Socket[bytes] | None = None
        self._zap: zmq.Socket[bytes] | None = None
        self._monitor: zmq.Socket[bytes] | None = None
        # Callers who have not shown yet that they belong here: file descriptor -> address.
        self._callers: dict[int, str] = {}
        self._unknown_key_of: str | None = None
        self._sparing = Sparing()
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._stand, name=f"eyebolt-guard {role}", daemon=True)

    def bind(self, socket: zmq.Socket[bytes], endpoint: str, keys: Path | None) -> None:
        """Binds ``socket``; ``keys`` is the station's folder of them.

        Raises InputFault ``keys-needed`` and those of ``station_secret``, and zmq.ZMQError.
        """
        try:
            addresses.endpoint(endpoint)
        except ValueError:
            raise zmq.ZMQError(errno.EINVAL) from None
        if addresses.beyond_this_computer(endpoint):
            if keys is None:
                says = f"{endpoint} can be reached from other computers, and the station has no keys"
                remedy = (
                    "add keys = \"keys\" to [station], run 'eyebolt keys'; or use an address such as tcp://127.0.0.1."
                )
                raise InputFault("keys-needed", says, remedy, endpoint=endpoint)
            socket.setsockopt(zmq.CURVE_SECRETKEY, station_secret(keys).encode("ascii"))
            socket.setsockopt(zmq.CURVE_SERVER, 1)
            socket.setsockopt(zmq.ZAP_DOMAIN, self._role.encode("ascii"))
            # Without this a missing handler would mean that any key will do.
            socket.setsockopt(zmq.ZAP_ENFORCE_DOMAIN, 1)
            self._keys, self._zap = keys, self._context.socket(zmq.REP)
            self._zap.bind(_ZAP)
        self._guarded, self._monitor = socket, socket.get_monitor_socket()
        socket.bind(endpoint)
        self._thread.start()

    def close(self) -> None:
        """Ends the thread. The guarded socket is closed by whom it belongs to."""
        self._closed.set()
        if self._thread.is_alive():
            self._thread.join()
        if self._guarded is not None and self._monitor is not None:
            with contextlib.suppress(zmq.ZMQError):
                self._guarded.disable_monitor()

    def _stand(self) -> None:
        poller = zmq.Poller()
        for socket in (self._zap, self._monitor):
            if socket is not None:
                poller.register(socket, zmq.POLLIN)
        while not self._closed.is_set():
            for socket, _ in poller.poll(_POLL_MS):
                if socket is self._zap:
                    self._answer(self._zap)
                elif self._monitor is not None:
                    event = recv_monitor_message(self._monitor)
                    self._note(zmq.Event(event["event"]), int(event["value"]))
        if self._zap is not None:
            self._zap.close(linger=0)

    def _answer(self, zap: zmq.Socket[bytes]) -> None:
        parts = zap.recv_multipart()
        request = parts[1] if len(parts) > 1 else b""
        name = self._name_of(parts[6]) if len(parts) == 7 and parts[5] == b"CURVE" else None
        if name is None:
            verdict = [b"400", b"unknown key", b""]
            # The one that is turned away next. Who is gone by then has no address but this.
            self._unknown_key_of = parts[3].decode("ascii", "replace") if len(parts) > 3 else "?"
        else:
            verdict = [b"200", b"OK", name.encode("ascii", "replace")]
            _log.info("let in", role=self._role, name=name, peer=parts[3].decode("ascii", "replace"))
        zap.send_multipart([_ZAP_VERSION, request, *verdict, b""])

    def _name_of(self, public: bytes) -> str | None:
        if self._keys is None or len(public) != 32:
            return None
        try:
            return admitted(self._keys, self._role).get(z85.encode(public).decode("ascii"))
        except (InputFault, OSError) as fault:
            _log.error("the keys cannot be read: nobody is let in", says=str(fault))
            return None

    def _note(self, event: zmq.Event, value: int) -> None:
        if event is zmq.Event.ACCEPTED:
            self._callers[value] = _address(value)
        elif event is zmq.Event.HANDSHAKE_SUCCEEDED and self._callers:
            # The event does not say whose it was: most likely of who came last, for it takes milliseconds.
            self._callers.popitem()
        elif event is zmq.Event.DISCONNECTED and value in self._callers:
            self._tell_refused(self._callers.pop(value))

    def _tell_refused(self, peer: str) -> None:
        why = "it has no key, or is no " + self._role if self._keys is not None else f"it is no {self._role}"
        if self._unknown_key_of is not None:
            why, peer, self._unknown_key_of = "its key is not known here", self._unknown_key_of, None
        more = self._sparing.tells((peer, why), time.monotonic())
        if more is not None:
            remedy = f"if it should come in: 'eyebolt keys STATION --{self._role} NAME', and give it the file"
            if self._keys is None:
                remedy = "find out which program it is; nothing that it sent was used"
            _log.warning(f"refused: no {self._role} that is let in", peer=peer, why=why, remedy=remedy, **more)


def _address(descriptor: int) -> str:
    try:
        with network.socket(fileno=os.dup(descriptor)) as caller:
            name = caller.getpeername()
    except OSError:
        return "?"
    return str(name[0]) if isinstance(name, tuple) else "this computer"
