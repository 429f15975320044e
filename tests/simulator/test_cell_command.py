"""``eyebolt-sim cell`` as a process of its own, against a daemon made of a script that takes real pictures."""

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

BOARD = board_from_mm("charuco", 12, 9, 15.0, 11.0, "5X5_100")


def command(*arguments):
    return [sys.executable, "-m", "eyebolt_sim", *map(str, arguments)]


def run(*arguments):
    return subprocess.run(command(*arguments), capture_output=True, text=True, timeout=60, check=False)


@pytest.fixture
def here(monkeypatch, capsys):
    """The same command without a process of its own, which takes a second or two to start."""

    def call(*arguments):
        monkeypatch.setattr(sys, "argv", ["eyebolt-sim", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        return ended.value.code or 0, said.out, said.err

    return call


class PictureTaker:
    """Grabs and judges a picture at each capture, as a daemon would; ``stop_at`` makes it say stop."""

    def __init__(self, station, stop_at=None):
        self.detections, self.poses = [], []
        self._camera = SimulatedCamera(station.camera.endpoint)
        self._terms = PoseFormat(station.robot.length, station.robot.rotation, station.robot.angle)
        self._stop_at = stop_at

    def answer(self, line):
        verb, seq, *pose = line.split()
        if verb in ("capture", "check"):
            frame = self._camera.grab(time.monotonic_ns(), 10.0)
            self.detections.append(find_board(frame.pixels, BOARD))
            self.poses.append(self._terms.parse_pose([float(v) for v in pose]))
            if len(self.poses) == self._stop_at:
                return f"30,{seq},{len(self.poses)},1"
        return f"0,{seq},{len(self.poses)},{0 if verb == 'hello' else 5}"

    def close(self):
        self._camera.close()


@pytest.fixture
def cell_of(make_station, scripted_daemon):
    takers = []

    def start(stop_at=None, **changes):
        # The scripted daemon chooses its port itself, so it comes before the station file.
        daemon = scripted_daemon(lambda line: takers[-1].answer(line))
        path = make_station(connection=f'listen = "127.0.0.1:{daemon.port}"', near_mm=400.0, far_mm=700.0, **changes)
        takers.append(PictureTaker(parse_station(path.read_text(), "station.toml"), stop_at))
        return path, takers[-1]

    yield start
    for taker in takers:
        taker.close()


@pytest.mark.parametrize(
    ("mount", "changes", "more"),
    [
        ("fixed", {}, []),
        ("arm", {"rotation": "euler-ZYX"}, []),
        ("arm", {"turns": "vertical", "rotation": "angle-z"}, []),
        ("fixed", {"rotation": "rotation-vector", "length": "m", "angle": "rad"}, ["--no-checks"]),
    ],
)
def test_pictures_and_poses_of_a_session_fit_the_truth(cell_of, here, mount, changes, more):
    """Robot, camera and truth.json must tell one story: the truth, carried through each pose, predicts the corners."""
    path, taker = cell_of(mount=mount, **changes)
    quiet = ["--robot-noise-mm", 0, "--robot-noise-deg", 0]
    status, said, errors = here("cell", path, "--waypoints", 4, "--speed", 200, *quiet, *more)
    assert status == 0, errors
    assert "waypoint 4/4: kept (0)" in said
    truth = json.loads((path.parent / "truth.json").read_text())
    assert (truth["mount"], truth["seed"], truth["robot_noise"]) == (mount, 0, {"mm": 0.0, "deg": 0.0})
    lens = read_lens(path.parent / "camera.json")
    assert len(taker.poses) == 4 + (0 if more else 2)
    for detection, base_T_flange in zip(taker.detections, taker.poses, strict=True):
        assert isinstance(detection, Detection)
        if mount == "fixed":
            view = np.linalg.inv(truth["base_T_camera"]) @ base_T_flange @ truth["flange_T_board"]
        else:
            view = np.linalg.inv(base_T_flange @ truth["flange_T_camera"]) @ truth["base_T_board"]
        corners = BOARD.corners_m()[detection.ids]
        predicted = lens.project(corners @ view[:3, :3].T + view[:3, 3])
        apart = detection.corners_px - predicted
        assert np.abs(apart.mean(axis=0)).max() < 0.05
        assert np.abs(apart).max() < 0.6


def test_a_daemon_that_says_stop_ends_it_with_3(cell_of):
    path, taker = cell_of(stop_at=2)
    done = run("cell", path, "--waypoints", 4, "--speed", 200, "--truth", path.parent / "elsewhere.json")
    assert done.returncode == 3, done.stderr
    assert "the daemon said stop: 30" in done.stdout
    assert len(taker.poses) == 2
    assert (path.parent / "elsewhere.json").exists()
    assert not (path.parent / "truth.json").exists()


def test_a_mistake_is_made_and_stands_in_the_truth(cell_of):
    """The daemon, a script here, gets the picture of one place with the pose of another."""
    path, taker = cell_of()
    done = run("cell", path, "--waypoints", 4, "--speed", 200, "--no-checks", "--inject", "skipped-move@3")
    assert done.returncode == 0, done.stderr
    assert json.loads((path.parent / "truth.json").read_text())["fault"] == "skipped-move@3"
    middles = [detection.corners_px.mean(axis=0) for detection in taker.detections]
    moved = [float(np.linalg.norm(after - before)) for before, after in itertools.pairwise(middles)]
    assert moved[1] < 0.5 < 5 < min(moved[0], moved[2])
    assert np.linalg.norm(taker.poses[2][:3, 3] - taker.poses[1][:3, 3]) > 0.01


def test_the_two_halves_play_together_as_two_processes(cell_of):
    path, taker = cell_of()
    camera = subprocess.Popen(
        command("cell", path, "--waypoints", 4, "--pictures-only"), stdout=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    try:
        assert "pictures at" in camera.stdout.readline()
        done = run("cell", path, "--waypoints", 4, "--speed", 200, "--robot-only")
    finally:
        camera.send_signal(signal.SIGINT)
        camera.wait(10)
        camera.stdout.close()
    assert done.returncode == 0, done.stderr
    assert camera.returncode == 130
    assert len(taker.detections) == 6
    assert all(isinstance(detection, Detection) for detection in taker.detections)
    shifts = [
        np.abs(a.corners_px.mean(0) - b.corners_px.mean(0)).max()
        for a, b in zip(taker.detections[:3], taker.detections[1:4], strict=True)
    ]
    assert min(shifts) > 5


def test_faults_are_told_in_words(make_station, tmp_path, here):
    path = make_station(camera_lines=('source = "folder"', 'path = "pictures"'))
    other_camera = here("cell", path)
    nobody = here("cell", make_station(), "--wait", "0.2")
    without_lens = make_station()
    (tmp_path / "camera.json").unlink()
    for (status, _, errors), message in (
        (here("cell", tmp_path / "none.toml"), "cannot be read"),
        (other_camera, '"folder", not from a simulated camera'),
        (nobody, "no daemon listens at"),
        (here("cell", without_lens), "does not give a lens"),
        (here("cell", without_lens, "--waypoints", 50), "50 waypoints are asked for"),
        (here("cell", without_lens, "--pictures-only", "--robot-only"), "exclude each other"),
        (here("cell", without_lens, "--inject", "board-moved", "--touch", 3), "--lay goes with neither"),
        (here("cell", without_lens, "--inject", "board-move"), "distortion: the lens distorts more"),
    ):
        assert status == 1
        assert message in errors
        assert "What to do:" in errors
    process = run("cell", tmp_path / "none.toml")
    assert process.returncode == 1
    assert process.stderr.startswith("eyebolt-sim: the station file")
    assert "Traceback" not in process.stderr
