"""What a stand-in for the daemon does to a robot program: kept pairs, refusals, and faults of the connection."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType


class Trouble(Enum):
    """What happens to a capture, or to the first final reply to it."""

    NONE = "kept"
    ADVICE = "kept, with advice (2)"
    SLOW = "work of more than 1.4 s: 10, then again"
    REFUSED = "refused (20)"
    STOP = "stop (30)"
    LINE_FAULT = "the line is at fault (41)"
    LOST = "the reply is lost"
    LATE = "the reply comes late"
    CUT = "half of the reply, then the connection is closed"
    DOUBLED = "the reply comes twice"
    FRAGMENTED = "the reply comes in fragments"
    DROPPED = "the connection is closed before the reply"
    RESTARTED = "the daemon restarts before the reply"

    @property
    def keeps_pair(self) -> bool:
        """Whether the capture counts."""
        return self not in (Trouble.REFUSED, Trouble.STOP, Trouble.LINE_FAULT)

    @property
    def hides_reply(self) -> bool:
        """Whether the program has to find out what became of the request."""
        return self in (Trouble.LOST, Trouble.CUT, Trouble.DROPPED, Trouble.RESTARTED)


@dataclass(frozen=True)
class Part:
    """One run of the robot program."""

    name: str
    """As on the command line."""
    description: str
    """In a few words."""
    troubles: tuple[Trouble, ...]
    """Of the first captures, in order; later ones are kept."""

    @property
    def kept(self) -> int:
        """How many of these captures are kept."""
        return sum(trouble.keeps_pair for trouble in self.troubles)


_PARTS = (
    Part(
        "faults",
        "a whole session with a fault at most captures",
        (
            # The 10 behind a reply that comes twice or late shows whether the program is still in step.
            Trouble.DOUBLED,
            Trouble.SLOW,
            Trouble.REFUSED,
            Trouble.LOST,
            Trouble.LATE,
            Trouble.SLOW,
            Trouble.CUT,
            Trouble.FRAGMENTED,
            Trouble.DROPPED,
            Trouble.RESTARTED,
            Trouble.ADVICE,
        ),
    ),
    Part(
        "stop",
        "the second capture is answered 30; leave a question of the program to its operator open for 8 s",
        (Trouble.NONE, Trouble.STOP),
    ),
    Part(
        "line-fault",
        "the second capture is answered 41; leave a question of the program to its operator open for 8 s",
        (Trouble.NONE, Trouble.LINE_FAULT),
    ),
)
PARTS: Mapping[str, Part] = MappingProxyType({part.name: part for part in _PARTS})


@dataclass(frozen=True)
class Times:
    """Durations of the stand-in, seconds."""

    work_s: float = 0.3
    """From a request to its reply, as a capture takes."""
    slow_s: float = 1.8
    """Beyond the time after which 10 is sent, of a slow capture."""
    late_s: float = 2.5
    """By which a late reply is late."""
    fragment_s: float = 0.1
    """Between the fragments of a reply."""
    down_s: float = 2.0
    """From the end of a daemon to its restart."""
    quiet_s: float = 8.0
    """How long a program that was stopped is watched."""
    away_s: float = 60.0
    """Without a connection for so long, a program that has begun has ended."""
    patience_s: float = 1.5
    """From a line to the moment at which a program may take its reply for lost."""
    min_poll_s: float = 0.2
    """Shortest sane interval of polling with ``again``."""
    max_poll_s: float = 5.0
    """Longest sane interval."""
