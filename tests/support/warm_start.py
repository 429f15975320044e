"""Starts of ``eyebolt serve`` that share the import of its modules, more than a second of processor time each.

A process with the modules imported, one for each worker of the suite, forks a daemon for each start. The daemon is a
process of its own like any other: with the command line's ``main``, its own log, signals, exit code and clean-up at the
end of the interpreter. Its parent is the test's process, which has adopted it (`processes.adopt_orphans`). A start in
another environment than that of the suite, or under a coverage measurement, is a new interpreter, and so is every other
command but those of ``support`` that are this one with other limits.
"""

from __future__ import annotations

import json
import os
import runpy
import socket
import subprocess
import sys
import threading
from typing import BinaryIO

from support import processes

_REQUEST_BYTES = 1 << 16


class _Adopted(subprocess.Popen[bytes]):
    """A child of this process that it has not started itself."""

    def __init__(self, pid: int, arguments: list[str]) -> None:
        self._adopted_pid = pid
        super().__init__(arguments)

    def _execute_child(self, *_: object) -> None:
        """Instead of a fork: the process is there."""
        self.pid = self._adopted_pid
        self._child_created = True


class _Template:
    """The process that has the modules imported, and the connection to it."""

    def __init__(self) -> None:
        self.environment = _environment()
        self.connection, other = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with other:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "support.warm_start", str(other.fileno())], pass_fds=[other.fileno()]
            )

    def start(self, arguments: list[str], log: BinaryIO, program: str, output: BinaryIO | None) -> _Adopted:
        request = json.dumps({"program": program, "arguments": arguments, "folder": os.getcwd()})  # noqa: PTH109
        files = [log.fileno()] if output is None else [log.fileno(), output.fileno()]
        socket.send_fds(self.connection, [request.encode()], files)
        answer = self.connection.recv(_REQUEST_BYTES)
        if not answer:
            raise OSError("the process with the imported modules has ended")
        return _Adopted(int(answer), [sys.executable, "-m", program, *arguments])

    def end(self) -> None:
        self.connection.close()
        self.process.wait()


_template: _Template | None = None
_lock = threading.Lock()


def _environment() -> dict[str, str]:
    return {name: value for name, value in os.environ.items() if name != "PYTEST_CURRENT_TEST"}


def start_warm(
    arguments: list[str], log: BinaryIO, program: str = "eyebolt.cli.main", output: BinaryIO | None = None
) -> subprocess.Popen[bytes] | None:
    """``eyebolt`` with these arguments, its errors written to ``log``; None where it must be a new interpreter.

    Its output is written to ``output``, or nowhere.

    ``program``: the module that is run; it ends with ``main`` of the command line.
    """
    global _template
    if not processes.adopts_orphans() or "COVERAGE_PROCESS_START" in os.environ:
        return None
    with _lock:
        if _template is None:
            _template = _Template()
        if _template.environment != _environment():
            return None
        return _template.start(arguments, log, program, output)


def end_template() -> None:
    """Ends the process that has the modules imported, if there is one."""
    global _template
    with _lock:
        if _template is not None:
            _template.end()
            _template = None


def _wait_for_request(connection: socket.socket) -> list[str] | None:
    """Forks for each request. Returns in each fork, with program and arguments; None at the end of the connection."""
    while True:
        data, descriptors, *_ = socket.recv_fds(connection, _REQUEST_BYTES, 2)
        if not data:
            return None
        reader, writer = os.pipe()
        between = os.fork()
        if between == 0:
            daemon = os.fork()
            if daemon == 0:
                os.close(reader)
                os.close(writer)
                request = json.loads(data)
                os.chdir(request["folder"])
                null = os.open(os.devnull, os.O_WRONLY)
                os.dup2(descriptors[1] if len(descriptors) > 1 else null, 1)
                os.dup2(descriptors[0], 2)
                for descriptor in (null, *descriptors):
                    os.close(descriptor)
                connection.close()
                return [request["program"], *request["arguments"]]
            os.write(writer, str(daemon).encode())
            os._exit(0)
        os.close(writer)
        for descriptor in descriptors:
            os.close(descriptor)
        # Only when the process between has ended is the daemon a child of the test's process.
        os.waitpid(between, 0)
        connection.send(os.read(reader, 32))
        os.close(reader)


if __name__ == "__main__":
    # What `eyebolt serve` imports before it is ready, and what it loads right after. The command first: it limits the
    # threads of the numerical libraries.
    from eyebolt.cli.main import main
    from eyebolt.daemon.executor import preload_libraries

    preload_libraries()
    asked = _wait_for_request(socket.socket(fileno=int(sys.argv[1])))
    if asked is not None:
        program, *arguments = asked
        sys.argv = [sys.argv[0], *arguments]
        if program == "eyebolt.cli.main":
            main()
        else:
            runpy.run_module(program, run_name="__main__")
