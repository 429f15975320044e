"""Lossless formats for one picture: encoding, and writing with sync, alone; median of nine, each time a new file.

Beside them: our format written through the operating system's cache of files, as small files are.
"""

import itertools
import os
import time

import cv2
import numpy as np

from bench.record import Table
from eyebolt.store.filesystem import FileSystem, write_atomically
from eyebolt.store.images import encode_image

REPEATS = 9
PNG_FAST = (
    *(cv2.IMWRITE_PNG_COMPRESSION, 1),
    *(cv2.IMWRITE_PNG_STRATEGY, cv2.IMWRITE_PNG_STRATEGY_RLE),
)
THROUGH_CACHE = "ours, through the cache"


class ThroughCache(FileSystem):
    """Files that are all written as small ones are."""

    def write(self, descriptor, data, offset):
        """At once."""
        assert os.pwrite(descriptor, data, offset) == len(data)


def run(picture, folder):
    """Prints a table."""
    files, number = FileSystem(), itertools.count()
    ways = {
        "TIFF, plain, with checksum (ours)": lambda: encode_image(picture),
        THROUGH_CACHE: lambda: encode_image(picture),
        "PNG, level 1, run-length": lambda: _encoded(".png", picture, *PNG_FAST),
        "PNG, level 0": lambda: _encoded(".png", picture, cv2.IMWRITE_PNG_COMPRESSION, 0),
        "TIFF, LZW": lambda: _encoded(".tif", picture, cv2.IMWRITE_TIFF_COMPRESSION, 5),
        "TIFF, PackBits": lambda: _encoded(".tif", picture, cv2.IMWRITE_TIFF_COMPRESSION, 32773),
        "PGM": lambda: _encoded(".pgm", picture),
    }
    table = Table(
        f"{picture.shape[1]} x {picture.shape[0]} pixels, ms: median of {REPEATS}",
        ("format", 34),
        ("encode", 8),
        ("write+sync", 10),
        ("MB", 8),
    )
    for name, way in ways.items():
        encode, write = [], []
        for _ in range(REPEATS):
            begun = time.perf_counter()
            data = way()
            encoded = time.perf_counter()
            write_atomically(ThroughCache() if name == THROUGH_CACHE else files, folder / f"{next(number)}", data)
            encode.append(encoded - begun)
            write.append(time.perf_counter() - encoded)
        times = (f"{1e3 * np.median(took):.1f}" for took in (encode, write))
        table.row(name, *times, f"{len(data) / 1e6:.2f}")


def _encoded(suffix, picture, *settings):
    return cv2.imencode(suffix, picture, settings)[1].tobytes()
