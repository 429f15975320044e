import json
import time

import numpy as np
import pytest
import zmq

from eyebolt.cameras.frame_message import ErrorReply, decode_reply, encode_request
from eyebolt.cameras.simulated import SimulatedCamera
from eyebolt.errors import MachineFault
from eyebolt_sim.arm import Arm
from eyebolt_sim.board_texture import draw_board_texture
from eyebolt_sim.camera_server import CameraServer, RemoteArm
from eyebolt_sim.cell_geometry import make_cell_geometry
from eyebolt_sim.lens import simple_lens
from eyebolt_sim.moving_arm import MovingArm, travel_time_s
from eyebolt_sim.noise import PoseNoise
from eyebolt_sim.render import Appearance, Renderer
from eyebolt_sim.waypoints import plan_waypoints

FACE = draw_board_texture("chessboard", 8, 5, 25.0)
LENS = simple_lens(320, 240, 350.0)
SCENE = make_cell_geometry("fixed", 1, 0.7, FACE.shape.size_m)
WAYPOINTS = plan_waypoints(SCENE, LENS, FACE.shape, 0.6, 0.8, 2, 1)
RENDERER = Renderer(LENS, FACE, Appearance(read_noise=0, shot_noise=0))


def expose(pose, number):
    return RENDERER.render(SCENE.view_from(pose), number)


@pytest.fixture
def served(free_port):
    arm = MovingArm(Arm(), PoseNoise(), 0, WAYPOINTS[0].joints_rad)
    endpoint = f"tcp://127.0.0.1:{free_port()}"
    with CameraServer(endpoint, expose, arm) as server:
        yield endpoint, arm, server


def expected(waypoint):
    return expose(waypoint.base_T_flange, 0)


def test_the_product_receives_the_view_from_the_current_pose(served):
    endpoint, arm, server = served
    camera = SimulatedCamera(endpoint)
    try:
        not_before_ns = time.monotonic_ns()
        frame = camera.grab(not_before_ns, 120.0)
        assert not_before_ns <= frame.exposed_ns <= time.monotonic_ns()
        assert (frame.pixels == expected(WAYPOINTS[0])).all()
        arm.move_to(WAYPOINTS[1].joints_rad, 0.0, time.monotonic())
        assert (camera.grab(time.monotonic_ns(), 120.0).pixels == expected(WAYPOINTS[1])).all()
        assert server.frames_served == 2
    finally:
        camera.close()


def test_a_robot_in_another_process_moves_the_arm(served):
    endpoint, arm, _ = served
    remote = RemoteArm(endpoint)
    try:
        remote.move_to(WAYPOINTS[1].joints_rad, 0.0, 0.0)
    finally:
        remote.close()
    assert arm.pose_at(time.monotonic()) == pytest.approx(WAYPOINTS[1].base_T_flange, abs=1e-9)


def test_malformed_requests_are_ignored_and_an_exposure_in_the_far_future_is_refused(served):
    endpoint, _, _ = served
    context = zmq.Context()
    try:
        socket = context.socket(zmq.DEALER)
        socket.connect(endpoint)
        for parts in (
            [b"no json"],
            [b"{}", b""],
            [b'{"move_to": 3}'],
            [b'{"move_to": [1,2], "seconds": 0, "request_id": 1}'],
        ):
            socket.send_multipart(parts)
        socket.send(encode_request(time.monotonic_ns() + 60_000_000_000, 7))
        assert socket.poll(120_000)
        reply = decode_reply(socket.recv_multipart())
        assert isinstance(reply, ErrorReply)
        assert reply.request_id == 7
        socket.send(encode_request(time.monotonic_ns(), 8))
        assert socket.poll(120_000)
        header, raw = socket.recv_multipart()
        assert json.loads(header)["request_id"] == 8
        assert len(raw) == 320 * 240
    finally:
        context.destroy(linger=0)


def test_two_cameras_at_one_endpoint_are_refused(served):
    endpoint, arm, _ = served
    with pytest.raises(MachineFault) as refused, CameraServer(endpoint, expose, arm):
        pass
    assert refused.value.code == "sim-endpoint"


def test_a_move_is_linear_in_the_joints_and_ends_with_a_new_pose_error():
    start, goal = WAYPOINTS[0].joints_rad, WAYPOINTS[1].joints_rad
    arm = MovingArm(Arm(), PoseNoise(), 3, start)
    arm.move_to(goal, 2.0, now_s=10.0)
    assert arm.pose_at(10.0) == pytest.approx(Arm().forward(start), abs=1e-12)
    assert arm.pose_at(11.0) == pytest.approx(Arm().forward((start + goal) / 2), abs=1e-12)
    assert arm.pose_at(12.0) == pytest.approx(Arm().forward(goal), abs=1e-12)
    noisy = MovingArm(Arm(), PoseNoise(0.5, 0.1), 3, start)
    ends = []
    for _ in range(3):
        noisy.move_to(goal, 0.0, now_s=0.0)
        ends.append(noisy.pose_at(1.0))
        assert (noisy.pose_at(2.0) == ends[-1]).all()
    assert 0 < np.abs(ends[0] - ends[1]).max() < 0.02
    assert 0 < np.abs(ends[1] - ends[2]).max() < 0.02
    assert travel_time_s(start, goal, 2.0) == pytest.approx(travel_time_s(start, goal, 1.0) / 2)


def test_the_arm_may_be_moved_before_an_exposure(free_port):
    arm = MovingArm(Arm(), PoseNoise(), 0, WAYPOINTS[0].joints_rad)
    endpoint = f"tcp://127.0.0.1:{free_port()}"
    with CameraServer(endpoint, expose, arm, lambda: arm.stand_at(WAYPOINTS[1].base_T_flange)):
        camera = SimulatedCamera(endpoint)
        try:
            assert (camera.grab(time.monotonic_ns(), 120.0).pixels == expected(WAYPOINTS[1])).all()
        finally:
            camera.close()
