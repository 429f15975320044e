"""Motion of an arm that streams its poses while an image is taken: its largest extent so far, in bounded memory."""

from __future__ import annotations

from dataclasses import dataclass, replace

from eyebolt.geometry import Array, se3

# Each step of the extent is remembered; noise makes some ten of them, a steady motion one with every pose.
MAX_STEPS = 64


@dataclass(frozen=True)
class MotionStep:
    """The largest distances from the reported pose, from one live pose on."""

    since_ns: int | None
    """When the live pose before that one was received; None: it was the first."""
    translation_m: float
    rotation_rad: float


@dataclass(frozen=True)
class ArmMotion:
    """How far the live poses of a request were from its reported pose, as a function of time.

    The exposure is known only when the image arrives, so that the extent is kept as the steps in which it grew. When
    there are more than ``MAX_STEPS``, each two are joined: the extent is then dated too early by one interval of the
    poses or more, but no motion is forgotten.
    """

    steps: tuple[MotionStep, ...] = ()
    """Oldest first; both distances never decrease."""
    last_ns: int | None = None
    """When the newest live pose was received; None before the first."""

    def with_pose(self, at_ns: int, base_T_live: Array, base_T_flange: Array) -> ArmMotion:
        """With one live pose (4, 4) more, received at ``at_ns``; ``base_T_flange`` (4, 4) is the reported one."""
        translation_m, rotation_rad = map(float, se3.pose_distance(base_T_live, base_T_flange))
        step = MotionStep(self.last_ns, translation_m, rotation_rad)
        if self.steps:
            newest = self.steps[-1]
            if translation_m <= newest.translation_m and rotation_rad <= newest.rotation_rad:
                return replace(self, last_ns=at_ns)
            step = _joined(step, newest)
        steps = (*self.steps, step)
        if len(steps) > MAX_STEPS:
            steps = tuple(_joined(*steps[i : i + 2]) for i in range(0, len(steps) - 1, 2)) + steps[len(steps) & ~1 :]
        return ArmMotion(steps, at_ns)

    def until(self, exposed_ns: int) -> tuple[float, float]:
        """Largest translation (metres) and rotation (radians) up to the first pose at or after the exposure began."""
        counted = [step for step in self.steps if step.since_ns is None or step.since_ns < exposed_ns]
        return (counted[-1].translation_m, counted[-1].rotation_rad) if counted else (0.0, 0.0)


def _joined(first: MotionStep, second: MotionStep) -> MotionStep:
    """One step in place of two, from the first one's instant on."""
    return MotionStep(
        first.since_ns,
        max(first.translation_m, second.translation_m),
        max(first.rotation_rad, second.rotation_rad),
    )
