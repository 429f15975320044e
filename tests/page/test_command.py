"""``eyebolt page`` as a command: what it prints, how it ends, and what it cannot do."""

import signal
import socket
import subprocess
import sys
import urllib.request

import pytest

from support.daemon_process import COMMAND, free_ports
from support.processes import until, wait_for_exit
from support.published_status import PublishedStatus
from support.status_messages import make_status


@pytest.fixture(scope="module")
def published():
    with PublishedStatus(make_status()) as made:
        yield made


def start(*words):
    command = [*COMMAND, "page", *map(str, words)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_serves_the_status_until_a_signal(published, number):
    (port,) = free_ports(1)
    process = start("--endpoint", published.endpoint, "--address", f"127.0.0.1:{port}")
    try:
        assert f"http://127.0.0.1:{port}/" in process.stdout.readline()
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/events", timeout=30) as events:
            first = next(line for line in iter(events.readline, b"") if line.startswith(b"data: {"))
            until(lambda: b"bay-3" in first or b"bay-3" in events.readline(), "the status")
    finally:
        process.send_signal(number)
        assert wait_for_exit(process) == 0
    assert process.stdout.read() == ""
    process.stdout.close()


def test_a_port_that_is_taken(published, eyebolt):
    with socket.create_server(("127.0.0.1", 0)) as other:
        address = f"127.0.0.1:{other.getsockname()[1]}"
        code, _, errors = eyebolt("page", "--endpoint", published.endpoint, "--address", address)
    assert code == 1
    assert "page-port" in errors


def test_libraries_that_are_not_installed(published, eyebolt, monkeypatch):
    monkeypatch.setitem(sys.modules, "starlette", None)
    code, _, errors = eyebolt("page", "--endpoint", published.endpoint)
    assert code == 1
    assert "page-libraries" in errors
    assert "eyebolt[page]" in errors
