"""``eyebolt serve`` as a process of its own, and a robot that is nothing but a socket."""

import contextlib
import json
import os
import random
import resource
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

LONGEST_S = 40.0
COMMAND = [sys.executable, "-m", "eyebolt.cli.main"]


def free_ports(count):
    """So many different ports of this computer on which nobody listens, and which no outgoing connection gets."""
    found = set()
    while len(found) < count:
        # Below what the system hands out by itself, which may go to anybody before a daemon listens there.
        port = random.SystemRandom().randrange(20000, 32000)
        with socket.socket() as one, contextlib.suppress(OSError):
            one.bind(("127.0.0.1", port))
            found.add(port)
    return sorted(found)


def robot_port(station_file):
    """The port on which the robot is expected; None where the daemon dials."""
    lines = [x for x in station_file.read_text().splitlines() if x.startswith("listen = ")]
    return int(lines[0].rsplit(":", 1)[1].strip('"')) if lines else None


def until(condition, what, longest_s=LONGEST_S):
    """Waits for ``condition()`` to be true and returns it; fails the test with ``what`` if it never is."""
    end = time.monotonic() + longest_s
    while not (result := condition()):
        if time.monotonic() > end:
            raise AssertionError(f"waited {longest_s:.0f} s in vain: {what}")
        time.sleep(0.005)
    return result


class DaemonProcess:
    """A running daemon. Its log goes to a file beside the station file.

    ``before``: words before the command. ``environment``: of the process.
    """

    def __init__(self, station_file, wait=True, before=(), environment=None):
        self.station_file = station_file
        self.port = robot_port(station_file)
        # Each start has a log of its own, so that a restart is not taken for ready too early.
        number = len(list(station_file.parent.glob("daemon-*.log")))
        self.log_file = station_file.parent / f"daemon-{number:02d}.log"
        with self.log_file.open("wb") as log:
            self.process = subprocess.Popen(
                [*before, *COMMAND, "serve", str(station_file), "--log", "json"],
                stdout=subprocess.DEVNULL,
                stderr=log,
                env=environment,
            )
        if wait:
            self.wait_for_log("ready")

    def text(self):
        return self.log_file.read_text(encoding="utf-8")

    def log(self, event=None):
        """The whole lines of the log so far as dictionaries, or only those of one ``event``."""
        lines = self.text().split("\n")[:-1]
        entries = [json.loads(line) for line in lines if line.startswith("{")]
        return [e for e in entries if event is None or e["event"] == event]

    def wait_for_log(self, event, **fields):
        """The first entry of ``event`` with these fields."""

        def found():
            entries = self.log(event)
            if event == "ready" and not entries and self.process.poll() is not None:
                raise AssertionError(f"the daemon ended at once:\n{self.text()}")
            return [e for e in entries if all(e.get(k) == v for k, v in fields.items())]

        return until(found, f"{event} {fields} in {self.log_file}")[0]

    def kill(self):
        """As a power cut would."""
        self.process.kill()
        self.process.wait()

    def terminate(self, longest_s=15.0):
        """SIGTERM; the exit code."""
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(longest_s)

    def processor_s(self):
        """Processor time that it has taken so far."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def limit_file_size(self, limit_bytes):
        """From now on the daemon's writes beyond this size of a file fail (EFBIG); None lifts that."""
        soft = resource.RLIM_INFINITY if limit_bytes is None else limit_bytes
        resource.prlimit(self.process.pid, resource.RLIMIT_FSIZE, (soft, resource.RLIM_INFINITY))

    def end(self):
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()


class Robot:
    """A robot controller's socket. ``ask`` gives the numbers of the reply."""

    def __init__(self, port, source="127.0.0.1"):
        self.connection = socket.create_connection(("127.0.0.1", port), timeout=LONGEST_S, source_address=(source, 0))
        self.stream = self.connection.makefile("rb")

    @classmethod
    def on(cls, connection):
        """On a connection that is there already."""
        robot = cls.__new__(cls)
        robot.connection, robot.stream = connection, connection.makefile("rb")
        connection.settimeout(LONGEST_S)
        return robot

    def send(self, line):
        self.connection.sendall(line if isinstance(line, bytes) else line.encode("ascii") + b"\n")

    def reply(self):
        """The next reply without its ending; empty once the daemon has hung up."""
        return self.stream.readline().decode("ascii").rstrip("\r\n")

    def say(self, line):
        self.send(line)
        return self.reply()

    def ask(self, line):
        """The reply to one line, whatever it is, as numbers."""
        reply = self.say(line)
        return tuple(float(n) if "." in n else int(n) for n in reply.split(","))

    def final(self, line):
        """The final reply: after "10" it asks again, as a robot program does."""
        reply = self.ask(line)
        seq = line.split()[1]
        end = time.monotonic() + LONGEST_S
        while reply[0] == 10 and time.monotonic() < end:
            time.sleep(0.1)
            reply = self.ask(f"again {seq}")
        return reply

    def close(self):
        self.stream.close()
        self.connection.close()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()
