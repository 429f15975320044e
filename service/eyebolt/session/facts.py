"""Facts: what a session writes to its journal, one class per kind, one JSON object per record.

Results of work (an image stored, a board detected, a solve) and replies are facts. A reply is recorded before it is
sent, so that a restart, the pair counter and a replay cannot disagree with the replies that were sent. Everything shown
about a session is a fold over its facts (``session_log``).

The classes below are the only definition of the format: facts are written and read through them. The journal's header
carries the version of the format. A reader ignores keys and types that it does not know: a later version may add some.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Annotated, Literal, get_args

import numpy as np
from pydantic import AliasChoices, BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from eyebolt.boards import DetectionRecord, NoDetectionRecord
from eyebolt.calibration import (
    AcceptanceStatus,
    NuisancePrior,
    PredictedBoardAndLens,
    PredictiveModel,
    PriorSource,
    RobotNoise,
)
from eyebolt.errors import RecordFault
from eyebolt.geometry import CameraModel, Matrix4, Mount, to_matrix4
from eyebolt.guidance import LivePosesRecord
from eyebolt.observations import CornerField, Measure, View
from eyebolt.planning import NextView, ProgressReport
from eyebolt.protocol import MAX_SEQ, Code, FindingSummary, GapSummary, Request, StepTimes, ToleranceOf

ImageVerb = Literal["capture", "check", "place"]
# Verbs that take an image.
IMAGE_VERBS: tuple[ImageVerb, ...] = get_args(ImageVerb)


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", use_attribute_docstrings=True)


class RequestRef(_Record):
    """The request that a fact belongs to."""

    seq: int
    """Sequence number that the robot gave it; above 999999, that of a request of the operator."""
    line: str
    """Fields of the line as sent, joined by single spaces; those of another line with equal numbers are the same."""

    @property
    def verb(self) -> str:
        """The line's first field."""
        return self.line.split(" ", 1)[0]

    @property
    def is_operators(self) -> bool:
        """The number is one that only a request of the operator has; its ``begin`` has the number 1, as a robot's."""
        return self.seq > MAX_SEQ

    @classmethod
    def of(cls, request: Request) -> RequestRef:
        """The reference to a request as it was parsed."""
        return cls(seq=request.seq or 0, line=request.text)


class FrameInfo(_Record):
    """Where an image came from and when. Instants are monotonic, in nanoseconds: comparable within one boot only."""

    name: str
    """The source's own name of the frame, such as a file name."""
    method: str
    """How freshness was established; see the frame of a camera."""
    received_ns: int
    """When the request's line was received."""
    exposed_ns: int
    """When the exposure began, or the earliest instant at which it can have begun."""
    arrived_ns: int
    """When the daemon had the pixels."""
    source_path: str | None = None
    """Absolute path of the folder or video file that the image is from; null of a live camera."""

    @property
    def exposed_s(self) -> float:
        """``exposed_ns`` in seconds."""
        return self.exposed_ns / 1e9


class BoardAndLensRecord(_Record):
    """Board and lens of a prediction (``PredictedBoardAndLens``)."""

    width: int
    """Image width, pixels."""
    height: int
    """Image height, pixels."""
    matrix: tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]
    """Camera matrix, pixels."""
    distortion: tuple[float, ...]
    """Distortion coefficients."""
    parameters: tuple[str, ...]
    """Names of the parameters of board and lens: ``scale`` (relative), ``bow_x`` (m), ``fx`` (px), ``k1``, ..."""
    root: tuple[tuple[float, ...], ...]
    """One row for each: a square root of the covariance of their prior."""
    estimate: tuple[float, ...]
    """Estimate of the standardised parameters, one for each column of ``root``."""
    field_centre_m: tuple[float, float]
    """Middle of the rectangle about the corners, board frame, metres."""
    field_half_sides_m: tuple[float, float]
    """Half its sides, metres."""
    field_mean: tuple[float, float, float]
    """Means over the corners of the three terms of the bow."""

    @classmethod
    def of(cls, model: PredictedBoardAndLens) -> BoardAndLensRecord:
        """The record of board and lens."""
        return cls(
            width=model.camera.width_px,
            height=model.camera.height_px,
            matrix=model.camera.matrix.tolist(),
            distortion=tuple(model.camera.distortion.tolist()),
            parameters=model.prior.names,
            root=model.prior.root.tolist(),
            estimate=tuple(model.estimate.tolist()),
            field_centre_m=model.prior.corner_field.centre_m.tolist(),
            field_half_sides_m=model.prior.corner_field.half_sides_m.tolist(),
            field_mean=model.prior.corner_field.mean.tolist(),
        )

    def model(self) -> PredictedBoardAndLens:
        """Board and lens."""
        sources = (PriorSource.STATED,) * len(self.parameters)
        field = CornerField(np.array(self.field_centre_m), np.array(self.field_half_sides_m), np.array(self.field_mean))
        return PredictedBoardAndLens(
            CameraModel(self.width, self.height, np.array(self.matrix), np.array(self.distortion)),
            NuisancePrior(self.parameters, np.array(self.root), sources, field),
            np.array(self.estimate),
        )


class PredictionRecord(_Record):
    """What a solution predicts for a further pair (``PredictiveModel``)."""

    mount: Mount
    """Of the camera, as in the station file."""
    X: Matrix4
    """The wanted transform, metres."""
    Y: Matrix4
    """The board's transform, metres."""
    covariance: tuple[tuple[float, ...], ...]
    """Of X, then Y, each (translation m, rotation rad), perturbed on the right, then of board and lens."""
    noise_m: float
    """Standard deviation of the robot's pose noise, translation per axis."""
    noise_rad: float
    """The same, rotation per axis."""
    corner_sigma_px: float
    """Standard deviation of a corner, per coordinate."""
    degrees_of_freedom: float
    """Of the robot noise."""
    board_and_lens: BoardAndLensRecord | None = None
    """Board and lens as estimated; null: as stated."""

    @classmethod
    def of(cls, model: PredictiveModel) -> PredictionRecord:
        """The record of a predictive model."""
        return cls(
            mount=model.mount,
            X=to_matrix4(model.X),
            Y=to_matrix4(model.Y),
            covariance=model.covariance.tolist(),
            noise_m=model.noise.translation_m,
            noise_rad=model.noise.rotation_rad,
            corner_sigma_px=model.corner_sigma_px,
            degrees_of_freedom=model.dof,
            board_and_lens=None if model.board_and_lens is None else BoardAndLensRecord.of(model.board_and_lens),
        )

    def model(self) -> PredictiveModel:
        """The predictive model."""
        return PredictiveModel(
            self.mount,
            np.array(self.X),
            np.array(self.Y),
            np.array(self.covariance),
            RobotNoise(self.noise_m, self.noise_rad),
            self.corner_sigma_px,
            self.degrees_of_freedom,
            None if self.board_and_lens is None else self.board_and_lens.model(),
        )


class SolveBasis(_Record):
    """The captures that a solve rests on."""

    pairs: tuple[int, ...]
    """Capture indices of the pairs that were solved."""
    checks: tuple[int, ...]
    """Capture indices of the pairs that only tested the result."""

    def __contains__(self, index: object) -> bool:
        return index in self.pairs or index in self.checks


class AcceptanceRecord(_Record):
    """Acceptance of a result."""

    status: AcceptanceStatus
    """What may be done with the result."""
    reason: str
    """In one sentence."""


class GuidedRecord(_Record):
    """How a pair of a guided session was chosen, and the poses that the robot streamed before it."""

    image: int
    """Number of the image among those that were followed."""
    predicted_px: float
    """Largest motion of a corner during the exposure as the live poses predict it, px."""
    image_shift_px: float
    """Larger of its motions from the followed image before and to the one after, px."""
    delay_ms: float | None
    """From the middle of an exposure to the arrival of its pose, ms; null while it was not known."""
    delay_half_width_ms: float | None
    """Half the 95 % confidence interval of the delay, ms."""
    live_poses: LivePosesRecord
    """The live poses since the pair before, the newest 2000 of them."""


class SessionFact(_Record):
    """A session was opened; always the first fact."""

    type: Literal["opened"] = "opened"
    """Type of the fact."""
    session: str
    """Name of the session, which is that of its folder."""
    station: str
    """Name of the station."""
    mount: Mount
    """Of the camera, as in the station file."""
    timestamp: str
    """UTC, ISO 8601: when the request that opened it was received."""
    inputs: dict[str, str] = {}
    """SHA-256 digests of the configuration files that the session began with, hexadecimal, by file name."""
    is_guided: bool = False
    """The arm is guided by hand, and pairs are taken by the daemon. False in records of before this key."""


class ImageFact(_Record):
    """An image is on disk."""

    type: Literal["image"] = "image"
    """Type of the fact."""
    index: int
    """Capture index, 0-based; counts images of every verb and is never used twice."""
    verb: ImageVerb
    """What the image was taken for."""
    request: RequestRef
    """The request that it belongs to."""
    timestamp: str
    """UTC, ISO 8601: when the request was received."""
    raw_pose: tuple[float, ...] | None
    """Numbers of the pose as the robot sent them; null for a ``place`` without one."""
    base_T_flange: Matrix4 | None
    """The flange pose, metres (a tool's transform taken off); null for a ``place`` without one."""
    joints: tuple[float, ...] | None = None
    """Numbers after the ``j`` as the robot sent them, one for each of [robot] joint_names; null without a ``j``."""
    file: str
    """Name of the image file."""
    sha256: str
    """Digest of the file, hexadecimal."""
    frame: FrameInfo
    """Where the image came from and when."""
    guided: GuidedRecord | None = None
    """How the pair was chosen; null where a robot or an operator requested it."""


class DetectionFact(_Record):
    """What was found in an image, and what was measured of the view."""

    type: Literal["detection"] = "detection"
    """Type of the fact."""
    index: int
    """Capture index."""
    detection: DetectionRecord | NoDetectionRecord = Field(discriminator="found")
    """The corners, or why there are none."""
    view: View | None
    """Null where nothing was measured."""
    p_value: float | None
    """p-value of the pair under the last solution's prediction; null where no prediction was tested."""


class TimingsFact(_Record):
    """How long the steps of a capture took. What happens after the record is written is not in it."""

    type: Literal["timings"] = "timings"
    """Type of the fact."""
    index: int
    """Capture index."""
    ms: StepTimes
    """Milliseconds of each step; null for a step that did not take place or cannot be timed."""


class TouchFact(_Record):
    """The pointer's tip touched a corner of the placed board. It counts with the reply 0 to the same request."""

    type: Literal["touch"] = "touch"
    """Type of the fact."""
    placed_board: int
    """Capture index of the placed board's image."""
    corner: int
    """Number of the corner."""
    request: RequestRef
    """The request that it belongs to."""
    timestamp: str
    """UTC, ISO 8601: when the request was received."""
    base_T_flange: Matrix4
    """The flange pose, metres."""
    joints: tuple[float, ...] | None = None
    """Numbers after the ``j`` as the robot sent them, as in ``image``; null without a ``j``, and in older records."""


class SolveFact(_Record):
    """A solve ended."""

    type: Literal["solve"] = "solve"
    """Type of the fact."""
    based_on: SolveBasis
    """The captures that the solve rests on."""
    is_background: bool
    """The reply to the newest pair did not wait for this solve and stands before it."""
    kept: int
    """Pairs kept once the request counts."""
    refusal_code: str | None
    """Why nothing was solved; null for a solution."""
    p95_upper_mm: float | None = Field(validation_alias=AliasChoices("p95_upper_mm", "expected_p95_mm"))
    """Upper confidence bound of the p95 of the expected error, which is compared with the tolerance; null if refused.
    In records of before this key `expected_p95_mm`, the p95 itself."""
    tolerance_of: ToleranceOf = ToleranceOf.TRANSFORM
    """Which error that is: a ``pick``'s or the ``transform``'s; the latter in records of before this key."""
    acceptance: AcceptanceRecord
    """What may be done with the result."""
    gap: GapSummary | None = None
    """Why the robot is not given the transform, even once it is accepted; null if it is, and after a refusal."""
    stop_code: Code | None
    """Reply code (32-34, 38) of the finding that stops the robot program; null if none does."""
    pairs_wanted: int
    """Pairs still wanted, estimated; 0 only if the goal is met."""
    goal_met: bool
    """The expected error is within the tolerance, with enough pairs."""
    is_settled: bool = False
    """The goal is met with a tenth of the tolerance to spare, by more than 40 pairs, without a stop or an outlier:
    further inliers are answered 3 at once. False in records of before this key."""
    excluded: tuple[int, ...]
    """Capture indices of pairs that the solve did not use."""
    findings: tuple[FindingSummary, ...] = ()
    """What was found, the gravest first; empty in records of before this key."""
    prediction: PredictionRecord | None
    """For testing the next pair; null if refused."""
    progress: ProgressReport
    """What the pairs cover, and what would help next."""
    duration_ms: float
    """Of the solve."""


class NextViewFact(_Record):
    """A next view was planned; it replaces ``progress.next_view`` of the solve with the same basis."""

    type: Literal["next_view"] = "next_view"
    """Type of the fact."""
    based_on: SolveBasis
    """The captures that the solve rests on."""
    next_view: NextView | None
    """Null where nothing more is wanted."""


class ReplyFact(_Record):
    """The reply to a request; its last fact."""

    type: Literal["reply"] = "reply"
    """Type of the fact."""
    request: RequestRef
    """The request that it belongs to."""
    code: Code
    """Reply code."""
    count: int
    """Pairs kept."""
    aux: int
    """Fourth number of the reply."""
    message: str
    """The reply in words, for the screen."""
    remedy: str
    """What to do, for the screen."""
    measure: Measure | None
    """The measured value that decided, with its limit; null if none did."""
    timestamp: str
    """UTC, ISO 8601: when the request was received."""


Fact = SessionFact | ImageFact | DetectionFact | TimingsFact | TouchFact | SolveFact | NextViewFact | ReplyFact

_FACT: TypeAdapter[Fact] = TypeAdapter(Annotated[Fact, Field(discriminator="type")])


def encode_fact(fact: Fact) -> bytes:
    """A fact as one line of JSON, without a line feed.

    Raises RecordFault ``record-fact`` if a number in it is not finite: JSON has none, and such a result is a defect.
    """
    try:
        text = json.dumps(fact.model_dump(mode="json"), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except ValueError as error:
        message = f"a fact of type '{fact.type}' cannot be written: {error}"
        raise RecordFault("record-fact", message, "this is a defect of the program; report it.") from None
    return text.encode("utf-8")


def decode_facts(records: Iterable[bytes], session: str = "") -> list[Fact]:
    """The facts in a journal's records; those of a type that this version does not know are left out.

    ``session``: the folder that a fault names.

    Raises RecordFault ``record-fact`` for a known type whose content is not as the class describes it.
    """
    facts: list[Fact] = []
    for number, record in enumerate(records, start=1):
        try:
            facts.append(_FACT.validate_json(record))
        except ValidationError as error:
            first = error.errors(include_url=False, include_input=False)[0]
            if first["type"] == "union_tag_invalid":
                continue
            where = ".".join(str(part) for part in first["loc"]) or "the record"
            place = f" in {session}" if session else ""
            message = f"record {number} of the journal{place} cannot be used: {where}: {first['msg']}"
            remedy = "use the version of eyebolt that wrote it, or move the session's folder away; nothing was changed."
            raise RecordFault("record-fact", message, remedy, record=number) from None
    return facts
