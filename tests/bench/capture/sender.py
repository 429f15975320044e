"""The camera: a process that pushes the picture it was last told, ten times a second.

python sender.py ENDPOINT PICTURES.npy    (numbers of pictures come on stdin, one a line; it ends with stdin)
"""

import contextlib
import json
import sys
import threading
import time

import numpy as np
import zmq

PERIOD_S = 0.1


def main(endpoint, file):
    """Sends until stdin ends."""
    pictures = np.load(file, mmap_mode="r")
    context = zmq.Context()
    socket = context.socket(zmq.PUSH)
    socket.setsockopt(zmq.SNDHWM, 1)
    socket.setsockopt(zmq.LINGER, 0)
    socket.connect(endpoint)
    shown = {"number": 0, "daemon stopped": False}

    def listen():
        for line in sys.stdin:
            shown["number"] = int(line)
        shown["daemon stopped"] = True

    threading.Thread(target=listen, daemon=True).start()
    raw = [np.ascontiguousarray(picture) for picture in pictures]
    height, width = raw[0].shape
    count, due = 0, time.monotonic()
    while not shown["daemon stopped"]:
        picture = raw[shown["number"]]
        header = {
            "schema": 1,
            "id": count,
            "boot_id": "bench",
            "width": width,
            "height": height,
            "channels": 1,
            "dtype": "uint8",
        }
        header["exposed_ns"] = time.monotonic_ns()
        with contextlib.suppress(zmq.Again):
            socket.send_multipart([json.dumps(header).encode(), picture], zmq.NOBLOCK, copy=False)
        count += 1
        due = max(due + PERIOD_S, time.monotonic())
        time.sleep(max(0.0, due - time.monotonic()))
    context.destroy(linger=0)


if __name__ == "__main__":
    main(*sys.argv[1:])
