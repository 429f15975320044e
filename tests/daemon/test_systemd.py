"""Notifications to a service manager: ready, watchdog, stopping (sd_notify(3), systemd)."""

import configparser
import os
import select
import shutil
import signal
import socket
import subprocess
from pathlib import Path

import pytest

from eyebolt.daemon.systemd import SystemdNotifier
from support.daemon_process import COMMAND
from support.processes import end, run, until, wait_for_exit

UNIT = Path(__file__).parents[2] / "service" / "eyebolt" / "daemon" / "eyebolt@.service"


@pytest.fixture
def manager(tmp_path):
    """A socket that a service manager would listen on; its address is an attribute of the test's environment."""
    listening = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    listening.bind(str(tmp_path / "notify"))
    yield listening
    listening.close()


def message(manager):
    """The next notification."""
    until(lambda: select.select([manager], [], [], 0.1)[0], "a notification")
    return manager.recv(4096)


def test_ready_watchdog_and_stopping_are_sent(manager, recorded_cell, tmp_path):
    station = recorded_cell.station(tmp_path)
    environment = {**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "400000"}
    environment.pop("WATCHDOG_PID", None)
    with (tmp_path / "log").open("wb") as log:
        daemon = subprocess.Popen([*COMMAND, "serve", str(station)], env=environment, stderr=log)
    try:
        heard = [message(manager).decode()]
        while "READY=1" not in heard[-1]:
            heard.append(message(manager).decode())
        assert set(heard[:-1]) <= {"WATCHDOG=1"}
        assert f"MAINPID={daemon.pid}" in heard[-1].splitlines()
        assert [message(manager) for _ in range(3)] == [b"WATCHDOG=1"] * 3
        daemon.send_signal(signal.SIGTERM)
        while (last := message(manager)) == b"WATCHDOG=1":
            pass
        assert last == b"STOPPING=1"
        assert wait_for_exit(daemon, 20.0) == 0
    finally:
        end(daemon)


def test_a_hanging_daemon_sends_no_watchdog_pings(manager, recorded_cell, tmp_path):
    station = recorded_cell.station(tmp_path)
    environment = {**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "400000"}
    with (tmp_path / "log").open("wb") as log:
        daemon = subprocess.Popen([*COMMAND, "serve", str(station)], env=environment, stderr=log)
    try:
        while "READY=1" not in message(manager).decode():
            pass
        assert message(manager) == b"WATCHDOG=1"
        daemon.send_signal(signal.SIGSTOP)
        manager.settimeout(0.8)
        with pytest.raises(TimeoutError):
            for _ in range(200):
                manager.recv(4096)
    finally:
        end(daemon)


@pytest.mark.parametrize(
    ("environment", "expected"),
    [
        ({}, SystemdNotifier()),
        ({"NOTIFY_SOCKET": "relative", "WATCHDOG_USEC": "5"}, SystemdNotifier()),
        ({"NOTIFY_SOCKET": "/run/x"}, SystemdNotifier("/run/x")),
        ({"NOTIFY_SOCKET": "@x", "WATCHDOG_USEC": "2000000"}, SystemdNotifier("@x", 2.0)),
        ({"NOTIFY_SOCKET": "/x", "WATCHDOG_USEC": "2000000", "WATCHDOG_PID": "8"}, SystemdNotifier("/x")),
        ({"NOTIFY_SOCKET": "/x", "WATCHDOG_USEC": "soon", "WATCHDOG_PID": "7"}, SystemdNotifier("/x")),
    ],
)
def test_settings_from_the_environment(environment, expected):
    assert SystemdNotifier.from_environment(environment, 7) == expected


def test_a_missing_manager_is_no_error():
    SystemdNotifier("/nowhere/at/all").ready("here")


def test_the_unit_starts_one_daemon_for_each_station():
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str
    unit.read(UNIT)
    service = unit["Service"]
    assert (service["Type"], service["NotifyAccess"]) == ("notify", "main")
    assert "%i" in service["WorkingDirectory"]
    assert service["ExecStart"].split()[1:3] == ["serve", "station.toml"]
    assert service["ReadWritePaths"] == service["WorkingDirectory"]
    assert (service["ProtectSystem"], service["NoNewPrivileges"]) == ("strict", "yes")


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze")
def test_systemd_verifies_the_unit(tmp_path):
    """systemd's own check, with a program that is there in place of the installed one."""
    text = UNIT.read_text().replace("/opt/eyebolt/bin/eyebolt", "/bin/true").replace("User=eyebolt", "User=root")
    copy = tmp_path / "eyebolt@bay-3.service"
    copy.write_text(text.replace("Group=eyebolt", "Group=root"))
    checked = run(["systemd-analyze", "verify", str(copy)], limit_s=60.0)
    assert [line for line in checked.stderr.splitlines() if "eyebolt@" in line] == []
