"""The locks of a record folder: faults on the way to them, and how long a replacement of the result is waited for."""

from types import SimpleNamespace

import pytest

from eyebolt.errors import RecordFault
from eyebolt.store import RecordLock, lock


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
