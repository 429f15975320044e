"""``eyebolt-sim conform``: passes the daemon and the session in memory, fails daemons that are wrong on purpose."""

import contextlib
import socket
import sys
import threading

import pytest

from eyebolt.errors import InputFault, MachineFault
from eyebolt.protocol import foreign_protocol
from eyebolt_sim.conformance import Rule, Target, Way, chosen_transcripts, conform, player
from eyebolt_sim.verdict import Outcome
from support.daemon_process import DaemonProcess, Robot
from support.processes import run as run_process
from support.processes import until
from support.session_world import World

ANY_HAND = {
    Rule.WORKING, Rule.RESTARTED, Rule.REFUSED, Rule.CANNOT_RECORD, Rule.GOAL_MET, Rule.NOT_ALLOWED
}  # fmt: skip


class MemoryDaemon:
    """The session in memory behind a socket, one thread; ``wrong(data, reply)`` replaces the reply to these bytes."""

    def __init__(self, wrong=lambda data, reply: reply, reads=lambda data: data, closes=True):
        self.world, self.wrong, self.reads, self.closes = World(), wrong, reads, closes
        self.lock, self.sockets = threading.Lock(), {}
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self):
        with contextlib.suppress(OSError):
            while True:
                peer, _ = self.listener.accept()
                peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                threading.Thread(target=self._serve, args=(peer,), daemon=True).start()

    def _serve(self, peer):
        with self.lock:
            connection = self.world.connect()
            self.sockets[connection.number] = peer
        with peer, contextlib.suppress(OSError):
            while data := self.reads(peer.recv(4096)):
                if self.closes and foreign_protocol(data):
                    return
                with self.lock:
                    before = len(connection.sent)
                    self.world.receive(connection, data)
                    peer.sendall(self.wrong(data, bytes(connection.sent[before:])))
                    if self.closes:
                        self._close_dropped()
        with self.lock:
            if not connection.dropped:
                self.world.hang_up(connection)

    def _close_dropped(self):
        for number, connection in self.world.connections.items():
            if connection.dropped:
                with contextlib.suppress(OSError):
                    self.sockets[number].shutdown(socket.SHUT_RDWR)

    def close(self):
        self.listener.close()


@contextlib.contextmanager
def verdict_on(ways=tuple(Way), transcripts=(), **wrong):
    daemon = MemoryDaemon(**wrong)
    with contextlib.closing(daemon):
        kit = player.ConformanceKit(Target("127.0.0.1", daemon.port), lambda text: None)
        kit.prepare(may_disturb=False)
        for way in ways:
            # Byte by byte takes long.
            shown = ["carriage_return", "controller_habits"] if way is Way.BYTES and not transcripts else transcripts
            for path in chosen_transcripts(shown):
                kit.play(path, way)
        kit.finish()
        yield kit


def test_the_session_in_memory_passes_every_rule_that_needs_no_hand_in_the_cell(monkeypatch):
    monkeypatch.setattr(player, "_POLL_S", 0.01)
    with verdict_on() as kit:
        verdict = kit.verdict()
        assert not verdict.failed, "\n".join(verdict.lines())
        assert {rule for rule in Rule if kit.rules[rule].outcome is Outcome.NOT_TRIED} <= ANY_HAND
        assert kit.sessions >= 2 * len(chosen_transcripts(()))
        assert len(list(verdict.lines())) < 66


class Repeats:
    """Wrong only the second time that the same bytes come."""

    def __init__(self, reply):
        self.seen, self.reply = set(), reply

    def __call__(self, data, reply):
        is_repeated = data in self.seen
        self.seen.add(data)
        return self.reply if is_repeated and data.startswith(b"capture") else reply


def replaced(verb, old, new):
    return lambda data, reply: reply.replace(old, new) if data.startswith(verb) else reply


WRONG = {
    Rule.ENDING: ("carriage_return", {"wrong": lambda data, reply: reply.replace(b"\r", b"\n")}),
    Rule.BRACKETS: ("brackets", {"wrong": lambda data, reply: reply.strip(b"()\n").replace(b")", b"") + b"\n"}),
    Rule.SEQ: ("plain_run", {"wrong": replaced(b"capture", b"0,6,", b"0,0,")}),
    Rule.FORM: ("plain_run", {"wrong": lambda data, reply: reply.replace(b"0,6,4,4", b"0,6,4")}),
    Rule.NOTHING_UNASKED: (
        "malformed_lines", {"wrong": lambda data, reply: b"0,0,0,0\n" if data.startswith(b"pose") else reply}
    ),
    Rule.UNKNOWN_VERB: ("malformed_lines", {"wrong": replaced(b"grab", b"40", b"41")}),
    Rule.NUMBER_REPLIES: ("other_verbs", {"wrong": replaced(b"locate", b"0,0,0", b"0,0")}),
    Rule.HELLO: ("resumed_in_the_middle", {"wrong": replaced(b"hello 900", b",2,3", b",2,0")}),
    Rule.STORED: ("lost_reply", {"wrong": Repeats(b"0,2,2,6\n")}),
    Rule.REUSED: ("seq_used_again", {"wrong": replaced(b"capture", b"47", b"26")}),
    Rule.AGAIN_UNKNOWN: ("slow_work", {"wrong": replaced(b"again 77", b"43", b"45")}),
    Rule.CAPTURE: ("plain_run", {"wrong": replaced(b"capture", b",3,5", b",2,5")}),
    Rule.BEGIN_NEW: ("restarted_from_the_top", {"wrong": replaced(b"begin", b"0,1,0,8", b"0,1,2,6")}),
    Rule.TAKEOVER: ("second_connection", {"closes": False}),
    Rule.SINGLE_BYTES: ("begin_twice", {"reads": lambda data: data if len(data) > 1 or not data else b"\0"}),
    Rule.MERGED: ("carriage_return", {"reads": lambda data: data[: data.find(b"\r") + 1] or data}),
    Rule.FOREIGN: ("begin_twice", {"closes": False}),
}  # fmt: skip


@pytest.mark.parametrize("rule", list(WRONG), ids=lambda rule: rule.name)
def test_a_daemon_that_breaks_a_rule_fails_it(rule, monkeypatch):
    monkeypatch.setattr(player, "_NO_REPLY_AFTER_S", -1.2)
    monkeypatch.setattr(player, "_CLOSED_WITHIN_S", 0.2)
    transcript, wrong = WRONG[rule]
    way = {Rule.SINGLE_BYTES: Way.BYTES, Rule.MERGED: Way.MERGED}.get(rule, Way.LINES)
    with verdict_on([way], [transcript], **wrong) as kit:
        assert kit.rules[rule].outcome is Outcome.FAILED
        # Each failure names its place.
        named = kit.rules[rule].failures[0]
        assert transcript in named or rule in (Rule.FOREIGN, Rule.NOTHING_UNASKED)


def test_an_open_session_and_a_connected_robot_are_left_alone():
    with contextlib.closing(MemoryDaemon()) as daemon:
        target = Target("127.0.0.1", daemon.port)

        def play(may_disturb):
            return conform(target, chosen_transcripts(["begin_twice"]), [Way.LINES], may_disturb, lambda text: None)

        with Robot(daemon.port) as robot:
            assert robot.say("begin 1") == "0,1,0,8"
            with pytest.raises(InputFault) as connected:
                play(False)
            assert robot.say("status 2") == "0,2,0,8"
        until(lambda: daemon.world.state.robot_connection is None, "the end of the robot's connection")
        with pytest.raises(InputFault) as still_open:
            play(False)
        assert connected.value.code == still_open.value.code == "conform-in-use"
        assert connected.value.message != still_open.value.message
        with Robot(daemon.port) as robot:
            assert robot.say("hello 0") == "0,0,0,1"
            assert not play(True).failed


def test_nothing_that_answers_and_an_unknown_transcript_are_errors():
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with pytest.raises(MachineFault) as nobody:
        conform(Target("127.0.0.1", port), [], [], False, lambda text: None)
    assert nobody.value.code == "sim-no-daemon"
    with pytest.raises(InputFault) as unknown:
        chosen_transcripts(["no_such"])
    assert unknown.value.code == "sim-usage"


def test_the_command_passes_the_real_daemon(recorded_cell, tmp_path):
    station = recorded_cell.station(tmp_path)
    with DaemonProcess(station) as daemon:
        command = ["-m", "eyebolt_sim", "conform", f"127.0.0.1:{daemon.port}", "--station", str(station)]
        chosen = ["--transcript", "malformed_lines", "--transcript", "second_connection", "--way", "merged"]
        done = run_process([sys.executable, *command, *chosen])
        assert done.returncode == 0, done.stdout + done.stderr
        assert "PASSED" in done.stdout and "remain" in done.stdout
