"""Images that carry an instant, and free endpoints, for tests of cameras."""

from __future__ import annotations

import socket
from types import SimpleNamespace

import numpy as np
import pytest


def paint(instant_ns: int, height: int = 48, width: int = 64, dtype: str = "uint8") -> np.ndarray:
    """An image that carries an instant: its 64 bits as black and white pixels of every row."""
    bits = np.array([(instant_ns >> bit) & 1 for bit in range(64)], dtype=dtype)
    return np.tile(bits * np.iinfo(dtype).max, (height, width // 64))


def read(pixels: np.ndarray) -> int:
    """The instant painted into an image; all rows must agree."""
    bits = pixels[:, :64] > np.iinfo(pixels.dtype).max // 2
    if not (bits == bits[0]).all():
        raise ValueError("the rows of the image carry different instants")
    return sum(1 << bit for bit in range(64) if bits[0, bit])


@pytest.fixture
def instant() -> SimpleNamespace:
    """``paint`` an instant into an image and ``read`` it again."""
    return SimpleNamespace(paint=paint, read=read)


@pytest.fixture
def endpoint() -> str:
    """A TCP endpoint of this computer that is free."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return f"tcp://127.0.0.1:{probe.getsockname()[1]}"
