"""An arm without a robot program of its own: it stands wherever the robot's requests report that it stands.

The poses come from the daemon's status message, as any monitor reads it: nothing in the product knows of this.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from types import TracebackType

from eyebolt.monitor import StatusSubscriber
from eyebolt.protocol import RequestStatus
from eyebolt.security import ClientKeys
from eyebolt_sim.moving_arm import MovingArm
from eyebolt_sim.transforms import Array

# The status that announces a request is published before its image is requested; this covers a loaded computer.
_PATIENCE_S = 1.0
_POLL_S = 0.02


class PoseFollower:
    """Moves ``arm`` to the pose of the request in progress; a context manager, used by one thread at a time.

    ``base_T_outward`` turns the numbers of a pose, as the robot writes them, into the outward flange frame (4, 4).
    ``print_line`` is told once if no status arrives: the arm then stays where it is.
    """

    def __init__(
        self,
        endpoint: str,
        keys: ClientKeys | None,
        arm: MovingArm,
        base_T_outward: Callable[[tuple[float, ...]], Array],
        print_line: Callable[[str], None],
    ) -> None:
        self._endpoint = endpoint
        self._subscriber = StatusSubscriber(endpoint, keys)
        self._arm = arm
        self._base_T_outward = base_T_outward
        self._print_line = print_line
        self._is_silence_told = False
        self._pose: tuple[float, ...] | None = None

    def __enter__(self) -> PoseFollower:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._subscriber.close()

    def follow(self) -> None:
        """Before an exposure: moves the arm to the pose that the request in progress came with."""
        if self._arm.is_driven:
            return
        request = self._request_in_progress()
        if request is None or request.pose is None or request.pose == self._pose:
            return
        self._pose = request.pose
        self._arm.stand_at(self._base_T_outward(request.pose))

    def _request_in_progress(self) -> RequestStatus | None:
        deadline_s = time.monotonic() + _PATIENCE_S
        self._subscriber.wait(0.0)
        while self._subscriber.status is None or self._subscriber.status.request is None:
            if time.monotonic() >= deadline_s:
                self._tell_silence()
                return None
            self._subscriber.wait(_POLL_S)
        return self._subscriber.status.request

    def _tell_silence(self) -> None:
        if self._subscriber.status is None and not self._is_silence_told:
            self._is_silence_told = True
            self._print_line(f"no status from the daemon at {self._endpoint}: the arm does not follow the robot")
