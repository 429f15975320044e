"""A station that other computers can reach: authentication, and no effect of anything that clients send.

No second computer is needed: the daemon listens at all addresses, and its rules go by where it listens.
"""

import json
import select
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import zmq

from eyebolt.monitor import app
from eyebolt.security.key_files import read_client_keys
from support.daemon_process import Robot, free_ports
from support.folder_camera_cell import write_station
from support.processes import Patience, until

SENDER = Path(__file__).resolve().parents[2] / "robot_scripts/python/push_camera_sender.py"
REFUSED_WATCHER, REFUSED_CAMERA = (f"{role} rejected: not authorized" for role in ("watcher", "camera"))
IGNORED = "message to the status socket ignored"


class Reached:
    """A station with its status, and the camera that sends it images, at all addresses of this computer."""

    def __init__(self, place, eyebolt):
        status, camera = free_ports(2)
        self.status, self.camera = f"tcp://127.0.0.1:{status}", f"tcp://127.0.0.1:{camera}"
        lines = ('source = "push"', f'endpoint = "tcp://0.0.0.0:{camera}"')
        place.mkdir()
        local = write_station(
            place, status=f"tcp://127.0.0.1:{status}", camera_lines=('source = "push"', 'endpoint = "ipc://x"')
        )
        text = local.read_text().replace('endpoint = "ipc://x"', lines[1])
        text = text.replace(f'status = "tcp://127.0.0.1:{status}"', f'keys = "keys"\nstatus = "tcp://0.0.0.0:{status}"')
        local.write_text(text)
        self.file, self.keys = local, place / "keys"
        assert eyebolt("keys", local, "--watcher", "hall", "--camera", "left")[0] == 0
        self.watcher_key, self.camera_key = self.keys / "watcher-hall.key", self.keys / "camera-left.key"


@pytest.fixture
def reached(tmp_path, eyebolt):
    return Reached(tmp_path / "bay", eyebolt)


@pytest.fixture
def connect():
    """Sockets of other programs."""
    context, sockets = zmq.Context(), []

    def open_one(kind, endpoint, key=None):
        socket = context.socket(kind)
        sockets.append(socket)
        socket.setsockopt(zmq.LINGER, 0)
        if kind == zmq.SUB:
            socket.setsockopt(zmq.SUBSCRIBE, b"status")
        if key is not None:
            read_client_keys(key).apply_to(socket)
        socket.connect(endpoint)
        return socket

    yield open_one
    context.destroy(linger=0)


def statuses(socket):
    """The next status that comes."""
    until(lambda: socket.poll(100), "a status")
    return json.loads(socket.recv_multipart()[1])


def test_subscribers_need_a_key_and_rejections_are_logged(reached, start_daemon, connect, eyebolt):
    daemon = start_daemon(reached.file)
    stranger, thief = connect(zmq.SUB, reached.status), connect(zmq.SUB, reached.status, reached.camera_key)
    watcher = connect(zmq.SUB, reached.status, reached.watcher_key)
    assert statuses(watcher)["station"] == "bay-3"
    assert daemon.wait_for_log("client authorized", role="watcher", name="hall")
    assert daemon.wait_for_log(REFUSED_WATCHER, reason="its key is unknown here", peer="127.0.0.1")["remedy"]
    # One without a key may be gone before its address is asked for.
    without = daemon.wait_for_log(REFUSED_WATCHER, reason="it has no key, or is not a watcher")
    assert without["remedy"] and without["peer"] in ("127.0.0.1", "?")
    # Several messages went out meanwhile, and none of them to these.
    for _ in range(3):
        statuses(watcher)
    assert not stranger.poll(0) and not thief.poll(0)
    # The commands: by the station file, which is as good as a key, and by a key file; without one, told at once.
    assert eyebolt("watch", reached.file, "--once", "--plain")[0] == 0
    assert eyebolt("watch", "--endpoint", reached.status, "--key", reached.watcher_key, "--once", "--plain")[0] == 0
    code, _, said = eyebolt("watch", "--endpoint", "tcp://192.0.2.7:4751", "--once")
    assert code == 1 and "(keys-needed)" in said and "--watcher" in said
    # Shut out while the daemon runs: who connects anew is refused.
    (reached.keys / "watchers/hall.public").unlink()
    late = connect(zmq.SUB, reached.status, reached.watcher_key)
    until(
        lambda: len([e for e in daemon.log(REFUSED_WATCHER) if "unknown" in e["reason"]]) > 1,
        "a refusal of the late one",
    )
    assert not late.poll(0)


def test_watch_shows_why_it_is_rejected_and_recovers_once_authorized(reached, start_daemon, tmp_path):
    start_daemon(reached.file)
    authorized_keys = reached.keys / "watchers/hall.public"
    public = authorized_keys.read_text()
    authorized_keys.unlink()
    said = tmp_path / "said"
    # It tries again sooner than the 5 s of a screen beside a cell.
    soon = "from eyebolt.cli.main import main; from eyebolt.monitor import subscriber; "
    soon += "subscriber._RECONNECT_AFTER_S = 0.5; main()"
    command = [sys.executable, "-c", soon, "watch", "--plain", "--endpoint", reached.status]
    with (
        said.open("w") as output,
        subprocess.Popen([*command, "--key", reached.watcher_key], stdout=output) as watcher,
    ):
        try:
            until(lambda: "'eyebolt keys STATION --watcher NAME'" in said.read_text(), "the reason")
            assert "kept" not in said.read_text()
            authorized_keys.write_text(public)
            until(lambda: "kept 0" in said.read_text(), "a status")
        finally:
            watcher.kill()


def test_watch_names_a_wrong_key_and_an_unneeded_one(reached, recorded_cell, start_daemon, eyebolt, monkeypatch):
    monkeypatch.setattr(app, "STALE_AFTER_S", 1.0)
    start_daemon(reached.file)
    other = Reached(reached.file.parents[1] / "other bay", eyebolt).watcher_key
    code, said, _ = eyebolt("watch", "--endpoint", reached.status, "--key", other, "--once", "--plain")
    assert code == 1 and "another station" in said
    local = recorded_cell.station(reached.file.parents[1] / "local")
    start_daemon(local)
    status = next(x for x in local.read_text().splitlines() if x.startswith("status")).split('"')[1]
    code, said, _ = eyebolt("watch", "--endpoint", status, "--key", other, "--once", "--plain")
    assert code == 1 and "omit --key" in said


def test_the_sender_script_needs_its_key(reached, start_daemon):
    daemon = start_daemon(reached.file)
    for key in ((), (str(reached.watcher_key),)):
        with_key = subprocess.Popen([sys.executable, SENDER, reached.camera, "20", *key])
        try:
            count = len(daemon.log(REFUSED_CAMERA))
            until(lambda count=count: len(daemon.log(REFUSED_CAMERA)) > count, "a refused camera")
        finally:
            with_key.kill()
            with_key.wait()
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        sender = subprocess.Popen([sys.executable, SENDER, reached.camera, "20", str(reached.camera_key)])
        try:
            daemon.wait_for_log("client authorized", role="camera", name="left")
            # Its moving test image is of another size than the lens file says: that is what an image means here.
            until(lambda: robot.final(f"capture {next(seqs)} 500 0 400 1 0 0 0")[0] == 38, "an image that got in")
        finally:
            sender.kill()
            sender.wait()


seqs = iter(range(2, 10_000))


@pytest.mark.parametrize("where", ["this computer", "beyond it"])
def test_nothing_sent_to_the_status_socket_is_acted_on(where, recorded_cell, reached, start_daemon, connect, tmp_path):
    """Neither lines of a robot, nor messages of any kind of ZeroMQ peer, with or without a key."""
    if where == "this computer":
        station = recorded_cell.station(tmp_path / "local")
        status = next(x for x in station.read_text().splitlines() if x.startswith("status")).split('"')[1]
        key = None
    else:
        text = reached.file.read_text()
        lines = f'source = "folder"\npath = "{recorded_cell.images}"'
        start = text.index('source = "push"')
        end = text.index("intrinsics")
        reached.file.write_text(text[:start] + lines + "\n" + text[end:])
        station, status, key = reached.file, reached.status, reached.watcher_key
    daemon = start_daemon(station)
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        for seq in (1, 2, 3):
            assert robot.final(recorded_cell.capture(seq))[0] == 0
        watcher = connect(zmq.SUB, status, key)
        statuses(watcher)
        words = [b"undo 4", b"undo 4\n", b"solve 4", b"bye 4", b"accept", b'{"verb": "undo", "seq": 4}', b"\x02undo 4"]
        reader = connect(zmq.XSUB, status, key)
        for word in words:
            reader.send(word)
        reader.send_multipart([b"status", b"undo 4"])
        for kind in (zmq.PUSH, zmq.DEALER, zmq.PUB):
            peer = connect(kind, status, key)
            peer.setsockopt(zmq.SNDTIMEO, 300)
            for word in words:
                try:
                    peer.send(word)
                except zmq.Again:
                    break
        with Robot(int(status.rsplit(":", 1)[1])) as raw:
            raw.send(b"hello 0\nundo 4\nsolve 5\n" * 20)
            time.sleep(0.3)
        assert daemon.wait_for_log(IGNORED)["remedy"]
        assert "undo 4" in daemon.log(IGNORED)[0]["received"]
        until(lambda: len(daemon.log(REFUSED_WATCHER)) >= 3, "peers of another kind are refused")
        assert robot.say("status 9").startswith("0,9,3,")
        assert robot.ask("again 4")[0] == 43
        assert statuses(watcher)["kept"] == 3
    assert daemon.terminate() == 0
    # Whatever was asked stands in the log, and none of it came from there.
    assert {e["line"].split()[0] for e in daemon.log("request received")} == {"hello", "capture", "status", "again"}
    assert "Traceback" not in daemon.text()


def test_subscriptions_do_not_pile_up(recorded_cell, start_daemon, connect, tmp_path):
    """A subscriber needs one topic; the daemon does not store thousands of others."""
    station = recorded_cell.station(tmp_path)
    status = next(x for x in station.read_text().splitlines() if x.startswith("status")).split('"')[1]
    daemon = start_daemon(station)
    greedy = connect(zmq.XSUB, status)
    for number in range(3000):
        greedy.send(b"\x01" + b"%200d" % number)
    daemon.wait_for_log(IGNORED)
    watcher = connect(zmq.SUB, status)
    assert statuses(watcher)["kept"] == 0
    with Robot(daemon.port) as robot:
        assert robot.say("hello 0") == "0,0,0,0"


def test_a_station_without_its_keys_does_not_start(reached, eyebolt):
    secret = reached.keys / "station.secret"
    secret.chmod(0o644)
    code, _, said = eyebolt("serve", reached.file, "--log", "json")
    assert code == 1 and "(keys-exposed)" in said and "chmod 600" in said
    secret.unlink()
    code, _, said = eyebolt("serve", reached.file, "--log", "json")
    assert code == 1 and "(keys-missing)" in said and "eyebolt keys" in said
    text = reached.file.read_text()
    reached.file.write_text(text.replace('keys = "keys"\n', ""))
    code, _, said = eyebolt("serve", reached.file, "--log", "json")
    assert code == 1 and "2 faults" in said and "without keys" in said
    reached.file.write_text(text.replace('keys = "keys"\n', "").replace("0.0.0.0", "127.0.0.1"))
    code, _, said = eyebolt("keys", reached.file)
    assert code == 1 and "(keys-unnamed)" in said


def test_names_from_a_sender_become_no_paths(start_daemon, tmp_path, connect):
    """A sender names itself and its images; the record uses names of its own."""
    place = tmp_path / "cell"
    place.mkdir()
    (camera,) = free_ports(1)
    lines = ('source = "push"', f'endpoint = "tcp://127.0.0.1:{camera}"')
    daemon = start_daemon(write_station(place, camera_lines=lines))
    sender = connect(zmq.PUSH, f"tcp://127.0.0.1:{camera}")
    image = np.zeros((960, 1280), np.uint8)
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        robot.send("capture 1 500 0 400 1 0 0 0")
        patience = Patience()
        while not select.select([robot.connection], [], [], 0.05)[0]:
            assert not patience.is_over(), "no reply to the capture"
            header = {"schema": 1, "id": 7, "boot_id": "../../../outside", "width": 1280, "height": 960, "channels": 1}
            header |= {"dtype": "uint8", "exposed_ns": time.monotonic_ns()}
            sender.send_multipart([json.dumps(header).encode(), image.tobytes()])
        assert robot.reply().startswith("25,1,")
    facts = "".join(path.read_text() for path in place.rglob("facts.journal"))
    assert '"name":"../../../outside/7"' in facts
    assert not [p for p in tmp_path.rglob("*") if "outside" in p.name]
    assert {p.name for p in tmp_path.iterdir()} == {"cell"}
