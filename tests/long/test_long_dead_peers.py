"""A controller that loses its power, in a network namespace of its own; needs root and iproute2."""

import os
import shutil
import subprocess
import sys
import time

import pytest

from support.daemon_process import DaemonProcess
from support.processes import end, until

pytestmark = pytest.mark.long

DAEMON, CONTROLLER, PORT = "10.9.0.1", "10.9.0.2", 7000
NOTICED_WITHIN_S = 15.0
SILENT_S = 30.0
# How the controller falls silent: its cable is out, or nothing that it sends arrives any more.
CUTS = {
    "cable": ("link set cable down", "link set cable up"),
    "route": (f"route add blackhole {DAEMON}", f"route del blackhole {DAEMON}"),
}
# Says hello once on each connection, then nothing.
PROGRAMS = {
    "dialled": f"""
import socket
listener = socket.create_server(("{CONTROLLER}", {PORT}))
held = []
while True:
    held.append(listener.accept()[0])
    held[-1].sendall(b"hello 0\\n")
""",
    "calling": f"""
import socket, time
connection = socket.create_connection(("{DAEMON}", {PORT}))
connection.sendall(b"hello 0\\n")
time.sleep(3600)
""",
}


def ip(words):
    subprocess.run(["ip", *words.split()], check=True, capture_output=True)


@pytest.fixture
def namespaces():
    """The prefixes of commands that run at the daemon's and at the controller's end of a cable."""
    if os.name != "posix" or os.geteuid() != 0 or shutil.which("ip") is None:
        pytest.skip("network namespaces need root and iproute2")
    names = [f"eyebolt-{end_name}-{os.getpid()}" for end_name in ("daemon", "robot")]
    try:
        for name in names:
            ip(f"netns add {name}")
    except subprocess.CalledProcessError:
        pytest.skip("this system makes no network namespaces")
    try:
        ip(f"link add cable netns {names[0]} type veth peer name cable netns {names[1]}")
        for name, address in zip(names, (DAEMON, CONTROLLER), strict=True):
            ip(f"-n {name} addr add {address}/24 dev cable")
            ip(f"-n {name} link set cable up")
            ip(f"-n {name} link set lo up")
        yield names
    finally:
        for name in names:
            ip(f"netns del {name}")


@pytest.mark.parametrize("cut", list(CUTS))
@pytest.mark.parametrize("program", list(PROGRAMS))
def test_a_controller_without_power_is_noticed_and_a_silent_one_kept(namespaces, recorded_cell, tmp_path, program, cut):
    at_daemon, at_robot = namespaces
    connection = f'dial = "{CONTROLLER}:{PORT}"' if program == "dialled" else f'listen = "{DAEMON}:{PORT}"'
    edit = {} if program == "dialled" else {'allow = ["127.0.0.1"]': f'allow = ["{CONTROLLER}"]'}
    station = recorded_cell.station(tmp_path, connection=connection, edit=edit)
    with DaemonProcess(station, before=("ip", "netns", "exec", at_daemon)) as daemon:
        robot = subprocess.Popen(["ip", "netns", "exec", at_robot, sys.executable, "-c", PROGRAMS[program]])
        try:
            daemon.wait_for_log("reply sent", seq=0)
            time.sleep(SILENT_S)
            assert not daemon.log("client disconnected")
            ip(f"-n {at_robot} {CUTS[cut][0]}")
            begun, unreachable = time.monotonic(), len(daemon.log("robot not reachable: retrying"))
            assert daemon.wait_for_log("connection lost: the peer no longer answers")["remedy"]
            noticed_s = time.monotonic() - begun
            print(f"{program}, {cut}: noticed after {noticed_s:.1f} s")
            assert noticed_s < NOTICED_WITHIN_S
            until(lambda: daemon.log("client disconnected"), "the end of the connection")
            if program == "dialled":
                until(lambda: len(daemon.log("robot not reachable: retrying")) > unreachable, "another attempt in vain")
                ip(f"-n {at_robot} {CUTS[cut][1]}")
                until(lambda: len(daemon.log("reply sent")) == 2, "the controller is dialled again")
        finally:
            end(robot)
