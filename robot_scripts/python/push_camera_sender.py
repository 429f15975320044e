"""Sends pictures to a station with source = "push": put your camera's reading in place of the moving test picture.

    python push_camera_sender.py tcp://127.0.0.1:4760 10
    python push_camera_sender.py tcp://192.168.7.9:4760 10 camera-left.key

Needs numpy and pyzmq, and must run on the computer on which Eyebolt runs: `exposed_ns` is its monotonic clock. The key
is for an address that other computers reach too (from a container, say); `eyebolt keys STATION --camera left` makes it.
"""

import contextlib
import json
import sys
import time
import tomllib
import uuid
from pathlib import Path

import numpy as np
import zmq


def send_pictures(endpoint: str, pictures_per_s: float, key_file: str | None = None) -> None:
    """Send gray pictures of 640 x 480 pixels until the program is ended."""
    context = zmq.Context()
    socket = context.socket(zmq.PUSH)
    socket.setsockopt(zmq.SNDHWM, 1)  # a picture that nobody takes is better dropped than kept
    if key_file is not None:
        keys = tomllib.loads(Path(key_file).read_text(encoding="utf-8"))
        socket.curve_serverkey = keys["station"].encode()
        socket.curve_publickey = zmq.curve_public(keys["secret"].encode())
        socket.curve_secretkey = keys["secret"].encode()
    socket.connect(endpoint)
    boot_id = uuid.uuid4().hex  # tells a restarted sender from the old one
    rows, columns = np.mgrid[0:480, 0:640]
    number = 0
    while True:
        exposed_ns = time.monotonic_ns()  # read the clock BEFORE the exposure starts
        picture = ((rows + columns + 4 * number) % 256).astype(np.uint8)
        header = {"schema": 1, "id": number, "boot_id": boot_id, "width": picture.shape[1], "height": picture.shape[0]}
        header |= {"channels": 1, "dtype": "uint8", "exposed_ns": exposed_ns}
        with contextlib.suppress(zmq.Again):  # nobody listens yet
            socket.send_multipart([json.dumps(header).encode(), picture.tobytes()], zmq.NOBLOCK)
        number += 1
        time.sleep(1.0 / pictures_per_s)


if __name__ == "__main__":
    if len(sys.argv) not in (3, 4):
        sys.exit("usage: push_camera_sender.py ENDPOINT PICTURES_PER_SECOND [KEY_FILE]")
    send_pictures(sys.argv[1], float(sys.argv[2]), *sys.argv[3:])
