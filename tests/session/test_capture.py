"""Captures: acceptance of views, solves, disk faults, restarts."""

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.boards.detection import NoDetection
from eyebolt.boards.exposure import ExposureStats
from eyebolt.calibration.finding import Finding
from eyebolt.calibration.solution import Refusal, RefusalCode
from eyebolt.observations import WRONG_SIZE_REMEDY
from eyebolt.observations.view_quality import MotionCheck, View
from eyebolt.planning.stopping import Goal
from eyebolt.protocol import Code
from eyebolt.protocol.requests import parse
from eyebolt.session import messages as msg
from eyebolt.session.facts import ImageFact, ReplyFact, TimingsFact, decode_facts, encode_fact
from eyebolt.session.session_log import fold
from support.session_world import (
    CORNERS,
    GOOD_LIGHT,
    SIZE_PX,
    World,
    capture,
    check,
    config,
    detection,
    plain,
    solution,
)


@pytest.fixture
def world():
    return World()


@pytest.fixture
def robot(world):
    return world.connect()


def run(world, robot, count, first=1):
    return [world.say(robot, capture(seq)) for seq in range(first, first + count)]


def test_order_of_the_commands_of_a_capture(world, robot):
    run(world, robot, 2)
    world.done.clear()
    world.say(robot, capture(3))
    kinds = [type(command).__name__ for command in world.done]
    assert [kind for kind in kinds if kind not in ("PublishStatus", "StartTimer")] == [
        "Grab", "StoreImage", "RecordFacts", "Detect", "RecordFacts", "SendReply",
        "Solve", "RecordFacts", "WriteResult", "PlanNextView", "RecordFacts",
    ]  # fmt: skip
    world.done.clear()
    world.say(robot, capture(4))
    kinds = [type(command).__name__ for command in world.done]
    assert [kind for kind in kinds if kind not in ("PublishStatus", "StartTimer")] == [
        "Grab", "StoreImage", "RecordFacts", "Detect", "Solve", "RecordFacts", "SendReply",
        "WriteResult", "PlanNextView", "RecordFacts",
    ]  # fmt: skip


def test_the_result_is_on_disk_before_goal_met_is_replied(world, robot):
    run(world, robot, 7)
    world.goal_met = True
    world.holds = (msg.WriteResult,)
    robot.sent = b""
    world.say(robot, capture(8), patiently=False)
    assert robot.sent == b""
    world.work_done()
    assert robot.sent == b"3,8,8,0\n"


def test_detection_runs_beside_the_disk_and_the_reply_waits_for_both(world, robot):
    run(world, robot, 2)
    world.holds = (msg.StoreImage,)
    robot.sent = b""
    world.say(robot, capture(3), patiently=False)
    assert [type(command).__name__ for command in world.done[-2:]] == ["StoreImage", "Detect"]
    assert robot.sent == b"", "what is not on disk is not acknowledged"
    assert [fact.request.seq for fact in world.facts_of(ReplyFact)] == [1, 2]
    world.work_done()
    assert robot.sent == b"0,3,3,5\n"
    kinds = [fact.type for fact in world.facts][-6:]
    assert kinds == ["image", "detection", "timings", "reply", "solve", "next_view"]


def test_a_detection_does_not_count_if_its_image_cannot_be_stored(world, robot):
    run(world, robot, 2)
    world.holds = (msg.StoreImage,)
    world.say(robot, capture(3), patiently=False)
    world.disk_full = True
    robot.sent = b""
    world.work_done()
    assert robot.sent == b"31,3,2,6\n"
    world.disk_full = False
    assert world.say(robot, capture(3)) == "0,3,3,5"


def test_joint_angles_are_recorded_with_the_image(world, robot):
    world.say(robot, "begin 1")
    assert world.say(robot, f"{capture(2)} j 10.5 -20 30") == "0,2,1,7"
    assert world.say(robot, capture(3)) == "0,3,2,6"
    assert world.say(robot, f"{check(4, 4)} J[1,2,3]") == "0,4,2,6"
    recorded = [(10.5, -20.0, 30.0), None, (1.0, 2.0, 3.0)]
    assert [image.joints for image in world.facts_of(ImageFact)] == recorded
    written = decode_facts(encode_fact(fact) for fact in world.facts)
    assert [fact.joints for fact in written if isinstance(fact, ImageFact)] == recorded
    # The recorded line can be sent again.
    assert parse(world.facts_of(ImageFact)[0].request.line.encode(), 7, joint_count=3).joints == recorded[0]


def test_step_times_are_recorded_and_published(world, robot):
    world = World(config(settle_ns=250_000_000, exposure_ns=500))
    world.say(world.connect(), capture(1))
    (timed,) = world.facts_of(TimingsFact)
    wanted = {"wait": 250.0, "exposure": 0.0, "transfer": 0.0, "disk": 0.0, "detect": 0.0, "view_check": 0.0}
    assert {step: round(ms, 1) for step, ms in timed.ms if ms is not None} == wanted
    assert world.status().timings_ms == timed.ms
    world.restart()
    assert world.status().timings_ms == timed.ms


def moved(shift_px):
    return View(residual_px=0.05, motion_check=MotionCheck(shift_px, 0.03, 160.0, CORNERS))


def test_a_board_that_moved_since_the_preview_is_21_and_the_limit_is_recorded(world, robot):
    world.measures = moved(0.16)
    assert world.say(robot, capture(1)) == "21,1,0,8"
    measure = world.facts_of(ReplyFact)[-1].measure
    assert (measure.value, measure.limit, measure.unit) == (0.16, 0.15, "px")
    assert "0.16 px within 160 ms" in world.status().last_reply.message
    world.measures = moved(0.14)
    assert world.say(robot, capture(2)) == "0,2,1,7"
    assert world.say(robot, capture(3)) == "0,3,2,6"


def test_the_preview_is_150_ms_before_the_image_and_never_before_the_request():
    for settle_ms, glance_ms in ((300, 150), (150, 0), (20, 0)):
        world = World(config(settle_ns=settle_ms * 1_000_000, takes_preview=True))
        begun_ns = world.now_ns
        world.say(world.connect(), capture(1))
        (grab,) = world.commands(msg.Grab)
        assert grab.preview_not_before_ns - begun_ns == glance_ms * 1_000_000
        assert grab.not_before_ns - begun_ns == settle_ms * 1_000_000


def test_live_poses_away_from_the_reported_one_before_the_exposure_are_21(world, robot):
    near, far = "500.05 0 450 0 1 0 0", "500.3 0 450 0 1 0 0"
    for seq, live_poses, code in ((1, near, 0), (2, far, 21)):
        world.holds = (msg.Grab,)
        world.say(robot, f"capture {seq} 500 0 450 0 1 0 0" if seq == 1 else f"check {seq} 500 0 450 0 1 0 0", False)
        robot.inbox, waiting, robot.waiting = robot.inbox, robot.waiting, False
        world.say(robot, f"pose {live_poses}", patiently=False)
        robot.waiting = waiting
        world.work_done()
        assert world.stored(seq)[0] == code


def test_a_motion_after_hundreds_of_live_poses_is_21():
    world = World(config(settle_ns=1_000_000_000))
    robot = world.connect()
    world.holds = (msg.Grab,)
    world.say(robot, "capture 1 500 0 450 0 1 0 0", patiently=False)
    for x_mm in [500.0] * 300 + [550.0]:
        line = parse(f"pose {x_mm} 0 450 0 1 0 0".encode(), 7)
        world.happens(msg.RequestReceived(msg.Caller(robot.number, 0), line, world.now_ns, ""))
    world.work_done()
    assert world.stored(1)[0] == 21
    assert world.facts_of(ReplyFact)[-1].measure.value == pytest.approx(50.0)


def test_a_view_with_a_higher_residual_than_the_kept_ones_is_kept_with_advice(world, robot):
    world.measures = View(residual_px=0.06)
    run(world, robot, 3)
    world.measures = View(residual_px=0.3)
    assert world.say(robot, capture(4)) == "1,4,4,4"
    world.restart()
    robot = world.connect()
    assert world.say(robot, capture(5)) == "1,5,5,3"


def test_the_image_is_exposed_after_the_request_and_the_settling_time():
    world = World(config(settle_ns=250_000_000))
    world.say(world.connect(), capture(1))
    (grab,) = world.commands(msg.Grab)
    (image_fact,) = world.facts_of(ImageFact)
    assert grab.not_before_ns == image_fact.frame.received_ns + 250_000_000 <= image_fact.frame.exposed_ns


def test_flange_poses_are_recorded_in_metres(world, robot):
    world.say(robot, "capture 1 520 -30 450.5 0.5 0.5 0.5 0.5")
    (image_fact,) = world.facts_of(ImageFact)
    wanted = np.eye(4)
    wanted[:3, :3] = Rotation.from_quat([0.5, 0.5, 0.5, 0.5]).as_matrix()
    wanted[:3, 3] = [0.52, -0.03, 0.4505]
    np.testing.assert_allclose(image_fact.base_T_flange, wanted, atol=1e-12)


def test_tool_poses_are_converted_to_flange_poses():
    flange_T_tool = np.eye(4)
    flange_T_tool[:3, :3] = Rotation.from_euler("xyz", [10, -25, 40], degrees=True).as_matrix()
    flange_T_tool[:3, 3] = [0.02, -0.01, 0.15]
    base_T_flange = np.eye(4)
    base_T_flange[:3, :3] = Rotation.from_euler("xyz", [175, 8, -30], degrees=True).as_matrix()
    base_T_flange[:3, 3] = [0.5, 0.1, 0.6]
    base_T_tool = base_T_flange @ flange_T_tool
    x, y, z, w = Rotation.from_matrix(base_T_tool[:3, :3]).as_quat()
    lengths = " ".join(f"{1e3 * v:.7f}" for v in base_T_tool[:3, 3])
    world = World(config(flange_T_tool=flange_T_tool))
    assert world.say(world.connect(), f"capture 1 {lengths} {w:.9f} {x:.9f} {y:.9f} {z:.9f}") == "0,1,1,7"
    (image_fact,) = world.facts_of(ImageFact)
    np.testing.assert_allclose(image_fact.base_T_flange, base_T_flange, atol=1e-8)


@pytest.mark.parametrize(
    ("sees", "code"),
    [
        (NoDetection("no-board", GOOD_LIGHT, SIZE_PX), 20),
        (NoDetection("dark", ExposureStats(0.0, 0.02, 0.0, 0.9, 1.0), SIZE_PX), 25),
        (detection(corners=5), 24),
        (detection(ExposureStats(0.1, 0.7, 0.4, 0.0, 0.75)), 25),
        (detection(size_px=(640, 480)), 38),
    ],
)
def test_a_refused_view_is_recorded_and_not_counted(world, robot, sees, code):
    world.say(robot, capture(1))
    world.sees = sees
    assert world.say(robot, capture(2)) == f"{code},2,1,7"
    assert world.stored(2) == (code, 1, 7)
    world.sees = detection()
    assert world.say(robot, capture(2)) == f"{code},2,1,7"
    assert world.say(robot, capture(3)) == "0,3,2,6"


@pytest.mark.parametrize(
    ("fault", "code"), [("camera-lost", 30), ("image-size", 38), ("no-fresh-frame", 22), ("images-exhausted", 22)]
)
def test_a_grab_that_fails(world, robot, fault, code):
    world.grab_fails = fault
    assert world.say(robot, capture(1)) == f"{code},1,0,8"
    # 38 has causes of other kinds; here only the size of the image is to be set right.
    remedy = world.facts_of(ReplyFact)[-1].remedy
    assert remedy == (WRONG_SIZE_REMEDY if fault == "image-size" else Code(code).remedy)
    world.grab_fails = None
    assert world.say(robot, capture(2)) == "0,2,1,7"


def test_a_capture_at_a_kept_pose_is_26_and_a_check_there_is_not(world, robot):
    run(world, robot, 4)
    assert world.say(robot, capture(5, 1)) == "26,5,4,4"
    assert world.say(robot, check(6, 1)) == "0,6,4,4"
    assert world.say(robot, check(7, 1)) == "0,7,4,4"


def test_marginal_exposure_and_a_similar_pose_are_kept_with_advice(world, robot):
    world.say(robot, "capture 1 500 0 450 0 1 0 0")
    assert world.say(robot, "capture 2 505 0 450 0 1 0 0") == "1,2,2,6"
    world.sees = detection(ExposureStats(0.1, 0.7, 0.1, 0.0, 0.75))
    assert world.say(robot, capture(3)) == "2,3,3,5"
    assert world.say(robot, check(4, 3)) == "2,4,3,5"


def test_checks_are_never_solved_with(world, robot):
    run(world, robot, 3)
    assert world.say(robot, check(4, 1)) == "0,4,3,5"
    world.say(robot, capture(5))
    world.say(robot, check(6, 9))
    world.say(robot, "solve 7")
    for solve in world.commands(msg.Solve):
        assert {pair.index for pair in solve.dataset.pairs} <= {0, 1, 2, 4}
        assert {pair.index for pair in solve.dataset.checks} <= {3, 5}
    last = world.commands(msg.Solve)[-1]
    assert [pair.index for pair in last.dataset.pairs] == [0, 1, 2, 4]
    assert [pair.index for pair in last.dataset.checks] == [3, 5]
    assert world.status().checks == 2


def test_the_solver_gets_poses_and_corners_as_recorded(world, robot):
    run(world, robot, 3)
    pair = world.commands(msg.Solve)[-1].dataset.pairs[-1]
    image_fact = world.facts_of(ImageFact)[-1]
    assert pair.base_T_flange.tolist() == np.array(image_fact.base_T_flange).tolist()
    assert pair.corners_px.tolist() == world.exposed(detection(), 2).corners_px.tolist()
    assert pair.ids.tolist() == detection().ids.tolist()
    assert pair.time_s == image_fact.frame.exposed_ns / 1e9
    assert [p.time_s for p in world.state.log.dataset.pairs] == [
        f.frame.exposed_ns / 1e9 for f in world.facts_of(ImageFact)
    ]


def test_a_camera_that_repeats_one_image_is_refused_from_the_second_waypoint_on(world, robot):
    world.is_frozen = True
    assert [answer.split(",")[0] for answer in run(world, robot, 12)] == ["0"] + ["22"] * 11
    assert world.say(robot, check(13, 20)).startswith("22,13,")
    reply = world.status().last_reply
    assert "pair 0" in reply.message
    assert (reply.measure.value, reply.measure.unit) == (0.0, "px")
    assert len(world.state.log.kept) == 1
    world.restart()
    robot = world.connect()
    world.say(robot, "hello 0")
    assert world.say(robot, capture(14)).startswith("22,14,")
    world.is_frozen = False
    assert world.say(robot, capture(15, 14)).startswith("0,15,")


def test_a_repeated_image_that_was_encoded_anew_is_refused_by_the_focal_length_of_the_lens(world, robot):
    """Its corners are not quite equal; how far they must have moved at least depends on the focal length."""
    world.is_frozen, world.measures = True, View(distance_mm=700.0)
    grid_px = np.stack(np.divmod(np.arange(CORNERS), 10), axis=-1) * 50.0 + 100.0
    world.sees = replace(world.sees, corners_px=grid_px)
    assert world.say(robot, capture(1)).startswith("0,")
    world.sees = replace(world.sees, corners_px=grid_px + 1e-3)
    assert world.say(robot, capture(2)).startswith("22,2,")


def test_an_arm_that_returned_gets_26_and_a_check_there_is_kept_though_the_image_is_equal(world, robot):
    world.is_frozen = True
    assert world.say(robot, capture(1, 1)).startswith("0,")
    assert world.say(robot, capture(2, 1)).startswith("26,")
    assert world.say(robot, check(3, 1)).startswith("0,")


def test_undo_removes_the_newest_kept_pair(world, robot):
    run(world, robot, 3)
    world.sees = NoDetection("no-board", GOOD_LIGHT, SIZE_PX)
    assert world.say(robot, capture(4)) == "20,4,3,5"
    world.say(robot, check(5, 9))
    world.sees = detection()
    assert world.say(robot, "undo 6") == "0,6,2,6"
    assert world.say(robot, "undo 6") == "0,6,2,6", "asked twice, done once"
    assert world.say(robot, "undo 7") == "0,7,1,7"
    assert world.say(robot, capture(8, 3)) == "0,8,2,6", "a pose taken back may come again"
    assert world.say(robot, "status 9") == "0,9,2,6", "nothing of the solves before is left over"
    assert [pair.index for pair in world.commands(msg.Solve)[-1].dataset.pairs] == [0]
    world.say(robot, "undo 9"), world.say(robot, "undo 10")
    assert world.say(robot, "undo 11") == "45,11,0,8"
    assert world.status().p95_upper_history_mm == ()


def test_goal_met_takes_precedence_over_advice(world, robot):
    run(world, robot, 7)
    world.goal_met = True
    world.sees = detection(ExposureStats(0.1, 0.7, 0.1, 0.0, 0.75))
    assert world.say(robot, capture(8)) == "3,8,8,0"
    assert world.status().phase == "goal-met"


def test_the_goal_is_not_met_below_min_pairs(world, robot):
    world.goal_met = True
    assert run(world, robot, 8) == [f"0,{n},{n},{8 - n}" for n in range(1, 8)] + ["3,8,8,0"]


def test_37_at_max_pairs_without_the_goal():
    world = World(config(goal=Goal(0.5, min_pairs=3, max_pairs=5)))
    robot = world.connect()
    assert run(world, robot, 4) == ["0,1,1,2", "0,2,2,1", "0,3,3,1", "0,4,4,1"]
    assert world.say(robot, capture(5)) == "37,5,5,1"
    assert world.say(robot, capture(6)) == "37,6,6,1", "later captures are still answered"
    assert world.status().phase == "stopped"
    assert world.say(robot, "undo 7") == "0,7,5,1"
    world.goal_met = True
    assert world.say(robot, capture(8)) == "3,8,6,0"


def test_27_when_the_solver_excludes_the_newest_pair(world, robot):
    run(world, robot, 5)
    world.excluded = (5,)
    assert world.say(robot, capture(6)) == "27,6,5,3"
    world.excluded = ()
    assert world.say(robot, capture(7)) == "0,7,6,2"
    assert [pair.index for pair in world.commands(msg.Solve)[-1].dataset.pairs] == [0, 1, 2, 3, 4, 5, 6], (
        "for diagnosis"
    )


def test_no_27_without_a_majority(world, robot):
    run(world, robot, 4)
    world.excluded = (4,)
    assert world.say(robot, capture(5)) == "0,5,5,4", "one of the five carries nothing"


def test_an_older_pair_that_is_excluded_does_not_refuse_the_newest(world, robot):
    run(world, robot, 6)
    world.excluded = (2,)
    assert world.say(robot, capture(7)) == "0,7,7,2", "one of the seven carries nothing"


@pytest.mark.parametrize(
    ("outcome", "reply"),
    [
        (solution(0.25, 4), "0,5,4,250"),
        (solution(0.4999, 4), "0,5,4,500"),
        (solution(0.6, 4), "28,5,4,4"),
        (solution(0.25, 4, findings=[Finding("slipped", "stop", "it slipped")]), "36,5,4,4"),
        (Refusal(RefusalCode.INSUFFICIENT_ROTATION, "too little", "turn more", 4), "35,5,4,4"),
        (Refusal(RefusalCode.NOT_CONVERGED, "no way", "look", 4), "28,5,4,4"),
    ],
)
def test_solve(world, robot, outcome, reply):
    run(world, robot, 4)
    world.outcome = outcome
    assert world.say(robot, "solve 5") == reply
    assert world.say(robot, "again 5") == reply


@pytest.mark.parametrize(
    "outcome",
    [Refusal(RefusalCode.NOT_CONVERGED, "no way", "look", 4), solution(0.6, 4)],
    ids=["refused", "error too large"],
)
def test_solve_replies_the_cause_where_the_pairs_show_one(world, robot, outcome):
    """28 asks for more captures, which does not help where the poses are misread."""
    wrong = Finding("pose-format", "stop", "the poses are misread", {}, 'rotation = "euler-ZYX"')
    run(world, robot, 4)
    world.outcome = replace(outcome, findings=(wrong,))
    assert world.say(robot, "solve 5") == "32,5,4,4"
    reply_fact = world.facts_of(ReplyFact)[-1]
    assert (reply_fact.code, reply_fact.message) == (32, 'the poses are misread: rotation = "euler-ZYX"')
    assert reply_fact.remedy == 'rotation = "euler-ZYX"'


def test_the_stations_rule_accepts_only_a_proven_result_with_enough_pairs():
    world = World(config(accept_when_proven=True))
    robot = world.connect()
    world.goal_met = True
    run(world, robot, 7)
    world.excluded = (7,)
    assert world.say(robot, capture(8)).startswith("27,8,7,")
    assert not any(result.accept for result in world.commands(msg.WriteResult)), "seven are kept, not eight"
    world.excluded = ()
    world.disk_fails_at = world.disk_writes + 3
    assert world.say(robot, capture(9)).startswith("31,9,7,")
    assert not any(result.accept for result in world.commands(msg.WriteResult)), "the eighth is not on disk"
    assert world.say(robot, capture(9)) == "3,9,8,0"
    assert world.commands(msg.WriteResult)[-1].accept


def test_no_result_is_accepted_without_the_stations_rule(world, robot):
    world.goal_met = True
    run(world, robot, 9)
    results = world.commands(msg.WriteResult)
    assert len(results) == 7
    assert not any(result.accept for result in results)


@pytest.mark.parametrize("broken", [msg.Detect, msg.Solve])
def test_a_worker_failure_costs_one_pair_and_not_the_session(world, robot, broken):
    run(world, robot, 3)
    world.breaks = (broken,)
    assert world.say(robot, capture(4)) == "20,4,3,5"
    world.breaks = ()
    assert world.say(robot, capture(5)) == "0,5,4,4"


def test_undo_and_bye_succeed_although_the_solve_fails(world, robot):
    run(world, robot, 4)
    world.breaks = (msg.Solve,)
    assert world.say(robot, "solve 5") == "28,5,4,4"
    assert world.say(robot, "undo 6") == "0,6,3,5"
    assert world.say(robot, "bye 7") == "0,7,3,5"
    assert world.status().phase == "closed"


# A capture writes three times: the image, the fact that it was taken, and what led to the answer.
@pytest.mark.parametrize("write", [1, 2, 3])
def test_a_capture_that_cannot_be_recorded_is_31_and_its_seq_stays_free(world, robot, write):
    run(world, robot, 3)
    world.disk_fails_at = world.disk_writes + write
    assert world.say(robot, capture(4)) == "31,4,3,5"
    assert world.say(robot, "again 4") == "31,4,3,5", "the reply may have got lost"
    assert world.stored(4) is None
    assert world.say(robot, capture(4, 7)) == "0,4,4,4", "another line under the same seq"
    assert world.say(robot, capture(5)) == "0,5,5,3"


@pytest.mark.parametrize("write", [1, 2])
def test_a_session_that_cannot_be_opened_is_31(world, robot, write):
    world.disk_fails_at = write
    assert world.say(robot, "begin 1") == "31,1,0,8"
    assert world.say(robot, "begin 1") == "0,1,0,8"
    assert world.say(robot, capture(2)) == "0,2,1,7"
    assert len(world.disk) == 1


@pytest.mark.parametrize("line", ["undo 4", "solve 4", "bye 4"])
def test_other_requests_that_cannot_be_recorded_have_no_effect(world, robot, line):
    run(world, robot, 3)
    world.disk_full = True
    assert world.say(robot, line) == "31,4,3,5"
    world.disk_full = False
    assert world.say(robot, capture(4)) == "0,4,4,4"


def test_a_robot_that_polls_is_told_31_when_recording_fails(world, robot):
    run(world, robot, 3)
    world.holds = (msg.Detect,)
    assert world.say(robot, capture(4)) == "10,4,3,5"
    world.disk_full = True
    world.work_done()
    assert world.say(robot, "again 4") == "31,4,3,5"
    world.disk_full = False
    assert world.say(robot, capture(4)) == "0,4,4,4"
    assert world.say(robot, "again 4") == "0,4,4,4"


def test_a_late_event_of_an_old_task_is_dropped(world, robot):
    run(world, robot, 2)
    old = world.commands(msg.Grab)[-1].task
    world.holds = (msg.Grab,)
    world.say(robot, capture(3), patiently=False)
    before = world.state
    assert before.task.job.number != old
    world.happens(msg.Grabbed(old, 0, 0, "request", "old"))
    world.happens(msg.Detected(old, detection()))
    world.happens(msg.Solved(old, solution(0.1, 3)))
    world.happens(msg.FactsRecorded(old))
    world.happens(msg.WriteFailed(old, "late"))
    world.happens(msg.WorkerFailed(old, "late"))
    world.happens(msg.GrabFailed(old, "camera-lost", "late"))
    world.happens(msg.ImageStored(old, ""))
    world.happens(msg.SessionOpened(old, {}))
    world.happens(msg.TimerExpired(old))
    assert world.state is before
    world.work_done()
    assert robot.sent.endswith(b"0,3,3,5\n")


def test_a_restart_finishes_an_image_on_record_without_a_reply(world, robot):
    run(world, robot, 3)
    world.holds = (msg.Detect,)
    world.say(robot, capture(4), patiently=False)
    world.holds = ()
    grabs = len(world.commands(msg.Grab))
    world.restart()
    robot = world.connect()
    assert world.say(robot, "hello 9") == "0,9,4,4"
    assert world.say(robot, "again 4") == "0,4,4,4"
    assert world.say(robot, capture(4)) == "0,4,4,4"
    assert len(world.commands(msg.Grab)) == grabs, "no second image"


def test_a_restart_replies_working_for_the_image_that_it_resumes(world, robot):
    run(world, robot, 3)
    world.holds = (msg.Detect,)
    world.say(robot, capture(4), patiently=False)
    world.restart()
    robot = world.connect()
    assert world.say(robot, "again 4") == "10,4,3,5"
    assert world.say(robot, capture(4)) == "10,4,3,5"
    assert world.say(robot, capture(5)) == "45,5,3,5"
    world.work_done()
    assert world.say(robot, "again 4") == "0,4,4,4"


def test_a_resumed_image_is_refused_as_it_would_have_been(world, robot):
    run(world, robot, 3)
    world.holds = (msg.Detect,)
    world.say(robot, capture(4, 1), patiently=False)
    world.holds = ()
    world.restart()
    assert world.say(world.connect(), "again 4") == "26,4,3,5"


def test_a_restart_before_the_image_was_on_record_has_nothing_of_it(world, robot):
    run(world, robot, 3)
    world.holds = (msg.Grab,)
    world.say(robot, capture(4), patiently=False)
    world.holds = ()
    world.restart()
    robot = world.connect()
    assert world.say(robot, "again 4") == "43,4,3,3"
    assert world.say(robot, capture(4)) == "0,4,4,4"


def test_a_capture_that_could_not_be_recorded_does_not_return_with_a_restart(world, robot):
    run(world, robot, 3)
    world.disk_fails_at = world.disk_writes + 3
    assert world.say(robot, capture(4)) == "31,4,3,5"
    world.grab_fails = "no-fresh-frame"
    assert world.say(robot, capture(5)) == "22,5,3,5"
    world.grab_fails = None
    world.restart()
    assert world.say(world.connect(), "hello 9") == "0,9,3,5"


def test_capture_indices_are_never_reused(world, robot):
    run(world, robot, 2)
    world.disk_fails_at = world.disk_writes + 3
    world.say(robot, capture(3))
    world.say(robot, capture(3))
    world.restart()
    robot = world.connect()
    world.say(robot, capture(4))
    indices = [fact.index for fact in world.facts_of(ImageFact)]
    assert indices == [0, 1, 2, 3, 4]
    names = [command.name for command in world.commands(msg.StoreImage)]
    assert names == [f"{index:04d}.tif" for index in indices]


def test_status_is_the_same_before_and_after_a_restart(world, robot):
    run(world, robot, 4)
    world.say(robot, check(5, 1))
    world.say(robot, "undo 6")
    world.say(robot, capture(7, 2))
    before = world.status()
    assert (before.kept, before.refused, before.checks, before.last_reply.code) == (3, 1, 1, 26)
    assert len(before.p95_upper_history_mm) == 3
    world.restart()
    assert world.status() == before


def test_facts_of_unknown_types_are_skipped(world, robot):
    run(world, robot, 3)
    more = [*world.disk[-1], b'{"type":"weather","seq":9}']
    assert decode_facts(more) == world.facts


def test_the_fold_does_not_depend_on_the_spelling_of_the_json(world, robot):
    run(world, robot, 3)
    again = [json.dumps(json.loads(record), sort_keys=True, indent=1).encode() for record in world.disk[-1]]
    assert plain(fold(decode_facts(again))) == plain(world.state.log)
    assert fold([]) is None
