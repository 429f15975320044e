"""The simulated arm in motion: its true pose as a function of time, and the pose of a board that was placed."""

from __future__ import annotations

import threading

import numpy as np

from eyebolt_sim.arm import Arm, inverse_kinematics
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.transforms import Array


class MovingArm:
    """The real arm of a cell: each move ends with a new pose error, drawn from ``seed``. Thread-safe.

    All times are seconds of one clock, which the caller reads.
    """

    def __init__(self, real: Arm, noise: PoseNoise, seed: int, start_joints_rad: Array) -> None:
        self._real = real
        self._noise = noise
        self._rng = np.random.default_rng([seed, 11])
        self._lock = threading.Lock()
        self._from = self._to = np.asarray(start_joints_rad, dtype=float)
        self._begin_s = self._seconds = 0.0
        self._error = noise.draw(self._rng)
        self._base_T_board: Array | None = None
        self._is_driven = False
        self._stands_at: Array | None = None

    @property
    def is_driven(self) -> bool:
        """Whether a robot program moved it."""
        with self._lock:
            return self._is_driven

    @property
    def base_T_board(self) -> Array | None:
        """Pose of a placed board (4, 4); None until one is placed."""
        with self._lock:
            return self._base_T_board

    def place_board(self, base_T_board: Array) -> None:
        """Place the board at ``base_T_board`` (4, 4)."""
        with self._lock:
            self._base_T_board = np.asarray(base_T_board, dtype=float)

    def move_to(self, joints_rad: Array, seconds: float, now_s: float) -> None:
        """Begin a joint-space move to ``joints_rad`` (6,) that takes ``seconds``."""
        with self._lock:
            self._is_driven, self._stands_at = True, None
            self._from = self._joints_at(now_s)
            self._to = np.asarray(joints_rad, dtype=float)
            self._begin_s, self._seconds = now_s, seconds
            self._error = self._noise.draw(self._rng)

    def stand_at(self, base_T_outward: Array) -> None:
        """Stand at once where a controller reports its outward flange frame (4, 4).

        Where the nominal arm cannot reach that, it stands there all the same, without the errors of joints and links.
        """
        solutions = inverse_kinematics(base_T_outward)
        with self._lock:
            self._stands_at = None if solutions else np.asarray(base_T_outward, dtype=float)
            if solutions:
                self._from = self._to = min(solutions, key=lambda q: float(np.abs(q - self._to).max()))
            self._begin_s = self._seconds = 0.0
            self._error = self._noise.draw(self._rng)

    def pose_at(self, now_s: float) -> Array:
        """True base_T_outward (4, 4), m, of the outward flange frame."""
        with self._lock:
            stands_at = self._real.forward(self._joints_at(now_s)) if self._stands_at is None else self._stands_at
            pose: Array = stands_at @ self._error
            return pose

    def _joints_at(self, now_s: float) -> Array:
        if now_s >= self._begin_s + self._seconds:
            return self._to
        done = (now_s - self._begin_s) / self._seconds
        joints: Array = self._from + (self._to - self._from) * done
        return joints


def travel_time_s(from_joints_rad: Array, to_joints_rad: Array, speed: float) -> float:
    """Duration in s of a move at ``speed`` times reduced speed: 250 mm/s of the flange, 30 deg/s of the fastest joint.

    250 mm/s is the limit of manual reduced speed in ISO 10218-1.
    """
    path_m = float(np.linalg.norm(Arm().forward(to_joints_rad)[:3, 3] - Arm().forward(from_joints_rad)[:3, 3]))
    rotation_deg = float(np.rad2deg(np.abs(np.asarray(to_joints_rad) - np.asarray(from_joints_rad)).max()))
    return max(path_m / 0.25, rotation_deg / 30.0) / speed
