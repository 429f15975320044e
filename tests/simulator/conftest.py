"""A scripted daemon on a real socket, and station files for the simulator."""

from __future__ import annotations

import contextlib
import json
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from eyebolt.config.template import station_template
from eyebolt_sim import processes
from eyebolt_sim.lens import simple_lens
from support.warm_start import start_warm


class ScriptedDaemon:
    """Serves one robot; ``answer(line)`` returns the reply without its ending, or None to close the connection."""

    def __init__(self, answer: Callable[[str], str | None]) -> None:
        self.lines: list[str] = []
        self._answer = answer
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            connection, _ = self._listener.accept()
            self.serve(connection)

    def serve(self, connection: socket.socket) -> None:
        with connection, connection.makefile("rb") as stream:
            for raw in stream:
                line = raw.decode("ascii").rstrip("\n")
                self.lines.append(line)
                reply = self._answer(line)
                if reply is None:
                    return
                connection.sendall(reply.encode("ascii") + b"\n")

    def close(self) -> None:
        # Closing a socket does not wake a blocked accept(); a connection does.
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), timeout=1):
            pass
        self._listener.close()
        self._thread.join(5)


@pytest.fixture
def scripted_daemon() -> Iterator[Callable[[Callable[[str], str | None]], ScriptedDaemon]]:
    started: list[ScriptedDaemon] = []

    def start(answer: Callable[[str], str | None]) -> ScriptedDaemon:
        started.append(ScriptedDaemon(answer))
        return started[-1]

    yield start
    for daemon in started:
        daemon.close()


@pytest.fixture
def warm_daemons(monkeypatch: pytest.MonkeyPatch) -> None:
    """The daemons that the simulator starts in this process share the import of their modules (`warm_start`)."""
    cold = processes.run_program

    @contextlib.contextmanager
    def run_program(arguments: list[str], log: Path) -> Iterator[processes.Process]:
        assert arguments[0] in ("eyebolt.cli.main", "support.short_grabs")
        with log.open("wb") as output:
            warm = start_warm(arguments[1:], output, arguments[0])
        if warm is None:
            with cold(arguments, log) as process:
                yield process
            return
        try:
            yield warm
        finally:
            processes.terminate(warm)

    monkeypatch.setattr(processes, "run_program", run_program)


@pytest.fixture
def free_port() -> Callable[[], int]:
    def find() -> int:
        with socket.create_server(("127.0.0.1", 0)) as probe:
            return int(probe.getsockname()[1])

    return find


@pytest.fixture
def make_station(tmp_path: Path, free_port: Callable[[], int]) -> Callable[..., Path]:
    """Writes a station file and its camera.json (1280 x 960) to the temporary folder."""

    def make(**changes: object) -> Path:
        lens = simple_lens(1280, 960, 1400.0, (-0.1, 0.05, 0.0005, -0.0005, 0))
        (tmp_path / "camera.json").write_text(json.dumps(lens.to_json()))
        chosen: dict[str, object] = {
            "camera_lines": ('source = "simulated"', f'endpoint = "tcp://127.0.0.1:{free_port()}"'),
            "connection": f'listen = "127.0.0.1:{free_port()}"',
            "control": None,
            **changes,
        }
        path = tmp_path / "station.toml"
        path.write_text(station_template(**chosen))
        return path

    return make
