"""Real processes: one that is killed while it writes, and two that want the same record folder."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from eyebolt.errors import RecordFault
from eyebolt.store.lock import RecordLock
from eyebolt.store.session_folder import SessionFolder

NAME = "20260314-091500-01"

APPENDING = """
import json, os, sys
from pathlib import Path
from eyebolt.store.session_folder import SessionFolder
session = SessionFolder.open(Path(sys.argv[1]))
while True:
    n = len(session.records) + 1
    session.append([json.dumps({"n": n, "filler": "x" * (n % 700)}).encode(), json.dumps({"n": n + 1}).encode()])
    os.write(1, b"%d\\n" % (n + 1))
"""

HOLDING = """
import sys
from pathlib import Path
from eyebolt.store.lock import RecordLock
with RecordLock(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


def start(script: str, argument: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-c", script, str(argument)]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0)


def test_everything_acknowledged_survives_kill_9(tmp_path: Path) -> None:
    SessionFolder.create(tmp_path, NAME, {}).close()
    path = tmp_path / NAME
    for acknowledgements in (1, 7, 40, 80):
        with start(APPENDING, path) as child:
            assert child.stdout is not None
            acknowledged = [child.stdout.readline() for _ in range(acknowledgements)]
            os.kill(child.pid, signal.SIGKILL)
            acknowledged += child.stdout.readlines()
            child.communicate(timeout=30)
        assert child.returncode == -signal.SIGKILL
        # The kill may come while a line is being written: only complete lines count.
        last = max(int(line) for line in acknowledged if line.endswith(b"\n"))
        with SessionFolder.open(path) as session:
            numbers = [json.loads(record)["n"] for record in session.records]
            assert numbers == list(range(1, len(numbers) + 1))
            assert len(numbers) >= last


def test_a_second_process_is_refused_until_the_first_is_killed(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "sessions"
    with start(HOLDING, folder) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == b"held\n"
        with pytest.raises(RecordFault) as caught, RecordLock(folder):
            pass
        assert caught.value.code == "record-locked"
        assert str(child.pid) in caught.value.message
        os.kill(child.pid, signal.SIGKILL)
        child.communicate(timeout=30)
    with RecordLock(folder):
        pass


def test_the_lock_also_holds_within_a_process_and_is_given_back(tmp_path: Path) -> None:
    with RecordLock(tmp_path):
        with pytest.raises(RecordFault), RecordLock(tmp_path):
            pass
        with pytest.raises(RecordFault), RecordLock(tmp_path):
            pass
    with RecordLock(tmp_path), RecordLock(tmp_path / "other"):
        pass


def test_a_record_folder_that_cannot_be_created_is_reported(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(RecordFault) as caught, RecordLock(tmp_path / "file"):
        pass
    assert caught.value.code == "record-write"
