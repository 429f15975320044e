"""Everybody but the robot: watchers, one of them stuck, and idle and slow connections on the robot's port.

python crowd.py STATUS_ENDPOINT ROBOT_PORT WATCHERS CONNECTIONS

Says "ready" once all have called, lives until its stdin ends, then prints what it saw as one JSON line. Half of the
connections say nothing; the others write a line byte by byte, one a second. Who is hung up on calls again 10 s later.
"""

import contextlib
import json
import os
import resource
import select
import selectors
import socket
import sys
import time

import zmq

AGAIN_S = 10.0
SLOW_LINE = b"capture 1 512.123 -33.456 801.789 0.70711 0.00012 0.70711 0.00034"


class SquareCluster:
    """The connections: each a socket, or the time at which it calls again."""

    def __init__(self, port, count):
        self.port, self.selector = port, selectors.DefaultSelector()
        self.called = self.hung_up = 0
        self.sent = {}
        self.again = [(0.0, k % 2 == 1) for k in range(count)]

    def call(self, now):
        """Whoever is due calls, a few at a time."""
        due = [entry for entry in self.again if entry[0] <= now][:20]
        for entry in due:
            self.again.remove(entry)
            caller = socket.socket()
            caller.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                caller.connect(("127.0.0.1", self.port))
            self.selector.register(caller, selectors.EVENT_READ, entry[1])
            self.sent[caller] = (0, now)
            self.called += 1

    def hear(self, now):
        """Whoever is hung up on calls again later."""
        for key, _ in self.selector.select(0):
            try:
                data = key.fileobj.recv(256)
            except BlockingIOError:
                continue
            except OSError:
                data = b""
            if not data:
                self.hung_up += 1
                self.selector.unregister(key.fileobj)
                del self.sent[key.fileobj]
                key.fileobj.close()
                self.again.append((now + AGAIN_S, key.data))

    def dribble(self, now):
        """The slow ones write their next byte."""
        for caller, (place, at) in list(self.sent.items()):
            if self.selector.get_key(caller).data and now - at >= 1.0:
                with contextlib.suppress(OSError):
                    caller.send(SLOW_LINE[place % len(SLOW_LINE)].to_bytes(1, "big"))
                self.sent[caller] = (place + 1, now)


def watching(endpoint, count):
    """Subscribers; the first has a queue of one message and is never read."""
    context = zmq.Context()
    sockets = []
    for number in range(count):
        watcher = context.socket(zmq.SUB)
        watcher.setsockopt(zmq.SUBSCRIBE, b"status")
        if number == 0:
            watcher.setsockopt(zmq.RCVHWM, 1)
            watcher.setsockopt(zmq.RCVBUF, 4096)
        watcher.connect(endpoint)
        sockets.append(watcher)
    return context, sockets


def main(endpoint, port, watchers, connections):
    """Lives until stdin ends."""
    # In a cell these are other computers: the robot's daemon does not share its processor with them.
    os.nice(10)
    hard = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    context, sockets = watching(endpoint, int(watchers))
    crowd = SquareCluster(int(port), int(connections))
    heard = [0] * len(sockets)
    ready = False
    while not (select.select([sys.stdin], [], [], 0)[0] and not sys.stdin.readline()):
        now = time.monotonic()
        crowd.call(now)
        crowd.hear(now)
        crowd.dribble(now)
        for number, watcher in enumerate(sockets[1:], 1):
            with contextlib.suppress(zmq.Again):
                while True:
                    watcher.recv_multipart(zmq.NOBLOCK)
                    heard[number] += 1
        if not ready and crowd.called >= int(connections) and all(heard[1:]):
            ready = True
            print("ready", flush=True)
        time.sleep(0.02)
    print(json.dumps({"called": crowd.called, "hung_up": crowd.hung_up, "least_heard": min(heard[1:], default=0)}))
    context.destroy(linger=0)


if __name__ == "__main__":
    main(*sys.argv[1:])
