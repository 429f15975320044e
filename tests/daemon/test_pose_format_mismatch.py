"""A robot whose angles are in another order than that of the station file is stopped at its fourth or fifth waypoint.

Log and summary name the line to change, and the recorded session can be solved in the right format without new images.
"""

import json

import numpy as np
from scipy.spatial.transform import Rotation

from eyebolt.store.names import list_sessions
from support.daemon_process import Robot
from support.folder_camera_cell import grid_errors_mm

QUATERNION = 'rotation = "quaternion-wxyz"'


def with_angles(line):
    """A capture line whose quaternion (w first) is written as the angles about z, y' and x'' that it stands for."""
    verb, seq, *numbers = line.split()
    values = [float(number) for number in numbers]
    angles = Rotation.from_quat(values[3:], scalar_first=True).as_euler("ZYX", degrees=True)
    return " ".join([verb, seq, *(f"{v:.4f}" for v in (*values[:3], *angles))])


def test_angles_in_the_wrong_order_stop_the_robot_early(start_daemon, recorded_cell, eyebolt, tmp_path):
    station = recorded_cell.station(tmp_path, edit={QUATERNION: 'rotation = "euler-xyz"'})
    daemon = start_daemon(station)
    codes = []
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        for seq in range(1, 7):
            codes.append(robot.final(with_angles(recorded_cell.capture(seq)))[0])
            if codes[-1] >= 30:
                break
        daemon.wait_for_log("reply sent", code=32)
    assert codes in ([0, 0, 0, 32], [0, 0, 0, 0, 32]), codes
    assert 'rotation = "euler-ZYX"' in daemon.log("reply sent")[-1]["message"]
    session = list_sessions(tmp_path / "sessions")[-1]
    result = json.loads((session / "result.json").read_text())
    first = result["findings"][0]
    assert (first["code"], first["severity"]) == ("pose-format", "stop")
    assert 'rotation = "euler-ZYX"' in first["remedy"]
    assert result["acceptance"] == "reject"
    code, shown, _ = eyebolt("inspect", session)
    assert code == 0
    assert "stop pose-format: " in shown
    assert 'rotation = "euler-ZYX"' in shown
    _, solved, _ = eyebolt("solve", session, "--json", "--pose-format", "euler-ZYX,deg,mm")
    anew = json.loads(solved)
    assert anew["transform"]["robot_pose"]["rotation"] == "euler-ZYX"
    errors_mm = grid_errors_mm(np.array(anew["transform"]["matrix_m"]), recorded_cell.hand_eye)
    assert np.mean(errors_mm) < 3 * anew["expected_error_mm"]["p95"]
    assert not [f for f in anew["findings"] if f["severity"] == "stop"]
