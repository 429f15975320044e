"""A capture, check or place: grab, image to the disk, detection, acceptance of the view."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

from eyebolt.boards import Detection, NoDetection
from eyebolt.geometry import Mount, to_matrix4
from eyebolt.observations import WRONG_SIZE_REMEDY, Baseline, BoardPose, Pair, ViewAcceptance, assess_view
from eyebolt.protocol import Code, StepTimes
from eyebolt.session import messages as msg
from eyebolt.session.accepted_check import compare_with_accepted
from eyebolt.session.facts import IMAGE_VERBS, FrameInfo, ImageFact, ImageVerb
from eyebolt.session.messages import Command
from eyebolt.session.reply import Decision, record_reply, with_image_fact
from eyebolt.session.session_log import SessionLog
from eyebolt.session.solve_report import capture_needs_solve
from eyebolt.session.solving import reply_to_accepted_view
from eyebolt.session.state import (
    AssessedView,
    AwaitingImageFact,
    Capture,
    Detecting,
    Grabbing,
    ImageWrite,
    Job,
    OpeningSession,
    ReportedPose,
    SolvingPair,
    State,
    Transition,
)

# Between two frames this far apart a board that moves shows (common practice, no source).
PREVIEW_LEAD_NS = 150_000_000

_GRAB_CODES = {"camera-lost": Code.CAMERA_LOST, "image-size": Code.BOARD_OR_LENS_MISMATCH}


def begin_capture(state: State, job: Job, pose: ReportedPose | None) -> Transition:
    """Commands the image of a request."""
    # A capture index is never used twice, not even after an image that could not be recorded.
    index = state.log.captures[-1].index + 1 if state.log is not None and state.log.captures else 0
    settled_ns = job.received_ns + state.config.settle_ns
    preview_not_before_ns = max(job.received_ns, settled_ns - PREVIEW_LEAD_NS) if state.config.takes_preview else None
    stage = Grabbing(job, index, f"{index:04d}.tif", pose)
    followed = None if job.guided is None else job.guided.image
    return replace(state, task=stage), [msg.Grab(job.number, settled_ns, preview_not_before_ns, followed)]


def start_in_session(state: State, stage: OpeningSession, event: msg.SessionOpened) -> Transition:
    """OpeningSession, SessionOpened: the request is the first of the new session."""
    # A next view that is still being planned belongs to the old session.
    state = replace(state.with_facts((event.fact,)), next_view=None)
    if stage.job.request.verb in IMAGE_VERBS:
        state, commands = begin_capture(state, stage.job, stage.pose)
        return state, [msg.PublishStatus(), *commands]
    return record_begin(state, stage.job)


def record_begin(state: State, job: Job) -> Transition:
    """The reply to ``begin``."""
    message = "a new session with numbering of its own"
    return record_reply(state, job, Decision(Code.OK, message, "", state.kept, state.pairs_wanted))


def store_and_detect(state: State, stage: Grabbing, event: msg.Grabbed) -> Transition:
    """Grabbing, Grabbed: the image goes to the disk, and the board is searched meanwhile."""
    job = stage.job
    frame = FrameInfo(
        name=event.frame_name,
        method=event.method,
        received_ns=job.received_ns,
        exposed_ns=event.exposed_ns,
        arrived_ns=event.arrived_ns,
        source_path=event.source_path,
    )
    exposure_ms = None if state.config.exposure_ns is None else state.config.exposure_ns / 1e6
    times = StepTimes(
        wait=(event.exposed_ns - job.received_ns) / 1e6,
        exposure=exposure_ms,
        transfer=(event.arrived_ns - event.exposed_ns) / 1e6 - (exposure_ms or 0.0),
    )
    capture = Capture(stage.index, stage.file, stage.pose, ImageWrite.WRITING, frame, times)
    commands: list[Command] = [msg.StoreImage(job.number, capture.file), msg.Detect(job.number, capture.file)]
    return replace(state, task=Detecting(job, capture)), commands


def refuse_grab(state: State, stage: Grabbing, event: msg.GrabFailed) -> Transition:
    """Grabbing, GrabFailed: there is no image."""
    code, remedy = code_without_image(event.code)
    decision = Decision(code, event.message, remedy, state.kept, state.pairs_wanted)
    return record_reply(state, stage.job, decision)


def code_without_image(fault_code: str) -> tuple[Code, str]:
    """The reply code for a camera fault, and its remedy."""
    code = _GRAB_CODES.get(fault_code, Code.NO_FRESH_FRAME)
    return code, WRONG_SIZE_REMEDY if code is Code.BOARD_OR_LENS_MISMATCH else code.remedy


def record_image(
    state: State, stage: Detecting | SolvingPair | AwaitingImageFact, event: msg.ImageStored
) -> Transition:
    """ImageStored: the file is on disk; its fact is recorded before anything that follows from it."""
    job, capture = stage.job, stage.capture
    if capture.frame is None:
        raise ValueError("an image that was taken before the restart is on record already")
    pose = capture.pose
    fact = ImageFact(
        index=capture.index,
        verb=cast(ImageVerb, job.request.verb),
        request=job.request,
        timestamp=job.timestamp,
        raw_pose=None if pose is None else pose.raw,
        base_T_flange=None if pose is None else to_matrix4(pose.base_T_flange),
        joints=None if pose is None else pose.joints,
        file=capture.file,
        sha256=event.digest_sha256,
        frame=capture.frame,
        guided=job.guided,
    )
    timed = capture.timed(disk=event.duration_ns / 1e6)
    stage = replace(stage, capture=replace(timed, write=ImageWrite.RECORDING, fact=fact))
    return replace(state, task=stage), [msg.RecordFacts(job.number, (fact,))]


def image_recorded(state: State, stage: Detecting | SolvingPair, event: msg.FactsRecorded) -> Transition:
    """FactsRecorded: the fact of the image is on record; detection or solve go on."""
    state, capture = with_image_fact(state, stage.capture, event)
    return replace(state, task=replace(stage, capture=capture)), [msg.PublishStatus()]


def assess_detection(state: State, stage: Detecting, event: msg.Detected) -> Transition:
    """Detecting, Detected: the view is accepted or refused; an accepted capture may have to wait for a solve."""
    log, job = state.log or SessionLog(name=""), stage.job
    capture = stage.capture.timed(detect=event.duration_ns / 1e6, view_check=event.view_duration_ns / 1e6)
    found = _assess(state, log, stage, event)
    assessed = AssessedView(event.detection, event.view, found, None)
    if isinstance(event.detection, NoDetection) or not found.code.is_success:
        decision = Decision.from_view(found, state.kept, state.pairs_wanted)
        return record_reply(state, job, decision, capture=capture, assessed=assessed)
    if job.request.verb == "place":
        message = _place_message(state, capture, found)
        decision = Decision(found.code, message, "", state.kept, state.pairs_wanted)
        return record_reply(state, job, decision, capture=capture, assessed=assessed)
    if job.request.verb == "check":
        # A check is not a part of what is solved: its reply cannot depend on a solve.
        found = compare_with_accepted(state, capture.base_T_flange, event.board_pose, found)
        return reply_to_accepted_view(state, job, capture, assessed, found, None)
    assessed = replace(assessed, p_value=_prediction_p_value(log, capture, event.board_pose))
    if not capture_needs_solve(log, state.pairs_wanted, assessed.p_value):
        return reply_to_accepted_view(state, job, capture, assessed, found, None)
    dataset = log.dataset
    dataset = replace(dataset, pairs=(*dataset.pairs, _pair_of(log, capture, event.detection)))
    command = msg.Solve(job.number, dataset)
    return replace(state, task=SolvingPair(job, capture, assessed, command)), [command]


def refuse_failed_detection(state: State, stage: Detecting, event: msg.WorkerFailed) -> Transition:
    """Detecting, WorkerFailed: a defect of the program must not cost the session; the image is refused."""
    code = Code.NO_BOARD
    decision = Decision(code, event.message, code.remedy, state.kept, state.pairs_wanted)
    return record_reply(state, stage.job, decision, capture=stage.capture)


def _assess(state: State, log: SessionLog, stage: Detecting, event: msg.Detected) -> ViewAcceptance:
    kept = [*log.kept, *log.checks]
    blurs_px = [c.detection.blur_px for c in kept if isinstance(c.detection, Detection)]
    return assess_view(
        event.detection,
        state.config.lens_size_px,
        state.config.board_corner_count,
        stage.capture.base_T_flange,
        [c.base_T_flange for c in log.kept if c.base_T_flange is not None],
        allow_repeated_pose=stage.job.request.verb != "capture",
        view=event.view,
        baseline=Baseline.from_kept(blurs_px, [c.residual_px for c in kept if c.residual_px is not None]),
        arm_motion=_motion_until_exposure(stage.capture),
        earlier=_earlier_images(log, stage),
        focal_px=state.config.lens_focal_px,
    )


def _earlier_images(log: SessionLog, stage: Detecting) -> list[Pair]:
    """Images of the session with their poses, kept or not; for a placed board none, since it is not on the flange."""
    if stage.job.request.verb == "place":
        return []
    return [c.pair for c in log.captures if c.pair is not None and c.index != stage.capture.index and c.verb != "place"]


def _motion_until_exposure(capture: Capture) -> tuple[float, float]:
    """Motion of the arm from the request to the exposure (m, rad); 0 of an image that was taken before a restart."""
    if capture.frame is None or capture.pose is None:
        return 0.0, 0.0
    return capture.pose.motion.until(capture.frame.exposed_ns)


def _prediction_p_value(log: SessionLog, capture: Capture, board_pose: BoardPose | None) -> float | None:
    """p-value of the board pose under the last solution's prediction; None without a prediction or a pose."""
    prediction = None if log.last_solve is None else log.last_solve.prediction
    if prediction is None or board_pose is None:
        return None
    return prediction.model().p_value(capture.base_T_flange, board_pose)


def _pair_of(log: SessionLog, capture: Capture, detection: Detection) -> Pair:
    raw_pose = None if capture.pose is None else capture.pose.raw
    # The frame of an image that was taken before a restart is on record only.
    frame = capture.frame or log.last_frame
    time_s = None if frame is None else frame.exposed_s
    joints = None if capture.pose is None else capture.pose.joints
    return Pair(capture.index, capture.base_T_flange, detection.ids, detection.corners_px, raw_pose, time_s, joints)


def _place_message(state: State, capture: Capture, found: ViewAcceptance) -> str:
    message = "the board lies still and is detected: touch its corners"
    if found.code.is_advice:
        message += f" ({found.message})"
    if state.config.mount is Mount.FIXED and capture.pose is not None:
        message += "; the pose is noted, a fixed camera needs none"
    return message
