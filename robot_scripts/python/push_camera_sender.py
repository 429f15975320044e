"""Sends images to a station with source = "push": replace the moving test image by the images of your camera.

    python push_camera_sender.py tcp://127.0.0.1:4760 10
    python push_camera_sender.py tcp://192.168.7.9:4760 10 camera-left.key

Needs numpy and pyzmq, and must run on the computer of the daemon, whose monotonic clock `exposed_ns` refers to. The key
is for an endpoint that other computers or containers can reach; `eyebolt keys STATION --camera left` generates it.
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


def send_images(endpoint: str, images_per_s: float, key_file: str | None = None) -> None:
    """Send gray images of 640 x 480 pixels until interrupted."""
    context = zmq.Context()
    socket = context.socket(zmq.PUSH)
    socket.setsockopt(zmq.SNDHWM, 1)  # drop images while nobody receives them
    if key_file is not None:
        keys = tomllib.loads(Path(key_file).read_text(encoding="utf-8"))
        socket.curve_serverkey = keys["station"].encode()
        socket.curve_publickey = zmq.curve_public(keys["secret"].encode())
        socket.curve_secretkey = keys["secret"].encode()
    socket.setsockopt(zmq.IPV6, endpoint.startswith("tcp://["))
    socket.connect(endpoint)
    boot_id = uuid.uuid4().hex  # a new id shows the daemon that the sender was restarted
    rows, columns = np.mgrid[0:480, 0:640]
    number = 0
    while True:
        exposed_ns = time.monotonic_ns()  # read the clock BEFORE the exposure starts
        image = ((rows + columns + 4 * number) % 256).astype(np.uint8)
        header = {"schema": 1, "id": number, "boot_id": boot_id, "width": image.shape[1], "height": image.shape[0]}
        header |= {"channels": 1, "dtype": "uint8", "exposed_ns": exposed_ns}
        with contextlib.suppress(zmq.Again):  # the daemon is not listening yet
            socket.send_multipart([json.dumps(header).encode(), image.tobytes()], zmq.NOBLOCK)
        number += 1
        time.sleep(1.0 / images_per_s)


if __name__ == "__main__":
    if len(sys.argv) not in (3, 4):
        sys.exit("usage: push_camera_sender.py ENDPOINT IMAGES_PER_SECOND [KEY_FILE]")
    send_images(sys.argv[1], float(sys.argv[2]), *sys.argv[3:])
