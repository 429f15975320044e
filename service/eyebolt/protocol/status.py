"""The status message, which the daemon publishes over ZeroMQ: one definition for publisher and subscribers.

A message has two parts: the topic ``status`` and one JSON object, ``StatusMessage``. Lengths are in millimetres. Keys
that a reader does not know are ignored; any other change of the keys changes ``schema``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from eyebolt.geometry import Mount
from eyebolt.protocol.codes import Code

STATUS_TOPIC = b"status"
STATUS_SCHEMA: Literal[1] = 1


def _without_surrogates(value: object) -> object:
    """Names of files that are no UTF-8 reach a message as lone surrogates, which JSON text cannot carry."""
    return value.encode("utf-8", "replace").decode("utf-8") if isinstance(value, str) else value


def _finite_or_none(value: object) -> object:
    """JSON has no infinity and no NaN; a number that is not finite is reported as unknown."""
    return None if isinstance(value, float) and not math.isfinite(value) else value


Text = Annotated[str, BeforeValidator(_without_surrogates)]
Count = Annotated[int, Field(ge=0)]
OptionalNumber = Annotated[float | None, BeforeValidator(_finite_or_none)]


class Phase(StrEnum):
    """Phase of a session."""

    IDLE = "idle"
    """No session yet."""
    OPEN = "open"
    """Waits for the robot's next request."""
    WORKING = "working"
    """A request is in progress."""
    GOAL_MET = "goal-met"
    """The expected error is within the tolerance, with enough pairs."""
    STOPPED = "stopped"
    """The newest reply was a stop (code 30 to 39), recorded or not."""
    CLOSED = "closed"
    """The session was ended with ``bye``."""


class GuidancePhase(StrEnum):
    """What guided capture is doing, and so what the operator is to do."""

    NO_POSES = "no-poses"
    """The robot streams no poses."""
    NO_IMAGES = "no-images"
    """The camera delivers no images."""
    BOARD_NOT_IN_VIEW = "board-not-in-view"
    """The board is not found in the newest image."""
    MOVE_ON = "move-on"
    """The arm is to be guided to a new place."""
    HOLD_STILL = "hold-still"
    """The place is new: the arm is to be held still until the pair is taken."""
    TAKING = "taking"
    """A pair is being taken; the arm may move on already."""
    PLACE_TAKEN = "place-taken"
    """The arm is at rest where a pair was taken already."""
    FINISHED = "finished"
    """No further pair is taken: the goal is met, or the session is stopped or closed."""


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True)


class LinkStatus(_Part):
    """Connection to the robot or the camera."""

    is_connected: bool
    """Whether it answers or delivers now."""
    message: Text = ""
    """One line about it."""
    remedy: Text = ""
    """What to do about it, where more is known than to check power and cable."""


class GuidanceStatus(_Part):
    """Guided capture: what it sees of the arm, and what the operator is to do."""

    phase: GuidancePhase
    """What the operator is to do."""
    poses_per_s: float
    """Rate of the robot's live poses, per second; 0 without."""
    images_per_s: float
    """Rate at which images are searched for the board, per second."""
    delay_ms: OptionalNumber = None
    """From the middle of an exposure to the arrival of the pose of that instant, estimated from the motion; null while
    it is not known."""
    delay_half_width_ms: OptionalNumber = None
    """Half the 95 % confidence interval of the delay."""
    message: Text = ""
    """Reason of the phase, for the operator; may be empty."""


class MeasuredValue(_Part):
    """The measurement that decided a reply."""

    quantity: Text
    """Measured quantity."""
    value: OptionalNumber
    """Measured value, in ``unit``."""
    limit: OptionalNumber
    """Its limit, in ``unit``."""
    unit: Text
    """Unit of both; empty for ratios."""
    source: Text
    """Source of the limit."""


class RequestStatus(_Part):
    """The request in progress."""

    seq: int
    """Sequence number."""
    verb: Text
    """Its verb."""
    pose: tuple[float, ...] | None
    """The numbers of its pose as the robot sent them; null where it has none."""


class LastReply(_Part):
    """The newest reply to the robot that decides anything: a recorded one, or a failure that is not on record.

    ``hello``, ``status``, ``again`` and ``result`` that succeed are left out: they would hide the reply before.
    """

    seq: int
    """Sequence number of the request; 0 where the line had none."""
    verb: Text = ""
    """Its verb; empty for a failure that is not on record."""
    code: Code
    """Reply code."""
    message: Text
    """Reason, for the operator."""
    remedy: Text
    """Remedy, for the operator; may be empty."""
    measure: MeasuredValue | None = None
    """The measurement that decided, if one did."""
    is_recorded: bool = True
    """False: nothing of the request counts (31, 40 to 47, and 36 to ``result``)."""
    ended_stop: Code | None = None
    """The stop before this reply whose cause is over with it; null if there is none."""


class StepTimes(_Part):
    """Durations of the steps of the newest capture, ms; null for a step that did not take place or cannot be timed."""

    wait: OptionalNumber = None
    """From the request to the start of the exposure."""
    exposure: OptionalNumber = None
    """Exposure, if the station file states it."""
    transfer: OptionalNumber = None
    """From the end of the exposure to the arrival of the image."""
    detect: OptionalNumber = None
    """Board detection."""
    view_check: OptionalNumber = None
    """Measurement of the view quality."""
    disk: OptionalNumber = None
    """Writing of image and facts."""
    solve: OptionalNumber = None
    """Solve, if the reply waited for it."""


class KeptView(_Part):
    """Where the board was in the image of a kept pair, and how it stood to the camera."""

    outline: tuple[tuple[float, float], ...]
    """Outermost corners that were seen, clockwise: x and y as fractions of the image's width and height."""
    tilt_deg: OptionalNumber = None
    """Angle between the board's normal and the line of sight to its centre, deg."""
    tilt_direction_deg: OptionalNumber = None
    """Direction in the image in which its face is turned, clockwise from the image's right, deg."""
    distance_mm: OptionalNumber = None
    """Distance of its centre from the camera, mm."""
    is_used: bool = True
    """False: the newest solve left the pair out."""


class CoverageStatus(_Part):
    """Coverage of rotations, distances and image by the kept pairs."""

    rotation_range_deg: tuple[float, float, float]
    """Largest rotation between two views about the camera's x, y and z axes, deg."""
    near_mm: float
    """Smallest distance of the board centre from the camera, mm."""
    far_mm: float
    """Largest distance of the board centre from the camera, mm."""
    image_coverage: float
    """Share of the image's 4 x 4 cells with a corner in them, 0 to 1."""
    weakest_direction: Text
    """Least certain direction of the transform."""
    weakest_sigma_mm: OptionalNumber
    """Standard deviation in that direction at the middle of the working distance, mm."""


class NextViewStatus(_Part):
    """The view that would reduce the expected error most."""

    message: Text
    """How to move the board or the camera."""
    p95_upper_mm: OptionalNumber = None
    """Upper confidence bound of the p95 with that view added, mm."""
    pose: tuple[float, ...] | None = None
    """Suggested pose in the robot's own format; null where no view is suggested."""


class ProgressStatus(_Part):
    """Coverage by the kept pairs, and the next view."""

    message: Text
    """Coverage in one sentence, or why there is no solution yet."""
    coverage: CoverageStatus | None = None
    """Null without a solution."""
    next_view: NextViewStatus | None = None
    """Null while it is being computed, and where nothing more is needed."""
    error_sources: Text = ""
    """Where the expected error comes from: RMS by arm, corners, lens and board, mm."""


class ToleranceOf(StrEnum):
    """The error that is compared with the tolerance. The value is that of the station file."""

    PICK = "pick"
    """That of a pick: transform and arm together."""
    TRANSFORM = "transform"
    """That of the transform alone, as if the arm moved exactly."""

    @property
    def description(self) -> str:
        """For an operator: completes "the expected error of"."""
        return "a pick" if self is ToleranceOf.PICK else "the transform alone"


class AcceptanceStatus(StrEnum):
    """What may be done with a result."""

    ACCEPT = "accept"
    """Within the tolerance, and confirmed by the data: it may be used."""
    UNPROVEN = "unproven"
    """Within the tolerance if everything stated is true, which the data do not confirm: a person may accept it."""
    REJECT = "reject"
    """Not usable: it cannot be accepted."""


class AcceptanceSummary(_Part):
    """Assessment of the newest solution."""

    status: AcceptanceStatus
    """``accept``, ``unproven`` or ``reject``."""
    reason: Text
    """Its reason, one sentence."""


class Severity(StrEnum):
    """How much a finding matters, the most severe first."""

    STOP = "stop"
    """The result is refused or wrong, and further waypoints of the same kind do not help."""
    WARN = "warn"
    """The result stands, but something in the cell or in the data needs attention."""
    NOTE = "note"
    """Nothing is wrong: what dominates the error, or what the result depends on."""


class FindingSummary(_Part):
    """A finding of a solve, without its evidence."""

    code: Text
    """What was found; see the table of findings."""
    severity: Severity
    """How serious it is."""
    message: Text
    """The finding in one sentence, without a full stop."""
    remedy: Text
    """What to do about it."""


class GapSummary(_Part):
    """Why the robot is not given a transform: `result` answers 36."""

    message: Text
    """What is missing or differs, one sentence."""
    remedy: Text
    """How to mend it."""


class AcceptedResultStatus(_Part):
    """The result that the station uses."""

    session: Text
    """Name of its session."""
    by: Text
    """Who accepted it."""
    gap: GapSummary | None = None
    """Why the robot is not given it; null if it is."""


class ResultStatus(_Part):
    """The newest solution."""

    acceptance: AcceptanceSummary
    """Its assessment."""
    p95_upper_mm: OptionalNumber
    """Upper confidence bound of the p95 of what ``tolerance_of`` names, mm; without a direction that ``gap`` names."""
    used: Count
    """Pairs that the solution rests on."""
    excluded: Count
    """Pairs that were left out of it."""
    gap: GapSummary | None = None
    """Why the robot is not given this solution, even once it is accepted; null if it is."""


class LiveProof(_Part):
    """Where the result in use puts the board, against where the camera sees it, at views with the arm at rest.

    Views are the places of the last time at which the arm stood still, or the newest checks; one place counts once.
    """

    time_s: float
    """When the newest of them was exposed: Unix time, s."""
    distance_px: float
    """RMS distance of the board's corners in the newest view, px of the camera."""
    distance_mm: float
    """The same at the board, RMS over its corners in space, mm."""
    p95_px: float
    """95th percentile of ``distance_px`` over the views; with few views the largest."""
    p95_mm: float
    """``distance_mm`` of the view at the 95th percentile, ranked by distance against what is allowed there."""
    allowed_mm: OptionalNumber
    """What the expected error allows ``p95_mm`` to be, mm; null if the result does not state it."""
    views: Annotated[int, Field(ge=1)]
    """Number of views."""
    consistent: bool | None
    """Whether ``p95_mm`` is at most ``allowed_mm``; null if the result does not state it."""
    message: Text
    """The same in one sentence, for the operator."""
    remedy: Text
    """What to do about it; empty where nothing is to be done."""


def describe_reservation(used: int, excluded: int, findings: Sequence[FindingSummary]) -> str:
    """What speaks against taking a solution as it stands: pairs left out and the gravest finding; empty if nothing.

    No full stop; notes are no reservation.
    """
    grave = [f for f in findings if f.severity is not Severity.NOTE]
    parts = []
    if excluded:
        parts.append(f"{excluded} of {used + excluded} pairs {'was' if excluded == 1 else 'were'} left out")
    if grave:
        parts.append(min(grave, key=lambda f: list(Severity).index(f.severity)).message)
    more = f" (and {len(grave) - 1} more finding{'s' if len(grave) > 2 else ''})" if len(grave) > 1 else ""
    return ": ".join(parts) + more


class StatusMessage(_Part):
    """Everything that the monitor shows."""

    schema_version: Literal[1] = Field(default=STATUS_SCHEMA, alias="schema")
    """Version of these keys."""
    station: Text
    """Name of the station."""
    mount: Mount
    """Camera ``fixed`` in the cell or on the ``arm``."""
    session: Text | None
    """Name of the newest session; null before the first."""
    session_folder: Text | None
    """Its folder, absolute."""
    phase: Phase
    """Phase of the session."""
    kept: Count
    """Pairs kept."""
    wanted: Count
    """Pairs still needed, an estimate."""
    min_pairs: Count
    """``[goal] min_pairs``."""
    max_pairs: Count
    """``[goal] max_pairs``."""
    refused: Count
    """Captures and checks that were refused (code 20 to 29)."""
    checks: Count
    """Check pairs kept."""
    tolerance_mm: float = Field(gt=0, allow_inf_nan=False)
    """``[goal] tolerance_mm``."""
    tolerance_of: ToleranceOf
    """``[goal] tolerance_of``: the error that is stated and compared with the tolerance, of a ``pick`` or of the
    ``transform`` alone."""
    p95_upper_mm: OptionalNumber
    """Upper bound, at 95 % confidence, of the p95 of what ``tolerance_of`` names, mm, which is compared with the
    tolerance; null without a solution."""
    p95_upper_history_mm: tuple[OptionalNumber, ...]
    """That bound after each kept pair, oldest first."""
    request: RequestStatus | None
    """The request in progress; null between requests."""
    last_reply: LastReply | None
    """Newest reply to the robot, recorded or not."""
    timings_ms: StepTimes | None
    """Durations of the newest capture."""
    robot: LinkStatus
    """Connection to the robot."""
    camera: LinkStatus
    """Connection to the camera."""
    last_refusal: LastReply | None
    """The newest reply that refused a capture or a check, though others followed it; null without one."""
    kept_views: tuple[KeptView, ...]
    """Views of the newest 100 kept pairs, oldest first."""
    progress: ProgressStatus | None
    """Null before the first solve."""
    result: ResultStatus | None
    """Null without a solution of the kept pairs."""
    findings: tuple[FindingSummary, ...]
    """Findings of the newest solve, the gravest first; also where it was refused."""
    is_accepted: bool
    """Whether the robot is given the newest result of this session."""
    accepted_result: AcceptedResultStatus | None
    """The result that the station uses; null if none is accepted."""
    timestamp: Text
    """UTC, ISO 8601."""
    log_lines_lost: Count
    """Lines of the daemon's log that could not be written since it started."""
    guidance: GuidanceStatus | None
    """Guided capture; null in a session that is not guided."""
    proof: LiveProof | None
    """Where the result in use puts the board, against where it is seen; null without a comparison so far."""

    @property
    def reservation(self) -> str:
        """What speaks against taking the result as it stands, without a full stop; empty if nothing."""
        result = self.result
        return describe_reservation(result.used if result else 0, result.excluded if result else 0, self.findings)

    @property
    def total(self) -> int:
        """Pairs kept and pairs still needed."""
        return self.kept + self.wanted

    def to_json(self) -> bytes:
        """The message's second part."""
        return self.model_dump_json(by_alias=True).encode("utf-8")
