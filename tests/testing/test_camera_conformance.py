"""The conformance check finds each broken promise: cameras that break one each."""

import threading
import time

import numpy as np
import pytest

from eyebolt.cameras.camera import Frame, FreshnessMethod, camera_closed, no_fresh_frame
from eyebolt.protocol import LinkStatus
from eyebolt.testing.camera_conformance import check_camera


class Conforming:
    """Exposes on request; its images show the instant of their exposure."""

    def __init__(self, instant):
        self.instant, self.closed, self.count = instant, False, 0

    def grab(self, not_before_ns, timeout_s):
        if self.closed:
            raise camera_closed("the test camera")
        until_ns = time.monotonic_ns() + int(timeout_s * 1e9)
        while (now_ns := time.monotonic_ns()) < not_before_ns:
            if now_ns > until_ns:
                raise no_fresh_frame("the test camera", "too far ahead")
            time.sleep(0.005)
        self.count += 1
        return self.frame(time.monotonic_ns())

    def frame(self, exposed_ns):
        return Frame(
            self.instant.paint(exposed_ns), exposed_ns, time.monotonic_ns(), FreshnessMethod.TRIGGER, f"{self.count}"
        )

    def health(self):
        return LinkStatus(is_connected=not self.closed, message="a test camera")

    def close(self):
        self.closed = True


class Stale(Conforming):
    """Returns the previous image: old pixels under a new date."""

    before_ns = 1

    def frame(self, exposed_ns):
        old_ns, self.before_ns = self.before_ns, exposed_ns
        return Frame(
            self.instant.paint(old_ns), exposed_ns, time.monotonic_ns(), FreshnessMethod.TRIGGER, f"{self.count}"
        )


class Backdated(Conforming):
    def frame(self, exposed_ns):
        return Frame(
            self.instant.paint(exposed_ns), exposed_ns - 10**9, exposed_ns, FreshnessMethod.TRIGGER, f"{self.count}"
        )


class OneBuffer(Conforming):
    """Returns the same memory for every frame."""

    buffer = None

    def frame(self, exposed_ns):
        if self.buffer is None:
            self.buffer = self.instant.paint(exposed_ns)
        self.buffer[:] = self.instant.paint(exposed_ns)
        return Frame(self.buffer, exposed_ns, time.monotonic_ns(), FreshnessMethod.TRIGGER, f"{self.count}")


class Untyped(Conforming):
    def grab(self, not_before_ns, timeout_s):
        if not_before_ns > time.monotonic_ns() + 10**9:
            raise TimeoutError("no image")
        return super().grab(not_before_ns, timeout_s)


class Undead(Conforming):
    def close(self):
        pass


class CloseOnce(Conforming):
    def close(self):
        if self.closed:
            raise RuntimeError("already closed")
        self.closed = True


class Floats(Conforming):
    def frame(self, exposed_ns):
        frame = super().frame(exposed_ns)
        return Frame(
            frame.pixels.astype(np.float32) / 1e0, exposed_ns, frame.arrived_ns, FreshnessMethod.TRIGGER, frame.name
        )


def examine(kind, instant):
    return check_camera(
        lambda: kind(instant),
        lambda frame: instant.read(np.asarray(frame.pixels, np.uint8)),
        grabs=3,
        idle_s=0.05,
        timeout_s=1.0,
    )


def test_a_conforming_camera_passes(instant):
    assert examine(Conforming, instant) == []


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        (Stale, [("freshness", "before the request"), ("freshness", "after its true exposure")]),
        (Backdated, [("freshness", "dated before the request")]),
        (OneBuffer, [("pixels", "changed after it was returned"), ("pixels", "share memory")]),
        (Untyped, [("timeout", "TimeoutError")]),
        (Undead, [("grab-after-close", "came"), ("close", "reports that it is connected")]),
        (CloseOnce, [("close", "already closed")]),
        (Floats, [("freshness", "float32")]),
    ],
)
def test_each_broken_promise_is_found(instant, kind, expected):
    found = examine(kind, instant)
    for promise, message in expected:
        assert any(finding.promise == promise and message in finding.message for finding in found), found


def test_a_camera_that_hangs_or_leaves_its_thread_behind_is_found(instant, monkeypatch):
    monkeypatch.setattr("eyebolt.testing.camera_conformance._HANG_S", 0.5)
    release = threading.Event()

    class Hanging(Conforming):
        def __init__(self, instant):
            super().__init__(instant)
            threading.Thread(target=release.wait, name="left-behind", daemon=True).start()

        def grab(self, not_before_ns, timeout_s):
            if not_before_ns > time.monotonic_ns() + 10**9:
                release.wait()
            return super().grab(not_before_ns, timeout_s)

    try:
        found = examine(Hanging, instant)
    finally:
        release.set()
    assert any(finding.promise == "timeout" and "did not return" in finding.message for finding in found)
    assert any(finding.promise == "close" and "left-behind" in finding.message for finding in found)
