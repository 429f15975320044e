"""Sends pictures to a station with source = "push": put your camera's reading in place of the moving test picture.

    python push_camera_sender.py tcp://127.0.0.1:4760 10

Needs numpy and pyzmq, and must run on the computer on which Eyebolt runs: `exposed_ns` is its monotonic clock.
"""

import contextlib
import json
import sys
import time
import uuid

import numpy as np
import zmq


def send_pictures(endpoint: str, pictures_per_s: float) -> None:
    """Send gray pictures of 640 x 480 pixels until the program is ended."""
    context = zmq.Context()
    socket = context.socket(zmq.PUSH)
    socket.setsockopt(zmq.SNDHWM, 1)  # a picture that nobody takes is better dropped than kept
    socket.connect(endpoint)
    boot_id = uuid.uuid4().hex  # tells a restarted sender from the old one
    rows, columns = np.mgrid[0:480, 0:640]
    number = 0
    while True:
        exposed_ns = time.monotonic_ns()  # read the clock BEFORE the exposure starts
        picture = ((rows + columns + 4 * number) % 256).astype(np.uint8)
        header = {"id": number, "boot_id": boot_id, "width": picture.shape[1], "height": picture.shape[0]}
        header |= {"channels": 1, "dtype": "uint8", "exposed_ns": exposed_ns}
        with contextlib.suppress(zmq.Again):  # nobody listens yet
            socket.send_multipart([json.dumps(header).encode(), picture.tobytes()], zmq.NOBLOCK)
        number += 1
        time.sleep(1.0 / pictures_per_s)


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit("usage: push_camera_sender.py ENDPOINT PICTURES_PER_SECOND")
    send_pictures(sys.argv[1], float(sys.argv[2]))
