"""The control socket by itself: who is heard, and what a peer can cost. Real sockets, requests handled in a loop."""

import asyncio
import json
import socket
import threading
import time

import pytest
import zmq
from structlog.testing import capture_logs

from eyebolt.daemon.control_server import ControlServer
from eyebolt.daemon.socket_relay import RelayLimits
from eyebolt.errors import EyeboltError, InputFault, MachineFault
from eyebolt.monitor.control_client import ControlClient
from eyebolt.protocol import ControlAction, ControlOutcome, ControlReply
from eyebolt.security.key_files import (
    local_client_keys,
    make_client_keys,
    make_station_secret,
    read_client_keys,
)
from support.daemon_process import free_ports
from support.processes import Patience, until


class Served:
    """A control server whose requests wait in ``hold`` until it is released."""

    def __init__(self, keys=None, **limits):
        (self.port,) = free_ports(1)
        self.endpoint = f"tcp://127.0.0.1:{self.port}"
        self.requests = []
        self.loop = asyncio.new_event_loop()
        self.released = asyncio.Event()
        self.released.set()
        self.thread = threading.Thread(target=self.loop.run_forever)
        self.thread.start()
        bound = self.endpoint if keys is None else f"tcp://0.0.0.0:{self.port}"
        chosen = {"limits": RelayLimits(**limits)} if limits else {}
        self.server = ControlServer(bound, keys, self.handle, self.loop, **chosen)

    async def handle(self, request):
        self.requests.append(request)
        if request.action is not ControlAction.STATE:
            await self.released.wait()
        if request.action is ControlAction.FINISH:
            raise RuntimeError("a defect")
        return ControlReply(
            id=request.id,
            outcome=ControlOutcome.DONE,
            message=request.action,
            remedy="",
            station="bay-3",
            session="s",
            kept=3,
            wanted=5,
            live_pose_age_s=float("nan"),
        )

    def hold(self):
        self.loop.call_soon_threadsafe(self.released.clear)

    def release(self):
        self.loop.call_soon_threadsafe(self.released.set)

    def client(self, keys=None):
        return ControlClient(self.endpoint, keys)

    def close(self):
        self.release()
        self.server.close()
        self.loop.call_soon_threadsafe(self.loop.stop)
        self.thread.join()
        self.loop.close()


@pytest.fixture
def serve():
    opened = []

    def start(*args, **limits):
        opened.append(Served(*args, **limits))
        return opened[-1]

    yield start
    for served in opened:
        served.close()


class RawPeers:
    """DEALER sockets that send what they like."""

    def __init__(self):
        self.context, self.sockets = zmq.Context(), []

    def connect(self, endpoint):
        peer = self.context.socket(zmq.DEALER)
        peer.setsockopt(zmq.LINGER, 0)
        peer.connect(endpoint)
        self.sockets.append(peer)
        return peer

    def monitor(self, peer):
        """A socket that becomes readable once the peer is disconnected."""
        monitor = peer.get_monitor_socket(zmq.EVENT_DISCONNECTED)
        self.sockets.append(monitor)
        return monitor

    def close(self):
        for opened in reversed(self.sockets):
            opened.close()
        self.context.destroy(linger=0)


@pytest.fixture
def raw():
    peers = RawPeers()
    yield peers
    peers.close()


def received(peer, seconds=20.0):
    patience = Patience(seconds)
    while not peer.poll(50):
        assert not patience.is_over(), "no reply"
    return json.loads(peer.recv())


def test_a_request_is_answered_under_its_number(serve):
    served = serve()
    with served.client() as client:
        reply = client.ask(ControlAction.BEGIN, new=True)
        assert (reply.outcome, reply.message, reply.kept) == (ControlOutcome.DONE, "begin", 3)
        assert reply.live_pose_age_s is None
        assert client.ask(ControlAction.UNDO, session="s", kept=3).message == "undo"
        assert client.is_reachable
    assert [(r.action, r.new, r.session, r.kept) for r in served.requests] == [
        ("begin", True, None, None),
        ("undo", False, "s", 3),
    ]


def test_a_defect_in_a_request_is_a_reply(serve):
    served = serve()
    with served.client() as client:
        assert client.ask(ControlAction.FINISH).outcome is ControlOutcome.REFUSED
        assert client.ask(ControlAction.TAKE).outcome is ControlOutcome.DONE


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"undo 5\n",
        b"[" * 500,
        b"\xff\xfe",
        b'{"action": "dance"}',
        b'{"schema": 2, "action": "undo"}',
        b'{"action": "undo", "kept": -1}',
        b'{"action": "undo", "kept": 1e999}',
        b'{"action": "undo", "session": ["x"]}',
        b'{"id": 99999999999999999999, "action": "undo"}',
    ],
)
def test_what_is_no_request_is_answered_so_and_carried_out_by_nobody(serve, raw, content):
    served = serve()
    peer = raw.connect(served.endpoint)
    peer.send(content)
    reply = received(peer)
    assert (reply["id"], reply["outcome"]) == (0, "invalid")
    assert not served.requests


def test_a_peer_that_sends_no_requests_is_disconnected_and_others_are_not(serve, raw):
    served = serve()
    peer = raw.connect(served.endpoint)
    monitor = raw.monitor(peer)
    with served.client() as client, capture_logs() as entries:
        for _ in range(4):
            peer.send_multipart([b"a", b"b"])
        until(lambda: monitor.poll(50), "the end of its connection", 20.0)
        assert client.ask(ControlAction.STATE).outcome is ControlOutcome.DONE
    assert "control message ignored: not a request" in [entry["event"] for entry in entries]


def test_a_peer_that_sends_too_much_is_disconnected(serve, raw):
    served = serve(burst_bytes=2000, bytes_per_s=10.0, grace_s=0.05)
    peer = raw.connect(served.endpoint)
    monitor = raw.monitor(peer)
    request = b'{"action": "state"}'
    for _ in range(200):
        peer.send(request)
    until(lambda: monitor.poll(50), "the end of its connection", 20.0)
    assert len(served.requests) < 100
    with served.client() as client:
        assert client.ask(ControlAction.STATE).outcome is ControlOutcome.DONE


def test_a_message_that_is_too_long_ends_its_connection(serve, raw):
    served = serve()
    peer = raw.connect(served.endpoint)
    monitor = raw.monitor(peer)
    peer.send(b'{"action": "state", "x": "' + b"x" * 2000 + b'"}')
    until(lambda: monitor.poll(50), "the end of its connection", 20.0)
    assert not served.requests


def test_only_so_many_requests_are_in_progress(serve, raw):
    served = serve()
    served.hold()
    peer = raw.connect(served.endpoint)
    for number in range(1, 13):
        peer.send(json.dumps({"id": number, "action": "take"}).encode())
    outcomes = [received(peer)["outcome"] for _ in range(4)]
    assert outcomes == ["busy"] * 4
    served.release()
    assert [received(peer)["outcome"] for _ in range(8)] == ["done"] * 8
    assert len(served.requests) == 8


def test_a_browser_gets_nothing_done(serve):
    served = serve()
    with socket.create_connection(("127.0.0.1", served.port)) as peer:
        body = b'{"action": "undo"}'
        peer.sendall(b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: %d\r\n\r\n%s" % (len(body), body))
        with served.client() as client:
            assert client.ask(ControlAction.STATE).outcome is ControlOutcome.DONE
    assert [request.action for request in served.requests] == ["state"]


def test_a_request_that_cannot_be_sent_now_is_never_sent(monkeypatch):
    monkeypatch.setattr("eyebolt.monitor.control_client._CONNECT_TIMEOUT_S", 0.2)
    (port,) = free_ports(1)
    with ControlClient(f"tcp://127.0.0.1:{port}") as client:
        assert client.send(ControlAction.BEGIN) is None
        with pytest.raises(MachineFault) as fault:
            client.ask(ControlAction.BEGIN)
        assert fault.value.code == "control-unreachable"
        assert not client.is_reachable


def test_an_address_in_use_is_a_fault_with_a_remedy(serve):
    served = serve()
    with pytest.raises(MachineFault) as fault:
        ControlServer(served.endpoint, None, served.handle, served.loop)
    assert fault.value.code == "control-port"


def test_an_operators_key_commands_and_a_watchers_does_not(serve, tmp_path):
    make_station_secret(tmp_path)
    watcher, operator, camera = (
        read_client_keys(make_client_keys(tmp_path, role, "hall")) for role in ("watcher", "operator", "camera")
    )
    served = serve(tmp_path)
    for keys in (operator, local_client_keys(tmp_path)):
        with served.client(keys) as client:
            assert client.ask(ControlAction.STATE).outcome is ControlOutcome.DONE
    count = len(served.requests)
    for keys in (watcher, camera, None):
        with served.client(keys) as client:
            with pytest.raises(EyeboltError) as fault:
                client.ask(ControlAction.BEGIN)
            assert fault.value.code == "control-rejected"
    assert len(served.requests) == count


def test_an_operator_whose_key_is_removed_is_not_heard_any_more(serve, tmp_path):
    make_station_secret(tmp_path)
    keys = read_client_keys(make_client_keys(tmp_path, "operator", "hall"))
    served = serve(tmp_path)
    with served.client(keys) as client:
        assert client.ask(ControlAction.STATE).outcome is ControlOutcome.DONE
        (tmp_path / "operators" / "hall.public").unlink()
        patience = Patience(20.0)
        while client.send(ControlAction.STATE) is not None:
            assert not patience.is_over(), "it is still connected"
            time.sleep(0.02)
        with pytest.raises(InputFault) as fault:
            client.ask(ControlAction.UNDO)
        assert fault.value.code == "control-rejected"
    assert all(request.action is ControlAction.STATE for request in served.requests)
