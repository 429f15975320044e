"""What runs where Python has no POSIX modules, as on Windows: everything but what writes a record."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from eyebolt.config import station_template
from support.status_messages import make_status

ROOT = Path(__file__).resolve().parents[2]
SESSION = ROOT / "tests/store/golden/version-1"
# The modules and functions that a Python for Windows lacks.
MODULES = ("fcntl", "grp", "posix", "pty", "pwd", "resource", "termios", "tty")
FUNCTIONS = (
    *("O_CLOEXEC", "O_DIRECT", "O_DIRECTORY", "O_NOFOLLOW", "fchmod", "fchown", "fork", "getegid", "geteuid"),
    *("getgid", "getpgid", "getuid", "killpg", "posix_fallocate", "pread", "pwrite", "sched_getaffinity", "statvfs"),
)
# Runs each command in one process, where these modules and functions are absent, and prints (exit code, output) of each
# as JSON. A publisher of one status message stands in for a daemon.
PROGRAM = """
import contextlib, io, json, os, sys, threading
modules, functions, status, commands = json.loads(sys.stdin.read())

class Absent:
    def find_spec(self, name, path=None, target=None):
        if name in modules:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)

for name in modules:
    if name != "posix":  # loaded at start-up; `os` has what it needs of it
        sys.modules.pop(name, None)
sys.meta_path.insert(0, Absent())
for name in functions:
    with contextlib.suppress(AttributeError):
        delattr(os, name)

import zmq
from eyebolt.cli.main import main

publisher = zmq.Context().socket(zmq.PUB)
publisher.setsockopt(zmq.LINGER, 0)
publisher.bind("tcp://127.0.0.1:*")
endpoint = publisher.getsockopt_string(zmq.LAST_ENDPOINT)
ended = threading.Event()

def publish():
    while not ended.wait(0.02):
        publisher.send_multipart([b"status", status.encode()])
    publisher.close()

thread = threading.Thread(target=publish)
thread.start()
outcomes = []
for words in commands:
    output = io.StringIO()
    sys.argv = ["eyebolt", *(word.replace("ENDPOINT", endpoint) for word in words)]
    with contextlib.redirect_stdout(output), contextlib.redirect_stderr(output):
        try:
            main()
            code = 0
        except SystemExit as end:
            code = end.code
    outcomes.append((code, output.getvalue()))
ended.set()
thread.join()
print(json.dumps(outcomes))
"""


@pytest.fixture(scope="module")
def outcome(tmp_path_factory):
    """(exit code, output) of a command by its name."""
    folder = tmp_path_factory.mktemp("station")
    station = folder / "station.toml"
    station.write_text(station_template("bay-3", "fixed").replace("[station]", '[station]\nkeys = "keys"', 1))
    (folder / "camera.json").write_bytes((SESSION / "camera.json").read_bytes())
    guess = "1150 40 420 0.5 -0.5 -0.5 0.5"
    commands = {
        "new": ["new", str(folder / "other.toml")],
        "watch": ["watch", "--once", "--plain", "--endpoint", "ENDPOINT"],
        "keys": ["keys", str(station), "--watcher", "hall"],
        "solve": ["solve", str(SESSION), "--json"],
        "inspect": ["inspect", str(SESSION), "--json"],
        "plan": ["plan", str(station), "--camera", guess, "--reach", "800", "--out", str(folder / "waypoints.csv")],
        "serve": ["serve", str(station)],
        "accept": ["accept", str(SESSION), "--by", "A. Fitter"],
        "lens": ["lens", str(station)],
    }
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM],
        input=json.dumps([MODULES, FUNCTIONS, make_status().to_json().decode(), list(commands.values())]),
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return dict(zip(commands, json.loads(done.stdout), strict=True))


@pytest.mark.parametrize("name", ["new", "watch", "keys", "solve", "plan"])
def test_commands_that_write_no_record_run_without_posix(outcome, name):
    code, output = outcome[name]
    # Four pairs do not hold the session's tolerance for a pick: its result is rejected.
    assert code in ((1,) if name == "solve" else (0, None)), output
    assert "internal error" not in output


def test_inspect_reports_without_posix(outcome):
    code, output = outcome["inspect"]
    report = json.loads(output)
    # The golden session is kept without its images, which is damage.
    assert code == 1
    assert report["result"]["acceptance"] == "reject"


@pytest.mark.parametrize("name", ["serve", "accept", "lens"])
def test_commands_that_write_durably_name_the_platform_that_they_need(outcome, name):
    code, output = outcome[name]
    assert code == 1
    assert "(platform)" in output
    assert f"eyebolt {name}" in output
    assert "What to do: " in output
