"""The station of a replay: the recorded one with other endpoints and a pushed camera."""

import math

import pytest

from eyebolt.config.station_file import parse_station
from eyebolt.config.template import station_template
from eyebolt.errors import InputFault
from eyebolt_sim.replay.daemon_target import attach_daemon, station_with_push_camera

CAMERAS = {
    "folder": ('source = "folder"', 'path = "C:\\\\images"'),
    "device": ('source = "device"', 'path = "/dev/video0"', "exposure_us = 1500.5"),
    "simulated": ('source = "simulated"', 'endpoint = "tcp://127.0.0.1:4760"', 'motion_check = "off"'),
}
RECORDED = """
[witness]
kind = "chessboard"
columns = 7
rows = 6
square_mm = 12.000000000000002
"""


@pytest.mark.parametrize("source", CAMERAS)
@pytest.mark.parametrize("connection", ['listen = "0.0.0.0:4750"', 'dial = "10.0.0.7:5000"'])
def test_only_endpoints_and_camera_change(source, connection):
    text = station_template("bay-3", "fixed", connection=connection, camera_lines=CAMERAS[source]) + RECORDED
    text = text.replace('name = "bay-3"', 'name = "bay-3"\nkeys = "keys"')
    if source != "folder":
        text = text.replace("[robot]\n", "[robot]\nguided = true\n", 1)
    recorded = parse_station(text, "recorded")
    served = parse_station(
        station_with_push_camera(b"\xef\xbb\xbf" + text.encode(), 5001, 5002, 5003, 2.0, True), "served"
    )
    assert (served.board, served.goal, served.witness) == (recorded.board, recorded.goal, recorded.witness)
    assert (served.pose_format, served.robot_noise_m_rad) == (recorded.pose_format, recorded.robot_noise_m_rad)
    assert served.station == recorded.station.model_copy(
        update={"status": "tcp://127.0.0.1:5002", "keys": None, "control": None}
    )
    assert not served.robot.guided
    assert (served.robot.listen, served.robot.dial, served.robot.allows("127.0.0.1")) == ("127.0.0.1:5001", None, True)
    assert (served.camera.source, served.camera.endpoint) == ("push", "tcp://127.0.0.1:5003")
    assert (served.camera.exposure_us, served.camera.motion_check) == (
        recorded.camera.exposure_us,
        recorded.camera.motion_check,
    )
    assert served.camera.settle_ms == recorded.camera.settle_ms // 2


def test_at_full_speed_there_is_no_settling_time_and_the_motion_check_can_be_off():
    text = station_template("bay-3", "fixed", camera_lines=CAMERAS["device"])
    served = parse_station(station_with_push_camera(text.encode(), 5001, 5002, 5003, math.inf, False), "served")
    assert (served.camera.settle_ms, served.camera.motion_check) == (0, "off")


@pytest.mark.parametrize(
    ("camera", "words"),
    [
        (CAMERAS["folder"], '"folder"'),
        (('source = "push"', 'endpoint = "tcp://127.0.0.1:4760"'), "tcp://0.0.0.0:4760"),
    ],
)
def test_a_daemon_that_accepts_no_pushed_images_is_refused(tmp_path, camera, words):
    station = tmp_path / "station.toml"
    text = station_template("bay-3", "fixed", camera_lines=camera)
    text = text.replace("tcp://127.0.0.1:4760", "tcp://0.0.0.0:4760")
    station.write_text(text.replace('name = "bay-3"', 'name = "bay-3"\nkeys = "keys"'))
    with pytest.raises(InputFault) as fault:
        attach_daemon(station)
    assert fault.value.code == "sim-source"
    assert words in fault.value.message
