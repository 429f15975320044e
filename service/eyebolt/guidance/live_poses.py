"""Live poses as they are recorded with a guided pair: a bounded number, in whole micrometres and microradians.

Seven columns of 64-bit integers, little-endian, one after the other: the arrival in microseconds after the middle of
the exposure, the translation, the rotation vector. Each number but the first of a column is the difference from the one
before; the whole is compressed with zlib and written in base 64.
"""

from __future__ import annotations

import base64
import zlib

import numpy as np
from pydantic import BaseModel, ConfigDict

from eyebolt.geometry import Array, se3

MAX_RECORDED_POSES = 2000
"""The newest so many poses are recorded with a pair: 4 s at 500 a second, at most 40 kB."""
_COLUMNS = 7
_UNITS_PER = 1e6


class LivePosesRecord(BaseModel):
    """The poses that the robot streamed before a guided pair was taken."""

    model_config = ConfigDict(frozen=True, extra="ignore", use_attribute_docstrings=True)

    count: int
    """Number of poses; the oldest are left out above 2000."""
    data: str
    """Seven columns of int64 (arrival after the middle of the exposure, us; translation, um; rotation vector, urad),
    each as differences, zlib, base 64."""

    @classmethod
    def of(cls, arrivals_s: Array, poses: Array, middle_s: float) -> LivePosesRecord:
        """The record of poses (n, 4, 4), metres, that arrived at ``arrivals_s`` (n,)."""
        arrivals_s, poses = arrivals_s[-MAX_RECORDED_POSES:], poses[-MAX_RECORDED_POSES:]
        rotations_rad = se3.log_rotation(poses[:, :3, :3])
        columns = np.column_stack([arrivals_s - middle_s, poses[:, :3, 3], rotations_rad])
        units = np.round(columns * _UNITS_PER).astype("<i8")
        steps = np.diff(units, axis=0, prepend=np.zeros((1, _COLUMNS), "<i8"))
        data = zlib.compress(np.ascontiguousarray(steps.T).tobytes(), 9)
        return cls(count=len(units), data=base64.b64encode(data).decode("ascii"))

    def decode(self) -> tuple[Array, Array]:
        """Arrivals (n,), seconds after the middle of the exposure, and poses (n, 4, 4), metres.

        Raises ValueError for data that are not such a record.
        """
        size = 8 * _COLUMNS * self.count
        unpacked = zlib.decompressobj().decompress(base64.b64decode(self.data, validate=True), size + 1)
        if len(unpacked) != size:
            raise ValueError(f"{self.count} poses have {size} bytes, and there are {len(unpacked)} or more")
        steps = np.frombuffer(unpacked, "<i8").reshape(_COLUMNS, self.count)
        columns = np.cumsum(steps, axis=1).T / _UNITS_PER
        return columns[:, 0], se3.compose_parts(se3.exp_rotation(columns[:, 4:]), columns[:, 1:4])
