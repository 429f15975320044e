"""The result document (``result.json``): transform, uncertainty, evidence and acceptance of one solve.

``ResultDocument`` is the only definition of the format: written, read, summarized, drawn and compared through it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from eyebolt import __version__
from eyebolt.bounded_text import parse_json
from eyebolt.calibration import (
    AcceptanceStatus,
    ErrorMap,
    HeldOutError,
    PriorSource,
    Refusal,
    ResultAcceptance,
    ResultFormat,
    Severity,
    Solution,
    TouchCheck,
)
from eyebolt.config import BoardSection
from eyebolt.errors import InputFault
from eyebolt.geometry import Array, CameraModel, Matrix4, Mount, PoseFormat, Row4, se3, to_matrix4
from eyebolt.observations import Dataset
from eyebolt.planning import Coverage
from eyebolt.protocol import GapSummary, ToleranceOf
from eyebolt.session import PredictionRecord

RESULT_SCHEMA: Literal[2] = 2
# Rotation matrices are written at full precision; a larger deviation comes from an edited file.
_MAX_ORTHOGONALITY_ERROR = 1e-6


def _finite_or_none(value: object) -> object:
    """JSON has no infinity and no NaN."""
    return None if isinstance(value, float) and not math.isfinite(value) else value


FiniteOrNull = Annotated[float | None, BeforeValidator(_finite_or_none)]
Row3 = tuple[float, float, float]
Row6 = tuple[float, float, float, float, float, float]
Numbers = tuple[float, ...]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, from_attributes=True)


class RobotPose(_Part):
    """A transform as the robot writes a pose."""

    length: str
    """Unit of the translation."""
    rotation: str
    """Rotation convention."""
    angle: str
    """Unit of the angles."""
    values: tuple[float | None, ...]
    """Translation, then rotation, in the units above; null for a value that nothing determines."""
    sigma: tuple[float | None, ...] | None = None
    """Standard deviation of each value; null for a value that the pairs do not determine, and for the board's pose."""

    @property
    def pose_format(self) -> PoseFormat:
        """The format of ``values``."""
        return PoseFormat(self.length, self.rotation, self.angle)


class Transform(_Part):
    """A rigid transform in several representations: for programs, for people and for the robot."""

    name: str
    """``base_T_camera`` (maps points of the camera frame to the base frame) or another of that form."""
    matrix_m: Matrix4
    """Homogeneous matrix (4, 4), translation in metres; `matrix` in results of schema 1."""
    translation_mm: tuple[float | None, float | None, float | None]
    """Translation, mm; null for a value that nothing determines (0 in ``matrix_m``)."""
    quaternion_wxyz: Row4
    """Rotation as a unit quaternion, scalar first."""
    robot_pose: RobotPose | None
    """The transform in the format of the reply to `result`; null if that format cannot hold it."""

    def to_array(self) -> Array:
        """The matrix (4, 4), metres."""
        return np.array(self.matrix_m)


class ExpectedError(_Part):
    """Expected error pooled over the posterior and the working volume, mm."""

    median: float
    """Median, mm."""
    p95: float
    """95th percentile, mm."""
    worst_p95: float
    """95th percentile at the worst point of the working volume, mm."""
    p95_upper: float | None = None
    """Upper bound, at 95 % confidence, of the 95th percentile over the working volume, mm: what is compared with the
    tolerance; null in results of before this key."""

    @property
    def upper_in_words(self) -> str:
        """What follows the p95 in a sentence; empty where the bound is unknown."""
        return "" if self.p95_upper is None else f" (at 95 % confidence at most {self.p95_upper:.3f} mm)"


class Contributions(_Part):
    """RMS of the expected error over the working volume by source, mm; their squares add up to the whole."""

    arm: float
    """Noise of the poses, mm."""
    corners: float
    """Noise of the corners, mm."""
    lens: float
    """What stays uncertain of the lens, mm."""
    board: float
    """What stays uncertain of the board, mm."""
    touch: float
    """Touches that determined the height of a vertical arm, mm; else 0."""


class ErrorMapGrid(_Part):
    """Expected error on a grid of image points at several distances."""

    u_px: Numbers
    """Columns, image x, px."""
    v_px: Numbers
    """Rows, image y, px."""
    distance_mm: Numbers
    """Distances along the optical axis, mm."""
    p95_mm: tuple[tuple[tuple[FiniteOrNull, ...], ...], ...]
    """95th percentile of the error by distance, row and column, mm; null where the lens has no ray for the pixel."""


class Residuals(_Part):
    """Differences between prediction and measurement of data that took no part in the solve; null if there are none."""

    count: int = 0
    """Number of pairs, or of touched corners."""
    rms_mm: float | None = None
    """RMS displacement of the board's corners, mm."""
    worst_mm: float | None = None
    """Largest displacement, mm."""
    reduced_chi2: float | None = None
    """Squared error over its prediction per degree of freedom; 1 is as predicted."""


class HeightEvidence(_Part):
    """What determined the height of an arm that rotates about the vertical only."""

    determined_by: str | None
    """``board_height_mm`` or ``touch``; null if nothing did."""
    mm: float | None
    """Height of the origin of the transform along the vertical, mm."""
    sigma_mm: float | None
    """Standard deviation of the height, mm."""


class RobotNoiseRecord(_Part):
    """Repeatability of the reported poses, per axis."""

    mm: float
    """Standard deviation of a translation, mm."""
    deg: float
    """Standard deviation of a rotation, deg."""
    is_stated: bool
    """Whether the noise is stated in the station file rather than estimated."""


class Deviation(_Part):
    """Estimated deviation of a parameter of board or lens from its stated value, prior and pairs combined."""

    deviation: float
    """Relative for scale and focal length, in the parameter's unit otherwise."""
    sigma: float
    """Standard deviation of ``deviation``."""
    prior_sigma: float
    """Standard deviation before the pairs, in the same unit."""
    prior_source: PriorSource
    """Where ``prior_sigma`` comes from: ``stated``, ``default``, or ``widened`` because the pairs contradict it."""


class Bow(_Part):
    """Bow of the board: a second-order surface over the rectangle about its corners, along the board's z axis."""

    x: Deviation
    """How far the ends of the middle line along x stand above the middle, mm."""
    xy: Deviation
    """How far a twist lifts the ends of one diagonal, mm."""
    y: Deviation
    """How far the ends of the middle line along y stand above the middle, mm."""
    flatness_mm: float
    """Distance between the two planes parallel to the board that hold all corners, mm."""
    flatness_sigma_mm: float
    """Standard deviation of ``flatness_mm``."""
    effect_mm: float
    """How far the bow moves the result, RMS over the working volume, mm."""
    p_value: float
    """Probability that a flat board shows a bow as clear."""


class Lens(_Part):
    """A lens in the form of a lens file."""

    width: int
    """Image width, px."""
    height: int
    """Image height, px."""
    matrix: tuple[Row3, Row3, Row3]
    """Camera matrix, px."""
    distortion: Numbers
    """Distortion coefficients."""
    sigma: Mapping[str, float]
    """Standard deviations of the parameters."""

    @classmethod
    def of(cls, model: CameraModel) -> Lens:
        """The lens of ``model``."""
        return cls(
            width=model.width_px,
            height=model.height_px,
            matrix=model.matrix.tolist(),
            distortion=model.distortion.tolist(),
            sigma=model.sigma,
        )


class ExcludedPairRecord(_Part):
    """A pair that was left out of the solve."""

    pair: int
    """0-based capture index."""
    reason: str
    """Why the pair was left out."""


class Pairs(_Part):
    """Which pairs the solution rests on."""

    used: int
    """Number of pairs in the solution; after a refusal, number of usable pairs."""
    excluded: tuple[ExcludedPairRecord, ...]
    """Pairs left out."""


class FindingRecord(_Part):
    """A fault or limitation found from the data, or the reason of a refusal."""

    code: str
    """What was found; see the table of findings."""
    severity: Severity
    """How serious it is."""
    message: str
    """The finding in one sentence."""
    evidence: Mapping[str, FiniteOrNull]
    """The numbers behind the finding; null for one without a finite value."""
    remedy: str
    """What to do about it."""


class AcceptedBy(_Part):
    """Who took the result into use."""

    by: str
    """Name of the person, or the station's rule."""
    timestamp: str
    """Time of acceptance, UTC, ISO 8601."""


class Basis(_Part):
    """What a solve rests on; compared with the record before the result is accepted."""

    pairs: tuple[int, ...]
    """Capture indices of the pairs that were solved, those that were then left out included."""
    checks: tuple[int, ...]
    """Capture indices of the check pairs."""
    touches: int
    """Number of touched corners."""

    @classmethod
    def of(cls, dataset: Dataset) -> Basis:
        """The basis of a solve of ``dataset``."""
        return cls(
            pairs=tuple(pair.index for pair in dataset.pairs),
            checks=tuple(pair.index for pair in dataset.checks),
            touches=sum(len(board.touches) for board in dataset.placed_boards),
        )


class Setup(_Part):
    """Lens and board as stated when the result was solved."""

    lens: Lens
    """The lens."""
    board: Mapping[str, str | int | float]
    """The board, as the station file describes it."""

    @classmethod
    def of(cls, lens: CameraModel, board: BoardSection) -> Setup:
        """The setup of a station."""
        return cls(lens=Lens.of(lens), board=board.model_dump(mode="json", exclude_none=True))


@dataclass(frozen=True)
class Provenance:
    """Origin of a result."""

    station: str
    """Name of the station; empty for a problem file."""
    session: str
    """Name of the session, or path of the problem file."""
    mount: Mount
    """Mount of the camera."""
    result_format: ResultFormat
    """How the robot is given the transform."""
    inputs: Mapping[str, str]
    """SHA-256 digests of the input files, by name."""
    timestamp: str
    """Time of the solve, UTC, ISO 8601."""
    setup: Setup | None = None
    """Lens and board as stated; None for a problem file."""
    based_on: Basis | None = None
    """What the solve rests on; None for a problem file."""
    tolerance_of: ToleranceOf = ToleranceOf.PICK
    """Which error the tolerance is for; the tolerance itself is in ``result_format``."""


class ResultDocument(_Part):
    """One result; the keys that a refusal cannot fill are null."""

    schema_version: Literal[2] = Field(default=RESULT_SCHEMA, alias="schema")
    """Version of these keys."""
    station: str
    """Name of the station; empty for a problem file."""
    session: str
    """Name of the session, or path of the problem file."""
    timestamp: str
    """Time of the solve, UTC, ISO 8601."""
    mount: Mount
    """Camera ``fixed`` in the cell or on the ``arm``."""
    transform: Transform | None
    """The camera: ``base_T_camera`` or ``flange_T_camera``."""
    board_transform: Transform | None
    """The board: ``flange_T_board`` or ``base_T_board``."""
    unobservable: tuple[str, ...]
    """Directions that the pairs do not determine."""
    incomplete: GapSummary | None = None
    """Why `result` answers 36 even once the result is accepted; null if the transform is complete."""
    tolerance_mm: float | None = None
    """Tolerance of the job, mm; null in results of before this key."""
    tolerance_of: ToleranceOf | None = None
    """The error whose ``p95_upper`` was compared with it: that of a ``pick`` or of the ``transform``; null as above."""
    expected_error_mm: ExpectedError | None
    """Expected error of the transform over the working volume; null while a direction is unobservable."""
    error_contributions_mm: Contributions | None
    """Where the expected error comes from; null while a direction is unobservable."""
    error_map: ErrorMapGrid | None
    """Expected error by image point and distance; null while a direction is unobservable."""
    expected_pick_error_mm: ExpectedError | None
    """Expected error of a pick as the station file states it, with the arm's own errors; null while a direction is
    unobservable."""
    remaining_pick_error_mm: float | None = None
    """p95 of that error which no further pairs reduce, mm; null as above."""
    covariance: tuple[Row6, ...] | None
    """Covariance (6, 6) of the transform, perturbed on the right: translation, rotation; m and rad; null while a
    direction is unobservable."""
    cross_validation: Residuals
    """Leave-one-out cross-validation over the pairs used."""
    checks: Residuals
    """Residuals of the check pairs."""
    touches: Residuals
    """Residuals of the touched corners."""
    prediction: PredictionRecord | None = None
    """What the solution predicts for a further view, by which it is proven while it is in use; null in results of
    before this key and while a direction is unobservable."""
    height: HeightEvidence | None
    """Height of the transform; null for an arm that rotates freely."""
    corner_rms_px: float | None
    """RMS residual of the detected corners, px."""
    robot_noise: RobotNoiseRecord | None
    """Repeatability of the reported poses."""
    board_scale: Deviation | None
    """Deviation of the board's scale, relative."""
    focal_length: Deviation | None
    """Deviation of the focal length, relative."""
    board_bow: Bow | None
    """Bow of the board."""
    lens: Mapping[str, Deviation] | None
    """Deviation of each lens parameter that was estimated with the transform."""
    refined_lens: Lens | None = None
    """Lens estimated jointly with the transform (``--refine-lens``); else null."""
    pairs: Pairs
    """Pairs used and left out."""
    findings: tuple[FindingRecord, ...]
    """Findings, most severe first."""
    coverage: Coverage | None
    """Coverage by the pairs used."""
    acceptance: AcceptanceStatus
    """Assessment: ``accept``, ``unproven`` or ``reject``."""
    reason: str
    """Reason of the acceptance, one sentence."""
    accepted: AcceptedBy | None = None
    """Who accepted the result; null until then."""
    based_on: Basis | None = None
    """What the solve rests on; null for a problem file."""
    setup: Setup | None = None
    """Lens and board as stated; null for a problem file."""
    inputs: Mapping[str, str]
    """SHA-256 digests of the input files."""
    software: str
    """Program and version."""

    @classmethod
    def of(
        cls,
        provenance: Provenance,
        outcome: Solution | Refusal,
        acceptance: ResultAcceptance,
        coverage: Coverage | None = None,
        refined_lens: CameraModel | None = None,
    ) -> ResultDocument:
        """The document of one solve. ``coverage`` and ``refined_lens`` apply to a solution only."""
        return cls.model_validate(
            {
                "station": provenance.station,
                "session": provenance.session,
                "timestamp": provenance.timestamp,
                "mount": provenance.mount,
                "tolerance_mm": provenance.result_format.tolerance_mm,
                "tolerance_of": provenance.tolerance_of,
                **(
                    _refusal_fields(outcome)
                    if isinstance(outcome, Refusal)
                    else _solution_fields(outcome, provenance.result_format)
                ),
                "refined_lens": None if refined_lens is None else Lens.of(refined_lens),
                "coverage": coverage,
                "acceptance": acceptance.status,
                "reason": acceptance.reason,
                "based_on": provenance.based_on,
                "setup": provenance.setup,
                "inputs": dict(provenance.inputs),
                "software": f"eyebolt {__version__}",
            }
        )

    @classmethod
    def from_text(cls, text: str) -> ResultDocument:
        """The document in the text of a file. Raises InputFault ``result-file`` if it is not one, or not rigid."""
        try:
            content = parse_json(text)
        except json.JSONDecodeError:
            raise _result_fault("it is not JSON") from None
        except ValueError as error:
            raise _result_fault(f"it has {error}") from None
        if not isinstance(content, dict) or content.get("schema") not in (1, RESULT_SCHEMA):
            raise _result_fault(f"its schema is neither 1 nor {RESULT_SCHEMA}")
        if content["schema"] == 1:
            content = _from_schema_1(content)
        try:
            document = cls.model_validate(content)
        except ValidationError as fault:
            first = fault.errors(include_url=False, include_input=False)[0]
            raise _result_fault(f"{'.'.join(map(str, first['loc']))}: {first['msg']}") from None
        if document.transform is not None:
            _require_rigid(document.transform.to_array())
        return document

    def to_text(self) -> str:
        """The text of the file. Raises ValueError for a number that JSON cannot hold."""
        return json.dumps(self.to_json(), indent=1, allow_nan=False) + "\n"

    def to_json(self) -> dict[str, object]:
        """The document as plain JSON values."""
        return self.model_dump(mode="json", by_alias=True)

    def has_transform_of(self, other: ResultDocument) -> bool:
        """Whether ``other`` is of the same session and gives the robot the same, to the last digit."""
        if self.transform is None or other.transform is None or self.session != other.session:
            return False
        same_numbers = self.transform.matrix_m == other.transform.matrix_m
        return same_numbers and self.unobservable == other.unobservable and self.setup == other.setup

    def accepted_as(self, other: ResultDocument) -> ResultDocument:
        """The document with the acceptance of ``other``, which has its transform."""
        return self.model_copy(update={"accepted": other.accepted})

    def accept(self, by: str, timestamp: str) -> ResultDocument:
        """The document as accepted by a person or by the station's rule.

        Raises InputFault ``not-acceptable`` without a transform or for a rejected result.
        """
        if self.transform is None or self.acceptance is AcceptanceStatus.REJECT:
            raise InputFault(
                "not-acceptable",
                f"the result of this session is rejected: {self.reason}",
                "capture more or better pairs to remove this cause; a rejected result cannot be accepted.",
            )
        return self.model_copy(update={"accepted": AcceptedBy(by=by, timestamp=timestamp)})


def _solution_fields(solution: Solution, result_format: ResultFormat) -> dict[str, object]:
    gap, mount = result_format.find_gap(solution.X, solution.unobservable), solution.mount
    return {
        "transform": _transform(mount.transform_name, solution, solution.X, result_format, solution.covariance),
        "board_transform": _transform(mount.board_transform_name, solution, solution.Y, result_format, None),
        "unobservable": solution.unobservable,
        "incomplete": None if gap is None else GapSummary(message=gap.message, remedy=gap.remedy),
        **_error_fields(solution),
        "cross_validation": _residuals(solution.held_out),
        "checks": _residuals(solution.checks),
        "touches": _residuals(solution.touches),
        "height": None if solution.height is None else HeightEvidence.model_validate(solution.height),
        "corner_rms_px": solution.corner_rms_px,
        "robot_noise": RobotNoiseRecord(
            mm=solution.robot_noise_mm, deg=solution.robot_noise_deg, is_stated=solution.robot_noise_stated
        ),
        "board_scale": Deviation.model_validate(solution.board_scale),
        "focal_length": Deviation.model_validate(solution.focal_length),
        "board_bow": Bow.model_validate(solution.board_bow),
        "lens": {name: Deviation.model_validate(deviation) for name, deviation in solution.lens.items()},
        "pairs": Pairs.model_validate({"used": solution.pairs_used, "excluded": solution.excluded}),
        "findings": [FindingRecord.model_validate(f) for f in solution.findings],
    }


_ERROR_FIELDS = (
    "prediction",
    "expected_error_mm",
    "error_contributions_mm",
    "error_map",
    "expected_pick_error_mm",
    "remaining_pick_error_mm",
    "covariance",
)


def _error_fields(solution: Solution) -> dict[str, object]:
    """The stated errors: none while a direction is unobservable, since none of them would include it."""
    if solution.unobservable:
        return dict.fromkeys(_ERROR_FIELDS)
    return {
        "expected_error_mm": ExpectedError.model_validate(solution.expected_error_mm),
        "error_contributions_mm": Contributions.model_validate(solution.error_contributions_mm),
        "error_map": _error_map(solution.error_map),
        "expected_pick_error_mm": ExpectedError.model_validate(solution.expected_pick_error_mm),
        "remaining_pick_error_mm": solution.remaining_pick_error_mm,
        "covariance": solution.covariance.tolist(),
        "prediction": None if solution.prediction is None else PredictionRecord.of(solution.prediction),
    }


_NULL_AFTER_REFUSAL = (
    "prediction",
    "transform",
    "board_transform",
    "incomplete",
    "expected_error_mm",
    "error_contributions_mm",
    "error_map",
    "expected_pick_error_mm",
    "remaining_pick_error_mm",
    "covariance",
    "height",
    "corner_rms_px",
    "robot_noise",
    "board_scale",
    "focal_length",
    "board_bow",
    "lens",
)


def _refusal_fields(refusal: Refusal) -> dict[str, object]:
    reason = FindingRecord(
        code=refusal.code, severity=Severity.STOP, message=refusal.message, evidence={}, remedy=refusal.remedy
    )
    return {
        **dict.fromkeys(_NULL_AFTER_REFUSAL),
        "unobservable": refusal.unobservable,
        **{key: Residuals() for key in ("cross_validation", "checks", "touches")},
        "pairs": Pairs.model_validate({"used": refusal.pairs_used, "excluded": refusal.excluded}),
        "findings": [*(FindingRecord.model_validate(f) for f in refusal.findings), reason],
    }


def _transform(
    name: str, solution: Solution, target_T_source: Array, result_format: ResultFormat, covariance: Array | None
) -> Transform:
    """X or Y of ``solution``; ``covariance`` (6, 6) of it, if known."""
    translation_mm: list[float | None] = [float(v) * 1e3 for v in target_T_source[:3, 3]]
    return Transform(
        name=name,
        matrix_m=to_matrix4(target_T_source),
        translation_mm=_without_unobservable(translation_mm, solution),
        quaternion_wxyz=se3.quaternion_wxyz(target_T_source[:3, :3]).tolist(),
        robot_pose=_robot_pose(solution, target_T_source, result_format, covariance),
    )


def _robot_pose(
    solution: Solution, target_T_source: Array, result_format: ResultFormat, covariance: Array | None
) -> RobotPose | None:
    """The same as the robot writes a pose; None if the format cannot hold it."""
    if not result_format.can_hold(target_T_source):
        return None
    pose_format, sigma = result_format.pose_format, None
    if covariance is not None:
        sigma = _without_unobservable([*pose_format.field_sigmas(target_T_source, covariance)], solution)
    return RobotPose(
        length=pose_format.length,
        rotation=pose_format.rotation,
        angle=pose_format.angle,
        values=_without_unobservable([*pose_format.to_fields(target_T_source)], solution),
        sigma=sigma,
    )


def _without_unobservable(numbers: list[float | None], solution: Solution) -> tuple[float | None, ...]:
    """The numbers of a pose, translation first, with None for one that nothing determines."""
    if solution.unobservable:
        # A solution lacks at most the height, and only for an arm that rotates about the vertical alone; any other
        # unobservable direction is a refusal. The vertical of such an arm is z of base and flange alike, so the height
        # is the third number of the pose.
        numbers[2] = None
    return tuple(numbers)


def _error_map(error_map: ErrorMap) -> ErrorMapGrid:
    return ErrorMapGrid(
        u_px=error_map.u_px.tolist(),
        v_px=error_map.v_px.tolist(),
        distance_mm=(error_map.distance_m * 1e3).tolist(),
        # A tenth of a micrometre is far below the uncertainty of these numbers and keeps the file short.
        p95_mm=error_map.p95_mm.round(4).tolist(),
    )


def _residuals(measured: HeldOutError | TouchCheck | None) -> Residuals:
    return Residuals() if measured is None else Residuals.model_validate(measured)


def _require_rigid(target_T_source: Array) -> None:
    is_rigid = (
        np.isfinite(target_T_source).all()
        and se3.orthogonality_error(target_T_source[:3, :3]) <= _MAX_ORTHOGONALITY_ERROR
        and np.array_equal(target_T_source[3], [0.0, 0.0, 0.0, 1.0])
    )
    if not is_rigid:
        raise _result_fault("its transform is not rigid")


def _from_schema_1(content: Mapping[str, object]) -> dict[str, object]:
    """The content with the keys of schema 2: the matrix of a transform had no unit in its name."""
    renamed = dict(content) | {"schema": RESULT_SCHEMA}
    for key in ("transform", "board_transform"):
        transform = content.get(key)
        if isinstance(transform, dict) and "matrix" in transform:
            renamed[key] = {"matrix_m" if name == "matrix" else name: value for name, value in transform.items()}
    return renamed


def _result_fault(detail: str) -> InputFault:
    return InputFault(
        "result-file",
        f"this is not a result file: {detail}",
        "solve the session again: start the daemon and send solve.",
    )
