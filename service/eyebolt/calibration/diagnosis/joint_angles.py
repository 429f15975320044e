"""Check of the joints behind the poses: do they lead to the reported pose by the stated model of the arm?

A controller computes its pose from its joints, so both agree to its rounding. Where they do not, the faults that are
common are tried, the simplest first: unit, order, sign, zero and coupling of the joints, a tool or a base frame that
the model does not have. The calibration itself does not use the joints.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import permutations, product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from eyebolt.calibration.diagnosis.pose_resolution import resolution_of
from eyebolt.calibration.finding import Finding, FindingCode, Severity
from eyebolt.calibration.problem import JointConvention, Problem
from eyebolt.geometry import ANGLE_UNITS_RAD, LENGTH_UNITS_M, Array, se3
from eyebolt.observations import Pair

# A constant tool fits any single pair, and two pairs by chance where one joint moves.
_MIN_PAIRS = 3
# What controllers differ by from their own model beyond the digits that they print. Common practice, no source.
_TOLERANCE_M, _TOLERANCE_RAD = 1e-4, float(np.deg2rad(0.02))
# Waypoints taught in round numbers have no coarse print; a coarser one than this is no basis of a comparison.
_MAX_STEP_M, _MAX_STEP_RAD = 1e-4, float(np.deg2rad(0.1))
_ROUNDING_SIGMA, _SIGMAS = 1 / math.sqrt(12), 3.0
# Stale poses and images are findings of their own, in few pairs; hypotheses are first tried on a few pairs.
_FITTING_SHARE, _TRIAL_PAIRS, _TRIAL_SHARE = 0.8, 5, 0.6
# All orders of 7 joints are 5040, all quarter turns of 6 joints 4096.
_MAX_PERMUTED, _MAX_QUARTER_TURNED = 7, 6
_REFERENCES = 20


class JointFaultKind(StrEnum):
    """What is wrong with the joints as they are stated."""

    UNIT = "unit"
    ORDER = "order"
    SIGN = "sign"
    ZERO = "zero"
    COUPLED = "coupled"
    TOOL = "tool"
    BASE = "base"
    MODEL = "model"


class _Constant(StrEnum):
    """A transform that the model does not have, the same at every pair."""

    NONE = "none"
    TOOL = "tool"
    BASE = "base"


class _Hypotheses(NamedTuple):
    """h ways to read k numbers: joint = sign * number at ``order`` * unit + offset, joint 3 + coupling * joint 2."""

    order: NDArray[np.int64]
    """(h, k): place of each joint among the numbers."""
    signs: Array
    """(h, k): 1 or -1."""
    offsets: Array
    """(h, k): rad or m."""
    coupling: Array
    """(h,): -1, 0 or 1."""

    def readings(self, numbers: Array, units: Array) -> Array:
        """Joints (h, n, k), rad or m, of the ``numbers`` (n, k); ``units`` (k,) of each joint."""
        q = np.swapaxes(numbers[:, self.order], 0, 1) * units * self.signs[:, None] + self.offsets[:, None]
        if q.shape[-1] >= 3:
            q[..., 2] += self.coupling[:, None] * q[..., 1]
        return q

    def row(self, k: int) -> _Hypotheses:
        """The hypothesis ``k`` alone."""
        rows = slice(k, k + 1)
        return _Hypotheses(self.order[rows], self.signs[rows], self.offsets[rows], self.coupling[rows])


@dataclass(frozen=True)
class JointFault:
    """The simplest explanation that fits."""

    kinds: tuple[JointFaultKind, ...]
    """What is wrong: one kind, or two that act together."""
    as_stated: tuple[float, float]
    """Distance of reported poses from those of the joints as stated, metres and radians, median over pairs."""
    tolerance: tuple[float, float]
    """Distance that rounding explains, metres and radians."""
    corrected: tuple[float, float] | None = None
    """The distance under the explanation; None if there is none (MODEL)."""
    sent_order: tuple[int, ...] = ()
    """Joints (0-based) in the order in which they are sent, if that is wrong."""
    reversed_joints: tuple[int, ...] = ()
    """Joints (0-based) whose sign is wrong."""
    offsets: tuple[tuple[int, float], ...] = ()
    """Joints (0-based) and what is to be added to their readings, rad or m."""
    coupling: int = 0
    """Joint 3 is the number sent plus this times joint 2."""
    constant: Array | None = None
    """(4, 4), metres: flange_T_tool or base_T_frame of the model's base that the poses include."""


def find_wrong_joint_angles(problem: Problem, pairs: Sequence[Pair]) -> Finding | None:
    """The finding that the joints sent with the poses do not fit them, with what explains it."""
    convention = problem.joint_convention
    if convention is None:
        return None
    fault = explain_joint_angles(problem, convention, pairs)
    return None if fault is None else _finding(convention, fault)


def explain_joint_angles(problem: Problem, convention: JointConvention, pairs: Sequence[Pair]) -> JointFault | None:
    """What is wrong with the joints of ``pairs``; None if they fit, or too few pairs have joints."""
    count = convention.arm.joint_count
    used = [pair for pair in pairs if pair.joints is not None and len(pair.joints) == count]
    numbers = np.array([pair.joints for pair in used], dtype=float).reshape(-1, count)
    if len(used) < _MIN_PAIRS or not np.isfinite(numbers).all():
        return None
    check = _Check(problem, convention, used, numbers)
    if check.fitting(False, _plain(count), _Constant.NONE) is not None:
        return None
    as_stated = check.distance(False, _plain(count), _Constant.NONE)
    for is_unit_wrong, hypotheses, constant in _stages(check):
        found = check.fitting(is_unit_wrong, hypotheses, constant)
        if found is not None:
            return check.fault(is_unit_wrong, found, constant, as_stated)
    return JointFault((JointFaultKind.MODEL,), as_stated, check.tolerance)


class _Check:
    """The pairs, and the test of a hypothesis on them."""

    def __init__(self, problem: Problem, convention: JointConvention, pairs: Sequence[Pair], numbers: Array) -> None:
        self.arm, self.numbers = convention.arm, numbers
        self.poses = np.array([pair.base_T_flange for pair in pairs])
        self.units = np.array([1e-3 if u == "mm" else 1.0 if u == "rad" else np.pi / 180 for u in convention.units])
        other = {"deg": 1.0, "rad": np.pi / 180, "mm": 1e-3}
        self.other_units = np.array([other[unit] for unit in convention.units])
        self.trial = np.unique(np.linspace(0, len(pairs) - 1, _TRIAL_PAIRS).round().astype(int))
        self.tolerance = self._tolerance(problem, pairs)

    def fitting(self, is_unit_wrong: bool, hypotheses: _Hypotheses, constant: _Constant) -> _Hypotheses | None:
        """The first of the hypotheses that fits; None if none does."""
        trial = self._fits(is_unit_wrong, hypotheses, constant, self.trial, _TRIAL_SHARE)
        every = np.arange(len(self.numbers))
        for k in np.flatnonzero(trial):
            hypothesis = hypotheses.row(int(k))
            if self._fits(is_unit_wrong, hypothesis, constant, every, _FITTING_SHARE)[0]:
                return hypothesis
        return None

    def distance(self, is_unit_wrong: bool, hypothesis: _Hypotheses, constant: _Constant) -> tuple[float, float]:
        """Distance of the poses under one hypothesis, metres and radians, median over pairs."""
        every = np.arange(len(self.numbers))
        distances = list(self._distances(is_unit_wrong, hypothesis, constant, every))
        metres, radians = min(distances, key=lambda one: float(np.median(one[0])))
        return float(np.median(metres)), float(np.median(radians))

    def estimated_zeros(self) -> _Hypotheses:
        """The zero of each joint by itself, as the pairs have it."""
        count = self.arm.joint_count
        q = _plain(count).readings(self.numbers, self.units)[0]
        offsets = np.zeros((count, count))
        for k in range(count):
            # Rotation about z, or displacement along it, that is missing between the links before and behind the joint.
            link = self.arm.product(q, k, k + 1)
            theta = q[:, k] + self.arm.offset_rad[k]
            before = self.arm.product(q, 0, k)
            if self.arm.is_prismatic[k]:
                offsets[k, k] = np.median((se3.inverse(before) @ self.poses @ self._behind(q, k, link))[:, 2, 3])
                continue
            about_z = np.zeros((len(q), 4, 4))
            about_z[:, 0, 0] = about_z[:, 1, 1] = np.cos(theta)
            about_z[:, 1, 0] = np.sin(theta)
            about_z[:, 0, 1] = -about_z[:, 1, 0]
            about_z[:, 2, 2] = about_z[:, 3, 3] = 1.0
            turned = se3.inverse(before @ about_z) @ self.poses @ self._behind(q, k, se3.inverse(about_z) @ link)
            angles = np.arctan2(turned[:, 1, 0] - turned[:, 0, 1], turned[:, 0, 0] + turned[:, 1, 1])
            apart = _wrapped(angles - angles[:, None])
            best = int(np.argmin(np.abs(apart).sum(axis=1)))
            offsets[k, k] = _wrapped(angles[best] + np.median(apart[best]))
        plain = _plain(count)
        return _Hypotheses(np.tile(plain.order, (count, 1)), np.tile(plain.signs, (count, 1)), offsets, np.zeros(count))

    def _behind(self, q: Array, k: int, link: Array) -> Array:
        """Inverse (n, 4, 4) of ``link`` and all links behind joint ``k``."""
        return se3.inverse(link @ self.arm.product(q, k + 1, self.arm.joint_count))

    def fault(
        self, is_unit_wrong: bool, found: _Hypotheses, constant: _Constant, as_stated: tuple[float, float]
    ) -> JointFault:
        """The fault that the hypothesis ``found`` means."""
        order, signs, offsets, coupling = found.order[0], found.signs[0], found.offsets[0], int(found.coupling[0])
        kinds = [
            (JointFaultKind.UNIT, is_unit_wrong),
            (JointFaultKind.ORDER, (order != np.arange(len(order))).any()),
            (JointFaultKind.SIGN, (signs < 0).any()),
            (JointFaultKind.ZERO, (offsets != 0).any()),
            (JointFaultKind.COUPLED, coupling != 0),
            (JointFaultKind.TOOL, constant is _Constant.TOOL),
            (JointFaultKind.BASE, constant is _Constant.BASE),
        ]
        pose = None
        if constant is not _Constant.NONE:
            extra = self._extra(is_unit_wrong, found, constant, np.arange(len(self.numbers)))[0]
            centre = np.median(extra[:, :3, 3], axis=0)
            pose = extra[int(np.argmin(np.linalg.norm(extra[:, :3, 3] - centre, axis=-1)))]
        return JointFault(
            tuple(kind for kind, is_wrong in kinds if is_wrong),
            as_stated,
            self.tolerance,
            self.distance(is_unit_wrong, found, constant),
            tuple(int(k) for k in np.argsort(order)) if (order != np.arange(len(order))).any() else (),
            tuple(int(k) for k in np.flatnonzero(signs < 0)),
            tuple((int(k), float(offsets[k])) for k in np.flatnonzero(offsets)),
            coupling,
            pose,
        )

    def _fits(
        self, is_unit_wrong: bool, hypotheses: _Hypotheses, constant: _Constant, rows: NDArray[np.int64], share: float
    ) -> NDArray[np.bool_]:
        """(h,): whether the share of the pairs ``rows`` agrees under each hypothesis."""
        # The difference of two rounded poses, where a constant transform is taken from one of them.
        factor = 1.0 if constant is _Constant.NONE else 2.0
        out = np.zeros(len(hypotheses.coupling), dtype=bool)
        for metres, radians in self._distances(is_unit_wrong, hypotheses, constant, rows):
            agree = (metres <= factor * self.tolerance[0]) & (radians <= factor * self.tolerance[1])
            out |= agree.mean(axis=1) >= share
        return out

    def _distances(
        self, is_unit_wrong: bool, hypotheses: _Hypotheses, constant: _Constant, rows: NDArray[np.int64]
    ) -> Iterator[tuple[Array, Array]]:
        """Metres and radians (h, n) between the poses of ``rows`` and the model; for each pair as the reference."""
        if constant is _Constant.NONE:
            q = hypotheses.readings(self.numbers[rows], self.other_units if is_unit_wrong else self.units)
            yield _distance(self.arm.forward(q), self.poses[rows])
            return
        extra = self._extra(is_unit_wrong, hypotheses, constant, rows)
        for k in range(min(len(rows), _REFERENCES)):
            yield _distance(extra, extra[:, [k]])

    def _extra(
        self, is_unit_wrong: bool, hypotheses: _Hypotheses, constant: _Constant, rows: NDArray[np.int64]
    ) -> Array:
        """(h, n, 4, 4): what the reported poses have beyond the model, at the flange or in front of the base."""
        q = hypotheses.readings(self.numbers[rows], self.other_units if is_unit_wrong else self.units)
        back = se3.inverse(self.arm.forward(q))
        return back @ self.poses[rows] if constant is _Constant.TOOL else self.poses[rows] @ back

    def _tolerance(self, problem: Problem, pairs: Sequence[Pair]) -> tuple[float, float]:
        """Distance, metres and radians, that the printed digits of joints and pose explain."""
        q = self.numbers * self.units
        variance_m, variance_rad = np.zeros(len(q)), 0.0
        flange = self.arm.forward(q)[:, :3, 3]
        for slides in (False, True):
            of_kind = np.flatnonzero(self.arm.is_prismatic == slides)
            finest = _finest_step(self.numbers[:, of_kind], self.units[of_kind])
            step = min(finest, _MAX_STEP_M if slides else _MAX_STEP_RAD)
            for k in of_kind:
                before = self.arm.product(q, 0, int(k))
                lever = np.cross(before[:, :3, 2], flange - before[:, :3, 3])
                variance_m += step**2 * (1.0 if slides else (lever**2).sum(axis=-1))
                variance_rad += 0.0 if slides else step**2
        if problem.pose_convention is not None and all(pair.fields is not None for pair in pairs):
            fields = np.array([pair.fields for pair in pairs], dtype=float)
            pose_format = problem.pose_convention.pose_format
            quaternion = pose_format.rotation.startswith("quaternion")
            angle = 2.0 if quaternion else ANGLE_UNITS_RAD[pose_format.angle]
            length = np.full(3, LENGTH_UNITS_M[pose_format.length])
            variance_m += 3 * min(_finest_step(fields[:, :3], length), _MAX_STEP_M) ** 2
            angles = np.full(fields.shape[1] - 3, angle)
            variance_rad += 3 * min(_finest_step(fields[:, 3:], angles), _MAX_STEP_RAD) ** 2
        rounding = _SIGMAS * _ROUNDING_SIGMA
        return (
            _TOLERANCE_M + rounding * math.sqrt(float(variance_m.max())),
            _TOLERANCE_RAD + rounding * math.sqrt(variance_rad),
        )


def _stages(check: _Check) -> Iterator[tuple[bool, _Hypotheses, _Constant]]:
    """Whether the unit is the other one, hypotheses and constant transform, the simplest first."""
    count = check.arm.joint_count
    revolute = np.flatnonzero(~check.arm.is_prismatic)
    plain, none = _plain(count), _Constant.NONE
    singles = [_neighbours_exchanged(count), _reversed(count, 1), _quarter_turned(count, revolute), _coupled(check)]
    alike = [_reversed(count, count), _all_orders(count)]
    for unit_wrong, hypotheses in [(True, plain), *((False, one) for one in (*singles, *alike))]:
        yield unit_wrong, hypotheses, none
    yield False, check.estimated_zeros(), none
    constants = (_Constant.TOOL, _Constant.BASE)
    for constant in constants:
        yield False, plain, constant
    for hypotheses in (*singles, *alike):
        yield True, hypotheses, none
    for coupled_row in range(len(singles[3].coupling)):
        reversed_signs = _reversed(count, count)
        coupling = np.full(len(reversed_signs.coupling), singles[3].coupling[coupled_row])
        yield False, reversed_signs._replace(coupling=coupling), none
    yield False, _all_quarter_turns(count, revolute), none
    for constant in constants:
        yield True, plain, constant
        for hypotheses in (*singles, *alike):
            yield False, hypotheses, constant


def _rows(
    count: int,
    order: Sequence[Sequence[int]] | None = None,
    signs: Sequence[Sequence[float]] | None = None,
    offsets: Sequence[Sequence[float]] | None = None,
    coupling: Sequence[float] | None = None,
) -> _Hypotheses:
    """Hypotheses that differ from the stated reading in one respect."""
    given = next(values for values in (order, signs, offsets, coupling) if values is not None)
    h = len(given)
    return _Hypotheses(
        np.tile(np.arange(count), (h, 1)) if order is None else np.array(order, dtype=np.int64).reshape(h, count),
        np.ones((h, count)) if signs is None else np.array(signs, dtype=float).reshape(h, count),
        np.zeros((h, count)) if offsets is None else np.array(offsets, dtype=float).reshape(h, count),
        np.zeros(h) if coupling is None else np.array(coupling, dtype=float),
    )


def _plain(count: int) -> _Hypotheses:
    return _rows(count, coupling=[0.0])


def _neighbours_exchanged(count: int) -> _Hypotheses:
    """Two neighbours exchanged, and all joints from the flange to the base."""
    exchanged = [[*range(k), k + 1, k, *range(k + 2, count)] for k in range(count - 1)]
    return _rows(count, order=[list(range(count))[::-1], *exchanged])


def _all_orders(count: int) -> _Hypotheses:
    """All orders, those with the fewest joints out of place first."""
    if count > _MAX_PERMUTED:
        return _neighbours_exchanged(count)
    return _rows(count, order=sorted(permutations(range(count)), key=lambda o: sum(a != b for a, b in enumerate(o))))


def _reversed(count: int, most: int) -> _Hypotheses:
    """Signs of 1 to ``most`` joints reversed, the fewest first."""
    signs = [one for one in product((1.0, -1.0), repeat=count) if 1 <= one.count(-1.0) <= most]
    return _rows(count, signs=sorted(signs, key=lambda one: one.count(-1.0)))


def _quarter_turned(count: int, revolute: NDArray[np.int64]) -> _Hypotheses:
    """The zero of one joint off by a multiple of 90 deg."""
    eye = np.eye(count)
    offsets = [eye[k] * quarter * np.pi / 2 for quarter in (1, -1, 2) for k in revolute]
    return _rows(count, offsets=[list(one) for one in offsets] or [[0.0] * count])


def _all_quarter_turns(count: int, revolute: NDArray[np.int64]) -> _Hypotheses:
    """The zeros of several joints off by multiples of 90 deg, the fewest joints first."""
    if len(revolute) > _MAX_QUARTER_TURNED:
        return _quarter_turned(count, revolute)
    turns = np.array(list(product((0, 1, -1, 2), repeat=len(revolute))), dtype=float)
    offsets = np.zeros((len(turns), count))
    offsets[:, revolute] = turns[np.argsort((turns != 0).sum(axis=1), kind="stable")] * np.pi / 2
    return _rows(count, offsets=[list(one) for one in offsets])


def _coupled(check: _Check) -> _Hypotheses:
    """Joint 3 counted from the ground, or against joint 2."""
    count = check.arm.joint_count
    has_elbow = count >= 3 and not check.arm.is_prismatic[1:3].any()
    return _rows(count, coupling=[-1.0, 1.0] if has_elbow else [0.0])


def _distance(first: Array, second: Array) -> tuple[Array, Array]:
    """Metres and radians between poses; a rotation by t changes a matrix by 2 sqrt(2) sin(t / 2)."""
    metres = np.linalg.norm(first[..., :3, 3] - second[..., :3, 3], axis=-1)
    change = np.sqrt(((first[..., :3, :3] - second[..., :3, :3]) ** 2).sum(axis=(-2, -1)))
    return metres, 2 * np.arcsin(np.minimum(change / math.sqrt(8), 1.0))


def _finest_step(columns: Array, units: Array) -> float:
    """The finest step of the printed numbers (n, k) times their units; numbers of one kind have the same digits.

    One column may stand at round numbers by chance, and one that is constant has no step.
    """
    varying = np.flatnonzero(np.ptp(columns, axis=0) > 0)
    return min((resolution_of(columns[:, k]) * float(units[k]) for k in varying), default=0.0)


def _wrapped(angle: Array) -> Array:
    out: Array = (angle + np.pi) % (2 * np.pi) - np.pi
    return out


def _finding(convention: JointConvention, fault: JointFault) -> Finding:
    said = [_explanation(convention, fault, kind) for kind in fault.kinds]
    evidence = {
        "joints_mm": fault.as_stated[0] * 1e3,
        "joints_deg": math.degrees(fault.as_stated[1]),
        "joints_tolerance_mm": fault.tolerance[0] * 1e3,
        "joints_tolerance_deg": math.degrees(fault.tolerance[1]),
    }
    if fault.corrected is not None:
        evidence["joints_corrected_mm"] = fault.corrected[0] * 1e3
        evidence["joints_corrected_deg"] = math.degrees(fault.corrected[1])
    if len(fault.offsets) == 1 and not convention.arm.is_prismatic[fault.offsets[0][0]]:
        evidence["joint"] = float(fault.offsets[0][0] + 1)
        evidence["zero_deg"] = math.degrees(fault.offsets[0][1])
    if fault.constant is not None:
        metres, radians = se3.pose_distance(np.eye(4), fault.constant)
        evidence["translation_mm"] = float(metres) * 1e3
        evidence["rotation_deg"] = math.degrees(float(radians))
    return Finding(
        FindingCode.JOINT_ANGLES,
        Severity.WARN,
        f"the joints do not lead to the reported poses by [robot] dh_mm_deg (median distance"
        f" {fault.as_stated[0] * 1e3:.2f} mm, {math.degrees(fault.as_stated[1]):.3f} deg): "
        + ", and ".join(message for message, _ in said),
        evidence,
        "; and ".join(remedy for _, remedy in said) + ". The calibration itself does not use the joints.",
    )


def _explanation(convention: JointConvention, fault: JointFault, kind: JointFaultKind) -> tuple[str, str]:
    """Message and remedy, both without a full stop."""
    names, units = convention.names, convention.units
    match kind:
        case JointFaultKind.UNIT:
            stated = "deg" if "deg" in units else "rad"
            other = "rad" if stated == "deg" else "deg"
            return f"the joints are in {other}, not in {stated}", f'state joint_unit = "{other}" under [robot]'
        case JointFaultKind.ORDER:
            order = ", ".join(names[k] for k in fault.sent_order)
            return f"they are sent in the order {order}", f"let the robot program send {', '.join(names)}"
        case JointFaultKind.SIGN:
            which = _list([names[k] for k in fault.reversed_joints])
            return (
                f"the sign of {which} is reversed",
                f"let the robot program send {which} with the other sign, or state rows of dh_mm_deg for this sense",
            )
        case JointFaultKind.ZERO:
            moved = [_zero(convention, k, by) for k, by in fault.offsets]
            return (
                "the zero is another one for " + _list([message for message, _ in moved]),
                "state under [robot] in dh_mm_deg " + _list([remedy for _, remedy in moved]),
            )
        case JointFaultKind.COUPLED:
            sign, back = ("plus", "minus") if fault.coupling < 0 else ("minus", "plus")
            return (
                f"{names[2]} is sent as {names[2]} {sign} {names[1]} (counted from the ground)",
                f"let the robot program send {names[2]} {back} {names[1]} in its place",
            )
        case JointFaultKind.TOOL:
            return (
                f"the poses include a constant tool of {_size(fault)}",
                'set the tool on the controller to zero, or state pose_of = "tool" and tool = [...] under [robot]; if'
                " the arm has no tool active, correct the last row of dh_mm_deg",
            )
        case JointFaultKind.BASE:
            return (
                f"the poses are in a frame that differs from the model's base by a constant {_size(fault)}",
                "select the controller's base frame, without a user frame; if it is selected, the base of dh_mm_deg is"
                " another one: correct d and offset of its first row",
            )
        case JointFaultKind.MODEL:
            return (
                "no order, sign, unit or zero of the joints, tool or base frame explains it",
                "compare dh_mm_deg with the drawing of this arm (standard convention, not the modified one), or remove"
                " it from the station file",
            )


def _zero(convention: JointConvention, k: int, by: float) -> tuple[str, str]:
    """Name of the joint with its change, and what its row is to be."""
    if convention.arm.is_prismatic[k]:
        d = (convention.arm.d_m[k] + by) * 1e3
        return f"{convention.names[k]} (by {by * 1e3:+.2f} mm)", f"d = {d:.2f} in row {k + 1}"
    row = math.degrees(convention.arm.offset_rad[k] + by)
    return f"{convention.names[k]} (by {math.degrees(by):+.3f} deg)", f"offset = {row:.3f} in row {k + 1}"


def _size(fault: JointFault) -> str:
    metres, radians = se3.pose_distance(np.eye(4), np.eye(4) if fault.constant is None else fault.constant)
    return f"{float(metres) * 1e3:.1f} mm and {math.degrees(float(radians)):.2f} deg"


def _list(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]
