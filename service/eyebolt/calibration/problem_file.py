"""Problem files: other people's corners and poses as JSON, read into a ``Problem``.

Keys: ``mount``, ``turns`` ("free"), ``camera`` (``width``, ``height``, ``matrix``, ``distortion``, ``sigma``),
``board_corners_mm`` (K, 3), ``pairs`` [{``base_T_flange`` (4 x 4, m), ``ids``, ``corners_px``}], optional
``robot_noise`` {``mm``, ``deg``}, ``goal`` {``tolerance_mm``, ``near_mm``, ``far_mm``}.
"""

from __future__ import annotations

import json
from typing import Annotated

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from eyebolt.calibration.problem import Problem, RobotNoise, WorkingVolume
from eyebolt.errors import InputFault
from eyebolt.geometry import CameraModel, FlangeRotation, Mount, se3
from eyebolt.observations import Pair

_MAX_ORTHOGONALITY_ERROR = 1e-3

Row4 = tuple[float, float, float, float]


class _StrictModel(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class _Camera(_StrictModel):
    width: int
    height: int
    matrix: list[list[float]]
    distortion: list[float] = []
    sigma: dict[str, float] = {}


class _Pair(_StrictModel):
    base_T_flange: tuple[Row4, Row4, Row4, Row4]
    ids: list[Annotated[int, Field(ge=0)]]
    corners_px: list[tuple[float, float]]


class _Noise(_StrictModel):
    mm: Annotated[float, Field(gt=0)]
    deg: Annotated[float, Field(gt=0)]


class _Goal(_StrictModel):
    tolerance_mm: Annotated[float, Field(gt=0)]
    near_mm: Annotated[float, Field(gt=0)]
    far_mm: Annotated[float, Field(gt=0)]


class _ProblemFile(_StrictModel):
    mount: Mount = Field(strict=False)
    turns: FlangeRotation = Field(FlangeRotation.FREE, strict=False)
    camera: _Camera
    board_corners_mm: Annotated[list[tuple[float, float, float]], Field(min_length=4)]
    pairs: list[_Pair]
    robot_noise: _Noise | None = None
    goal: _Goal


def read_problem(text: str, file_name: str) -> tuple[Problem, float]:
    """The problem in ``text`` and its tolerance in mm. Raises InputFault ``problem-file`` naming all faults at once."""
    try:
        parsed = _ProblemFile.model_validate(json.loads(text))
    except json.JSONDecodeError as fault:
        raise _invalid_problem_file(file_name, [f"line {fault.lineno}: not JSON: {fault.msg}"]) from None
    except RecursionError:
        raise _invalid_problem_file(file_name, ["nested too deeply"]) from None
    except ValidationError as fault:
        places = [(".".join(str(part) for part in e["loc"]) or "(file)", e["msg"]) for e in fault.errors()]
        raise _invalid_problem_file(file_name, [f"{place}: {message}" for place, message in places]) from None
    board = np.array(parsed.board_corners_mm) / 1e3
    faults = [fault for k, pair in enumerate(parsed.pairs) for fault in _pair_faults(k, pair, len(board))]
    if parsed.goal.far_mm <= parsed.goal.near_mm:
        faults.append("goal: far_mm must be greater than near_mm")
    if faults:
        raise _invalid_problem_file(file_name, faults)
    camera = CameraModel(
        parsed.camera.width,
        parsed.camera.height,
        _matrix(parsed.camera.matrix, file_name),
        np.array(parsed.camera.distortion, dtype=float),
        parsed.camera.sigma,
    )
    noise = parsed.robot_noise
    problem = Problem(
        mount=parsed.mount,
        camera=camera,
        board_corners_m=board,
        pairs=tuple(_pair(k, pair) for k, pair in enumerate(parsed.pairs)),
        volume=WorkingVolume(parsed.goal.near_mm / 1e3, parsed.goal.far_mm / 1e3),
        flange_rotation=parsed.turns,
        robot_noise=None if noise is None else RobotNoise(noise.mm / 1e3, float(np.deg2rad(noise.deg))),
    )
    return problem, parsed.goal.tolerance_mm


def _matrix(rows: list[list[float]], file_name: str) -> se3.Array:
    if [len(row) for row in rows] != [3, 3, 3]:
        raise _invalid_problem_file(file_name, ["camera.matrix: must be 3 rows of 3 numbers"])
    return np.array(rows)


def _pair_faults(k: int, pair: _Pair, corner_count: int) -> list[str]:
    faults = []
    pose = np.array(pair.base_T_flange)
    if pose[3].tolist() != [0, 0, 0, 1] or se3.orthogonality_error(pose[:3, :3]) > _MAX_ORTHOGONALITY_ERROR:
        faults.append(
            f"pairs.{k}.base_T_flange: not a rigid transform (rotation off by more than {_MAX_ORTHOGONALITY_ERROR})"
        )
    if len(pair.ids) != len(pair.corners_px):
        faults.append(f"pairs.{k}: {len(pair.ids)} ids but {len(pair.corners_px)} corners")
    if len(set(pair.ids)) != len(pair.ids):
        faults.append(f"pairs.{k}.ids: a corner number appears twice")
    if any(number >= corner_count for number in pair.ids):
        faults.append(f"pairs.{k}.ids: a number is not below {corner_count}, the count of board_corners_mm")
    return faults


def _pair(k: int, pair: _Pair) -> Pair:
    pose = np.array(pair.base_T_flange)
    pose[:3, :3] = se3.nearest_rotation(pose[:3, :3])
    return Pair(k, pose, np.array(pair.ids, dtype=np.int64), np.array(pair.corners_px, dtype=float).reshape(-1, 2))


def _invalid_problem_file(file_name: str, faults: list[str]) -> InputFault:
    listed = "\n".join(f"  - {fault}" for fault in faults[:40])
    return InputFault(
        "problem-file",
        f"{file_name} is not a problem file:\n{listed}",
        "correct the places named; the form is described in DEVELOPERS.md, 'Problem files'.",
        faults=tuple(faults),
    )
