"""Conformance check for cameras: every promise of the ``Camera`` protocol, tested on an open camera.

For the cameras of this package and for those written elsewhere.
"""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from eyebolt.cameras import Camera, Frame, FreshnessMethod, Pixels
from eyebolt.deadline import NS_PER_S
from eyebolt.errors import CameraFault
from eyebolt.protocol import LinkStatus

_HOUR_NS = 3600 * NS_PER_S
# Counts as hanging: far longer than any time-out used here, for computers under load.
_HANG_S = 10.0
# The time-out of a request that cannot be met.
_SHORT_TIMEOUT_S = 0.25


class Promise(StrEnum):
    """A promise of every camera."""

    FRESHNESS = "freshness"
    """A frame was exposed after its request, is dated between the request and its true exposure, and arrived before it
    was returned."""
    FRESHNESS_AFTER_PAUSE = "freshness-after-pause"
    """The same after an idle pause, in which buffers fill with old frames."""
    PAST_REQUEST = "past-request"
    """The same for a request 50 ms old."""
    FUTURE_REQUEST = "future-request"
    """The same for a request 100 ms ahead."""
    TIMEOUT = "timeout"
    """A request that cannot be met ends at its time-out with the fault ``no-fresh-frame``."""
    SILENCE = "silence"
    """A request to a source that sends nothing ends with the fault ``no-fresh-frame`` or ``camera-lost``."""
    RECOVERY = "recovery"
    """Once the source sends again, the third request at the latest returns a fresh frame."""
    PIXELS = "pixels"
    """Returned pixels never change, and no two frames share memory."""
    HEALTH = "health"
    """``health`` describes the source in one line."""
    CLOSE = "close"
    """``close`` returns, also when repeated, ends every thread, and leaves a camera that is not connected."""
    GRAB_AFTER_CLOSE = "grab-after-close"
    """``grab`` on a closed camera raises the fault ``camera-lost``."""


@dataclass(frozen=True)
class Violation:
    """A broken promise."""

    promise: Promise
    """Which one."""
    message: str
    """How it was broken."""


def check_camera(
    open_source: Callable[[], Camera],
    true_exposure_ns: Callable[[Frame], int],
    *,
    silence: Callable[[], AbstractContextManager[object]] | None = None,
    grabs: int = 12,
    idle_s: float = 2.0,
    timeout_s: float = 5.0,
) -> list[Violation]:
    """Open a camera, use it as a session does, close it; an empty list means that it kept every promise.

    ``true_exposure_ns``: the true start of the exposure of a delivered frame (monotonic ns), for instance encoded in
    its pixels by the test source; for recorded images ``frame.exposed_ns`` itself. ``silence``: a context in which
    the source sends nothing. ``grabs`` before and after an idle pause of ``idle_s``; recorded images must number at
    least 2 * grabs + 8. Takes about ``idle_s`` plus the time of the grabs.
    """
    before = set(threading.enumerate())
    check = _ConformanceRun(open_source(), true_exposure_ns, timeout_s)
    try:
        check.freshness(Promise.FRESHNESS, grabs)
        time.sleep(idle_s)
        check.freshness(Promise.FRESHNESS_AFTER_PAUSE, grabs)
        check.past_and_future_requests()
        check.bounded_wait()
        if silence is not None:
            check.silent_source(silence)
        check.pixel_ownership()
        check.description()
    finally:
        check.closing(before)
    return check.violations


@dataclass
class _ConformanceRun:
    camera: Camera
    true_exposure_ns: Callable[[Frame], int]
    timeout_s: float
    violations: list[Violation] = field(default_factory=list)
    _frames: list[tuple[Frame, Pixels]] = field(default_factory=list)

    def report(self, promise: Promise, message: str) -> None:
        self.violations.append(Violation(promise, message))

    def freshness(self, promise: Promise, grabs: int) -> None:
        for _ in range(grabs):
            self._expect_fresh_frame(promise, time.monotonic_ns())

    def past_and_future_requests(self) -> None:
        self._expect_fresh_frame(Promise.PAST_REQUEST, time.monotonic_ns() - NS_PER_S // 20)
        self._expect_fresh_frame(Promise.FUTURE_REQUEST, time.monotonic_ns() + NS_PER_S // 10)

    def bounded_wait(self) -> None:
        self._expect_fault(Promise.TIMEOUT, time.monotonic_ns() + _HOUR_NS, {"no-fresh-frame"})

    def silent_source(self, silence: Callable[[], AbstractContextManager[object]]) -> None:
        with silence():
            not_before_ns = time.monotonic_ns()
            self._expect_fault(Promise.SILENCE, not_before_ns, {"no-fresh-frame", "camera-lost"})
        # The first attempts may fail while the camera reconnects; any frame they return must be fresh.
        for attempts_left in (2, 1, 0):
            with self._reporting_faults(Promise.RECOVERY, attempts_left == 0):
                self._expect_fresh_frame(Promise.RECOVERY, time.monotonic_ns(), reraise=True)
                return

    def pixel_ownership(self) -> None:
        for frame, copy in self._frames:
            if not np.array_equal(frame.pixels, copy):
                self.report(Promise.PIXELS, f"{frame.name} changed after it was returned")
        for (one, _), (other, _) in itertools.pairwise(self._frames):
            if np.shares_memory(one.pixels, other.pixels):
                self.report(Promise.PIXELS, f"{one.name} and {other.name} share memory")

    def description(self) -> None:
        health = self.camera.health()
        if not isinstance(health, LinkStatus) or not health.message or "\n" in health.message:
            self.report(Promise.HEALTH, f"it must give one line about the source, not {health!r}")

    def closing(self, before: set[threading.Thread]) -> None:
        for _ in range(2):
            failure = _failure_within(_HANG_S, self.camera.close)
            if failure:
                self.report(Promise.CLOSE, failure)
        self._expect_fault(Promise.GRAB_AFTER_CLOSE, time.monotonic_ns(), {"camera-lost"}, may_deliver=False)
        if self.camera.health().is_connected:
            self.report(Promise.CLOSE, "a closed camera reports that it is connected")
        for thread in set(threading.enumerate()) - before:
            if thread.name.startswith("eyebolt-conformance"):
                continue
            thread.join(_HANG_S)
            if thread.is_alive():
                self.report(Promise.CLOSE, f"the thread {thread.name} still runs")

    def _expect_fresh_frame(self, promise: Promise, not_before_ns: int, reraise: bool = False) -> None:
        try:
            frame = self.camera.grab(not_before_ns, self.timeout_s)
        except CameraFault as fault:
            if reraise:
                raise
            self.report(promise, f"no image: {fault.message}")
            return
        now_ns = time.monotonic_ns()
        self._frames.append((frame, frame.pixels.copy()))
        true_ns = self.true_exposure_ns(frame)
        if true_ns < not_before_ns:
            self.report(
                promise, f"{frame.name} was exposed {(not_before_ns - true_ns) / 1e6:.1f} ms before the request"
            )
        if frame.exposed_ns < not_before_ns:
            self.report(promise, f"{frame.name} is dated before the request")
        if frame.exposed_ns > true_ns:
            self.report(
                promise, f"{frame.name} is dated {(frame.exposed_ns - true_ns) / 1e6:.1f} ms after its true exposure"
            )
        if not frame.exposed_ns <= frame.arrived_ns <= now_ns:
            self.report(promise, f"{frame.name} must arrive after its exposure and before it is returned")
        if frame.method not in list(FreshnessMethod) or not frame.name:
            self.report(promise, f"method {frame.method!r} or name {frame.name!r} is not valid")
        pixels = frame.pixels
        if (
            pixels.dtype.name not in ("uint8", "uint16")
            or pixels.ndim not in (2, 3)
            or pixels.shape[2:] not in ((), (3,))
        ):
            self.report(promise, f"{frame.name} is {pixels.dtype} {pixels.shape}")

    def _expect_fault(self, promise: Promise, not_before_ns: int, codes: set[str], may_deliver: bool = True) -> None:
        """A grab that must raise a fault of ``codes``, or return a fresh frame: sources fall silent with a delay."""
        outcome: list[str] = []

        def attempt() -> None:
            try:
                frame = self.camera.grab(not_before_ns, _SHORT_TIMEOUT_S)
            except CameraFault as fault:
                unexpected = fault.code not in codes or not fault.message or not fault.remedy
                outcome.append(f"fault {fault.code}: {fault.message}" if unexpected else "")
            else:
                fresh = may_deliver and self.true_exposure_ns(frame) >= not_before_ns
                outcome.append("" if fresh else f"the image {frame.name} came")

        failure = _failure_within(_HANG_S, attempt) or "".join(outcome)
        if failure:
            self.report(promise, failure)

    @contextmanager
    def _reporting_faults(self, promise: Promise, record: bool) -> Iterator[None]:
        try:
            yield
        except CameraFault as fault:
            if record:
                self.report(promise, f"no image: {fault.message}")


def _failure_within(limit_s: float, action: Callable[[], None]) -> str:
    """Why ``action`` failed: it did not return within ``limit_s``, or raised; "" if it succeeded."""
    failure: list[str] = []

    def attempt() -> None:
        try:
            action()
        except Exception as error:  # any exception of a source is a violation
            failure.append(f"{type(error).__name__} instead of CameraFault: {error}")

    thread = threading.Thread(target=attempt, name="eyebolt-conformance", daemon=True)
    thread.start()
    thread.join(limit_s)
    return f"it did not return within {limit_s:.0f} s" if thread.is_alive() else "".join(failure)
