"""The code that begins every reply: what it says and what to do about it, in an operator's words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True)
class Code:
    """``message``: a few words for a screen; ``remedy``: what to do now."""

    number: int
    message: str
    remedy: str


_ROWS = (
    Code(0, "kept", "Go on to the next waypoint."),
    Code(1, "kept, adds little", "Go on, with more tilt or another distance at the next waypoint."),
    Code(2, "kept, light is marginal", "Go on; brighten or even out the light before the next run."),
    Code(3, "kept, goal met", "Leave the loop: the tolerance is reached."),
    Code(10, "working", "Stand still and send 'again' every half second."),
    Code(20, "no board", "Look whether the board is in view, clean and the one in the station file; then try again."),
    Code(21, "moving", "Stop, wait longer for the arm to settle, then capture again."),
    Code(22, "no fresh picture", "Capture again; if it comes back, check the camera's rate, trigger and cable."),
    Code(23, "blurred", "Check the focus, shorten the exposure, let the arm settle; then try again."),
    Code(24, "too little of the board", "Bring more of the board into view, or go closer, then try again."),
    Code(25, "bad light", "Take away glare or shadow, or set the exposure; then try again."),
    Code(26, "same pose as before", "Move on to a waypoint that differs by at least some degrees of tilt."),
    Code(
        27, "pose and picture disagree", "Move on; if it comes back, look for a loose board or camera or a late pose."
    ),
    Code(28, "cannot solve yet", "Capture more waypoints, tilted about different directions."),
    Code(29, "outside what was calibrated", "Stay between the near and far distance and inside the picture."),
    Code(30, "camera lost", "Stop. Check the camera's power and cable; captures work again once it is back."),
    Code(31, "cannot record", "Stop. Make room on the disk or give the folder back its write permission."),
    Code(32, "poses in the wrong terms", "Stop. Compare [robot] length, rotation and angle with what the robot sends."),
    Code(33, "wrong mount", "Stop. Is the camera on the arm or fixed in the cell? Set [station] mount to that."),
    Code(34, "something slipped", "Stop. Tighten board and camera, then begin a new session."),
    Code(35, "arm turns too little", "Stop. Add waypoints tilted 20 degrees or more about two different directions."),
    Code(36, "no accepted result", "Stop. Read the report: it says why; then accept the result or run again."),
    Code(37, "most pairs taken, goal not met", "Stop. Read the report: better waypoints, or a wider tolerance."),
    Code(38, "board or lens not as stated", "Stop. Measure the board and check the lens file; correct what differs."),
    Code(40, "unknown verb", "Correct the first word of the line in the robot program."),
    Code(41, "wrong number of fields", "Send as many numbers as the verb wants; print them with a decimal point."),
    Code(42, "not a number", "Print plain decimal numbers with a point, separated by blanks or commas."),
    Code(43, "number out of range", "Send a seq from 0 to 999999 that is known here, and numbers of a real pose."),
    Code(44, "line too long", "Keep a line within 256 bytes and end each one with CR or LF."),
    Code(45, "not now", "Wait for the answer to the request before, or for the step that this one needs."),
    Code(46, "not from you", "Connect from an address in [robot] allow, or add this one to the station file."),
    Code(
        47, "seq used for another line", "Go on numbering after the last seq, which the fourth number of the reply is."
    ),
)

CODES: Mapping[int, Code] = MappingProxyType({row.number: row for row in _ROWS})

WORKING = 10


def is_kept(code: int) -> bool:
    """The pair is kept, or the request done: 0 to 9."""
    return 0 <= code <= 9


def is_final(code: int) -> bool:
    """Nothing more comes for this request: everything but 10."""
    return code != WORKING


def is_stop(code: int) -> bool:
    """The robot program stops and calls somebody: 30 to 39."""
    return 30 <= code <= 39
