"""Reply codes: the first number of every reply, with its meaning for a program and its text for an operator.

A robot program decides by the range of a code, never by a single code it may not know: 0-9 success, 10-19 not yet
final, 20-29 refused here, 30-39 stop, 40-49 the line is at fault. `Code` keeps that promise for codes that a later
version may add: any number from 0 to 99 is a `Code`, and an unlisted one has the properties of its range.
"""

from __future__ import annotations

from enum import IntEnum


class Code(IntEnum):
    """A reply code; a plain integer on the wire, in the journal and in JSON.

    Iteration gives the codes in use. ``Code(n)`` of another n from 0 to 99 is a code of a later version, named
    ``UNKNOWN_n``; ValueError outside 0 to 99.
    """

    message: str
    """What happened, in a few words for a screen: at most 30 characters, no full stop."""
    remedy: str
    """What the operator does now: one or two sentences, at most 100 characters."""

    def __new__(cls, number: int, message: str = "", remedy: str = "") -> Code:
        """The member ``number`` with its texts."""
        member = int.__new__(cls, number)
        member._value_ = number
        member.message = message
        member.remedy = remedy
        return member

    OK = 0, "kept", "Go on to the next waypoint."
    LOW_INFORMATION = 1, "kept, adds little", "Go on, with more tilt or another distance at the next waypoint."
    MARGINAL_EXPOSURE = 2, "kept, light is marginal", "Go on; brighten or even out the light before the next run."
    GOAL_MET = 3, "kept, goal met", "Leave the loop: the tolerance is reached."

    WORKING = 10, "working", "Stand still and send 'again' every half second."

    NO_BOARD = (
        20,
        "no board",
        "Look whether the board is in view, clean and the one in the station file; then try again.",
    )
    MOVING = 21, "moving", "Stop, wait longer for the arm to settle, then capture again."
    NO_FRESH_FRAME = (
        22,
        "no fresh picture",
        "Capture again; if it comes back, check the camera's rate, trigger and cable.",
    )
    BLURRED = 23, "blurred", "Check the focus, shorten the exposure, let the arm settle; then try again."
    TOO_FEW_CORNERS = (
        24,
        "too little of the board",
        "Bring more of the board into view, or go closer, then try again.",
    )
    BAD_EXPOSURE = 25, "bad light", "Take away glare or shadow, or set the exposure; then try again."
    DUPLICATE_POSE = (
        26,
        "same pose as before",
        "Move on to a waypoint that differs by at least some degrees of tilt.",
    )
    OUTLIER = (
        27,
        "pose and picture disagree",
        "Move on; if it comes back, look for a loose board or camera or a late pose.",
    )
    NOT_SOLVABLE = 28, "cannot solve yet", "Capture more waypoints, tilted about different directions."
    OUTSIDE_WORKING_VOLUME = (
        29,
        "outside what was calibrated",
        "Stay between the near and far distance and inside the picture.",
    )

    CAMERA_LOST = (
        30,
        "camera lost",
        "Stop. Check the camera's power and cable; captures work again once it is back.",
    )
    CANNOT_RECORD = (
        31,
        "cannot record",
        "Stop. Make room on the disk or give the folder back its write permission.",
    )
    POSE_FORMAT_MISMATCH = (
        32,
        "poses in the wrong terms",
        "Stop. Compare [robot] length, rotation and angle with what the robot sends.",
    )
    WRONG_MOUNT = (
        33,
        "wrong mount",
        "Stop. Is the camera on the arm or fixed in the cell? Set [station] mount to that.",
    )
    SETUP_MOVED = 34, "something slipped", "Stop. Tighten board and camera, then begin a new session."
    INSUFFICIENT_ROTATION = (
        35,
        "arm turns too little",
        "Stop. Add waypoints tilted 20 degrees or more about two different directions.",
    )
    NOT_ACCEPTED = (
        36,
        "no accepted result",
        "Stop. Read the report: it says why; then accept the result or run again.",
    )
    MAX_PAIRS_REACHED = (
        37,
        "most pairs taken, goal not met",
        "Stop. Read the report: better waypoints, or a wider tolerance.",
    )
    BOARD_OR_LENS_MISMATCH = (
        38,
        "board or lens not as stated",
        "Stop. Measure the board and check the lens file; correct what differs.",
    )

    UNKNOWN_VERB = 40, "unknown verb", "Correct the first word of the line in the robot program."
    WRONG_FIELD_COUNT = (
        41,
        "wrong number of fields",
        "Send as many numbers as the verb wants; print them with a decimal point.",
    )
    NOT_A_NUMBER = (
        42,
        "not a number",
        "Print plain decimal numbers with a point, separated by blanks or commas.",
    )
    OUT_OF_RANGE = (
        43,
        "number out of range",
        "Send a seq from 0 to 999999 that is known here, and numbers of a real pose.",
    )
    LINE_TOO_LONG = 44, "line too long", "Keep a line within 256 bytes and end each one with CR or LF."
    NOT_NOW = 45, "not now", "Wait for the answer to the request before, or for the step that this one needs."
    PEER_NOT_ALLOWED = (
        46,
        "not from you",
        "Connect from an address in [robot] allow, or add this one to the station file.",
    )
    SEQ_REUSED = (
        47,
        "seq used for another line",
        "Go on numbering after the last seq, which the fourth number of the reply is.",
    )

    @classmethod
    def _missing_(cls, value: object) -> Code | None:
        if not isinstance(value, int) or not 0 <= value <= 99:
            return None
        member = int.__new__(cls, value)
        member._name_ = f"UNKNOWN_{value}"
        member._value_ = value
        member.message = "unknown code"
        member.remedy = "Update this program: the daemon sends a code that it does not know."
        return member

    @property
    def is_success(self) -> bool:
        """0-9: the request is done; a captured pair is kept, and the robot program goes on."""
        return 0 <= self <= 9

    @property
    def is_advice(self) -> bool:
        """1-9: a success with a note for the operator."""
        return 1 <= self <= 9

    @property
    def keeps_pair(self) -> bool:
        """Whether the pair of a capture answered so counts: 0-9, and 37, the stop that keeps its last pair."""
        return self.is_success or self == Code.MAX_PAIRS_REACHED

    @property
    def is_final(self) -> bool:
        """Nothing more follows for this request: every code but 10-19."""
        return not 10 <= self <= 19

    @property
    def is_refusal(self) -> bool:
        """20-29: refused here; the robot program tries again under a new number or goes on."""
        return 20 <= self <= 29

    @property
    def is_stop(self) -> bool:
        """30-39: the robot program stops and calls somebody."""
        return 30 <= self <= 39

    @property
    def ends_program(self) -> bool:
        """The robot program leaves its loop: the goal is met (3), or a stop (30-39)."""
        return self == Code.GOAL_MET or self.is_stop

    @property
    def is_line_fault(self) -> bool:
        """40-49: the line is at fault, and its seq stays free (except 47)."""
        return 40 <= self <= 49
