"""From the daemon to the browsers: a thread that follows the status, and the views while a browser shows them."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from eyebolt.monitor import ReceivedView, StatusSubscriber, is_other_station, is_stale
from eyebolt.page.content import View, page_state

if TYPE_CHECKING:
    from eyebolt.page.result import ResultReader

_TICK_S = 0.25
# A browser asks for the next view as soon as it has drawn one, and waits up to VIEW_WAIT_S for it.
VIEW_WAIT_S = 2.0
_VIEW_WANTED_S = 3.0


class Feed:
    """The newest state and view, and waiting for newer ones. Used by the event loop's thread alone."""

    def __init__(self) -> None:
        self.state: bytes = b""
        """The newest state, JSON; empty before the first one."""
        self.state_number = 0
        """Counts the states."""
        self.view: View | None = None
        """The newest view; None before the first one."""
        self.is_ended = False
        """No further state or view comes."""
        self.view_wanted_until_s = 0.0
        """Monotonic instant until which views are wanted."""
        self._changed = asyncio.Event()

    def set_state(self, state: bytes) -> None:
        """A new state."""
        self.state, self.state_number = state, self.state_number + 1
        self._wake()

    def set_view(self, view: View | None) -> None:
        """A new view; None: there is none any more."""
        self.view = view
        self._wake()

    def end(self) -> None:
        """Ends every wait."""
        self.is_ended = True
        self._wake()

    async def next_state(self, after: int, timeout_s: float) -> bool:
        """Waits for a state with a number above ``after``; False if none came."""
        return await self._wait(lambda: self.state_number > after, timeout_s)

    async def next_view(self, after: int, timeout_s: float = VIEW_WAIT_S) -> View | None:
        """The newest view with a number above ``after``, which is waited for; None if none came."""
        self.view_wanted_until_s = time.monotonic() + max(timeout_s, 0.0) + _VIEW_WANTED_S
        is_new = await self._wait(lambda: self.view is not None and self.view.number > after, timeout_s)
        return self.view if is_new else None

    def _wake(self) -> None:
        self._changed.set()
        self._changed = asyncio.Event()

    async def _wait(self, condition: Callable[[], bool], timeout_s: float) -> bool:
        deadline_s = time.monotonic() + timeout_s
        while not condition():
            left_s = deadline_s - time.monotonic()
            if left_s <= 0 or self.is_ended:
                return False
            try:
                await asyncio.wait_for(self._changed.wait(), left_s)
            except TimeoutError:
                return condition()
        return True


class FeedThread:
    """Fills a feed until it is closed. ``failed`` is called in the thread if it ends by a defect.

    ``subscribe`` makes a subscription to the status (False) or to the views as well (True). The views have a connection
    of their own, which exists only while they are wanted: the daemon bounds how often one connection may change what it
    subscribes to. Of another station than ``expected_station`` (None: any) no view and no result is passed on.
    """

    def __init__(
        self,
        feed: Feed,
        loop: asyncio.AbstractEventLoop,
        subscribe: Callable[[bool], StatusSubscriber],
        results: ResultReader | None,
        failed: Callable[[BaseException], None],
        expected_station: str | None = None,
    ) -> None:
        self._feed, self._loop, self._subscribe, self._results, self._failed = feed, loop, subscribe, results, failed
        self._expected_station = expected_station
        self._status_subscriber = subscribe(False)
        self._view_subscriber: StatusSubscriber | None = None
        self._last_seen: object = None
        self._last_key: object = None
        self._last_view: ReceivedView | None = None
        self._view_number = 0
        self._is_closed = threading.Event()
        self._thread = threading.Thread(target=self._run, name="feed", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Ends the thread."""
        self._is_closed.set()
        self._thread.join()

    def _run(self) -> None:
        try:
            while not self._is_closed.is_set():
                views = self._view_subscriber
                self._status_subscriber.wait(_TICK_S, () if views is None else (views.socket,))
                self._pass_state_on()
                self._follow_views()
        except BaseException as defect:
            self._failed(defect)
        finally:
            self._status_subscriber.close()
            if self._view_subscriber is not None:
                self._view_subscriber.close()

    def _pass_state_on(self) -> None:
        source = self._status_subscriber
        status, age_s, note = source.status, source.status_age_s, source.note
        # The views wake this thread more often than there is anything new.
        seen = (status, is_stale(age_s) and int(age_s), note)
        if seen == self._last_seen:
            return
        self._last_seen = seen
        result_key = None
        if self._results is not None and status is not None and not is_other_station(status, self._expected_station):
            result_key = self._results.follow(status)
        state, key = page_state(status, age_s, note, result_key, self._expected_station)
        if key != self._last_key:
            self._last_key = key
            self._loop.call_soon_threadsafe(self._feed.set_state, state)

    def _follow_views(self) -> None:
        is_wanted = time.monotonic() < self._feed.view_wanted_until_s
        if is_wanted and self._view_subscriber is None:
            self._view_subscriber = self._subscribe(True)
        elif not is_wanted and self._view_subscriber is not None:
            self._view_subscriber.close()
            self._view_subscriber = None
            self._loop.call_soon_threadsafe(self._feed.set_view, None)
        if self._view_subscriber is None:
            return
        self._view_subscriber.wait(0)
        received = self._view_subscriber.view
        if received is not None and received is not self._last_view:
            self._last_view = received
            if self._expected_station not in (None, received.message.station):
                return
            self._view_number += 1
            self._loop.call_soon_threadsafe(self._feed.set_view, View(self._view_number, received))
