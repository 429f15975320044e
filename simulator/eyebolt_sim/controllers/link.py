"""The connection of a modelled controller: texts out and numbers in, through the habits of its language."""

from __future__ import annotations

import socket
from collections.abc import Sequence

import numpy as np

from eyebolt.deadline import Deadline
from eyebolt.errors import MachineFault
from eyebolt_sim.controllers.sockets import Numbers
from eyebolt_sim.controllers.table import Controller

_READ_BYTES = 256
# A program that waits without a limit would hang here; a daemon replies within reply_wait_s, 30 s at most.
_FOR_EVER_S = 60.0
_REMEDY = "read the daemon's log, then start the simulator again."


class ControllerLink:
    """A connection of ``controller``. Raises MachineFault ``sim-no-daemon`` if it breaks, and what the habits raise."""

    def __init__(self, controller: Controller, connection: socket.socket) -> None:
        self.controller = controller
        self._connection = connection
        self._pending = b""
        self._received = b""

    def send(self, parts: Sequence[str]) -> None:
        """Send the line that ``parts`` make. Raises InputFault ``sim-string``."""
        row = self.controller
        if row.reader.wants_brackets:
            parts = [f"({parts[0]}", *parts[1:-1], f"{parts[-1]})"] if len(parts) > 1 else [f"({parts[0]})"]
        for string in row.string.strings(parts, row.ending):
            self._pending += row.padding.padded(string)
            self._release(row.output.released(self._pending))

    def read(self, count: int) -> Numbers | None:
        """The ``count`` numbers of the next reply; None if there is none within the time limit of this controller."""
        row = self.controller
        self._release(row.output.released_by_reading(self._pending))
        limit_s = row.reader.time_limit_s
        deadline = Deadline.after(_FOR_EVER_S if limit_s is None else limit_s)
        while True:
            numbers, self._received = row.reader.take(self._received, count)
            if numbers is not None:
                return tuple(float(np.float32(n)) for n in numbers) if row.reads_single_precision else numbers
            if not self._receive(deadline):
                if limit_s is None:
                    raise MachineFault("sim-no-daemon", f"the program of {row.name} waits without a limit", _REMEDY)
                return None

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()

    def _release(self, size: int) -> None:
        leaving, self._pending = self._pending[:size], self._pending[size:]
        try:
            if leaving:
                self._connection.sendall(leaving)
        except OSError as fault:
            raise MachineFault("sim-no-daemon", f"the connection to the daemon broke: {fault}", _REMEDY) from fault

    def _receive(self, deadline: Deadline) -> bool:
        """Whether bytes arrived in time."""
        try:
            self._connection.settimeout(max(0.001, deadline.remaining_s))
            data = self._connection.recv(_READ_BYTES)
        except TimeoutError:
            return False
        except OSError as fault:
            raise MachineFault("sim-no-daemon", f"the connection to the daemon broke: {fault}", _REMEDY) from fault
        if not data:
            raise MachineFault("sim-no-daemon", "the daemon closed the connection", _REMEDY)
        self._received += data
        return True
