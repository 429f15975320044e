"""Guided capture in the daemon: live poses and images into ``Guide``, and the pairs that it finds into the session.

Images are taken in the camera thread and searched in the detection thread, like those of requests, which wait for one
image at most. An image that arrives while the one before is being searched is dropped.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

import structlog

from eyebolt.boards import to_gray
from eyebolt.cameras import Frame, FreshnessMethod
from eyebolt.context import StationContext
from eyebolt.daemon.executor import DaemonExecutor
from eyebolt.errors import CameraFault, InputFault
from eyebolt.geometry import Array
from eyebolt.guidance import BoardFollower, Guide, GuidedPair, GuideSetup, LivePosesRecord
from eyebolt.protocol import Code, GuidancePhase, GuidanceStatus, Reply
from eyebolt.session import GuidedRecord, State

_IDLE_POLL_S = 0.1
_RETRY_S = 0.5
_RATE_WINDOW_S = 2.0
# Poses that no image asks for, such as while the camera is lost.
_MAX_QUEUED_POSES = 5000

SubmitPair = Callable[[str, int, GuidedRecord], Awaitable[Reply]]

_log = structlog.get_logger("guiding")


@dataclass(frozen=True)
class _Step:
    """What followed from one image."""

    pair: GuidedPair | None
    phase: GuidancePhase


class GuidedCapture:
    """The guided session of a station, while one is open. ``state`` returns the session's state.

    ``submit_pair`` requests a capture with a pose as the robot writes it, received at an instant (ns), of a followed
    image; ``publish`` publishes the status. All methods are called in the loop.
    """

    def __init__(
        self,
        context: StationContext,
        executor: DaemonExecutor,
        state: Callable[[], State],
        submit_pair: SubmitPair,
        publish: Callable[[], None],
    ) -> None:
        self._context = context
        self._executor = executor
        self._state = state
        self._submit_pair = submit_pair
        self._publish = publish
        self._poses: deque[tuple[float, tuple[float, ...]]] = deque(maxlen=_MAX_QUEUED_POSES)
        self._streaming: int | None = None
        self._pose_times_s: deque[float] = deque()
        self._image_times_s: deque[float] = deque()
        self._session: str | None = None
        self._guide = self._new_guide()
        self._follower = BoardFollower(context.board)
        self._number = 0
        self._phase = GuidancePhase.NO_POSES
        self._message = ""
        self._pair: asyncio.Task[None] | None = None
        self._last_pair_s = 0.0

    def add_pose(self, connection: int, raw_pose: tuple[float, ...], at_ns: int) -> None:
        """A live pose; those of one connection count, the holder's or the first that streams."""
        holder = self._state().robot_connection
        if self._streaming is None or holder == connection:
            self._streaming = connection
        if connection != self._streaming or self._session is None:
            return
        self._poses.append((at_ns / 1e9, raw_pose))
        self._pose_times_s.append(at_ns / 1e9)

    def drop_connection(self, connection: int) -> None:
        """A connection has ended."""
        if self._streaming == connection:
            self._streaming = None

    @property
    def streaming(self) -> int | None:
        """The connection whose poses are used; None without one."""
        return self._streaming

    def status(self) -> GuidanceStatus | None:
        """For the operator; None without a guided session."""
        if self._session is None:
            return None
        delay, now_s = self._guide.delay, time.monotonic()
        return GuidanceStatus(
            phase=self._phase,
            poses_per_s=_rate(self._pose_times_s, now_s),
            images_per_s=_rate(self._image_times_s, now_s),
            delay_ms=None if delay is None else round(delay.delay_s * 1e3, 2),
            delay_half_width_ms=None if delay is None else round(delay.half_width_s * 1e3, 2),
            message=self._message,
        )

    async def run(self) -> None:
        """Follows the arm in every guided session, until cancelled."""
        try:
            while True:
                if not self._begin_or_end():
                    await asyncio.sleep(_IDLE_POLL_S)
                    continue
                try:
                    await self._follow()
                except CameraFault as fault:
                    self._show(GuidancePhase.NO_IMAGES, fault.message)
                    await asyncio.sleep(_RETRY_S)
                except Exception:
                    _log.exception("guided capture failed unexpectedly")
                    await asyncio.sleep(_RETRY_S)
        finally:
            if self._pair is not None:
                self._pair.cancel()

    def _new_guide(self) -> Guide:
        context, exposure_us = self._context, self._context.station.camera.exposure_us
        setup = GuideSetup(
            context.station.station.mount,
            context.lens,
            context.board,
            None if exposure_us is None else exposure_us / 1e6,
        )
        return Guide(setup)

    def _begin_or_end(self) -> bool:
        """Whether there is a guided session whose pairs are to be taken."""
        state = self._state()
        log = state.log
        name = log.name if log is not None and state.is_open and log.is_guided else None
        if name != self._session:
            self._session = name
            self._poses.clear()
            self._executor.acquisition.forget_followed()
            if name is not None:
                # The delay is that of this robot and camera; it is kept for the next session of the same daemon.
                self._show(GuidancePhase.NO_POSES, "")
        if name is None:
            return False
        solve, reply = (log.last_solve, log.last_reply) if log is not None else (None, None)
        is_stopped = reply is not None and reply.code.is_stop
        if state.task is None and (is_stopped or (solve is not None and solve.goal_met)):
            self._show(GuidancePhase.FINISHED, "")
            return False
        return True

    async def _follow(self) -> None:
        """One image: taken while the one before is being searched."""
        searching: asyncio.Task[_Step] | None = None
        newest_ns = time.monotonic_ns()
        try:
            while self._begin_or_end():
                frame = await self._executor.follow_image(newest_ns)
                if frame.method == FreshnessMethod.REPLAY:
                    self._show(GuidancePhase.NO_IMAGES, "recorded images cannot follow an arm: use a live camera")
                    await asyncio.sleep(_RETRY_S)
                    continue
                newest_ns = frame.exposed_ns + 1
                if searching is not None:
                    if not searching.done():
                        continue
                    self._act(searching.result())
                searching = asyncio.create_task(self._search(frame))
        finally:
            if searching is not None:
                with contextlib.suppress(Exception):
                    await searching

    async def _search(self, frame: Frame) -> _Step:
        state = self._state()
        places = [c.base_T_flange for c in (state.log.kept if state.log else ()) if c.base_T_flange is not None]
        is_busy = state.task is not None or (self._pair is not None and not self._pair.done())
        self._number += 1
        number = self._number
        return await self._executor.in_detection_thread(lambda: self._advance(number, frame, places, is_busy))

    def _advance(self, number: int, frame: Frame, places: list[Array], is_busy: bool) -> _Step:
        """In the detection thread, which alone uses the guide."""
        config, guide = self._context.session_config, self._guide
        while self._poses:
            at_s, raw_pose = self._poses.popleft()
            with contextlib.suppress(InputFault):
                guide.add_pose(at_s, config.base_T_flange(raw_pose))
        exposed_s = frame.exposed_ns / 1e9
        detection = self._follower.find(to_gray(frame.pixels), exposed_s)
        pair = None
        if detection is not None:
            guide.add_frame(number, exposed_s, detection)
            oldest = self._executor.acquisition.keep_followed(number, frame, detection)
            if not is_busy:
                pair = guide.next_pair(places, oldest)
                if pair is not None:
                    guide.begin_pair(pair)
        return _Step(pair, guide.phase(time.monotonic(), places, is_busy or pair is not None))

    def _act(self, done: _Step) -> None:
        self._image_times_s.append(time.monotonic())
        if done.pair is not None:
            self._pair = asyncio.create_task(self._take(done.pair))
        self._show(done.phase, self._message if done.phase is self._phase else "")

    async def _take(self, pair: GuidedPair) -> None:
        """Requests the pair, and shows what came of it."""
        config, exposed_ns = self._context.session_config, round(pair.frame.exposed_s * 1e9)
        line = " ".join(f"{number:.9f}" for number in config.pose_fields(pair.base_T_flange))
        record = self._record(pair)
        # The request counts as received when the arm stood still, so that the image is one that was exposed after it.
        reply = await self._submit_pair(line, exposed_ns - config.settle_ns, record)
        delay = pair.delay
        _log.info(
            "guided pair taken" if reply.code.is_success else "guided pair refused",
            code=int(reply.code),
            kept=reply.count,
            predicted_px=round(pair.predicted_px, 3),
            image_shift_px=round(pair.image_shift_px, 3),
            delay_ms=None if delay is None else round(delay.delay_s * 1e3, 2),
            half_width_ms=None if delay is None else round(delay.half_width_s * 1e3, 2),
        )
        self._message = "" if reply.code.is_success or reply.code is Code.MOVING else reply.code.message

    def _record(self, pair: GuidedPair) -> GuidedRecord:
        guide, delay = self._guide, pair.delay
        middle_s = pair.frame.exposed_s + guide.exposure_s / 2
        arrivals_s, poses = guide.stream.arrivals_s, guide.stream.poses
        is_new = arrivals_s > self._last_pair_s
        if is_new.any():
            self._last_pair_s = float(arrivals_s[-1])
        return GuidedRecord(
            image=pair.frame.number,
            predicted_px=round(pair.predicted_px, 4),
            image_shift_px=round(pair.image_shift_px, 4),
            delay_ms=None if delay is None else round(delay.delay_s * 1e3, 3),
            delay_half_width_ms=None if delay is None else round(delay.half_width_s * 1e3, 3),
            live_poses=LivePosesRecord.of(arrivals_s[is_new], poses[is_new], middle_s),
        )

    def _show(self, phase: GuidancePhase, message: str) -> None:
        if (phase, message) == (self._phase, self._message):
            return
        self._phase, self._message = phase, message
        self._publish()


def _rate(times_s: deque[float], now_s: float) -> float:
    """Events per second in the newest seconds; older ones are dropped."""
    while times_s and times_s[0] < now_s - _RATE_WINDOW_S:
        times_s.popleft()
    return round(len(times_s) / _RATE_WINDOW_S, 1)
