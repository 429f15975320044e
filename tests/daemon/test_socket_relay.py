"""The relay before the status socket: what one peer can send, and how it is cut off. Small limits, real sockets."""

import asyncio
import contextlib
import gc
import json
import socket
import struct
import threading
import time

import pytest
import zmq
from structlog.testing import capture_logs

from eyebolt.daemon.socket_relay import RelayedConnection, RelayLimits, SocketRelay
from eyebolt.daemon.status_publisher import StatusPublisher
from eyebolt.security.key_files import make_client_keys, make_station_secret, read_client_keys
from support.daemon_process import free_ports
from support.processes import Patience, until

GREETING = b"\xff" + b"\0" * 8 + b"\x7f\x03\x00" + b"NULL".ljust(20, b"\0") + b"\0" * 32
READY = b"\x04\x19\x05READY\x0bSocket-Type\0\0\0\x03SUB"


def subscription(topic):
    body = b"\x01" + topic
    return bytes([0, len(body)]) + body


def raw_subscriber(port):
    """A connection that has completed the handshake; libzmq refuses whoever sends more before that."""
    peer = socket.create_connection(("127.0.0.1", port))
    peer.sendall(GREETING + READY)
    received, patience = b"", Patience()
    peer.settimeout(0.1)
    while b"READY" not in received:
        assert not patience.is_over(), "no handshake"
        with contextlib.suppress(TimeoutError):
            received += peer.recv(1000)
    peer.settimeout(0.05)
    return peer


class Watcher:
    """An honest subscriber."""

    def __init__(self, endpoint, keys=None):
        self.context = zmq.Context()
        self.socket = self.context.socket(zmq.SUB)
        self.socket.setsockopt(zmq.SUBSCRIBE, b"status")
        self.socket.setsockopt(zmq.IPV6, 1)
        if keys is not None:
            keys.apply_to(self.socket)
        self.socket.connect(endpoint)

    def newest(self):
        """The number in the newest status that arrived; None if none did."""
        found = None
        while self.socket.poll(0):
            found = json.loads(self.socket.recv_multipart()[1])["number"]
        return found

    def close(self):
        self.context.destroy(linger=0)


class Publishing:
    """A publisher, and a source that hands it a new status every 20 ms."""

    def __init__(self, endpoint, keys=None, limits=None):
        self.publisher, self.number, self.longest_s = StatusPublisher(endpoint, keys, limits), 0, 0.0
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self):
        while not self._ended.wait(0.02):
            self.number += 1
            begun = time.thread_time()
            self.publisher.publish(b'{"number": %d}' % self.number)
            self.longest_s = max(self.longest_s, time.thread_time() - begun)

    def close(self):
        self._ended.set()
        self._thread.join()
        self.publisher.close()


@pytest.fixture
def opened():
    """Opens publishers and watchers, and closes them with the test."""
    made = []

    def open_one(kind, *arguments):
        made.append(kind(*arguments))
        return made[-1]

    yield open_one
    for thing in reversed(made):
        thing.close()


def is_closed(peer):
    """Whether the daemon has closed a raw connection; reads what it sent meanwhile."""
    try:
        return peer.recv(65536) == b""
    except (BlockingIOError, TimeoutError):
        return False
    except OSError:
        return True


def test_a_peer_that_sends_without_end_is_cut_off_and_its_data_not_taken(opened):
    (port,) = free_ports(1)
    endpoint = f"tcp://127.0.0.1:{port}"
    with capture_logs() as logged:
        publishing = opened(Publishing, endpoint, None, RelayLimits(burst_bytes=1000, grace_s=0.05))
        watcher = opened(Watcher, endpoint)
        until(watcher.newest, "a status")
        with raw_subscriber(port) as hostile:
            wishes = b"".join(subscription(b"%08d" % number * 20) for number in range(1000))
            sent = 0
            for _ in range(100):
                try:
                    sent += hostile.send(wishes)
                except OSError:
                    break
            until(lambda: is_closed(hostile), "the end of the connection")
        number = publishing.number
        until(lambda: (watcher.newest() or 0) > number, "the next status")
    events = {entry["event"] for entry in logged}
    assert "status connection closed: too much data received" in events
    # The first wishes are within what it may send, and are logged.
    assert "message to the status socket ignored" in events
    assert publishing.longest_s < 0.05


def test_a_peer_that_sends_too_many_messages_is_cut_off(opened):
    (port,) = free_ports(1)
    with capture_logs() as logged:
        opened(Publishing, f"tcp://127.0.0.1:{port}", None, RelayLimits(burst_bytes=100_000))
        with raw_subscriber(port) as hostile:
            hostile.sendall(b"".join(subscription(b"other %d" % number) for number in range(33)))
            until(lambda: is_closed(hostile), "the end of the connection")
    assert [e["limit"] for e in logged if e["event"] == "status connection closed: too many messages"] == [32]


def test_the_allowance_is_a_token_bucket(monkeypatch):
    clock = [100.0]
    monkeypatch.setattr(time, "monotonic", lambda: clock[0])
    connection = RelayedConnection("peer", None, RelayLimits(burst_bytes=1000, bytes_per_s=10.0))
    assert [connection.admit(size) for size in (600, 600, 600)] == [600, 400, 0]
    clock[0] += 5.0
    assert connection.admit(600) == 50
    # Silence for a day is no licence for a flood.
    clock[0] += 86_400.0
    assert connection.admit(5000) == 1000


def test_newcomers_beyond_the_rate_wait_and_are_served(opened):
    (port,) = free_ports(1)
    endpoint = f"tcp://127.0.0.1:{port}"
    opened(Publishing, endpoint, None, RelayLimits(accepted_burst=2, accepted_per_s=20.0))
    watchers = [opened(Watcher, endpoint) for _ in range(6)]
    for watcher in watchers:
        until(watcher.newest, "a status")


def test_a_revoked_watcher_is_cut_off_at_once_and_the_others_go_on(opened, tmp_path):
    (port,) = free_ports(1)
    make_station_secret(tmp_path)
    hall, office = (read_client_keys(make_client_keys(tmp_path, "watcher", name)) for name in ("hall", "office"))
    address = f"tcp://127.0.0.1:{port}"
    with capture_logs() as logged:
        publishing = opened(Publishing, f"tcp://0.0.0.0:{port}", tmp_path)
        revoked, other = opened(Watcher, address, hall), opened(Watcher, address, office)
        until(revoked.newest, "a status for the one")
        until(other.newest, "a status for the other")
        (tmp_path / "watchers/hall.public").unlink()
        until(lambda: [e for e in logged if e["event"] == "client rejected: key revoked"], "the revocation")
        time.sleep(0.05)
        revoked.newest()
        number = publishing.number
        until(lambda: (other.newest() or 0) > number + 20, "more statuses for the other")
        assert revoked.newest() is None
    entry = next(e for e in logged if e["event"] == "client rejected: key revoked")
    assert (entry["name"], entry["peer"], entry["role"]) == ("hall", "127.0.0.1", "watcher")
    # The other one connected once.
    assert len([e for e in logged if e["event"] == "client authorized" and e["name"] == "office"]) == 1


def test_a_program_of_this_computer_does_not_reach_the_socket_without_the_relay(opened):
    (port,) = free_ports(1)
    publishing = opened(Publishing, f"tcp://127.0.0.1:{port}")
    inner = publishing.publisher._socket.get_string(zmq.LAST_ENDPOINT)
    watcher, around = opened(Watcher, f"tcp://127.0.0.1:{port}"), opened(Watcher, inner)
    until(watcher.newest, "a status")
    number = publishing.number
    until(lambda: (watcher.newest() or 0) > number + 20, "more statuses")
    assert around.newest() is None
    with socket.create_connection(("127.0.0.1", int(inner.rpartition(":")[2]))) as raw:
        raw.settimeout(0.05)
        until(lambda: is_closed(raw), "the end of the connection")


@pytest.mark.parametrize("kind", ["ipv6", "ipc", "abstract"])
def test_other_addresses(opened, tmp_path, kind):
    (port,) = free_ports(1)
    endpoint = {
        "ipv6": f"tcp://[::1]:{port}",
        "ipc": f"ipc://{tmp_path}/status",
        "abstract": f"ipc://@eyebolt-test-{port}",
    }[kind]
    publishing = StatusPublisher(endpoint)
    publishing.close()
    assert not (tmp_path / "status").exists()
    opened(Publishing, endpoint)
    until(opened(Watcher, endpoint).newest, "a status")


def test_the_loop_of_the_daemon_never_waits_for_the_socket(opened):
    """Handing over a status is a matter of microseconds, whatever the subscribers do."""
    (port,) = free_ports(1)
    publisher = opened(StatusPublisher, f"tcp://127.0.0.1:{port}")

    async def story():
        begun = time.thread_time()
        for number in range(2000):
            publisher.publish(b'{"number": %d}' % number)
        return time.thread_time() - begun

    assert asyncio.run(story()) < 1.0


def test_a_peer_that_resets_its_connection_leaves_no_unretrieved_exception(monkeypatch):
    """Asyncio logs an exception that nobody retrieved with a traceback, whenever the garbage collector finds it."""
    # It retrieves the exception of a connection, but too late if the collector finds the exception's future first.
    monkeypatch.delattr(asyncio.StreamReaderProtocol, "__del__")
    (port,) = free_ports(1)
    unretrieved = []

    async def reset_after_a_byte():
        _, peer = await asyncio.open_connection("127.0.0.1", port)
        peer.write(b"x")
        await peer.drain()
        await asyncio.sleep(0.02)
        peer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        peer.transport.abort()

    async def story():
        asyncio.get_running_loop().set_exception_handler(lambda _, context: unretrieved.append(context))
        inner = socket.create_server(("127.0.0.1", 0), backlog=128)
        relay = SocketRelay(f"tcp://127.0.0.1:{port}")
        running = asyncio.create_task(relay.run(inner.getsockname()[1]))
        for _ in range(20):
            await reset_after_a_byte()
        await asyncio.sleep(0.1)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        relay.close()
        inner.close()
        gc.collect()
        await asyncio.sleep(0)

    asyncio.run(story())
    assert not unretrieved
