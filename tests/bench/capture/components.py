"""Each part of a capture by itself: nothing else runs meanwhile but the camera, where there must be one."""

import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from eyebolt.boards.detect import find_board
from eyebolt.cameras.push import PushCamera
from eyebolt.store.session_folder import SessionFolder

SENDER = Path(__file__).with_name("sender.py")


def measure(pictures, board, folder):
    """Milliseconds of each part, one for each picture."""
    return {
        "picture written and synced": _written(pictures, folder),
        "picture sent and received": _received(pictures, folder),
        "board found": _found(pictures, board),
    }


class Sender:
    """The camera's process."""

    def __init__(self, endpoint, pictures, folder):
        file = folder / "pictures.npy"
        if not file.exists():
            np.save(file, pictures)
        self.process = subprocess.Popen([sys.executable, SENDER, endpoint, file], stdin=subprocess.PIPE, text=True)

    def show(self, number):
        """From now on this picture is sent."""
        self.process.stdin.write(f"{number}\n")
        self.process.stdin.flush()

    def close(self):
        self.process.stdin.close()
        self.process.wait(10)


def _written(pictures, folder):
    with SessionFolder.create(folder / "alone", "20250101-000000-01", {}) as session:
        return [_ms(lambda k=k: session.store_image(f"{k:04d}.tif", pictures[k])) for k in range(len(pictures))]


def _received(pictures, folder):
    endpoint = f"ipc://{folder}/alone-camera"
    camera, sender = PushCamera(endpoint), Sender(endpoint, pictures, folder)
    try:
        times = []
        for _ in range(len(pictures) + 1):
            frame = camera.grab(time.monotonic_ns(), 20.0)
            times.append((time.monotonic_ns() - frame.exposed_ns) / 1e6)
        return times[1:]
    finally:
        sender.close()
        camera.close()


def _found(pictures, board):
    find_board(pictures[0], board)
    return [_ms(lambda p=p: find_board(p, board)) for p in pictures]


def _ms(function):
    begun = time.monotonic_ns()
    function()
    return (time.monotonic_ns() - begun) / 1e6
