"""Real images through the socket, against what OpenCV makes of them.

Source: the 13 stereo pairs of a chessboard that come with OpenCV (Debian package opencv-doc, examples/data, left01.jpg
to right14.jpg; 9 x 6 inner corners of 25 mm as its left_intrinsics.yml says). A stereo pair is a hand-eye problem:
where the left camera sees the board, moved by a constant that is invented here, is what the "robot" reports, and the
right camera is the camera. The wanted transform is then the extrinsic between the two cameras.

The reference and both lenses are OpenCV's alone: findChessboardCorners, cornerSubPix, calibrateCamera, stereoCalibrate.
The "robot" sees the board with the service's corner finder, so that both sides of the problem carry the same kind of
error; the closed forms get the very corners that the daemon recorded and the poses that it was sent.

Closeness: the angle of the rotation, and the distance of the camera's place, between a result and the reference. "Twice
as close" holds for each of the two, against the best of all closed forms in that one.
"""

import json

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from eyebolt.boards import Chessboard
from eyebolt.boards.detect import find_board
from eyebolt.session import DetectionFact
from eyebolt.store.names import list_sessions
from eyebolt_sim.lens import Lens
from support.daemon_process import Robot
from support.folder_camera_cell import write_station
from support.recorded_facts import facts_in

SIZE = (640, 480)
INNER = (9, 6)
SQUARES = (INNER[0] + 1, INNER[1] + 1)
SQUARE_MM = 25.0
BOARD = (
    'kind = "chessboard"',
    f"columns = {SQUARES[0]}",
    f"rows = {SQUARES[1]}",
    f"square_mm = {SQUARE_MM}",
    # Both sides of the comparison have their unit of length from this board.
    "scale_sigma_percent = 1e-7",
)
# Inner corners row by row in the frame whose origin is the board's outer corner, as the service counts them.
CORNERS_M = (np.array([[x + 1, y + 1, 0] for y in range(INNER[1]) for x in range(INNER[0])]) * SQUARE_MM / 1e3).astype(
    np.float32
)
STEPS = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 100, 1e-6)
# Far from any symmetry: where the left camera stands in the "base", and the board at the "flange".
BASE_T_LEFT = ([0.4, -1.9, 1.1], [0.62, -0.21, 0.83])
BOARD_T_FLANGE = ([2.1, 0.5, -0.7], [-0.03, 0.05, 0.11])
HAND_EYE = ("TSAI", "PARK", "HORAUD", "ANDREFF", "DANIILIDIS")
ROBOT_WORLD = ("SHAH", "LI")


def matrix(rotation, translation):
    out = np.eye(4)
    out[:3, :3], out[:3, 3] = rotation, np.ravel(translation)
    return out


def turned(vector, translation):
    return matrix(Rotation.from_rotvec(vector).as_matrix(), translation)


def find_corners(path):
    gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    found, corners = cv2.findChessboardCorners(gray, INNER)
    assert found, path
    return cv2.cornerSubPix(gray, corners, (5, 5), (-1, -1), STEPS).reshape(-1, 1, 2)


def seen_by_service(path):
    seen = find_board(cv2.imread(str(path), cv2.IMREAD_UNCHANGED), Chessboard(*SQUARES, SQUARE_MM / 1e3))
    assert seen.ids.tolist() == list(range(54)), path
    return seen.corners_px


def calibrate(corners):
    """rms, matrix and distortion of one camera."""
    return cv2.calibrateCamera([CORNERS_M] * len(corners), corners, SIZE, None, None)[:3]


def board_pose(corners, camera, distortion):
    points, seen = CORNERS_M.astype(float), np.asarray(corners, dtype=float).reshape(-1, 1, 2)
    _, turn, shift = cv2.solvePnP(points, seen, camera, distortion, flags=cv2.SOLVEPNP_ITERATIVE)
    return matrix(cv2.Rodrigues(turn)[0], shift)


def printed(base_T_flange):
    """As a controller prints it: millimetres with 3 decimals, quaternion w x y z with 6."""
    quaternion = Rotation.from_matrix(base_T_flange[:3, :3]).as_quat(scalar_first=True)
    lengths = [f"{v:.3f}" for v in base_T_flange[:3, 3] * 1e3]
    return " ".join([*lengths, *(f"{v:.6f}" for v in quaternion)])


def read_back(fields):
    numbers = np.array([float(f) for f in fields.split()])
    return matrix(Rotation.from_quat(numbers[3:], scalar_first=True).as_matrix(), numbers[:3] / 1e3)


def off_by(found, reference):
    """Rotation and translation error: degrees, millimetres."""
    between = np.linalg.inv(reference) @ found
    return np.rad2deg(Rotation.from_matrix(between[:3, :3]).magnitude()), np.linalg.norm(between[:3, 3]) * 1e3


def closed_forms(chain, camera_T_board):
    """Every closed form that OpenCV 4 has for inverse(X) A Y = camera_T_board; A (n, 4, 4) as the robot reports it."""
    for name in HAND_EYE:
        backwards = [np.linalg.inv(A) for A in chain]
        turn, shift = cv2.calibrateHandEye(
            [b[:3, :3] for b in backwards],
            [b[:3, 3] for b in backwards],
            [c[:3, :3] for c in camera_T_board],
            [c[:3, 3] for c in camera_T_board],
            method=getattr(cv2, f"CALIB_HAND_EYE_{name}"),
        )
        yield name, matrix(turn, shift)
    for name in ROBOT_WORLD:
        *_, turn, shift = cv2.calibrateRobotWorldHandEye(
            [c[:3, :3] for c in camera_T_board],
            [c[:3, 3] for c in camera_T_board],
            [A[:3, :3] for A in chain],
            [A[:3, 3] for A in chain],
            method=getattr(cv2, f"CALIB_ROBOT_WORLD_HAND_EYE_{name}"),
        )
        yield name, np.linalg.inv(matrix(turn, shift))


class StereoRig:
    """Both cameras calibrated, the reference between them, and what the left one makes of each image."""

    def __init__(self, images):
        left, right = ([find_corners(path) for path in images[side]] for side in ("left", "right"))
        self.left_rms, *left_lens = calibrate(left)
        self.right_rms, *self.right_lens = calibrate(right)
        self.rms, *_, turn, shift, _, _ = cv2.stereoCalibrate(
            [CORNERS_M] * len(left), left, right, *left_lens, *self.right_lens, SIZE,
            flags=cv2.CALIB_FIX_INTRINSIC, criteria=STEPS,
        )  # fmt: skip
        self.left_T_right = np.linalg.inv(matrix(turn, shift))
        self.left_T_board = [board_pose(seen_by_service(path), *left_lens) for path in images["left"]]


@pytest.fixture(scope="module")
def rig(stereo_images):
    return StereoRig(stereo_images)


@pytest.mark.evidence
def test_the_reference_is_the_published_one(rig):
    """OpenCV's own tests publish rms 0.1963 for the left camera; a stereo rms above it would spoil the reference."""
    print(f"left rms {rig.left_rms:.4f} px, right {rig.right_rms:.4f} px, stereo {rig.rms:.4f} px")
    assert rig.left_rms == pytest.approx(0.196334638, abs=0.002)
    assert np.linalg.norm(rig.left_T_right[:3, 3]) == pytest.approx(0.0832, abs=0.0005)


@pytest.mark.evidence
@pytest.mark.parametrize("mount", ["fixed", "arm"])
def test_real_images_through_the_socket_come_close_to_stereo_calibration(
    rig, stereo_images, start_daemon, tmp_path, mount
):
    base_T_left, board_T_flange = turned(*BASE_T_LEFT), turned(*BOARD_T_FLANGE)
    wanted = base_T_left @ rig.left_T_right
    # Camera fixed: the board is at the flange. Camera on the arm: the arm carries both cameras, and the same chain runs
    # from flange to base.
    chain = [base_T_left @ pose @ board_T_flange for pose in rig.left_T_board]
    fields = [printed(A if mount == "fixed" else np.linalg.inv(A)) for A in chain]

    folder = tmp_path / "images"
    folder.mkdir()
    for path in stereo_images["right"]:
        (folder / path.name).write_bytes(path.read_bytes())
    camera, distortion = rig.right_lens
    station = write_station(
        tmp_path,
        lens=Lens(*SIZE, camera, distortion.ravel()),
        mount=mount,
        board_lines=BOARD,
        camera_lines=('source = "folder"', 'path = "images"'),
        robot_lines=("noise_mm = 0.02", "noise_deg = 0.002"),
        near_mm=300.0,
        far_mm=600.0,
    )
    daemon = start_daemon(station)
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        replies = [robot.final(f"capture {seq} {pose}") for seq, pose in enumerate(fields, 1)]
        replies += [robot.final("solve 20"), robot.final("bye 21")]
    session = list_sessions(tmp_path / "sessions")[-1]
    result = json.loads((session / "result.json").read_text())

    found = off_by(np.array(result["transform"]["matrix_m"]), wanted)
    seen = [fact.detection for fact in facts_in(session, DetectionFact)]
    camera_T_board = [board_pose(s.corners_px, camera, distortion) for s in seen]
    reported = [read_back(f) if mount == "fixed" else np.linalg.inv(read_back(f)) for f in fields]
    others = {name: off_by(X, wanted) for name, X in closed_forms(reported, camera_T_board)}
    best = np.min(list(others.values()), axis=0)
    print(f"\n{mount}: off by {found[0]:.4f} deg, {found[1]:.3f} mm; stated {result['expected_error_mm']}")
    print("  closed forms: " + "; ".join(f"{n} {d:.4f} deg {m:.3f} mm" for n, (d, m) in others.items()))
    print("  codes: " + " ".join(str(r[0]) for r in replies), result["pairs"], result["acceptance"], result["reason"])

    assert len(seen) == 13
    assert all(list(s.ids) == list(range(54)) for s in seen)
    assert all(reply[0] <= 9 for reply in replies[:13])
    assert result["pairs"] == {"used": 13, "excluded": []}
    assert found[0] <= 0.04
    assert found[1] <= 0.2
    assert found[0] <= best[0] / 2
    assert found[1] <= best[1] / 2
