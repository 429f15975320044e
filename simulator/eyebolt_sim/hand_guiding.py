"""An arm that is guided by hand: its motion, the stream of its poses, and the instants at which images are exposed.

Motion: point-to-point movements of a hand are minimum-jerk profiles, x(s) = 10 s^3 - 15 s^4 + 6 s^5 (Flash and Hogan,
J. Neuroscience 5(7), 1985); inaccurate ones are a primary movement and overlapping corrections. Physiological tremor
lies at 8 to 12 Hz (Elble and Koller 1990); it decays when the hand lets the arm stand, to a remainder that differs from
rest to rest. Nothing here reads a clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.transforms import Array

_TREMOR_HZ = (8.0, 12.0)
_TREMOR_WAVES = 3


@dataclass(frozen=True)
class HandMotion:
    """How a hand guides an arm."""

    rest_s: tuple[float, float] = (0.2, 3.0)
    """shortest and longest rest, uniform in the logarithm"""
    speed_m_s: float = 0.15
    """mean speed of a movement"""
    turn_rate_deg_s: float = 35.0
    """mean rate of turning of a movement"""
    overshoot: float = 0.15
    """standard deviation of the primary movement's relative error, which corrections make good"""
    detour_m: float = 0.03
    """largest deviation of a movement from the straight line"""
    tremor_mm: float = 0.15
    """amplitude of the tremor while the arm moves, per axis"""
    tremor_deg: float = 0.02
    """the same of its rotation"""
    rest_tremor: tuple[float, float] = (0.02, 0.9)
    """median of the share of the tremor that remains at rest, and the standard deviation of its logarithm"""
    decay_s: float = 0.08
    """time constant of the decay at the beginning of a rest"""
    drift_mm_s: float = 0.05
    """standard deviation of the drift at rest, per axis"""


@dataclass(frozen=True)
class Rest:
    """One rest of the arm."""

    begin_s: float
    end_s: float
    place: int
    """index of its place"""


class HandGuidedArm:
    """The motion through ``places`` (4, 4 each, base_T_flange as the controller would report it at rest).

    ``noise``: the arm's error, drawn at each rest and changing smoothly in between. Instants are seconds from 0; before
    and after the motion the arm stands at its ends.
    """

    def __init__(
        self, places: Sequence[Array], noise: PoseNoise, rng: np.random.Generator, motion: HandMotion | None = None
    ) -> None:
        motion = motion or HandMotion()
        self._motion = motion
        count = len(places)
        self._positions_m = np.array([place[:3, 3] for place in places])
        self._rotations = Rotation.from_matrix(np.array([place[:3, :3] for place in places]))
        self._turns_rad = (self._rotations[:-1].inv() * self._rotations[1:]).as_rotvec()
        shortest_s, longest_s = motion.rest_s
        rests_s = shortest_s * (longest_s / shortest_s) ** rng.uniform(0, 1, count)
        path_m = np.linalg.norm(np.diff(self._positions_m, axis=0), axis=1)
        turn_deg = np.rad2deg(np.linalg.norm(self._turns_rad, axis=1))
        moves_s = np.maximum(path_m / motion.speed_m_s, turn_deg / motion.turn_rate_deg_s)
        moves_s = np.maximum(moves_s * np.exp(rng.normal(0, 0.3, count - 1)), 0.4)
        begin_s = np.concatenate([[0.0], np.cumsum(rests_s[:-1] + moves_s)])
        self.rests = [Rest(float(b), float(b + r), k) for k, (b, r) in enumerate(zip(begin_s, rests_s, strict=True))]
        self._leave_s, self._arrive_s = begin_s[:-1] + rests_s[:-1], begin_s[1:]
        # Each of translation and rotation: a primary movement of share 1 + e, and two corrections that overlap with it.
        self._shares = np.empty((count - 1, 2, 3))
        self._shares[..., 0] = 1 + motion.overshoot * rng.normal(size=(count - 1, 2))
        self._shares[..., 1] = (1 - self._shares[..., 0]) * rng.uniform(0.6, 1.3, (count - 1, 2))
        self._shares[..., 2] = 1 - self._shares[..., :2].sum(axis=-1)
        self._begins = np.sort(rng.uniform(0.35, 0.7, (count - 1, 2, 2)), axis=-1)
        self._detours_m = rng.uniform(-1, 1, (count - 1, 3)) * motion.detour_m
        self._hertz = rng.uniform(*_TREMOR_HZ, (_TREMOR_WAVES, 6))
        self._phases = rng.uniform(0, 2 * np.pi, (_TREMOR_WAVES, 6))
        median, spread = motion.rest_tremor
        self._rest_shares = np.minimum(median * np.exp(spread * rng.normal(size=count)), 1.0)
        self._drifts_m_s = rng.normal(size=(count, 3)) * motion.drift_mm_s * 1e-3
        self._errors = rng.normal(size=(count, 6)) * np.repeat([noise.sigma_mm * 1e-3, np.deg2rad(noise.sigma_deg)], 3)

    @property
    def end_s(self) -> float:
        """When the last rest ends."""
        return self.rests[-1].end_s

    def reported_at(self, instants_s: Array) -> Array:
        """(n, 4, 4): base_T_flange as the controller computes it."""
        positions, rotations, _ = self._at(np.asarray(instants_s, dtype=float))
        return _matrices(positions, rotations)

    def true_at(self, instants_s: Array) -> Array:
        """(n, 4, 4): true base_T_flange: the reported one times the arm's error."""
        positions, rotations, error = self._at(np.asarray(instants_s, dtype=float))
        return _matrices(positions + rotations.apply(error[:, :3]), rotations * Rotation.from_rotvec(error[:, 3:]))

    def _at(self, instants_s: Array) -> tuple[Array, Rotation, Array]:
        """Positions (n, 3) and rotations as reported, and the errors (n, 6)."""
        clipped = np.clip(instants_s, 0.0, self.end_s)
        rest = np.clip(np.searchsorted([r.begin_s for r in self.rests], clipped, side="right") - 1, 0, None)
        move = np.minimum(rest, len(self._leave_s) - 1)
        is_moving = (rest < len(self._leave_s)) & (clipped > self._leave_s[move])
        length_s = self._arrive_s[move] - self._leave_s[move]
        done = np.where(is_moving, (clipped - self._leave_s[move]) / length_s, 0.0)
        along, turned = (self._progress(done, move, axis) for axis in (0, 1))
        step = np.where(is_moving, 1, 0)
        to = np.minimum(rest + step, len(self.rests) - 1)
        positions = self._positions_m[rest] + along[:, None] * (self._positions_m[to] - self._positions_m[rest])
        # A detour begins and ends with the movement, without a jerk.
        positions = positions + (64 * (done * (1 - done)) ** 3)[:, None] * self._detours_m[move]
        rotations = self._rotations[rest] * Rotation.from_rotvec(turned[:, None] * self._turns_rad[move])
        since_s = clipped - np.array([r.begin_s for r in self.rests])[rest]
        before_end = np.where(is_moving, 0.0, 1.0)[:, None]
        positions = positions + before_end * since_s[:, None] * self._drifts_m_s[rest]
        # The drift of a rest is carried away by the movement that follows.
        rests_s = np.array([r.end_s - r.begin_s for r in self.rests])[rest]
        carried = (1 - _minimum_jerk(done)) * (1 - before_end[:, 0])
        positions = positions + (carried * rests_s)[:, None] * self._drifts_m_s[rest]
        tremor = self._tremor(instants_s, rest, is_moving, done, since_s)
        positions = positions + rotations.apply(tremor[:, :3])
        rotations = rotations * Rotation.from_rotvec(tremor[:, 3:])
        share = _minimum_jerk(done)[:, None]
        error = (1 - share) * self._errors[rest] + share * self._errors[to]
        return positions, rotations, error

    def _progress(self, done: Array, move: NDArray[np.int64], axis: int) -> Array:
        shares, begins = self._shares[move, axis], self._begins[move, axis]
        # The primary movement takes three quarters of the time, the corrections end with the whole.
        out: Array = shares[:, 0] * _minimum_jerk(done / 0.75)
        for k in (0, 1):
            out = out + shares[:, k + 1] * _minimum_jerk((done - begins[:, k]) / (1 - begins[:, k]))
        return out

    def _tremor(
        self,
        instants_s: Array,
        rest: NDArray[np.int64],
        is_moving: NDArray[np.bool_],
        done: Array,
        since_s: Array,
    ) -> Array:
        """(n, 6): translation and rotation."""
        quiet = self._rest_shares[rest]
        at_rest = quiet + (1 - quiet) * np.where(rest > 0, np.exp(-since_s / self._motion.decay_s), 0.0)
        start = np.minimum(done * 10, 1.0)
        envelope = np.where(is_moving, quiet + (1 - quiet) * start, at_rest)
        angle = 2 * np.pi * instants_s[:, None, None] * self._hertz + self._phases
        waves = np.sin(angle).sum(axis=1) / np.sqrt(_TREMOR_WAVES)
        size = np.repeat([self._motion.tremor_mm * 1e-3, np.deg2rad(self._motion.tremor_deg)], 3)
        out: Array = envelope[:, None] * waves * size
        return out


@dataclass(frozen=True)
class StreamTiming:
    """How a stream of poses reaches the daemon."""

    rate_hz: float = 125.0
    """poses per second"""
    delay_s: float = 0.05
    """from the instant of a pose to its earliest arrival"""
    jitter_s: float = 0.003
    """mean of the exponential delay of the network beyond that"""
    cycle_jitter: float = 0.02
    """standard deviation of the instant of sampling, in periods"""
    stalls_per_s: float = 0.2
    """rate of stalls, after which what was held back arrives at once"""
    stall_s: tuple[float, float] = (0.02, 0.08)
    """shortest and longest stall"""

    def draw(self, end_s: float, rng: np.random.Generator) -> tuple[Array, Array]:
        """Instants (n,) of the poses from 0 to ``end_s``, and their arrivals (n,), which are in order as TCP's are."""
        count = int(end_s * self.rate_hz)
        instants_s = (np.arange(count) + self.cycle_jitter * rng.normal(size=count)) / self.rate_hz
        instants_s = np.maximum.accumulate(np.clip(instants_s, 0.0, end_s))
        arrivals_s = instants_s + self.delay_s + rng.exponential(self.jitter_s, count)
        for _ in range(rng.poisson(self.stalls_per_s * end_s)):
            begin_s = rng.uniform(0, end_s)
            stall_end_s = begin_s + rng.uniform(*self.stall_s)
            held = (arrivals_s > begin_s) & (arrivals_s < stall_end_s)
            arrivals_s[held] = stall_end_s
        return instants_s, np.maximum.accumulate(arrivals_s)


def _minimum_jerk(done: Array) -> Array:
    s = np.clip(done, 0.0, 1.0)
    out: Array = s**3 * (10 - 15 * s + 6 * s**2)
    return out


def _matrices(positions_m: Array, rotations: Rotation) -> Array:
    out = np.tile(np.eye(4), (len(positions_m), 1, 1))
    out[:, :3, :3], out[:, :3, 3] = rotations.as_matrix(), positions_m
    return out
