"""The locks of a record folder: faults on the way to them, and how long a replacement of the result is waited for."""

import errno
import fcntl
from pathlib import Path
from types import SimpleNamespace

import pytest

from eyebolt.errors import RecordFault
from eyebolt.store import RecordLock, list_sessions, lock


def test_a_record_folder_that_cannot_be_made_is_a_fault(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(RecordFault) as fault, RecordLock(tmp_path / "file/records"):
        pass
    assert fault.value.code == "record-write"
    assert str(tmp_path / "file/records") in fault.value.message


def test_a_replacement_of_the_result_is_waited_for_ten_seconds(tmp_path, monkeypatch):
    clock = SimpleNamespace(now_s=100.0)
    clock.monotonic = lambda: clock.now_s

    def sleep(duration_s):
        clock.now_s += duration_s

    clock.sleep = sleep
    monkeypatch.setattr(lock, "time", clock)
    monkeypatch.setattr(lock, "_try_lock", lambda descriptor: False)
    with pytest.raises(RecordFault) as fault, lock.results_lock(tmp_path):
        pass
    assert fault.value.code == "results-busy"
    assert clock.now_s == pytest.approx(110.0, abs=0.1)


def test_a_result_is_replaced_by_one_at_a_time(tmp_path):
    with lock.results_lock(tmp_path), pytest.raises(RecordFault) as fault, lock.results_lock(tmp_path, wait_s=0.0):
        pass
    assert fault.value.code == "results-busy"
    with lock.results_lock(tmp_path, wait_s=0.0):
        pass


def test_on_a_file_system_without_locks_a_result_is_replaced_without_one(tmp_path, monkeypatch):
    def refuse(descriptor, operation):
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", refuse)
    with lock.results_lock(tmp_path, wait_s=0.0):
        pass


def test_a_lock_that_is_held_costs_the_second_process_no_open_file(tmp_path):
    with RecordLock(tmp_path):
        before = len(list(Path("/proc/self/fd").iterdir()))
        for _ in range(3):
            with pytest.raises(RecordFault) as fault, RecordLock(tmp_path):
                pass
            assert fault.value.code == "record-locked"
        assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_a_record_folder_that_cannot_be_listed_is_a_fault(tmp_path):
    (tmp_path / "file").touch()
    assert list_sessions(tmp_path / "none") == []
    with pytest.raises(RecordFault) as fault:
        list_sessions(tmp_path / "file")
    assert fault.value.code == "record-read"
    assert str(tmp_path / "file") in fault.value.message
