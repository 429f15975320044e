"""Live proof of the result in use: a real daemon with a simulated cell, and which views are compared at all."""

import dataclasses
import threading
import time

import numpy as np
import pytest

from eyebolt.boards import find_board
from eyebolt.cameras import Frame, FreshnessMethod
from eyebolt.context import load_context
from eyebolt.daemon.camera_view import measure_board
from eyebolt.daemon.proving import ResultProver
from eyebolt.geometry import se3
from eyebolt.session import State
from eyebolt.session.messages import AcceptedResult
from eyebolt.store.names import list_sessions
from support.daemon_process import Robot
from support.processes import until
from support.push_camera_cell import PushingCamera, record_pushed_cell
from support.view_subscriber import BareSubscriber

SHIFT_M = (0.004, 0.002, 0.0)


class PoseStream:
    """A robot that streams the pose of one waypoint 100 times a second; a context manager."""

    def __init__(self, robot, cell):
        self.robot, self.cell, self.index = robot, cell, 0
        self.ended = threading.Event()
        self.thread = threading.Thread(target=self.run)

    def run(self):
        while not self.ended.wait(0.01):
            self.robot.send(f"pose {self.cell.poses[self.index]}")

    def __enter__(self):
        self.thread.start()
        return self

    def __exit__(self, *_):
        self.ended.set()
        self.thread.join()


def outline_distance_px(message):
    apart_px = np.array(message.board_outline_px) - np.array(message.predicted_outline_px)
    return float(np.sqrt((apart_px**2).sum(axis=1).mean()))


def test_a_result_in_use_is_proven_and_a_camera_that_was_moved_is_flagged(pushed_cell, start_daemon, eyebolt, tmp_path):
    (tmp_path / "moved").mkdir()
    moved = record_pushed_cell(tmp_path / "moved", 12, 4, camera_shift_m=SHIFT_M, only=(4, 5))
    cell = dataclasses.replace(pushed_cell, images=np.concatenate([pushed_cell.images, moved.images]))
    place = tmp_path / "cell"
    place.mkdir()
    station = cell.station(place, tolerance_mm=2.0)
    daemon = start_daemon(station)
    with PushingCamera(cell, place) as camera, Robot(daemon.port) as robot:

        def ask(verb, seq, index):
            camera.shown = index
            time.sleep(0.05)
            return robot.final(cell.line(verb, seq, index))[0]

        robot.say("hello 0")
        codes = [ask("capture", seq, index) for seq, index in enumerate((0, 1, 3, 4, 5, 6, 7, 9), start=1)]
        assert robot.final("bye 20")[0] == 0, codes
        session = list_sessions(place / "sessions")[-1]
        assert eyebolt("accept", session, "--by", "R. Ode")[0] == 0
        with BareSubscriber(station, b"status") as watcher:

            def proof_of(views):
                """The proof that is published once it rests on so many views."""

                def found():
                    proof = watcher.read_status().proof
                    return proof if proof is not None and proof.views == views else None

                return until(found, f"a proof of {views} views")

            until(lambda: watcher.read_status() and watcher.status.accepted_result, "the result in use")
            assert watcher.status.proof is None
            assert ask("check", 30, 10) == 0
            proof = proof_of(1)
            assert proof.consistent and 0 < proof.distance_mm <= proof.allowed_mm
            # The robot says nothing more: the board is where the check saw it.
            watcher.subscribe()
            seen = watcher.view(lambda message: message.predicted_outline_px is not None).message
            assert outline_distance_px(seen) < 3 * proof.distance_px and seen.proof == proof
            camera.shown = 11
            # Where the arm went is not known.
            watcher.view(lambda message: message.found and message.predicted_outline_px is None)
            with PoseStream(robot, cell) as stream:
                stream.index = camera.shown = 3
                assert proof_of(2).consistent
                watcher.subscribe(wanted=False)
                # Nobody sees the image, but the status has the proof.
                stream.index = camera.shown = 0
                assert proof_of(3).consistent
                # The camera was moved by 4.5 mm.
                stream.index, camera.shown = 4, 12
                proof_of(4)
                watcher.subscribe()
                seen = watcher.view(lambda message: message.predicted_outline_px is not None).message
            proof = seen.proof
            assert proof.consistent is False and proof.remedy and proof.p95_mm > proof.allowed_mm
            # Of the truth, the distance differs by the error of the result.
            assert proof.distance_mm == pytest.approx(1e3 * np.hypot(*SHIFT_M[:2]), abs=0.5)
            assert outline_distance_px(seen) > 3.0
    assert daemon.log("live proof")[-1]["consistent"] is False


STILL, MOVED_LATE, GAP, OTHER_IMAGE_BEFORE, FIRST_IMAGE, NO_LATER_POSE = range(6)


@pytest.mark.parametrize("case", [STILL, MOVED_LATE, GAP, OTHER_IMAGE_BEFORE, FIRST_IMAGE, NO_LATER_POSE])
def test_only_views_in_which_arm_and_board_stand_still_are_compared(pushed_cell, tmp_path, case):
    context = load_context(pushed_cell.station(tmp_path))
    config = context.session_config
    seen = [measure_board(context, image, find_board(image, context.board)) for image in pushed_cell.images[:2]]
    fields = [tuple(float(number) for number in pose.split()) for pose in pushed_cell.poses[:2]]
    # By this result the board is exactly where the first image shows it.
    X = np.eye(4)
    Y = se3.inverse(config.base_T_flange(fields[0])) @ X @ seen[0].board_pose.camera_T_board
    accepted = AcceptedResult("session", "R. Ode", X, Y, None, True, context.board.corners_m()[None])
    state = State(config, accepted=accepted)
    prover = ResultProver(context, lambda: state)
    assert prover.has_news
    prover.refresh()
    now_s = time.monotonic()
    for at_s in np.arange(now_s - 1.0, now_s, 0.01):
        since_s = at_s - (now_s - 0.5)
        if (case == GAP and 0.05 < since_s < 0.25) or (case == NO_LATER_POSE and since_s > 0.1):
            continue
        # A pose of the exposure may arrive up to a quarter of a second later.
        is_other = case == MOVED_LATE and since_s > 0.2
        prover.add_pose(1, fields[1 if is_other else 0], round(at_s * 1e9))

    def view(at_s, image):
        frame = Frame(np.empty(0), round(at_s * 1e9), round((at_s + 0.02) * 1e9), FreshnessMethod.TIMESTAMP, "frame")
        predicted = prover.predict(frame, seen[image])
        prover.note_view(frame, seen[image])
        return predicted

    if case != FIRST_IMAGE:
        view(now_s - 0.6, 1 if case == OTHER_IMAGE_BEFORE else 0)
    predicted = view(now_s - 0.5, 0)
    prover.refresh()
    if case == STILL:
        assert prover.proof.views == 1 and prover.proof.distance_mm == 0
        # Of the corners themselves.
        assert prover.proof.distance_px < 0.1
        assert prover.proof.consistent is None and prover.proof.allowed_mm is None, "a result without its prediction"
        np.testing.assert_allclose(predicted, seen[0].board_pose.camera_T_board, atol=1e-9)
    else:
        assert prover.proof is None
        assert predicted is None
    state = dataclasses.replace(state, accepted=None)
    assert prover.has_news
    prover.refresh()
    assert prover.proof is None and not prover.has_news and not prover.is_following
