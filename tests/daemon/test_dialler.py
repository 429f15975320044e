"""Dialling: the pauses, what log and status name, and when the shortest pause holds again."""

import asyncio
import contextlib
import socket

import pytest
from structlog.testing import capture_logs

from eyebolt.config.schema import RobotSection
from eyebolt.daemon import dialler as dialler_module
from eyebolt.daemon.dialler import MAX_PAUSE_S, Dialler, pause_s
from eyebolt.daemon.robot_server import RobotServer
from support.daemon_process import free_ports
from support.processes import Patience

QUICK_S = 0.002


@pytest.fixture
def logged():
    with capture_logs() as entries:
        yield lambda: [e for e in entries if e["event"] == "robot not reachable: retrying"]


async def until(condition):
    patience = Patience()
    while not condition():
        assert not patience.is_over(), "waited in vain"
        await asyncio.sleep(0.005)


@contextlib.asynccontextmanager
async def dialling(port, serve, min_pause_s=QUICK_S):
    dialler = Dialler("127.0.0.1", port, serve, min_pause_s)
    task = asyncio.create_task(dialler.run())
    try:
        yield dialler
    finally:
        task.cancel()


def test_the_pause_doubles_up_to_a_bound():
    assert [pause_s(failures) for failures in range(7)] == [1, 1, 2, 4, 8, 15, 15]
    assert pause_s(10_000_000) == MAX_PAUSE_S == 15


def test_a_controller_that_is_off_is_logged_once_and_named_in_the_status(logged, monkeypatch):
    seen = []

    async def serve(reader, writer):
        raise AssertionError("nobody is there")

    async def story(port):
        async with dialling(port, serve) as dialler:
            await until(lambda: dialler._attempts >= 5)
            seen.append(dialler.notice())
            assert len(logged()) == 1
            # The same reason again only after a long time.
            monkeypatch.setattr(dialler_module, "_REMINDER_S", 0.0)
            await until(lambda: len(logged()) >= 3)

    (port,) = free_ports(1)
    asyncio.run(story(port))
    first, second = logged()[:2]
    assert (first["attempt"], first["retry_in_s"], first["address"]) == (1, QUICK_S, f"127.0.0.1:{port}")
    assert first["reason"] and first["remedy"] and first["longest_pause_s"] == MAX_PAUSE_S
    assert second["attempt"] >= 5 and second["retry_in_s"] > 10 * QUICK_S
    assert first["reason"] in seen[0] and "attempt" in seen[0] and f"127.0.0.1:{port}" in seen[0]


def test_a_connection_without_a_request_counts_as_a_failure_and_one_with_a_request_ends_the_back_off(logged):
    has_sent_request = False
    counts, notices = [], []

    async def story():
        (port,) = free_ports(1)

        async def serve(reader, writer):
            counts.append(dialler._attempts)
            notices.append(dialler.notice())
            writer.close()
            return has_sent_request

        controller = await asyncio.start_server(lambda reader, writer: writer.close(), "127.0.0.1", port)
        nonlocal has_sent_request
        async with dialling(port, serve) as dialler:
            await until(lambda: len(counts) >= 4)
            has_sent_request = True
            await until(lambda: counts[-1] == 1 and len(counts) > 5)
        controller.close()

    asyncio.run(story())
    assert counts[:4] == [1, 2, 3, 4]
    assert len(logged()) == 1 and "without a request" in logged()[0]["reason"]
    assert "no request yet" in notices[0]


def test_the_status_of_a_dialling_server_names_the_reason_and_the_next_attempt():
    async def story():
        (port,) = free_ports(1)
        robot = RobotSection(listen=None, dial=f"127.0.0.1:{port}")
        server = RobotServer(robot, 7, lambda caller, parsed: None, lambda number: None, lambda: None)
        await server.start()
        await until(lambda: "attempt 2 in" in server.notice(None))
        assert f"127.0.0.1:{port}" in server.notice(None)
        await server.close()

    asyncio.run(story())


def test_an_unknown_host_has_a_remedy_of_its_own():
    failure = dialler_module._failure_of(socket.gaierror(socket.EAI_NONAME, "Name or service not known"))
    refused = dialler_module._failure_of(ConnectionRefusedError(111, "Connect call failed ('127.0.0.1', 1)"))
    late = dialler_module._failure_of(TimeoutError())
    several = dialler_module._failure_of(OSError("Multiple exceptions: a, b"))
    assert len({failure.remedy, refused.remedy, late.remedy}) == 3
    assert "127.0.0.1" not in refused.reason and several.reason.startswith("Multiple")
