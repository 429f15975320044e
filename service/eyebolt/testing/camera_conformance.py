"""Does a picture source keep its promise? A check for every source, also for those that others write."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field

import numpy as np

from eyebolt.cameras import FRESHNESS_METHODS, NS_PER_S, Camera, CameraHealth, Frame, Pixels
from eyebolt.errors import CameraFault

_HOUR_NS = 3600 * NS_PER_S
# What counts as hanging: far longer than any time-out used here, for computers under load.
_HANG_S = 10.0
# The time-out of a request that cannot be met.
_SHORT_TIMEOUT_S = 0.25


@dataclass(frozen=True)
class Violation:
    """``check``: which promise is broken; ``message``: how."""

    check: str
    message: str


def check_camera(
    open_source: Callable[[], Camera],
    true_exposure_ns: Callable[[Frame], int],
    *,
    silence: Callable[[], AbstractContextManager[object]] | None = None,
    grabs: int = 12,
    idle_s: float = 2.0,
    timeout_s: float = 5.0,
) -> list[Violation]:
    """Open the source, use it as a session would, close it; an empty list means that it kept every promise.

    ``true_exposure_ns``: when the exposure of a delivered frame really began (monotonic ns), for instance painted into
    its pixels by the test source; for recorded pictures ``frame.exposed_ns`` itself. ``silence``: a context in which
    the source sends nothing. ``grabs`` before and after an idle pause of ``idle_s``; recorded pictures must number at
    least 2 * grabs + 8. Takes about ``idle_s`` plus the source's own time.
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
                self.report("pixels", f"{frame.name} changed after it was handed out")
        for (one, _), (other, _) in itertools.pairwise(self._frames):
            if np.shares_memory(one.pixels, other.pixels):
                self.report("pixels", f"{one.name} and {other.name} share memory")

    def description(self) -> None:
        health = self.camera.health()
        if not isinstance(health, CameraHealth) or not health.message or "\n" in health.message:
            self.report("health", f"it must say one line about the source, not {health!r}")

    def closing(self, before: set[threading.Thread]) -> None:
        for _ in range(2):
            failure = _failure_within(_HANG_S, self.camera.close)
            if failure:
                self.report("close", failure)
        self._expect_fault("grab after close", time.monotonic_ns(), {"camera-lost"}, may_deliver=False)
        if self.camera.health().alive:
            self.report("close", "a closed camera says that it is alive")
        for thread in set(threading.enumerate()) - before:
            if thread.name.startswith("eyebolt-conformance"):
                continue
            thread.join(_HANG_S)
            if thread.is_alive():
                self.report("close", f"the thread {thread.name} goes on")

    def _expect_fresh_frame(self, check: str, not_before_ns: int, reraise: bool = False) -> None:
        try:
            frame = self.camera.grab(not_before_ns, self.timeout_s)
        except CameraFault as fault:
            if reraise:
                raise
            self.report(check, f"no picture: {fault.message}")
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
            self.report(check, f"{frame.name} must arrive after its exposure and before it is handed over")
        if frame.method not in FRESHNESS_METHODS or not frame.name:
            self.report(check, f"method {frame.method!r} or name {frame.name!r} says nothing")
        pixels = frame.pixels
        if (
            pixels.dtype.name not in ("uint8", "uint16")
            or pixels.ndim not in (2, 3)
            or pixels.shape[2:] not in ((), (3,))
        ):
            self.report(check, f"{frame.name} is {pixels.dtype} {pixels.shape}")

    def _expect_fault(self, check: str, not_before_ns: int, codes: set[str], may_deliver: bool = True) -> None:
        """A grab that must end in a fault of ``codes``, or (a source that is not silent at once) in a fresh frame."""
        outcome: list[str] = []

        def attempt() -> None:
            try:
                frame = self.camera.grab(not_before_ns, _SHORT_TIMEOUT_S)
            except CameraFault as fault:
                unexpected = fault.code not in codes or not fault.message or not fault.remedy
                outcome.append(f"fault {fault.code}: {fault.message}" if unexpected else "")
            else:
                fresh = may_deliver and self.true_exposure_ns(frame) >= not_before_ns
                outcome.append("" if fresh else f"the picture {frame.name} came")

        failure = _failure_within(_HANG_S, attempt) or "".join(outcome)
        if failure:
            self.report(check, failure)

    @contextmanager
    def _reporting_faults(self, check: str, record: bool) -> Iterator[None]:
        try:
            yield
        except CameraFault as fault:
            if record:
                self.report(check, f"no picture: {fault.message}")


def _failure_within(limit_s: float, action: Callable[[], None]) -> str:
    """What went wrong with ``action``: it did not return within ``limit_s``, or threw; "" if nothing did."""
    failure: list[str] = []

    def attempt() -> None:
        try:
            action()
        except Exception as why:  # whatever a source throws is the finding
            failure.append(f"{type(why).__name__} instead of CameraFault: {why}")

    thread = threading.Thread(target=attempt, name="eyebolt-conformance", daemon=True)
    thread.start()
    thread.join(limit_s)
    return f"it did not return within {limit_s:.0f} s" if thread.is_alive() else "".join(failure)
