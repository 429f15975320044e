"""A subscriber that sees everything that a daemon sends it: no filter of its own hides what is still published."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

import zmq

from eyebolt.context import load_station
from eyebolt.monitor.subscriber import ReceivedView, decode_status, decode_view
from eyebolt.protocol import STATUS_TOPIC, VIEW_TOPIC, StatusMessage, ViewMessage
from support.processes import until


class BareSubscriber:
    """An XSUB socket, which subscribes message by message and does not filter what it receives."""

    def __init__(self, station_file: Path, *topics: bytes) -> None:
        self._context = zmq.Context()
        self.socket = self._context.socket(zmq.XSUB)
        """May be written to by a test."""
        self.socket.setsockopt(zmq.LINGER, 0)
        self.socket.connect(load_station(station_file).station.status)
        self.statuses = 0
        """Statuses received."""
        self.status: StatusMessage | None = None
        """The newest status."""
        self.views: list[ReceivedView] = []
        """Views received."""
        for topic in topics:
            self.subscribe(topic)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._context.destroy(linger=0)

    def subscribe(self, topic: bytes = VIEW_TOPIC, wanted: bool = True) -> None:
        """Begins or ends a subscription."""
        self.socket.send((b"\x01" if wanted else b"\x00") + topic)

    def read(self) -> None:
        """Takes what has arrived."""
        while self.socket.poll(0):
            parts = self.socket.recv_multipart()
            if parts[0] == STATUS_TOPIC:
                self.statuses += 1
                self.status = decode_status(parts)
            else:
                self.views.append(decode_view(parts))

    def read_status(self) -> StatusMessage | None:
        """Takes what has arrived; the newest status."""
        self.read()
        return self.status

    def after_statuses(self, count: int) -> int:
        """Waits for so many more statuses; how many views came meanwhile."""
        self.read()
        statuses, views = self.statuses, len(self.views)

        def is_over() -> bool:
            self.read()
            return self.statuses >= statuses + count

        until(is_over, f"{count} statuses")
        return len(self.views) - views

    def view(self, condition: Callable[[ViewMessage], bool] = lambda message: True) -> ReceivedView:
        """The next view of which ``condition`` is true."""
        self.read()
        seen = len(self.views)

        def found() -> ReceivedView | None:
            self.read()
            return next((view for view in self.views[seen:] if condition(view.message)), None)

        view = until(found, "a view")
        if view is None:
            raise AssertionError("until returns what is true")
        return view
