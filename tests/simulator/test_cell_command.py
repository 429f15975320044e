"""``eyebolt-sim cell`` against a scripted daemon that grabs real images."""

import itertools
import json
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest

from eyebolt.boards import board_from_mm
from eyebolt.boards.detect import find_board
from eyebolt.boards.detection import Detection
from eyebolt.cameras.simulated import SimulatedCamera
from eyebolt.config.station_file import parse_station
from eyebolt_sim.cli import main
from eyebolt_sim.lens import read_lens
from eyebolt_sim.pose_format import PoseFormat
from support import processes

BOARD = board_from_mm("charuco", 12, 9, 15.0, 11.0, "5X5_100")


def command(*arguments):
    return [sys.executable, "-m", "eyebolt_sim", *map(str, arguments)]


def run(*arguments):
    return processes.run(command(*arguments), limit_s=60.0)


@pytest.fixture
def in_process(monkeypatch, capsys):
    """The command without a new process, which would take a second or two to start."""

    def call(*arguments):
        monkeypatch.setattr(sys, "argv", ["eyebolt-sim", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        printed = capsys.readouterr()
        return ended.value.code or 0, printed.out, printed.err

    return call


class GrabbingDaemon:
    """Grabs an image and detects the board at each capture, as a daemon would; replies 30 to capture ``stop_at``."""

    def __init__(self, station, stop_at=None):
        self.detections, self.poses = [], []
        self._camera = SimulatedCamera(station.camera.endpoint)
        self._pose_format = PoseFormat(station.robot.length, station.robot.rotation, station.robot.angle)
        self._stop_at = stop_at

    def answer(self, line):
        verb, seq, *pose = line.split()
        if verb in ("capture", "check"):
            frame = self._camera.grab(time.monotonic_ns(), 10.0)
            self.detections.append(find_board(frame.pixels, BOARD))
            self.poses.append(self._pose_format.parse_pose([float(v) for v in pose]))
            if len(self.poses) == self._stop_at:
                return f"30,{seq},{len(self.poses)},1"
        return f"0,{seq},{len(self.poses)},{0 if verb == 'hello' else 5}"

    def close(self):
        self._camera.close()


@pytest.fixture
def cell_of(make_station, scripted_daemon):
    grabbing = []

    def start(stop_at=None, **changes):
        # The station file needs the port that the scripted daemon has chosen.
        daemon = scripted_daemon(lambda line: grabbing[-1].answer(line))
        path = make_station(connection=f'listen = "127.0.0.1:{daemon.port}"', near_mm=400.0, far_mm=700.0, **changes)
        grabbing.append(GrabbingDaemon(parse_station(path.read_text(), "station.toml"), stop_at))
        return path, grabbing[-1]

    yield start
    for daemon in grabbing:
        daemon.close()


@pytest.mark.parametrize(
    ("mount", "changes", "options"),
    [
        ("fixed", {}, []),
        ("arm", {"rotation": "euler-ZYX"}, []),
        ("arm", {"turns": "vertical", "rotation": "angle-z"}, []),
        ("fixed", {"rotation": "rotation-vector", "length": "m", "angle": "rad"}, ["--no-checks"]),
    ],
)
def test_images_and_poses_of_a_session_agree_with_the_truth(cell_of, in_process, mount, changes, options):
    """The true transforms and each reported pose predict the detected corners."""
    path, daemon = cell_of(mount=mount, **changes)
    no_noise = ["--robot-noise-mm", 0, "--robot-noise-deg", 0]
    status, printed, errors = in_process("cell", path, "--waypoints", 4, "--speed", 200, *no_noise, *options)
    assert status == 0, errors
    assert "waypoint 4/4: kept (0)" in printed
    truth = json.loads((path.parent / "truth.json").read_text())
    assert (truth["mount"], truth["seed"], truth["robot_noise"]) == (mount, 0, {"mm": 0.0, "deg": 0.0})
    lens = read_lens(path.parent / "camera.json")
    assert len(daemon.poses) == 4 + (0 if options else 2)
    for detection, base_T_flange in zip(daemon.detections, daemon.poses, strict=True):
        assert isinstance(detection, Detection)
        if mount == "fixed":
            view = np.linalg.inv(truth["base_T_camera"]) @ base_T_flange @ truth["flange_T_board"]
        else:
            view = np.linalg.inv(base_T_flange @ truth["flange_T_camera"]) @ truth["base_T_board"]
        corners = BOARD.corners_m()[detection.ids]
        predicted = lens.project(corners @ view[:3, :3].T + view[:3, 3])
        residuals = detection.corners_px - predicted
        assert np.abs(residuals.mean(axis=0)).max() < 0.05
        assert np.abs(residuals).max() < 0.6


def test_a_stop_code_ends_the_command_with_3(cell_of, in_process):
    path, daemon = cell_of(stop_at=2)
    status, printed, errors = in_process(
        "cell", path, "--waypoints", 4, "--speed", 200, "--truth", path.parent / "elsewhere.json"
    )
    assert status == 3, errors
    assert "waypoint 2/4: stop (30)" in printed
    assert len(daemon.poses) == 2
    assert (path.parent / "elsewhere.json").exists()
    assert not (path.parent / "truth.json").exists()


def test_a_fault_is_injected_and_written_to_the_truth(cell_of, in_process):
    """A skipped move pairs the image of one waypoint with the pose of the next."""
    path, daemon = cell_of()
    inject = ["--no-checks", "--inject", "skipped-move@3"]
    status, _, errors = in_process("cell", path, "--waypoints", 4, "--speed", 200, *inject)
    assert status == 0, errors
    assert json.loads((path.parent / "truth.json").read_text())["fault"] == "skipped-move@3"
    centres = [detection.corners_px.mean(axis=0) for detection in daemon.detections]
    shifts_px = [float(np.linalg.norm(after - before)) for before, after in itertools.pairwise(centres)]
    assert shifts_px[1] < 0.5 < 5 < min(shifts_px[0], shifts_px[2])
    assert np.linalg.norm(daemon.poses[2][:3, 3] - daemon.poses[1][:3, 3]) > 0.01


def test_camera_and_robot_can_be_two_processes(cell_of, in_process):
    path, daemon = cell_of()
    camera = subprocess.Popen(
        command("cell", path, "--waypoints", 4, "--camera-only"), stdout=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    try:
        assert "images at" in camera.stdout.readline()
        status, _, errors = in_process("cell", path, "--waypoints", 4, "--speed", 200, "--robot-only")
    finally:
        camera.send_signal(signal.SIGINT)
        try:
            processes.wait_for_exit(camera, 10.0)
        finally:
            processes.end(camera)
            camera.stdout.close()
    assert status == 0, errors
    assert camera.returncode == 130
    assert len(daemon.detections) == 6
    assert all(isinstance(detection, Detection) for detection in daemon.detections)
    shifts = [
        np.abs(a.corners_px.mean(0) - b.corners_px.mean(0)).max()
        for a, b in zip(daemon.detections[:3], daemon.detections[1:4], strict=True)
    ]
    assert min(shifts) > 5


def test_errors_have_a_code_and_a_remedy(make_station, tmp_path, in_process):
    path = make_station(camera_lines=('source = "folder"', 'path = "images"'))
    other_camera = in_process("cell", path)
    no_daemon = in_process("cell", make_station(), "--wait", "0.2")
    without_lens = make_station()
    (tmp_path / "camera.json").unlink()
    for (status, _, errors), code in (
        (in_process("cell", tmp_path / "none.toml"), "file-unreadable"),
        (other_camera, "sim-source"),
        (no_daemon, "sim-no-daemon"),
        (in_process("cell", without_lens), "lens-file"),
        (in_process("cell", without_lens, "--waypoints", 50), "sim-waypoints"),
        (in_process("cell", without_lens, "--camera-only", "--robot-only"), "sim-usage"),
        (in_process("cell", without_lens, "--inject", "board-moved", "--touch", 3), "sim-usage"),
        (in_process("cell", without_lens, "--controller", "krl", "--touch", 3), "sim-usage"),
        (in_process("cell", without_lens, "--controller", "basic"), "sim-controller"),
        (in_process("cell", without_lens, "--inject", "board-move"), "sim-fault"),
    ):
        assert status == 1
        assert f"({code})" in errors
        assert "What to do:" in errors
    process = run("cell", tmp_path / "none.toml")
    assert process.returncode == 1
    assert process.stderr.startswith("eyebolt-sim: the station file")
    assert "Traceback" not in process.stderr
