"""A conformance check for image sources: does a camera keep the promise of ``cameras.Camera``? For any source."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field

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


@dataclass(frozen=True)
class Violation:
    """A broken promise."""

    check: str
    """the promise"""
    message: str
    """how it was broken"""


def check_camera(
    open_source: Callable[[], Camera],
    true_exposure_ns: Callable[[Frame], int],
    *,
    silence: Callable[[], AbstractContextManager[object]] | None = None,
    grabs: int = 12,
    idle_s: float = 2.0,
    timeout_s: float = 5.0,
) -> list[Violation]:
    """Opens the source, uses it as a session would, closes it; an empty list means that it kept every promise.

    ``true_exposure_ns``: the true start of the exposure of a delivered frame (monotonic ns), for instance encoded in
    its pixels by the test source; for recorded images ``frame.exposed_ns`` itself. ``silence``: a context in which
    the source sends nothing. ``grabs`` before and after an idle pause of ``idle_s``; recorded images must number at
    least 2 * grabs + 8. Takes about ``idle_s`` plus the time of the grabs.
    """
    before = set(threading.enumerate())
    check = _ConformanceRun(open_source(), true_exposure_ns, timeout_s)
    try:
        check.freshness("freshness", grabs)
        time.sleep(idle_s)
        check.freshness("freshness after an idle pause", grabs)
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

    def report(self, check: str, message: str) -> None:
        self.violations.append(Violation(check, message))

    def freshness(self, check: str, grabs: int) -> None:
        for _ in range(grabs):
            self._expect_fresh_frame(check, time.monotonic_ns())

    def past_and_future_requests(self) -> None:
        self._expect_fresh_frame("a request a moment old", time.monotonic_ns() - NS_PER_S // 20)
        self._expect_fresh_frame("a request for a moment ahead", time.monotonic_ns() + NS_PER_S // 10)

    def bounded_wait(self) -> None:
        self._expect_fault("a request that cannot be met", time.monotonic_ns() + _HOUR_NS, {"no-fresh-frame"})

    def silent_source(self, silence: Callable[[], AbstractContextManager[object]]) -> None:
        with silence():
            not_before_ns = time.monotonic_ns()
            self._expect_fault("a silent source", not_before_ns, {"no-fresh-frame", "camera-lost"})
        # Reconnecting may take one attempt; the promise about freshness holds for each of them.
        for attempts_left in (2, 1, 0):
            with self._reporting_faults("after silence", attempts_left == 0):
                self._expect_fresh_frame("after silence", time.monotonic_ns(), reraise=True)
                return

    def pixel_ownership(self) -> None:
        for frame, copy in self._frames:
            if not np.array_equal(frame.pixels, copy):
                self.report("pixels", f"{frame.name} changed after it was returned")
        for (one, _), (other, _) in itertools.pairwise(self._frames):
            if np.shares_memory(one.pixels, other.pixels):
                self.report("pixels", f"{one.name} and {other.name} share memory")

    def description(self) -> None:
        health = self.camera.health()
        if not isinstance(health, LinkStatus) or not health.message or "\n" in health.message:
            self.report("health", f"it must give one line about the source, not {health!r}")

    def closing(self, before: set[threading.Thread]) -> None:
        for _ in range(2):
            failure = _failure_within(_HANG_S, self.camera.close)
            if failure:
                self.report("close", failure)
        self._expect_fault("grab after close", time.monotonic_ns(), {"camera-lost"}, may_deliver=False)
        if self.camera.health().is_connected:
            self.report("close", "a closed camera reports that it is connected")
        for thread in set(threading.enumerate()) - before:
            if thread.name.startswith("eyebolt-conformance"):
                continue
            thread.join(_HANG_S)
            if thread.is_alive():
                self.report("close", f"the thread {thread.name} still runs")

    def _expect_fresh_frame(self, check: str, not_before_ns: int, reraise: bool = False) -> None:
        try:
            frame = self.camera.grab(not_before_ns, self.timeout_s)
        except CameraFault as fault:
            if reraise:
                raise
            self.report(check, f"no image: {fault.message}")
            return
        now_ns = time.monotonic_ns()
        self._frames.append((frame, frame.pixels.copy()))
        true_ns = self.true_exposure_ns(frame)
        if true_ns < not_before_ns:
            self.report(check, f"{frame.name} was exposed {(not_before_ns - true_ns) / 1e6:.1f} ms before the request")
        if frame.exposed_ns < not_before_ns:
            self.report(check, f"{frame.name} is dated before the request")
        if frame.exposed_ns > true_ns:
            self.report(
                check, f"{frame.name} is dated {(frame.exposed_ns - true_ns) / 1e6:.1f} ms after its true exposure"
            )
        if not frame.exposed_ns <= frame.arrived_ns <= now_ns:
            self.report(check, f"{frame.name} must arrive after its exposure and before it is returned")
        if frame.method not in list(FreshnessMethod) or not frame.name:
            self.report(check, f"method {frame.method!r} or name {frame.name!r} is not valid")
        pixels = frame.pixels
        if (
            pixels.dtype.name not in ("uint8", "uint16")
            or pixels.ndim not in (2, 3)
            or pixels.shape[2:] not in ((), (3,))
        ):
            self.report(check, f"{frame.name} is {pixels.dtype} {pixels.shape}")

    def _expect_fault(self, check: str, not_before_ns: int, codes: set[str], may_deliver: bool = True) -> None:
        """A grab that must raise a fault of ``codes``, or return a fresh frame (a source may take a moment to fall silent)."""
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
            self.report(check, failure)

    @contextmanager
    def _reporting_faults(self, check: str, record: bool) -> Iterator[None]:
        try:
            yield
        except CameraFault as fault:
            if record:
                self.report(check, f"no image: {fault.message}")


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
