"""Freshness and delay of frames of a GigE Vision camera that this project did not write (``support.gige_camera``).

    python -m bench.cameras [--captures N] [--freezes N] [--record]

Each frame carries the instant of its exposure in its pixels. Requests follow each other after random idle times, a
tenth of them up to 3 s. Then the camera is frozen (SIGSTOP) again and again for the time of a grab: how long that grab
takes, and how long after the camera's return the next frame comes. Baseline: a request to the simulated camera over
ZeroMQ. Bars: no frame older than its request, no grab longer than its time-out of 1.5 s, back within 10 s. Prints
figures; fails nothing; not collected by pytest.
"""

from __future__ import annotations

import argparse
import contextlib
import itertools
import signal
import subprocess
import threading
import time

import numpy as np
import zmq

from bench.record import Table, add_option, recording
from eyebolt.cameras import Camera
from eyebolt.cameras.frame_message import decode_request, encode_frame
from eyebolt.cameras.genicam import GenicamCamera
from eyebolt.cameras.simulated import SimulatedCamera
from eyebolt.errors import CameraFault
from support import gige_camera
from support.camera_fixtures import paint, read
from support.daemon_process import free_ports
from support.processes import until

TIMEOUT_S, BACK_S = 1.5, 10.0
SIDES = ((512, 512), (2048, 2048))


def delays_ms(camera: Camera, captures: int) -> tuple[list[float], int]:
    """Delay from request to frame of each capture, and how many frames were exposed before their request."""
    rng, delays, stale = np.random.default_rng(1), [], 0
    for _ in range(captures):
        time.sleep(float(rng.uniform(0, 3.0) if rng.random() < 0.1 else rng.uniform(0, 0.02)))
        requested_ns = time.monotonic_ns()
        frame = camera.grab(requested_ns, 5.0)
        delays.append((frame.arrived_ns - requested_ns) / 1e6)
        stale += not requested_ns <= frame.exposed_ns <= read(frame.pixels) <= frame.arrived_ns
    return delays, stale


def freeze(camera: Camera, process: subprocess.Popen[str]) -> tuple[float, float]:
    """Seconds that a grab from a frozen camera takes, and from the camera's return to its next frame."""
    process.send_signal(signal.SIGSTOP)
    begin = time.monotonic()
    with contextlib.suppress(CameraFault):
        camera.grab(time.monotonic_ns(), TIMEOUT_S)
    refused_s = time.monotonic() - begin
    process.send_signal(signal.SIGCONT)
    begin = time.monotonic()
    while True:
        requested_ns = time.monotonic_ns()
        with contextlib.suppress(CameraFault):
            if read(camera.grab(requested_ns, TIMEOUT_S).pixels) < requested_ns:
                raise AssertionError("a frame that was exposed before its request")
            return refused_s, time.monotonic() - begin


@contextlib.contextmanager
def simulated(side_px: tuple[int, int]):
    """A peer that exposes on request, over ZeroMQ."""
    endpoint = f"tcp://127.0.0.1:{free_ports(1)[0]}"
    context, ended = zmq.Context(), threading.Event()
    socket = context.socket(zmq.ROUTER)
    socket.setsockopt(zmq.LINGER, 0)
    socket.bind(endpoint)

    def serve() -> None:
        for number in itertools.count():
            while not socket.poll(20):
                if ended.is_set():
                    return
            identity, part = socket.recv_multipart()
            request, now_ns = decode_request(part), time.monotonic_ns()
            image = paint(now_ns, side_px[1], side_px[0])
            frame = encode_frame(
                image, frame_id=number, boot_id="peer", exposed_ns=now_ns, request_id=request.request_id
            )
            socket.send_multipart([identity, *frame])

    thread = threading.Thread(target=serve)
    thread.start()
    camera = SimulatedCamera(endpoint)
    try:
        yield camera
    finally:
        ended.set()
        thread.join()
        camera.close()
        context.destroy(linger=0)


def main() -> None:
    """Reads the command line and prints the figures."""
    parser = argparse.ArgumentParser(prog="python -m bench.cameras", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--captures", type=int, default=1000, help="of each size; 1000")
    parser.add_argument("--freezes", type=int, default=20, help="20")
    add_option(parser)
    given = parser.parse_args()
    with recording("cameras", given.record):
        table = Table(
            f"{given.captures} captures at random times",
            ("source", 10),
            ("pixels", 12),
            ("stale", 6),
            ("median ms", 10),
            ("p99 ms", 8),
            ("over baseline", 14),
        )
        for side_px in SIDES:
            with simulated(side_px) as camera:
                baseline, stale = delays_ms(camera, given.captures)
            table.row("simulated", "{} x {}".format(*side_px), stale, *_quantiles(baseline), 1.0)
            with gige_camera.running("--size", *map(str, side_px)) as process:
                camera = GenicamCamera("127.0.0.1", exposure_us=1000.0)
                until(lambda camera=camera: camera.health().is_connected, "a connection to the camera")
                found, stale = delays_ms(camera, given.captures)
                ratio = float(np.median(found) / np.median(baseline))
                table.row("genicam", "{} x {}".format(*side_px), stale, *_quantiles(found), ratio)
                frozen = [freeze(camera, process) for _ in range(given.freezes if side_px == SIDES[0] else 0)]
                camera.close()
            if frozen:
                refused, back = np.array(frozen).T
        outage = Table(
            f"{given.freezes} times frozen for the time of a grab",
            ("longest grab s", 15),
            ("time-out s", 11),
            ("back after s, median", 21),
            ("longest", 8),
            ("bar s", 6),
        )
        outage.row(float(refused.max()), TIMEOUT_S, float(np.median(back)), float(back.max()), BACK_S)


def _quantiles(delays: list[float]) -> tuple[float, float]:
    return float(np.median(delays)), float(np.quantile(delays, 0.99))


if __name__ == "__main__":
    main()
