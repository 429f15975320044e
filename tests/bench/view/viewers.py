"""Subscribers to the views, as a process of their own.

python viewers.py ENDPOINT

Each line of its stdin says who is there from now on: ``nobody``; ``three`` (one as the page has, which takes the
message as it is, and two as a screen has, which decode the picture); ``stuck`` (three that subscribe and never read).
It prints what the company before it saw as one JSON line, and "ready" once views arrive or nobody subscribes any more.
"""

import contextlib
import json
import sys
import threading
import time

import cv2
import numpy as np
import zmq

from eyebolt.monitor import StatusSubscriber


def follow(endpoint, decodes, ended, counts, index):
    """One subscriber that reads; the page has its views on a connection of their own."""
    with StatusSubscriber(endpoint), StatusSubscriber(endpoint, with_view=True) as views:
        seen = None
        while not ended.is_set():
            views.wait(0.1)
            if views.view is not None and views.view is not seen:
                seen = views.view
                counts[index] += 1
                if decodes and seen.jpeg:
                    cv2.imdecode(np.frombuffer(seen.jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)


@contextlib.contextmanager
def three(endpoint):
    """Three that read; yields the views that each got."""
    ended, counts = threading.Event(), [0, 0, 0]
    threads = [
        threading.Thread(target=follow, args=(endpoint, decodes, ended, counts, index))
        for index, decodes in enumerate((False, True, True))
    ]
    for thread in threads:
        thread.start()
    while not all(counts):
        time.sleep(0.01)
    yield counts
    ended.set()
    for thread in threads:
        thread.join()


@contextlib.contextmanager
def stuck(endpoint):
    """Three that never read."""
    context = zmq.Context()
    sockets = [context.socket(zmq.SUB) for _ in range(3)]
    for socket in sockets:
        socket.setsockopt(zmq.RCVHWM, 1)
        socket.setsockopt(zmq.RCVBUF, 4096)
        socket.setsockopt(zmq.SUBSCRIBE, b"status")
        socket.setsockopt(zmq.SUBSCRIBE, b"view")
        socket.connect(endpoint)
    while not all(socket.poll(100) for socket in sockets):
        pass
    yield [0]
    context.destroy(linger=0)


@contextlib.contextmanager
def nobody(endpoint):
    """No subscriber."""
    yield [0]


COMPANIES = {"nobody": nobody, "three": three, "stuck": stuck}


def main(endpoint):
    """Lives until stdin ends."""
    line = sys.stdin.readline()
    while line:
        with COMPANIES[line.strip()](endpoint) as counts:
            begun_s, before, processor_s = time.monotonic(), list(counts), time.process_time()
            print("ready", flush=True)
            line = sys.stdin.readline()
            seconds = time.monotonic() - begun_s
            saw = {
                "views_per_s": min(n - first for n, first in zip(counts, before, strict=True)) / seconds,
                "processor": (time.process_time() - processor_s) / seconds,
            }
        print(json.dumps(saw), flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
