"""The status publisher by itself: a subscriber that never reads affects nobody."""

import json
import time

import pytest
import zmq

from eyebolt.daemon.status_publisher import StatusPublisher
from support.daemon_process import free_ports
from support.processes import until


@pytest.fixture
def door():
    (port,) = free_ports(1)
    endpoint = f"tcp://127.0.0.1:{port}"
    opened, context, sockets = StatusPublisher(endpoint), zmq.Context(), []

    def watcher(waiting):
        socket = context.socket(zmq.SUB)
        sockets.append(socket)
        socket.setsockopt(zmq.RCVHWM, waiting)
        socket.setsockopt(zmq.RCVBUF, 4096)
        socket.setsockopt(zmq.SUBSCRIBE, b"status")
        socket.connect(endpoint)
        return socket

    yield opened, watcher
    context.destroy(linger=0)
    opened.close()


def received(socket):
    count = 0
    while socket.poll(0):
        socket.recv_multipart()
        count += 1
    return count


def test_a_subscriber_that_never_reads_loses_only_its_own_messages(door):
    opened, watcher = door
    stuck, awake = watcher(1), watcher(1000)

    def is_subscribed():
        opened.publish(json.dumps({"number": -1}).encode())
        return awake.poll(10)

    until(is_subscribed, "the first status", 20.0)
    message = {"filler": "x" * 20_000}
    for number in range(3000):
        opened.publish(json.dumps({"number": number, **message}).encode())
        if number % 20 == 0:
            time.sleep(0.005)
            received(awake)
    time.sleep(0.2)
    opened.publish(json.dumps({"number": "last_reply"}).encode())
    until(lambda: awake.poll(100), "the newest status", 5.0)
    # 60 MB were published. What waits for the stuck one is what fits into its queue and the sockets between.
    assert received(stuck) < 1000
