"""The arm of a camera without a robot program follows the poses that the robot's requests report."""

import contextlib
import sys
import time

import numpy as np
import pytest
import zmq

from eyebolt.protocol import STATUS_TOPIC, RequestStatus
from eyebolt_sim import cli, pose_follower
from eyebolt_sim.arm import Arm
from eyebolt_sim.cell import Cell, CellOptions, prepare_cell
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


@pytest.mark.parametrize("cell", [{"turns": "vertical", "rotation": "angle-z"}, {"rotation": "euler-ZYX"}])
def test_a_camera_without_a_robot_program_follows_the_poses_as_the_robot_writes_them(
    make_station, free_port, monkeypatch, cell
):
    status = f"tcp://127.0.0.1:{free_port()}"
    path = make_station(**cell, status=status, near_mm=400.0, far_mm=700.0)
    station = prepare_cell(path, CellOptions()).station
    waypoint = prepare_cell(path, CellOptions()).captures[-1]
    written = PoseFormat(station.robot.length, station.robot.rotation, station.robot.angle).format_pose(
        waypoint.base_T_flange
    )
    context, served = zmq.Context(), []

    def camera_server(cell, arm, before_exposure=None):
        served.append((cell, arm, before_exposure))
        return contextlib.nullcontext()

    def act():
        ((cell, arm, before_exposure),) = served
        assert socket.poll(30_000), "nobody subscribed"
        Publisher(socket, status)(tuple(float(number) for number in written.split()))
        before_exposure()
        view = cell.view_from_outward(arm.pose_at(time.monotonic()))
        np.testing.assert_allclose(view, cell.scene.view_from(waypoint.base_T_flange), atol=1e-3)

    monkeypatch.setattr(Cell, "camera_server", camera_server)
    monkeypatch.setattr(cli, "_wait_for_interrupt", act)
    monkeypatch.setattr(sys, "argv", ["eyebolt-sim", "cell", str(path), "--camera-only"])
    try:
        socket = context.socket(zmq.XPUB)
        socket.bind(status)
        with pytest.raises(SystemExit) as ended:
            cli.main()
        assert not ended.value.code
    finally:
        context.destroy(linger=0)
