"""What `eyebolt page` costs: its share of a core while browsers show the page at ten pictures a second.

    python -m bench.page [--seconds N]

A stand-in for the daemon publishes what a real one does: a status twice a second and ten views a second, each with a
picture of 960 x 768 pixels and 88 corners. Beside the page program runs, as the baseline, a process that only receives
and checks the same messages. Browsers are plain clients, which ask for the next view as soon as they have the one
before; where Chromium is installed, one window of it as well. Bar: less than 10 % of a core. Prints figures; fails
nothing; not collected by pytest.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import zmq

from bench.record import Table, add_option, recording
from eyebolt.protocol import STATUS_TOPIC, VIEW_TOPIC
from support.browser import Browser, missing_browser
from support.daemon_process import COMMAND, free_ports
from support.processes import until
from support.status_messages import make_status
from support.view_messages import make_view

BAR = 0.1
VIEWS_PER_S, STATUS_EVERY = 10, 5
BASELINE = """
import sys
from eyebolt.monitor import StatusSubscriber
subscriber = StatusSubscriber(sys.argv[1], with_view=True)
while True:
    subscriber.wait(1.0)
"""


def picture() -> bytes:
    """A JPEG with the detail of a cell: its size is in the table."""
    rng = np.random.default_rng(1)
    coarse = rng.integers(40, 200, (96, 120)).astype(np.uint8)
    pixels = cv2.resize(coarse, (960, 768), interpolation=cv2.INTER_CUBIC).astype(float) + rng.normal(0, 3, (768, 960))
    return cv2.imencode(".jpg", np.clip(pixels, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 80])[1].tobytes()


class Publisher:
    """Publishes statuses and views as a daemon does; a context manager."""

    def __init__(self, jpeg: bytes) -> None:
        outline = [[0.1, 0.1], [0.5, 0.12], [0.52, 0.5], [0.3, 0.6], [0.1, 0.5]]
        view = {"outline": outline, "tilt_deg": 30.0, "tilt_direction_deg": 40.0, "distance_mm": 700.0}
        self._status = {"kept_views": [view] * 20, "p95_upper_history_mm": [1.0] * 20, "kept": 20, "max_pairs": 40}
        corners = [[100.0 + 60 * (k % 11), 100.0 + 60 * (k // 11)] for k in range(88)]
        self._view = make_view(view_size=[960, 768], corners_px=corners)
        self._jpeg = jpeg
        self._context = zmq.Context()
        self._socket = self._context.socket(zmq.PUB)
        self._socket.bind("tcp://127.0.0.1:*")
        self.endpoint = self._socket.getsockopt_string(zmq.LAST_ENDPOINT)
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._publish)

    def __enter__(self) -> Publisher:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()
        self._context.destroy(linger=0)

    def _publish(self) -> None:
        count, due_s = 0, time.monotonic()
        while not self._ended.wait(max(due_s - time.monotonic(), 0)):
            if count % STATUS_EVERY == 0:
                status = make_status(**self._status, timestamp=f"2026-12-01T08:00:{count % 60:02d}Z")
                self._socket.send_multipart([STATUS_TOPIC, status.to_json()])
            self._socket.send_multipart([VIEW_TOPIC, self._view.to_json(), self._jpeg])
            count, due_s = count + 1, due_s + 1 / VIEWS_PER_S


class Client:
    """A browser without a screen: the stream of states, and view after view."""

    def __init__(self, port: int) -> None:
        self.views = 0
        self._port, self._ended = port, threading.Event()
        self._states = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        self._states.request("GET", "/events")
        self._stream = self._states.getresponse()
        self._threads = [threading.Thread(target=target) for target in (self._follow_states, self._follow_views)]
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """Ends it."""
        self._ended.set()
        for thread in self._threads:
            thread.join()
        self._states.close()

    def _follow_states(self) -> None:
        while not self._ended.is_set() and self._stream.readline():
            pass

    def _follow_views(self) -> None:
        connection, number = http.client.HTTPConnection("127.0.0.1", self._port, timeout=10), 0
        while not self._ended.is_set():
            connection.request("GET", f"/view?after={number}")
            reply = connection.getresponse()
            body = reply.read()
            if reply.status == 200:
                self.views += 1
                number = int(body.split(b'"number": ')[1].split(b",")[0])
        connection.close()


def processor_s(pid: int) -> float:
    """Processor time of a process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@contextlib.contextmanager
def running(*command: str) -> Iterator[subprocess.Popen[bytes]]:
    """A process, ended on leaving."""
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    try:
        yield process
    finally:
        process.terminate()
        process.wait()


def is_served(port: int) -> bool:
    """Whether something listens at this port."""
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port)):
        return True
    return False


def share(process: subprocess.Popen[bytes], seconds: float) -> float:
    """The share of a core that it takes in the next seconds."""
    before, begun = processor_s(process.pid), time.monotonic()
    time.sleep(seconds)
    return (processor_s(process.pid) - before) / (time.monotonic() - begun)


def measure(seconds: float) -> None:
    """Prints the table."""
    jpeg = picture()
    (port,) = free_ports(1)
    table = Table(
        f"share of a core at {VIEWS_PER_S} pictures a second of {len(jpeg) / 1000:.0f} kB, over {seconds:.0f} s each",
        ("shown in", 34),
        ("pictures/s", 10),
        ("share", 8),
        ("of baseline", 11),
        ("below 10 %", 10),
    )
    with Publisher(jpeg) as publisher:
        with running(sys.executable, "-c", BASELINE, publisher.endpoint) as receiver:
            time.sleep(3)
            baseline = share(receiver, seconds)
        table.row("nothing: messages received, baseline", float(VIEWS_PER_S), baseline, 1.0, "")
        page = ("page", "--endpoint", publisher.endpoint, "--address", f"127.0.0.1:{port}")
        with running(*COMMAND, *page) as program:
            until(lambda: is_served(port), "the page", process=program)
            time.sleep(2)

            def row(name: str, shown: float, used: float) -> None:
                table.row(name, shown, used, used / baseline, "met" if used < BAR else "MISSED")

            row("no browser", 0.0, share(program, seconds))
            for count in (1, 4, 16):
                clients = [Client(port) for _ in range(count)]
                time.sleep(2)
                before = sum(client.views for client in clients)
                used = share(program, seconds)
                shown = (sum(client.views for client in clients) - before) / seconds / count
                for client in clients:
                    client.close()
                row(f"{count} plain client{'s' * (count > 1)}", shown, used)
            if missing_browser():
                table.note(f"not in Chromium: {missing_browser()}")
                return
            with Browser() as browser:
                browser.show_as(1280)
                browser.open(f"http://127.0.0.1:{port}/")
                time.sleep(2)
                before = browser.run("return viewNumber")
                used = share(program, seconds)
                row("one window of Chromium", (browser.run("return viewNumber") - before) / seconds, used)


def main() -> None:
    """Reads the command line and prints the figures."""
    parser = argparse.ArgumentParser(prog="python -m bench.page", description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=20.0, help="of each row (20)")
    add_option(parser)
    asked = parser.parse_args()
    with recording("page", asked.record):
        measure(asked.seconds)


if __name__ == "__main__":
    main()
