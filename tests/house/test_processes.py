"""The suite's own care for its child processes: waits that follow the child and the load, and nothing left behind."""

import os
import re
import subprocess
import sys
import time

import pytest

from support import processes
from support.daemon_process import DaemonProcess
from support.processes import Patience, descendants, end, run, until, wait_for_exit
from support.warm_start import start_warm

SLEEPER = [sys.executable, "-S", "-c", "import time; time.sleep(600)"]


@pytest.fixture
def sleeper():
    child = subprocess.Popen(SLEEPER)
    yield child
    end(child)


def test_a_wait_ends_at_once_when_the_child_has_ended():
    child = subprocess.Popen([sys.executable, "-S", "-c", "raise SystemExit(7)"])
    begun = time.monotonic()
    with pytest.raises(AssertionError, match="ended with 7 before: never"):
        until(lambda: False, "never", longest_s=500.0, process=child)
    assert time.monotonic() - begun < 400.0


def test_what_a_child_did_last_is_not_missed(tmp_path):
    file = tmp_path / "made"
    child = subprocess.Popen(["touch", str(file)])
    child.wait()
    assert until(file.exists, "the file", process=child)


def test_a_wait_in_vain_fails():
    with pytest.raises(AssertionError, match="waited 0 s in vain: nothing"):
        until(lambda: False, "nothing", longest_s=0.02)


def test_patience_counts_the_share_of_a_processor_that_is_left(monkeypatch):
    monkeypatch.setattr(processes, "processor_share", lambda: 0.01)
    patience = Patience(0.05)
    time.sleep(0.2)
    assert not patience.is_over()
    monkeypatch.setattr(processes, "processor_share", lambda: 1.0)
    time.sleep(0.2)
    assert patience.is_over()


def test_the_share_of_a_processor_is_a_share():
    assert 0.0 < processes.processor_share() <= 1.0


def test_a_command_that_does_not_end_is_killed():
    with pytest.raises(AssertionError, match="in vain"):
        run(SLEEPER, limit_s=0.1)
    assert not [p for p in descendants() if "time.sleep(600)" in p.command]


def test_a_command_gets_its_input_and_gives_its_output():
    code = "import sys; print(input()); print('e', file=sys.stderr); time = sys.exit(3)"
    done = run([sys.executable, "-S", "-c", code], stdin_text="typed\n")
    assert (done.stdout, done.stderr, done.returncode) == ("typed\n", "e\n", 3)


def test_a_living_child_is_a_descendant(sleeper):
    assert sleeper.pid in [process.pid for process in descendants()]
    end(sleeper)
    assert sleeper.pid not in [process.pid for process in descendants()]


def test_a_grandchild_whose_parent_has_ended_is_still_a_descendant():
    parent = "import subprocess, sys; print(subprocess.Popen(sys.argv[1:]).pid, flush=True)"
    with subprocess.Popen([sys.executable, "-c", parent, *SLEEPER], stdout=subprocess.PIPE, text=True) as child:
        pid = int(child.stdout.readline())
    found = [process for process in descendants() if process.pid == pid]
    processes.kill(found)
    os.waitpid(pid, 0)
    assert len(found) == 1


def test_a_daemon_that_does_not_become_ready_is_ended(tmp_path, monkeypatch):
    station = tmp_path / "station.toml"
    station.write_text('listen = "127.0.0.1:1"\n')
    monkeypatch.setattr("support.daemon_process.COMMAND", SLEEPER)
    monkeypatch.setattr("support.daemon_process.start_warm", lambda *_: None)
    monkeypatch.setattr("support.processes.Patience", lambda limit_s: Patience(0.2))
    with pytest.raises(AssertionError, match="in vain: ready"):
        DaemonProcess(station)
    assert not [p for p in descendants() if "time.sleep(600)" in p.command]


def test_a_warm_start_is_a_process_like_any_other(tmp_path):
    arguments, log_file = ["--version-of-nothing"], tmp_path / "log"
    with log_file.open("wb") as log:
        process = start_warm(arguments, log)
        assert process is not None
        assert process.args == [sys.executable, "-m", "eyebolt.cli.main", *arguments]
        assert wait_for_exit(process) == 2
        again = start_warm(["serve", str(tmp_path / "none.toml")], log)
        assert wait_for_exit(again) == 1
        assert again.pid != process.pid
    # Coloured where the environment asks for it.
    logged = re.sub(r"\x1b\[[0-9;]*m", "", log_file.read_text())
    assert "--version-of-nothing" in logged
    assert "none.toml" in logged


def test_a_start_in_another_environment_is_a_new_interpreter(tmp_path, monkeypatch):
    with (tmp_path / "log").open("wb") as log:
        assert wait_for_exit(start_warm(["--help"], log)) == 0
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "none"))
        assert start_warm(["--help"], log) is None
