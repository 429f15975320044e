"""The arm of a camera without a robot program follows the poses that the robot's requests report."""

import time

import numpy as np
import pytest
import zmq

from eyebolt.protocol import STATUS_TOPIC, RequestStatus
from eyebolt_sim import pose_follower
from eyebolt_sim.arm import Arm
from eyebolt_sim.moving_arm import MovingArm
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.pose_follower import PoseFollower
from eyebolt_sim.pose_format import PoseFormat
from support.status_messages import make_status

REACHABLE = (366.613, 8.393, 166.663, 0.321827, 0.690211, -0.068842, 0.644436)
OUT_OF_REACH = (3000.0, 0.0, 200.0, 1.0, 0.0, 0.0, 0.0)
FORMAT = PoseFormat()


class Publisher:
    """Publishes statuses with a request in progress."""

    def __init__(self, socket, endpoint):
        self.socket, self.endpoint = socket, endpoint

    def __call__(self, pose=None, seq=1):
        request = None if pose is None else RequestStatus(seq=seq, verb="capture", pose=pose)
        self.socket.send_multipart([STATUS_TOPIC, make_status().model_copy(update={"request": request}).to_json()])


@pytest.fixture
def told():
    return []


@pytest.fixture
def publish(tmp_path):
    context = zmq.Context()
    socket = context.socket(zmq.XPUB)
    endpoint = f"ipc://{tmp_path}/status"
    socket.bind(endpoint)

    yield Publisher(socket, endpoint)
    context.destroy(linger=0)


@pytest.fixture
def arm():
    return MovingArm(Arm(), PoseNoise(), 0, np.zeros(6))


@pytest.fixture
def follower(publish, arm, told):
    with PoseFollower(publish.endpoint, None, arm, FORMAT.parse_pose, told.append) as made:
        assert publish.socket.poll(30_000), "nobody subscribed"
        publish.socket.recv()
        yield made


@pytest.mark.parametrize("pose", [REACHABLE, OUT_OF_REACH])
def test_the_arm_stands_where_the_request_in_progress_reports_it(publish, arm, follower, pose):
    publish()
    publish(pose)
    follower.follow()
    np.testing.assert_allclose(arm.pose_at(time.monotonic()), FORMAT.parse_pose(pose), atol=1e-9)


def test_a_pose_that_is_reported_again_moves_nothing(publish, follower):
    moved = []
    follower._arm.stand_at = moved.append
    for seq, pose in ((1, REACHABLE), (2, REACHABLE), (3, OUT_OF_REACH)):
        publish(pose, seq)
        subscriber = follower._subscriber
        while subscriber.status is None or subscriber.status.request.seq != seq:
            assert subscriber.wait(30.0)
        follower.follow()
    assert len(moved) == 2


def test_an_arm_that_a_robot_program_moves_does_not_follow(publish, arm, follower):
    arm.move_to(np.full(6, 0.1), 0.0, time.monotonic())
    publish(REACHABLE)
    follower.follow()
    np.testing.assert_allclose(arm.pose_at(time.monotonic()), Arm().forward(np.full(6, 0.1)), atol=1e-12)


def test_without_a_status_the_arm_stays_and_that_is_told_once(publish, arm, follower, told, monkeypatch):
    monkeypatch.setattr(pose_follower, "_PATIENCE_S", 0.05)
    before = arm.pose_at(0.0)
    follower.follow()
    follower.follow()
    assert len(told) == 1
    assert (arm.pose_at(0.0) == before).all()
