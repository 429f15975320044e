"""The status messages of a session, and after a restart of the daemon."""

import json

import pytest
import zmq

from eyebolt.store.names import list_sessions
from support.daemon_process import Robot
from support.processes import Patience


class Watcher:
    """A bare subscriber of a station's status."""

    def __init__(self, station_file):
        lines = station_file.read_text().splitlines()
        endpoint = next(line for line in lines if line.startswith("status = ")).split('"')[1]
        self.context = zmq.Context()
        self.socket = self.context.socket(zmq.SUB)
        self.socket.setsockopt(zmq.SUBSCRIBE, b"status")
        self.socket.connect(endpoint)
        self.seen = []

    def until(self, condition):
        """The first status from now on of which ``condition`` is true."""
        patience = Patience()
        while not patience.is_over():
            if self.socket.poll(100):
                topic, content = self.socket.recv_multipart()
                assert topic == b"status"
                self.seen.append(json.loads(content))
                if condition(self.seen[-1]):
                    return self.seen[-1]
        raise AssertionError(f"no such status in {patience.limit_s:.0f} s; the last one: {self.seen[-1:]}")

    def close(self):
        self.context.destroy(linger=0)


@pytest.fixture
def watch():
    watchers = []

    def start(station_file):
        watchers.append(Watcher(station_file))
        return watchers[-1]

    yield start
    for watcher in watchers:
        watcher.close()


def test_the_status_follows_a_session_a_restart_and_an_acceptance(
    recorded_cell, start_daemon, watch, eyebolt, tmp_path
):
    station = recorded_cell.station(tmp_path)
    watcher = watch(station)
    daemon = start_daemon(station)
    first = watcher.until(lambda s: True)
    assert (first["phase"], first["session"], first["kept"], first["wanted"]) == ("idle", None, 0, 8)
    assert first["robot"] == {"is_connected": False, "message": "not connected", "remedy": ""}
    assert first["camera"]["is_connected"]
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        assert "127.0.0.1" in watcher.until(lambda s: s["robot"]["is_connected"])["robot"]["message"]
        for seq in range(1, 9):
            reply = robot.final(recorded_cell.capture(seq))
            status = watcher.until(lambda s, seq=seq: s["kept"] == seq and s["phase"] != "working")
            assert (status["kept"], status["wanted"]) == reply[2:]
            assert (status["last_reply"]["seq"], status["last_reply"]["code"]) == (seq, reply[0])
        assert status["phase"] == "goal-met"
        assert status["p95_upper_mm"] == status["p95_upper_history_mm"][-1] == status["result"]["p95_upper_mm"]
        assert len(status["p95_upper_history_mm"]) == 8
        # Before the third pair there was nothing to solve.
        assert status["p95_upper_history_mm"][:2] == [None, None]
        assert None not in status["p95_upper_history_mm"][2:]
        # A refusal is shown with what to do, and the counter stands.
        assert robot.final(recorded_cell.capture(9, 0))[0] == 26
        refused = watcher.until(lambda s: s["refused"] == 1)
        assert refused["last_reply"]["code"] == 26
        assert refused["last_reply"]["remedy"]
        assert refused["kept"] == 8
        assert robot.final("bye 10")[0] == 0
        closed = watcher.until(lambda s: s["phase"] == "closed")
    assert watcher.until(lambda s: not s["robot"]["is_connected"])["kept"] == 8
    # Nobody has moved the counter but the session: it never fell.
    counts = [s["kept"] for s in watcher.seen]
    assert counts == sorted(counts)

    assert daemon.terminate() == 0
    start_daemon(station)
    again = watcher.until(lambda s: s["phase"] != "closed" or not s["robot"]["is_connected"])
    lasting = set(closed) - {"timestamp", "robot", "camera"}
    assert {k: again[k] for k in lasting} == {k: closed[k] for k in lasting}

    (session,) = list_sessions(tmp_path / "sessions")
    assert not again["is_accepted"]
    assert eyebolt("accept", session, "--by", "R. Ode")[0] == 0
    assert watcher.until(lambda s: s["is_accepted"])["session"] == session.name
