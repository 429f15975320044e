"""``watch`` as a process of its own: a real publisher, a pipe, and a terminal of a given size."""

import codecs
import fcntl
import os
import pty
import re
import select
import signal
import socket
import struct
import subprocess
import sys
import termios
import threading
import time
from contextlib import contextmanager

import cv2
import numpy as np
import pytest
import zmq

from eyebolt.errors import MachineFault
from eyebolt.monitor import app
from eyebolt.monitor.app import watch, watch_stations
from eyebolt.monitor.operator_prompt import STALE_AFTER_S
from eyebolt.protocol import VIEW_TOPIC, ControlAction, ControlOutcome, ControlReply, parse_control_request
from support.processes import Patience, until, wait_for_exit
from support.status_messages import make_status
from support.view_messages import make_view

CODE = """
import sys
from eyebolt.monitor import app, control_client, operator_keys, operator_prompt
app.STALE_AFTER_S = operator_prompt.STALE_AFTER_S = {stale_after_s}
# A busy machine is no daemon that is lost, and no operator who has gone away.
control_client._REACHABLE_S = operator_keys._QUESTION_S = operator_keys._ANSWER_S = 600
sys.exit(
    app.watch({endpoint!r}, once={once}, plain={plain}, control={control!r}, bell={bell}, with_view={with_view})
)
"""


class Publisher:
    """Publishes one status every 50 ms at one endpoint, as the daemon's heartbeat does, and a view."""

    def __init__(self, endpoint=None):
        self.context = zmq.Context()
        self.socket = self.context.socket(zmq.XPUB)
        self.socket.setsockopt(zmq.LINGER, 0)
        self.socket.bind(endpoint or "tcp://127.0.0.1:*")
        self.endpoint = self.socket.getsockopt_string(zmq.LAST_ENDPOINT)
        self.parts = [b"status", make_status().to_json()]
        self.view_parts, self.subscriptions = None, []
        self.ended = threading.Event()
        self.thread = threading.Thread(target=self._repeat)
        self.thread.start()

    def publish(self, **changes):
        self.parts = [b"status", make_status(**changes).to_json()]

    def _repeat(self):
        while not self.ended.wait(0.05):
            while self.socket.poll(0):
                self.subscriptions.append(self.socket.recv())
            self.socket.send_multipart(self.parts)
            if self.view_parts is not None:
                self.socket.send_multipart(self.view_parts)
        self.context.destroy(linger=0)

    def close(self):
        self.ended.set()
        self.thread.join()


@contextmanager
def publisher(endpoint=None):
    it = Publisher(endpoint)
    try:
        yield it
    finally:
        it.close()


class Watcher:
    """The process, its output so far, and bounded waiting for a pattern in it."""

    def __init__(
        self,
        endpoint,
        once=False,
        plain=False,
        size=None,
        stale_after_s=STALE_AFTER_S,
        control=None,
        bell=False,
        with_view=False,
        **environment,
    ):
        code = CODE.format(
            endpoint=endpoint,
            once=once,
            plain=plain,
            stale_after_s=stale_after_s,
            control=None if control is None else (control, None),
            bell=bell,
            with_view=with_view,
        )
        env = {k: v for k, v in os.environ.items() if k not in {"NO_COLOR", "COLUMNS", "LINES", "LC_ALL", "LC_CTYPE"}}
        env |= {"LANG": "C.UTF-8", "TERM": "xterm-256color"} | environment
        self.slave = None
        if size is None:
            self.process = subprocess.Popen(
                [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, env=env
            )
            self.reader = self.process.stdout.fileno()
        else:
            self.reader, self.slave = pty.openpty()
            self.resize(*size)
            self.process = subprocess.Popen(
                [sys.executable, "-c", code],
                stdin=self.slave,
                stdout=self.slave,
                stderr=self.slave,
                env=env,
                start_new_session=True,
            )
        self.output = ""
        # A character may come in two pieces.
        self.decoder = codecs.getincrementaldecoder("utf-8")("replace")

    def resize(self, columns, rows):
        fcntl.ioctl(self.reader, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def await_text(self, pattern, since=0):
        """The end of the first match of ``pattern`` in the output after position ``since``."""
        patience = Patience()
        while not patience.is_over():
            match = re.compile(pattern).search(self.output, since)
            if match:
                return match.end()
            if select.select([self.reader], [], [], 0.2)[0]:
                chunk = os.read(self.reader, 65536)
                if not chunk:
                    break
                self.output += self.decoder.decode(chunk)
        match = re.compile(pattern).search(self.output, since)
        assert match, f"no {pattern!r} in:\n{self.output[since:]}"
        return match.end()

    def press(self, keys):
        os.write(self.reader, keys.encode())

    def echoes(self):
        return bool(termios.tcgetattr(self.slave)[3] & termios.ECHO)

    def close(self):
        self.process.kill()
        self.process.wait()
        if self.slave is not None:
            os.close(self.slave)
            os.close(self.reader)
        else:
            self.process.stdout.close()


@contextmanager
def watcher(*args, **options):
    it = Watcher(*args, **options)
    try:
        yield it
    finally:
        it.close()


def test_a_pipe_gets_one_line_per_change_through_a_restart_of_the_daemon():
    with publisher() as daemon:
        endpoint = daemon.endpoint
        with watcher(endpoint) as screen:
            screen.await_text(r"2026-11-25T15:02:13Z RETRY \| bay-3 .* open \| kept 7 wanted 6 .*robot online")
            daemon.publish(kept=8, wanted=5)
            end = screen.await_text(r"kept 8 wanted 5")
            daemon.close()
            end = screen.await_text(r"no status from the daemon.*eyebolt serve STATION", since=end)
            with publisher(endpoint) as again:
                end = screen.await_text(r"kept 7 wanted 6", since=end)
                again.publish(phase="goal-met", kept=13, wanted=0)
                screen.await_text(r"DONE \| .*goal-met \| kept 13 wanted 0", since=end)
                screen.process.send_signal(signal.SIGINT)
                assert wait_for_exit(screen.process) == 0
        lines = screen.output.splitlines()
        assert len(lines) == 5, screen.output
        assert "\x1b" not in screen.output
        assert "Traceback" not in screen.output


def test_it_may_start_before_the_daemon():
    with publisher() as early:
        endpoint = early.endpoint
    with watcher(endpoint, stale_after_s=0.5) as screen:
        end = screen.await_text("no status from the daemon")
        with publisher(endpoint):
            screen.await_text("kept 7 wanted 6", since=end)


def test_a_malformed_message_is_ignored_with_a_note():
    with publisher() as daemon, watcher(daemon.endpoint) as screen:
        end = screen.await_text("kept 7")
        daemon.parts = [b"status", b"{not json"]
        end = screen.await_text("ignored: its second part is not JSON", since=end)
        daemon.publish(kept=9)
        screen.await_text("kept 9", since=end)
        assert "Traceback" not in screen.output


def test_an_ascii_locale_gets_ascii():
    with publisher() as daemon, watcher(daemon.endpoint, LC_ALL="C") as screen:
        daemon.publish(station="b\u00fchne \u2014 drei")
        screen.await_text("b.hne . drei")
        assert screen.output.isascii()


def test_the_screen_follows_the_window_and_restores_the_terminal():
    with publisher() as daemon, watcher(daemon.endpoint, size=(80, 24)) as screen:
        screen.await_text(r"\x1b\[\?1049h")
        end = screen.await_text("7 of about 13 pairs kept")
        assert "\u2588" in screen.output
        assert not screen.echoes()
        assert "\u2500" * 80 in screen.output
        screen.resize(60, 30)
        end = screen.await_text("[^\u2500]\u2500{60}[^\u2500]", since=end)
        daemon.publish(kept=8, wanted=5)
        end = screen.await_text("8 of about 13 pairs kept", since=end)
        screen.process.send_signal(signal.SIGINT)
        screen.await_text(r"\x1b\[\?1049l", since=end)
        screen.await_text(r"\x1b\[\?25h", since=end)
        assert wait_for_exit(screen.process) == 0
        assert screen.echoes()
        assert screen.output.rindex("\x1b[?25h") > screen.output.rindex("\x1b[?25l")
        assert "Traceback" not in screen.output


class ControlPort:
    """A ROUTER socket that keeps requests and answers them, as a daemon's control socket does."""

    def __init__(self):
        self.context = zmq.Context()
        self.socket = self.context.socket(zmq.ROUTER)
        self.socket.setsockopt(zmq.LINGER, 0)
        self.socket.bind("tcp://127.0.0.1:*")
        self.endpoint = self.socket.getsockopt_string(zmq.LAST_ENDPOINT)
        self.requests = []
        self.kept = 7
        self.ended = threading.Event()
        self.thread = threading.Thread(target=self._answer)
        self.thread.start()

    def _answer(self):
        while not self.ended.is_set():
            if not self.socket.poll(20):
                continue
            client, content = self.socket.recv_multipart()
            request = parse_control_request(content)
            if request.action is not ControlAction.STATE:
                self.requests.append(request)
            self.kept -= request.action is ControlAction.UNDO
            reply = ControlReply(
                id=request.id,
                outcome=ControlOutcome.DONE,
                message=f"the reply to {request.action}" if request.action is not ControlAction.STATE else "",
                remedy="",
                station="bay-3",
                session="s-1",
                kept=self.kept,
                wanted=6,
                live_pose_age_s=0.1,
            )
            self.socket.send_multipart([client, reply.to_json()])
        self.context.destroy(linger=0)

    def close(self):
        self.ended.set()
        self.thread.join()


@pytest.fixture
def control_port():
    port = ControlPort()
    yield port
    port.close()


def test_keys_make_requests_and_lost_pairs_are_asked_about_first(control_port):
    with publisher() as daemon, watcher(daemon.endpoint, size=(80, 24), control=control_port.endpoint) as screen:
        screen.await_text("KEYS")
        assert not screen.echoes()
        # The code of a cursor key, and pasted text.
        for ignored, kept in (("\x1b[B", 8), ("bbb", 9), ("q", 10)):
            screen.press(ignored)
            daemon.publish(kept=kept, wanted=5)
            screen.await_text(f"{kept} of about {kept + 5} pairs kept")
        screen.press("u")
        end = screen.await_text("CONFIRM")
        screen.press("n")
        end = screen.await_text("undo: not done", since=end)
        screen.press("u")
        end = screen.await_text("CONFIRM", since=end)
        screen.press("y")
        end = screen.await_text("the reply to undo", since=end)
        screen.press("t")
        end = screen.await_text("the reply to take", since=end)
        assert termios.tcgetattr(screen.slave)[3] & termios.ISIG, "Ctrl-C ends the program"
        screen.process.send_signal(signal.SIGINT)
        screen.await_text(r"\x1b\[\?1049l", since=end)
        assert wait_for_exit(screen.process) == 0
        assert screen.echoes()
        assert "Traceback" not in screen.output
    assert [(r.action, r.session, r.kept) for r in control_port.requests] == [("undo", "s-1", 7), ("take", None, None)]


@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP", "SIGQUIT"])
def test_a_signal_restores_a_terminal_whose_keys_are_read(control_port, name):
    with publisher() as daemon, watcher(daemon.endpoint, size=(80, 24), control=control_port.endpoint) as screen:
        before = termios.tcgetattr(screen.slave)
        end = screen.await_text("KEYS")
        during = termios.tcgetattr(screen.slave)
        assert not during[3] & termios.ICANON
        screen.process.send_signal(getattr(signal, name))
        screen.await_text(r"\x1b\[\?1049l", since=end)
        assert wait_for_exit(screen.process) == 0
        after = termios.tcgetattr(screen.slave)
        assert after[3] & termios.ICANON
        assert after[3] & termios.ECHO
        assert after[6] != during[6]
        assert before[3] in (after[3], during[3])


def test_keys_are_shown_only_while_the_daemon_takes_requests():
    with publisher() as daemon, watcher(daemon.endpoint, size=(80, 24), control="tcp://127.0.0.1:9") as screen:
        screen.await_text("7 of about 13 pairs kept")
        screen.press("b")
        end = len(screen.output)
        daemon.publish(kept=8, wanted=5)
        screen.await_text("8 of about 13 pairs kept", since=end)
        assert "KEYS" not in screen.output


def test_the_bell_rings_on_a_screen_if_wanted():
    reply = {"verb": "capture", "code": 0, "message": "kept", "remedy": ""}
    with publisher() as daemon, watcher(daemon.endpoint, size=(80, 24), bell=True) as screen:
        end = screen.await_text("7 of about 13 pairs kept")
        assert "\a" not in screen.output
        daemon.publish(kept=8, wanted=5, last_reply={"seq": 31, **reply})
        screen.await_text("\a", since=end)


@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
def test_a_signal_restores_the_terminal_too(name):
    with publisher() as daemon, watcher(daemon.endpoint, size=(80, 24)) as screen:
        end = screen.await_text("7 of about 13 pairs kept")
        screen.process.send_signal(getattr(signal, name))
        screen.await_text(r"\x1b\[\?1049l", since=end)
        assert wait_for_exit(screen.process) == 0
        assert screen.echoes()


def test_without_colour_no_colour_is_sent():
    with publisher() as daemon, watcher(daemon.endpoint, size=(80, 24), NO_COLOR="1", LC_ALL="C") as screen:
        screen.await_text("about 6 more needed")
        assert not re.search(r"\x1b\[[0-9;]*m", screen.output.replace("\x1b[0m", ""))
        assert screen.output.isascii()


def test_a_dumb_terminal_gets_lines():
    with publisher() as daemon, watcher(daemon.endpoint, size=(80, 24), TERM="dumb") as screen:
        screen.await_text("kept 7 wanted 6")
        assert "\x1b" not in screen.output


def test_once_shows_one_status_and_ends():
    with publisher() as daemon:
        with watcher(daemon.endpoint, once=True) as screen:
            screen.await_text("kept 7 wanted 6")
            assert wait_for_exit(screen.process) == 0
        with watcher(daemon.endpoint, once=True, size=(80, 24)) as screen:
            screen.await_text("7 of about 13 pairs kept")
            screen.await_text("RESULT")
            assert "\x1b[?1049h" not in screen.output
            assert wait_for_exit(screen.process) == 0
        endpoint = daemon.endpoint
    with watcher(endpoint, once=True, stale_after_s=0.5) as screen:
        screen.await_text("no status from the daemon")
        assert wait_for_exit(screen.process) == 1


def test_once_waits_for_the_reason_while_a_connection_is_open(monkeypatch, capsys):
    """A daemon on a busy computer accepts at once, and answers long after the limit for one that is not there."""
    monkeypatch.setattr(app, "STALE_AFTER_S", 0.4)
    with socket.create_server(("127.0.0.1", 0)) as busy:

        def answer():
            connection, _ = busy.accept()
            # The greeting has arrived; then nothing for twice the limit.
            connection.recv(64)
            time.sleep(0.5)
            connection.close()

        answering = threading.Thread(target=answer)
        answering.start()
        assert watch(f"tcp://127.0.0.1:{busy.getsockname()[1]}", once=True, plain=True) == 1
        answering.join()
    assert "closed by the other side" in capsys.readouterr().out


def test_a_closed_pipe_is_no_fault():
    with publisher() as daemon:
        options = {"once": False, "plain": True, "control": None, "bell": False, "with_view": False}
        code = CODE.format(endpoint=daemon.endpoint, stale_after_s=STALE_AFTER_S, **options)
        with subprocess.Popen(
            [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        ) as process:
            assert "kept 7" in process.stdout.readline()
            process.stdout.close()
            daemon.publish(kept=8)
            assert wait_for_exit(process) == 0
            assert process.stderr.read() == ""


@pytest.mark.parametrize("endpoint", ["nonsense", "tcp://", "tcp://127.0.0.1", ""])
def test_an_invalid_address_is_a_fault_with_a_remedy(endpoint):
    with pytest.raises(MachineFault, match="tcp://HOST:PORT") as fault:
        watch(endpoint)
    assert fault.value.code == "status-address"


def test_once_of_another_station_is_no_success(capsys):
    with publisher() as source:
        assert watch(source.endpoint, once=True, plain=True, station="bay-3") == 0
        assert watch(source.endpoint, once=True, plain=True, station="bay-4") == 1
    lines = capsys.readouterr().out.splitlines()
    assert "| bay-3 " in lines[0]
    assert "OTHER" in lines[1]


def test_several_stations_are_shown_at_once(capsys):
    with publisher() as first, publisher() as second:
        sources = [("bay-3", first.endpoint, None), ("bay-4", second.endpoint, None)]
        assert watch_stations(sources, once=True, plain=True) == 1
        second.parts = [b"status", make_status(station="bay-4").to_json()]
        assert watch_stations(sources, once=True, plain=True) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[1].startswith("bay-4: ")
    assert [line.split("|")[1].split()[0] for line in lines[2:]] == ["bay-3", "bay-4"]


@pytest.mark.parametrize("no_color", [False, True])
def test_the_picture_is_shown_and_subscribed_to_while_there_is_room_for_it(no_color):
    jpeg = cv2.imencode(".jpg", np.full((240, 320), 99, np.uint8))[1].tobytes()
    with publisher() as source:
        source.view_parts = [VIEW_TOPIC, make_view().to_json(), jpeg]
        environment = {"NO_COLOR": "1"} if no_color else {}
        with watcher(source.endpoint, size=(80, 24), with_view=True, **environment) as screen:
            # The left edge of the outline, on a picture of one colour.
            seen = screen.await_text("\x1b\\[[0-9]+;1H +ooooo" if no_color else "\u2580\x1b\\[[0-9;]*moo")
            assert ("48;5;" in screen.output) != no_color
            assert source.subscriptions[-1] == b"\x01" + VIEW_TOPIC
            screen.resize(40, 12)
            screen.await_text("larger", seen)
            until(lambda: source.subscriptions[-1] == b"\x00" + VIEW_TOPIC, "the end of the subscription")
