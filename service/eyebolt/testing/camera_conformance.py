"""Does a picture source keep its promise? A check for every source, also for those that others write."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field

import numpy as np

from eyebolt.cameras import METHODS, NS_PER_S, Camera, CameraHealth, Frame, Pixels
from eyebolt.errors import CameraFault

_HOUR_NS = 3600 * NS_PER_S
# What counts as hanging: far longer than any time-out used here, for computers under load.
_HANG_S = 10.0
# The time-out of a request that cannot be met.
_SHORT_S = 0.25


@dataclass(frozen=True)
class Finding:
    """``check``: which promise is broken; ``says``: how."""

    check: str
    says: str


def check_camera(
    open_source: Callable[[], Camera],
    true_exposure_ns: Callable[[Frame], int],
    *,
    silence: Callable[[], AbstractContextManager[object]] | None = None,
    grabs: int = 12,
    idle_s: float = 2.0,
    timeout_s: float = 5.0,
) -> list[Finding]:
    """Open the source, use it as a session would, close it; an empty list means that it kept every promise.

    ``true_exposure_ns``: when the exposure of a delivered frame really began (monotonic ns), for instance painted into
    its pixels by the test source; for recorded pictures ``frame.exposed_ns`` itself. ``silence``: a context in which
    the source sends nothing. ``grabs`` before and after an idle pause of ``idle_s``; recorded pictures must number at
    least 2 * grabs + 8. Takes about ``idle_s`` plus the source's own time.
    """
    before = set(threading.enumerate())
    check = _Check(open_source(), true_exposure_ns, timeout_s)
    try:
        check.freshness("freshness", grabs)
        time.sleep(idle_s)
        check.freshness("freshness after an idle pause", grabs)
        check.earlier_and_later_requests()
        check.bounded_time()
        if silence is not None:
            check.silent_source(silence)
        check.pixels_kept()
        check.description()
    finally:
        check.closing(before)
    return check.findings


@dataclass
class _Check:
    camera: Camera
    true_exposure_ns: Callable[[Frame], int]
    timeout_s: float
    findings: list[Finding] = field(default_factory=list)
    _kept: list[tuple[Frame, Pixels]] = field(default_factory=list)

    def find(self, check: str, says: str) -> None:
        self.findings.append(Finding(check, says))

    def freshness(self, check: str, grabs: int) -> None:
        for _ in range(grabs):
            self._fresh_frame(check, time.monotonic_ns())

    def earlier_and_later_requests(self) -> None:
        self._fresh_frame("a request a moment old", time.monotonic_ns() - NS_PER_S // 20)
        self._fresh_frame("a request for a moment ahead", time.monotonic_ns() + NS_PER_S // 10)

    def bounded_time(self) -> None:
        self._fault_in_time("a request that cannot be met", time.monotonic_ns() + _HOUR_NS, {"no-fresh-frame"})

    def silent_source(self, silence: Callable[[], AbstractContextManager[object]]) -> None:
        with silence():
            asked_ns = time.monotonic_ns()
            self._fault_in_time("a silent source", asked_ns, {"no-fresh-frame", "camera-lost"})
        # Reconnecting may take one attempt; the promise about freshness holds for each of them.
        for attempts_left in (2, 1, 0):
            with self._recording_faults("after silence", attempts_left == 0):
                self._fresh_frame("after silence", time.monotonic_ns(), reraise=True)
                return

    def pixels_kept(self) -> None:
        for frame, copy in self._kept:
            if not np.array_equal(frame.pixels, copy):
                self.find("pixels", f"{frame.name} changed after it was handed out")
        for (one, _), (other, _) in itertools.pairwise(self._kept):
            if np.shares_memory(one.pixels, other.pixels):
                self.find("pixels", f"{one.name} and {other.name} share memory")

    def description(self) -> None:
        health = self.camera.describe()
        if not isinstance(health, CameraHealth) or not health.says or "\n" in health.says:
            self.find("describe", f"it must say one line about the source, not {health!r}")

    def closing(self, before: set[threading.Thread]) -> None:
        for _ in range(2):
            trouble = _trouble_within(_HANG_S, self.camera.close)
            if trouble:
                self.find("close", trouble)
        self._fault_in_time("grab after close", time.monotonic_ns(), {"camera-lost"}, may_deliver=False)
        if self.camera.describe().alive:
            self.find("close", "a closed camera says that it is alive")
        for thread in set(threading.enumerate()) - before:
            if thread.name.startswith("eyebolt-conformance"):
                continue
            thread.join(_HANG_S)
            if thread.is_alive():
                self.find("close", f"the thread {thread.name} goes on")

    def _fresh_frame(self, check: str, asked_ns: int, reraise: bool = False) -> None:
        try:
            frame = self.camera.grab(asked_ns, self.timeout_s)
        except CameraFault as fault:
            if reraise:
                raise
            self.find(check, f"no picture: {fault.message}")
            return
        now_ns = time.monotonic_ns()
        self._kept.append((frame, frame.pixels.copy()))
        true_ns = self.true_exposure_ns(frame)
        if true_ns < asked_ns:
            self.find(check, f"{frame.name} was exposed {(asked_ns - true_ns) / 1e6:.1f} ms before the request")
        if frame.exposed_ns < asked_ns:
            self.find(check, f"{frame.name} is dated before the request")
        if frame.exposed_ns > true_ns:
            self.find(
                check, f"{frame.name} is dated {(frame.exposed_ns - true_ns) / 1e6:.1f} ms after its true exposure"
            )
        if not frame.exposed_ns <= frame.arrived_ns <= now_ns:
            self.find(check, f"{frame.name} must arrive after its exposure and before it is handed over")
        if frame.method not in METHODS or not frame.name:
            self.find(check, f"method {frame.method!r} or name {frame.name!r} says nothing")
        pixels = frame.pixels
        if (
            pixels.dtype.name not in ("uint8", "uint16")
            or pixels.ndim not in (2, 3)
            or pixels.shape[2:] not in ((), (3,))
        ):
            self.find(check, f"{frame.name} is {pixels.dtype} {pixels.shape}")

    def _fault_in_time(self, check: str, asked_ns: int, codes: set[str], may_deliver: bool = True) -> None:
        """A grab that must end in a fault of ``codes``, or (a source that is not silent at once) in a fresh frame."""
        outcome: list[str] = []

        def attempt() -> None:
            try:
                frame = self.camera.grab(asked_ns, _SHORT_S)
            except CameraFault as fault:
                unexpected = fault.code not in codes or not fault.message or not fault.remedy
                outcome.append(f"fault {fault.code}: {fault.message}" if unexpected else "")
            else:
                fresh = may_deliver and self.true_exposure_ns(frame) >= asked_ns
                outcome.append("" if fresh else f"the picture {frame.name} came")

        trouble = _trouble_within(_HANG_S, attempt) or "".join(outcome)
        if trouble:
            self.find(check, trouble)

    @contextmanager
    def _recording_faults(self, check: str, record: bool) -> Iterator[None]:
        try:
            yield
        except CameraFault as fault:
            if record:
                self.find(check, f"no picture: {fault.message}")


def _trouble_within(limit_s: float, action: Callable[[], None]) -> str:
    """What went wrong with ``action``: it did not return within ``limit_s``, or threw; "" if nothing did."""
    trouble: list[str] = []

    def attempt() -> None:
        try:
            action()
        except Exception as why:  # whatever a source throws is the finding
            trouble.append(f"{type(why).__name__} instead of CameraFault: {why}")

    thread = threading.Thread(target=attempt, name="eyebolt-conformance", daemon=True)
    thread.start()
    thread.join(limit_s)
    return f"it did not return within {limit_s:.0f} s" if thread.is_alive() else "".join(trouble)
