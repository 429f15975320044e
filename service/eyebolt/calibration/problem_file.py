"""Problem files: corners and poses as JSON, read into a ``Problem`` together with the tolerance.

The records below are the format; a file with other keys is refused. ``read_problem`` reports all faults of form (keys,
types, ranges) at once, then all faults of meaning (no rigid transform, unknown corner numbers).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Annotated

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from eyebolt.bounded_text import parse_json
from eyebolt.calibration.problem import (
    CORRELATED_ERROR_RANGE_M,
    STATED_NOISE_DOF,
    JointConvention,
    Problem,
    RobotNoise,
    WorkingVolume,
)
from eyebolt.config import LensCovariance, lists_to_tuples
from eyebolt.errors import InputFault
from eyebolt.geometry import (
    CameraModel,
    DhRow,
    FlangeRotation,
    Mount,
    PickPose,
    PickPosture,
    SerialArm,
    parameter_names,
    se3,
)
from eyebolt.observations import Pair
from eyebolt.protocol import MAX_JOINTS, ToleranceOf

# Largest element of R^T R - I: poses printed with three digits pass and are made orthogonal, typing errors do not.
_MAX_ORTHOGONALITY_ERROR = 1e-3
# A screenful; the same fault in every pair needs no longer list.
_MAX_LISTED_FAULTS = 40

ImageSide = Annotated[int, Field(ge=1, le=100_000)]
MatrixRow = tuple[float, float, float, float]


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, use_attribute_docstrings=True)


class CameraRecord(_Record):
    """Intrinsics of the lens."""

    width: ImageSide
    """Image width, pixels."""
    height: ImageSide
    """Image height, pixels."""
    matrix: list[list[float]]
    """Camera matrix (3 x 3), pixels."""
    distortion: list[float] = []
    """Distortion coefficients, in the order of camera.json."""
    sigma: dict[str, float] = {}
    """Standard deviations of parameters by name (`fx`, `cx`, `k1`, ...); parameters without one have the default."""
    covariance: Annotated[LensCovariance | None, BeforeValidator(lists_to_tuples)] = None
    """`parameters` and `matrix`, as in camera.json, instead of `sigma`."""

    def to_camera(self) -> CameraModel:
        """The camera model. Raises InputFault ``lens-model`` if matrix or distortion are not those of a camera."""
        sigma, correlation = self.sigma, None
        if self.covariance is not None:
            sigma, correlation = self.covariance.to_sigma_and_correlation()
        matrix, distortion = np.array(self.matrix), np.array(self.distortion, dtype=float)
        return CameraModel(self.width, self.height, matrix, distortion, sigma, correlation)


class PairRecord(_Record):
    """One pose of the arm with the corners observed there."""

    base_T_flange: tuple[MatrixRow, MatrixRow, MatrixRow, MatrixRow]
    """Reported pose of the flange (4 x 4), metres."""
    ids: list[Annotated[int, Field(ge=0)]]
    """Numbers of the observed corners: rows of `board_corners_mm`."""
    corners_px: list[tuple[float, float]]
    """Pixels (u, v) of these corners, pixel centres at integers."""
    joints_deg: list[float] | None = None
    """Joints of the arm at this pose, in the order of `arm.dh_mm_deg`: deg, or mm of a prismatic joint."""
    time_s: float | None = None
    """Instant of the image, seconds from any origin that all pairs share; without it the order of the pairs counts."""


class ArmRecord(_Record):
    """The nominal model of the arm."""

    dh_mm_deg: Annotated[list[DhRow], Field(min_length=1, max_length=MAX_JOINTS)]
    """Standard Denavit-Hartenberg rows [a, alpha, d, offset], mm and deg, base to flange."""
    prismatic: list[bool] | None = None
    """For each joint whether it slides along z; all are revolute if absent."""

    def to_convention(self) -> JointConvention:
        """How the joints of the pairs are written."""
        prismatic = self.prismatic or [False] * len(self.dh_mm_deg)
        units = tuple("mm" if sliding else "deg" for sliding in prismatic)
        names = tuple(f"joint {k + 1}" for k in range(len(units)))
        return JointConvention(SerialArm.from_rows(self.dh_mm_deg, prismatic), units, names)


class NoiseRecord(_Record):
    """Standard deviation of the arm's poses, per axis."""

    mm: Annotated[float, Field(gt=0)]
    """Standard deviation of a translation, mm."""
    deg: Annotated[float, Field(gt=0)]
    """Standard deviation of a rotation, deg."""
    degrees_of_freedom: Annotated[float, Field(gt=0)] = STATED_NOISE_DOF
    """How well both are known: 3 for a statement good to a factor of 1.5, a very large number for an exact one."""


class GoalRecord(_Record):
    """What the result is for."""

    tolerance_mm: Annotated[float, Field(gt=0)]
    """Largest acceptable upper confidence bound of the p95 of the error."""
    tolerance_of: ToleranceOf = Field(ToleranceOf.PICK, strict=False)
    """`"pick"` or `"transform"`: which error the tolerance is for."""
    pick_pose: PickPose = Field(PickPose.DOWN, strict=False)
    """`"down"` or `"waypoints"`: posture of the tool at a pick."""
    pick_axis: tuple[float, float, float] = (0.0, 0.0, 1.0)
    """Direction of the tool in the flange frame."""
    pick_tool_mm: tuple[float, float, float] | None = None
    """Tip of the tool in the flange frame; the flange itself without it."""
    near_mm: Annotated[float, Field(gt=0)]
    """Nearest distance of the working volume."""
    far_mm: Annotated[float, Field(gt=0)]
    """Farthest distance of the working volume."""

    @property
    def pick(self) -> PickPosture:
        """The pick for which an error is stated."""
        x, y, z = np.array(self.pick_axis) / np.linalg.norm(self.pick_axis)
        tool = self.pick_tool_mm
        tool_m = None if tool is None else (tool[0] / 1e3, tool[1] / 1e3, tool[2] / 1e3)
        return PickPosture(self.pick_pose, (float(x), float(y), float(z)), tool_m)


class ProblemRecord(_Record):
    """A problem file."""

    mount: Mount = Field(strict=False)
    """`"fixed"` or `"arm"`: where the camera is."""
    turns: FlangeRotation = Field(FlangeRotation.FREE, strict=False)
    """`"free"` or `"vertical"`: rotations of the arm."""
    camera: CameraRecord
    """Intrinsics of the lens."""
    board_corners_mm: Annotated[list[tuple[float, float, float]], Field(min_length=4)]
    """Every corner of the board (K x 3), board frame."""
    pairs: list[PairRecord]
    """Pairs in order of capture."""
    arm: ArmRecord | None = None
    """Nominal model of the arm, with which `joints_deg` of the pairs are checked."""
    robot_noise: NoiseRecord | None = None
    """Noise of the arm; estimated from the pairs if absent."""
    board_scale_sigma: Annotated[float, Field(gt=0, le=1)] | None = None
    """Relative standard deviation of the size of the board; 0.2 mm over its longer side if absent."""
    board_bow_sigma_mm: Annotated[float, Field(gt=0)] | None = None
    """Standard deviation of each parameter of the bow of the board, mm; 0.1 % of its longer side if absent."""
    drift_sigma_mm: Annotated[float, Field(ge=0)] | None = None
    """Standard deviation of a displacement by which camera or board may creep during the session, mm; 0: nothing
    creeps. A prior over scales if absent."""
    correlated_error_range_mm: Annotated[float, Field(ge=0)] = CORRELATED_ERROR_RANGE_M * 1e3
    """Range over which the standard deviation of a pose-correlated error of the arm is expected, mm; 0: there is
    none."""
    goal: GoalRecord
    """Tolerance and working volume."""

    def to_problem(self) -> Problem:
        """The problem. Raises InputFault ``lens-model`` if camera matrix or distortion are not those of a camera."""
        noise = self.robot_noise
        return Problem(
            mount=self.mount,
            camera=self.camera.to_camera(),
            board_corners_m=np.array(self.board_corners_mm) / 1e3,
            pairs=tuple(_pair(k, pair) for k, pair in enumerate(self.pairs)),
            volume=WorkingVolume(self.goal.near_mm / 1e3, self.goal.far_mm / 1e3),
            flange_rotation=self.turns,
            pick=self.goal.pick,
            robot_noise=None if noise is None else RobotNoise(noise.mm / 1e3, float(np.deg2rad(noise.deg))),
            robot_noise_dof=STATED_NOISE_DOF if noise is None else noise.degrees_of_freedom,
            joint_convention=None if self.arm is None else self.arm.to_convention(),
            board_scale_sigma=self.board_scale_sigma,
            board_bow_sigma_m=None if self.board_bow_sigma_mm is None else self.board_bow_sigma_mm / 1e3,
            drift_sigma_m=None if self.drift_sigma_mm is None else self.drift_sigma_mm / 1e3,
            correlated_error_range_m=self.correlated_error_range_mm / 1e3,
        )


def read_problem(text: str, file_name: str) -> tuple[Problem, GoalRecord]:
    """The problem in ``text`` and its goal; ``file_name`` is for the message.

    Raises InputFault ``problem-file`` with all faults in ``data["faults"]``, or ``lens-model``.
    """
    try:
        content = parse_json(text, limit_values=False)
    except json.JSONDecodeError as fault:
        raise _invalid_problem_file(file_name, [f"line {fault.lineno}: not JSON: {fault.msg}"]) from None
    except ValueError as fault:
        raise _invalid_problem_file(file_name, [str(fault)]) from None
    try:
        record = ProblemRecord.model_validate(content)
    except ValidationError as fault:
        places = [(".".join(str(part) for part in e["loc"]) or "(file)", e["msg"]) for e in fault.errors()]
        raise _invalid_problem_file(file_name, [f"{place}: {message}" for place, message in places]) from None
    faults = list(_faults_of_meaning(record))
    if faults:
        raise _invalid_problem_file(file_name, faults)
    return record.to_problem(), record.goal


def _faults_of_meaning(record: ProblemRecord) -> Iterator[str]:
    if [len(row) for row in record.camera.matrix] != [3, 3, 3]:
        yield "camera.matrix: must be 3 rows of 3 numbers"
    if record.camera.covariance is not None:
        if record.camera.sigma:
            yield "camera: either sigma or covariance"
        if problem := record.camera.covariance.problem(parameter_names(len(record.camera.distortion))):
            yield f"camera.covariance.{problem}"
    if record.arm is not None:
        count = len(record.arm.dh_mm_deg)
        if record.arm.prismatic is not None and len(record.arm.prismatic) != count:
            yield f"arm.prismatic: {len(record.arm.prismatic)} values for {count} rows"
        for k, pair in enumerate(record.pairs):
            if pair.joints_deg is not None and len(pair.joints_deg) != count:
                yield f"pairs.{k}.joints_deg: {len(pair.joints_deg)} numbers for {count} rows of arm.dh_mm_deg"
    for k, pair in enumerate(record.pairs):
        yield from _pair_faults(k, pair, len(record.board_corners_mm))
    if record.goal.far_mm <= record.goal.near_mm:
        yield "goal: far_mm must be greater than near_mm"
    if not np.linalg.norm(record.goal.pick_axis) > 0:
        yield "goal.pick_axis: must not be zero"


def _pair_faults(k: int, pair: PairRecord, corner_count: int) -> Iterator[str]:
    pose = np.array(pair.base_T_flange)
    if pose[3].tolist() != [0, 0, 0, 1] or se3.orthogonality_error(pose[:3, :3]) > _MAX_ORTHOGONALITY_ERROR:
        yield f"pairs.{k}.base_T_flange: not a rigid transform (rotation off by more than {_MAX_ORTHOGONALITY_ERROR})"
    if len(pair.ids) != len(pair.corners_px):
        yield f"pairs.{k}: {len(pair.ids)} ids but {len(pair.corners_px)} corners"
    if len(set(pair.ids)) != len(pair.ids):
        yield f"pairs.{k}.ids: a corner number appears twice"
    if any(number >= corner_count for number in pair.ids):
        yield f"pairs.{k}.ids: a number is not below {corner_count}, the number of board_corners_mm"


def _pair(k: int, record: PairRecord) -> Pair:
    pose = np.array(record.base_T_flange)
    pose[:3, :3] = se3.nearest_rotation(pose[:3, :3])
    corners_px = np.array(record.corners_px, dtype=float).reshape(-1, 2)
    joints = None if record.joints_deg is None else tuple(record.joints_deg)
    return Pair(k, pose, np.array(record.ids, dtype=np.int64), corners_px, time_s=record.time_s, joints=joints)


def _invalid_problem_file(file_name: str, faults: list[str]) -> InputFault:
    listed = "\n".join(f"  - {fault}" for fault in faults[:_MAX_LISTED_FAULTS])
    return InputFault(
        "problem-file",
        f"{file_name} is not a problem file:\n{listed}",
        "correct these places; the format is described in service/eyebolt/calibration/README.md, 'Problem files'.",
        faults=tuple(faults),
    )
