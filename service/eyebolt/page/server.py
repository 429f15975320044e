"""``eyebolt page``: the process that serves the page until Ctrl-C."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
import socket
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from eyebolt.addresses import listening_reason, listening_remedy
from eyebolt.errors import MachineFault
from eyebolt.monitor import StatusSubscriber
from eyebolt.page.access import PageAccess
from eyebolt.page.feed import Feed, FeedThread
from eyebolt.security import ClientKeys

if TYPE_CHECKING:
    import uvicorn

    from eyebolt.page.result import ResultReader

# A page holds two connections: its stream and its views.
_MAX_CONNECTIONS = 64
_MAX_HEADER_BYTES = 16384
_BACKLOG = 64
# A tablet whose battery or network has gone acknowledges nothing: its connection is closed after so long.
_DEAD_AFTER_MS = 15_000


def require_page_libraries() -> None:
    """Raises MachineFault ``page-libraries`` where the libraries of the page are not installed."""
    try:
        import starlette
        import uvicorn
    except ImportError as error:
        raise MachineFault(
            "page-libraries",
            f"the page needs libraries that are not installed: {error}",
            "install them into the Python that runs eyebolt: python3 -m pip install 'eyebolt[page]'",
        ) from None
    del starlette, uvicorn


def run_page(
    endpoint: str,
    keys: ClientKeys | None,
    access: PageAccess,
    record_folder: Path | None,
    ready: Callable[[], None],
    expected_station: str | None = None,
) -> None:
    """Serves the page of the daemon that publishes at ``endpoint`` until Ctrl-C or SIGTERM.

    ``record_folder``: where the sessions are, if the daemon is on this computer; without it the error map is not shown.
    ``expected_station``: name in the station file; of another station nothing is shown. None where only an address is
    known.
    ``ready`` is called once browsers can connect. Raises MachineFault ``page-libraries``, ``page-port``,
    ``status-address``.
    """
    server = PageServer(endpoint, keys, access, record_folder, expected_station)
    with _on_signals(server.stop):
        server.run(ready)


class PageServer:
    """The page of one daemon; arguments as of ``run_page``. Raises MachineFault ``page-libraries``."""

    def __init__(
        self,
        endpoint: str,
        keys: ClientKeys | None,
        access: PageAccess,
        record_folder: Path | None = None,
        expected_station: str | None = None,
    ) -> None:
        require_page_libraries()
        self._endpoint, self._keys, self._access = endpoint, keys, access
        self._expected_station = expected_station
        self._results = None if record_folder is None else _result_reader(record_folder)
        self._stop: Callable[[], object] | None = None
        self._is_stopped = False

    def run(self, ready: Callable[[], None]) -> None:
        """Serves until ``stop``. Raises MachineFault ``page-port``, ``status-address``."""
        with _listening_socket(self._access) as listener:
            defect = asyncio.run(self._serve(listener, ready))
        if defect is not None:
            raise defect

    def stop(self) -> None:
        """Ends ``run``, from any thread or a signal handler."""
        self._is_stopped = True
        if self._stop is not None:
            with contextlib.suppress(RuntimeError):  # it has ended by itself
                self._stop()

    async def _serve(self, listener: socket.socket, ready: Callable[[], None]) -> BaseException | None:
        """The defect by which the feed has ended; None after ``stop``."""
        from eyebolt.page.app import page_app

        loop, feed = asyncio.get_running_loop(), Feed()
        server = _server(page_app(feed, self._access, self._results), self._access)
        defects: list[BaseException] = []

        def end() -> None:
            server.should_exit = True
            feed.end()

        def failed(defect: BaseException) -> None:
            defects.append(defect)
            loop.call_soon_threadsafe(end)

        def subscribe(with_view: bool) -> StatusSubscriber:
            return StatusSubscriber(self._endpoint, self._keys, with_view=with_view)

        thread = FeedThread(feed, loop, subscribe, self._results, failed, self._expected_station)
        self._stop = lambda: loop.call_soon_threadsafe(end)
        if self._is_stopped:
            end()
        try:
            ready()
            await server.serve(sockets=[listener])
        finally:
            # In the event loop's thread: the feed's thread never waits for it.
            thread.close()
        return defects[0] if defects else None


def _result_reader(record_folder: Path) -> ResultReader:
    # Reads results with everything that these rest on; elsewhere than on the cell's PC the page starts without.
    from eyebolt.page.result import ResultReader

    return ResultReader(record_folder)


@contextlib.contextmanager
def _listening_socket(access: PageAccess) -> Iterator[socket.socket]:
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            access.host, access.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        listener = socket.socket(family, kind, protocol)
    except OSError as error:
        raise _port_fault(access, error) from None
    with listener:
        if sys.platform != "win32":
            # There it would share the port with another program.
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        timeout = getattr(socket, "TCP_USER_TIMEOUT", None)
        if timeout is not None:
            # Accepted sockets inherit it (RFC 5482).
            listener.setsockopt(socket.IPPROTO_TCP, timeout, _DEAD_AFTER_MS)
        try:
            listener.bind(address)
            listener.listen(_BACKLOG)
        except OSError as error:
            raise _port_fault(access, error) from None
        yield listener


def _port_fault(access: PageAccess, error: OSError) -> MachineFault:
    address = f"{access.host}:{access.port}"
    return MachineFault(
        "page-port",
        f"the page cannot be served at {access.host}, port {access.port}: {listening_reason(error, address)}",
        listening_remedy(error, address, "--address"),
        host=access.host,
        port=access.port,
    )


def _server(app: object, access: PageAccess) -> uvicorn.Server:
    import uvicorn

    # Without a handler of ours, Python prints a library's warnings to the terminal.
    for name in ("uvicorn", "uvicorn.error"):
        logging.getLogger(name).addHandler(logging.NullHandler())
        logging.getLogger(name).propagate = False
    config = uvicorn.Config(
        app,  # type: ignore[arg-type]
        loop="asyncio",
        http="h11",
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        proxy_headers=False,
        server_header=False,
        limit_concurrency=_MAX_CONNECTIONS,
        backlog=_BACKLOG,
        h11_max_incomplete_event_size=_MAX_HEADER_BYTES,
        timeout_graceful_shutdown=1,
    )
    config.load()
    if access.tls is not None:
        config.ssl = access.tls

    class Server(uvicorn.Server):
        @contextlib.contextmanager
        def capture_signals(self) -> Iterator[None]:
            """Uvicorn's own handlers raise the signal once more at the end: the exit code would be that of a kill."""
            yield

    return Server(config)


@contextlib.contextmanager
def _on_signals(end: Callable[[], object]) -> Iterator[None]:
    def handle(number: int, frame: FrameType | None) -> None:
        end()

    before = {}
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        with contextlib.suppress(ValueError):  # not in the main thread
            if number is not None:
                before[number] = signal.signal(number, handle)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
