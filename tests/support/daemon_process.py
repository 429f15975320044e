"""``eyebolt serve`` as a process of its own, and a robot controller that is nothing but a socket."""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import resource
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from support.processes import LIMIT_S, Patience, end, until, wait_for_exit
from support.warm_start import start_warm

# For tests that import it from here.
LONGEST_S = LIMIT_S
COMMAND = [sys.executable, "-m", "eyebolt.cli.main"]

__all__ = ["COMMAND", "LONGEST_S", "DaemonProcess", "Robot", "free_ports", "robot_port", "until"]


def free_ports(count: int) -> list[int]:
    """``count`` different ports of this computer on which nobody listens, and which no outgoing connection gets."""
    found: set[int] = set()
    while len(found) < count:
        # Below the range that the system assigns by itself, where another process might get it before the daemon.
        port = random.SystemRandom().randrange(20000, 32000)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            found.add(port)
    return sorted(found)


def robot_port(station_file: Path) -> int | None:
    """The port on which the robot is expected; None where the daemon dials."""
    lines = [x for x in station_file.read_text().splitlines() if x.startswith("listen = ")]
    return int(lines[0].rsplit(":", 1)[1].strip('"')) if lines else None


class DaemonProcess:
    """A running daemon. Its log goes to a file beside the station file.

    If it does not become ready, it is ended before the failure is raised: it never outlives the test.
    """

    def __init__(
        self,
        station_file: Path,
        wait: bool = True,
        before: Sequence[str] = (),
        environment: dict[str, str] | None = None,
    ) -> None:
        """``wait``: for its log to say "ready"; ``before``: words before the command; ``environment``: all of it."""
        self.station_file = station_file
        self._port = robot_port(station_file)
        # Each start has a log of its own, so that a restart is not taken for ready too early.
        number = len(list(station_file.parent.glob("daemon-*.log")))
        self.log_file = station_file.parent / f"daemon-{number:02d}.log"
        arguments = ["serve", str(station_file), "--log", "json"]
        with self.log_file.open("wb") as log:
            warm = None if before or environment is not None else start_warm(arguments, log)
            self.process = warm or subprocess.Popen(
                [*before, *COMMAND, *arguments], stdout=subprocess.DEVNULL, stderr=log, env=environment
            )
        try:
            if wait:
                self.wait_for_log("ready")
        except BaseException:
            self.end()
            raise

    @property
    def port(self) -> int:
        """Where the robot connects to."""
        if self._port is None:
            raise AssertionError(f"{self.station_file} has the daemon dial the robot")
        return self._port

    def text(self) -> str:
        """The log so far."""
        return self.log_file.read_text(encoding="utf-8")

    def log(self, event: str | None = None) -> list[dict[str, Any]]:
        """The whole lines of the log so far as dictionaries, or only those of one ``event``."""
        lines = self.text().split("\n")[:-1]
        entries: list[dict[str, Any]] = [json.loads(line) for line in lines if line.startswith("{")]
        return [e for e in entries if event is None or e["event"] == event]

    def wait_for_log(self, event: str, **fields: object) -> dict[str, Any]:
        """The first entry of ``event`` with these fields; fails at once if the daemon has ended without it."""

        def found() -> list[dict[str, Any]]:
            return [e for e in self.log(event) if all(e.get(k) == v for k, v in fields.items())]

        try:
            return until(found, f"{event} {fields} in {self.log_file}", process=self.process)[0]
        except AssertionError as failure:
            raise AssertionError(f"{failure}\n{self.text()}") from None

    def kill(self) -> None:
        """As a power cut would."""
        self.process.kill()
        self.process.wait()

    def terminate(self, longest_s: float = 15.0) -> int:
        """SIGTERM; the exit code."""
        self.process.send_signal(signal.SIGTERM)
        return wait_for_exit(self.process, longest_s)

    def processor_s(self) -> float:
        """Processor time that it has taken so far."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def limit_file_size(self, limit_bytes: int | None) -> None:
        """From now on the daemon's writes beyond this size of a file fail (EFBIG); None lifts that."""
        soft = resource.RLIM_INFINITY if limit_bytes is None else limit_bytes
        resource.prlimit(self.process.pid, resource.RLIMIT_FSIZE, (soft, resource.RLIM_INFINITY))

    def end(self) -> None:
        """Kills it if it still runs."""
        end(self.process)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.end()


class _PatientSocket(io.RawIOBase):
    """The receiving side of a socket whose time limit is that of ``Patience``."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        patience = Patience()
        while not select.select([self._connection], [], [], 0.2)[0]:
            if patience.is_over():
                raise TimeoutError(f"no byte from the daemon in {patience.limit_s:.0f} s")
        return self._connection.recv_into(buffer)


class Robot:
    """A robot controller's socket. ``ask`` gives the numbers of the reply."""

    def __init__(self, port: int, source: str = "127.0.0.1") -> None:
        self._begin(
            socket.create_connection(("127.0.0.1", port), timeout=LONGEST_S, source_address=(source, 0)),
        )

    def _begin(self, connection: socket.socket) -> None:
        self.connection = connection
        self.stream = io.BufferedReader(_PatientSocket(connection))

    @classmethod
    def on(cls, connection: socket.socket) -> Self:
        """On an accepted connection."""
        robot = cls.__new__(cls)
        connection.settimeout(LONGEST_S)
        robot._begin(connection)
        return robot

    def send(self, line: str | bytes) -> None:
        """Sends bytes as they are, a text as a line."""
        self.connection.sendall(line if isinstance(line, bytes) else line.encode("ascii") + b"\n")

    def reply(self) -> str:
        """The next reply without its ending; empty once the daemon has hung up."""
        return self.stream.readline().decode("ascii").rstrip("\r\n")

    def say(self, line: str | bytes) -> str:
        """Sends one line; the text of its reply."""
        self.send(line)
        return self.reply()

    def ask(self, line: str | bytes) -> tuple[Any, ...]:
        """The reply to one line, whatever it is, as numbers."""
        reply = self.say(line)
        return tuple(float(n) if "." in n else int(n) for n in reply.split(","))

    def final(self, line: str) -> tuple[Any, ...]:
        """The final reply: after "10" it asks again, as a robot program does."""
        reply = self.ask(line)
        seq = line.split()[1]
        patience = Patience()
        while reply[0] == 10 and not patience.is_over():
            time.sleep(0.1)
            reply = self.ask(f"again {seq}")
        return reply

    def close(self) -> None:
        """Closes the connection."""
        self.stream.close()
        self.connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
