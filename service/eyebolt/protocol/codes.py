"""Reply codes: the first number of every reply, with its meaning for a program and its text for an operator.

A robot program decides by the range of a code, never by a single code: 0-9 success, 10-19 not yet
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

    OK = (0, "kept", "Move on to the next waypoint.")
    """The request is done; a captured pair is kept."""
    LOW_INFORMATION = (
        1,
        "kept, little new information",
        "Move on; use more tilt or another distance at the next waypoint.",
    )
    """Kept: the pose is close to a kept one, or its residual is larger than usual."""
    MARGINAL_EXPOSURE = (
        2,
        "kept, marginal lighting",
        "Move on; brighten or even out the lighting before the next run.",
    )
    """Kept: over- or underexposed, or low contrast, within limits."""
    GOAL_MET = (3, "kept, goal met", "Leave the loop: the tolerance is met.")
    """Kept: the expected error is within the tolerance, with enough pairs. Outranks 1 and 2."""

    WORKING = (10, "working", "Stand still and send 'again' every half second.")
    """The final code is not sent unasked: poll with ``again``."""

    NO_BOARD = (
        20,
        "no board",
        "Check that the board is in view, clean, and the one in the station file; then capture again.",
    )
    """No board was detected, or the detected corners do not fit this board; also if detection failed."""
    MOVING = (21, "moving", "Stop, wait longer for the arm to settle, then capture again.")
    """The board moved between two images, or the live poses differ from the reported pose."""
    NO_FRESH_FRAME = (
        22,
        "no fresh image",
        "Capture again; if it recurs, check the camera's frame rate, trigger and cable.",
    )
    """No frame exposed after the request; an image that repeats an earlier one although the pose differs; also recorded
    images that are exhausted or unreadable."""
    BLURRED = (23, "blurred", "Check the focus, shorten the exposure, let the arm settle; then capture again.")
    """The edges are wider than usual for this lens and board."""
    TOO_FEW_CORNERS = (
        24,
        "too few usable corners",
        "Bring more of the board into view, or move closer; then capture again.",
    )
    """Too few corners, corners almost in a line, or a view that is too oblique."""
    BAD_EXPOSURE = (25, "bad lighting", "Remove glare or shadow, or adjust the exposure; then capture again.")
    """Too dark, saturated, or too little contrast."""
    DUPLICATE_POSE = (26, "duplicate pose", "Move on to a waypoint that differs by several degrees of tilt.")
    """Within the duplicate limits of a kept pose; never for ``check``."""
    OUTLIER = (
        27,
        "pose and image disagree",
        "Move on; if it recurs, look for a loose board or camera, or a pose sent too late.",
    )
    """The pair is an outlier among all pairs; from 6 pairs on."""
    NO_USABLE_RESULT = (28, "no result within tolerance", "Capture more waypoints, tilted about different directions.")
    """No solution (too few pairs, no convergence), or one whose expected error is above the tolerance."""
    OUTSIDE_WORKING_VOLUME = (
        29,
        "outside the working volume",
        "Stay between the near and far distance and inside the image.",
    )
    """Reserved for ``locate`` and ``pixel``; not sent by this version."""

    CAMERA_LOST = (30, "camera lost", "Stop. Check the camera's power and cable; captures work again once it is back.")
    """The image source is gone."""
    CANNOT_RECORD = (
        31,
        "cannot record",
        "Stop. Free disk space, or restore the write permission of the record folder.",
    )
    """The disk refused: nothing of this request counts, and its seq stays free."""
    POSE_FORMAT_MISMATCH = (
        32,
        "pose format mismatch",
        "Stop. Compare [robot] length, rotation and angle with what the robot sends.",
    )
    """The poses are in another format than stated, or were taken at other waypoints than the images."""
    WRONG_MOUNT = (
        33,
        "wrong mount",
        "Stop. Is the camera on the arm or fixed in the cell? Set [station] mount accordingly.",
    )
    """The camera is mounted the other way, or the poses are inverted."""
    SETUP_MOVED = (34, "board, camera or tool moved", "Stop. Fasten board and camera, then begin a new session.")
    """Board, camera, tool or base frame changed during the session."""
    INSUFFICIENT_ROTATION = (
        35,
        "too little rotation",
        "Stop. Add waypoints tilted 20 degrees or more about two different directions.",
    )
    """The poses do not determine the transform: too little rotation between them."""
    NOT_ACCEPTED = (
        36,
        "no accepted result",
        "Stop. Read the report for the reason; then accept the result or run again.",
    )
    """Solved, but rejected or incomplete; or no result of this station as it is now is accepted."""
    MAX_PAIRS_REACHED = (
        37,
        "goal not met with max_pairs",
        "Stop. Read the report: better waypoints, or a wider tolerance.",
    )
    """``max_pairs`` reached and the goal not met; the pair itself is kept."""
    BOARD_OR_LENS_MISMATCH = (
        38,
        "board or lens data wrong",
        "Stop. Measure the board and check the lens file; correct what differs.",
    )
    """The image size, the board's dimensions or the lens differ from the files."""

    UNKNOWN_VERB = (40, "unknown verb", "Correct the first word of the line in the robot program.")
    """The first word is not a verb."""
    WRONG_FIELD_COUNT = (
        41,
        "wrong number of fields",
        "Send as many numbers as the verb requires; print them with a decimal point.",
    )
    """Too many or too few numbers for this verb."""
    NOT_A_NUMBER = (42, "not a number", "Print plain decimal numbers with a point, separated by blanks or commas.")
    """A field is not a plain decimal number."""
    OUT_OF_RANGE = (
        43,
        "number out of range",
        "Send a seq from 0 to 999999 (with 'again' a used one) and the numbers of a real pose.",
    )
    """A seq, corner number or pose outside its range, or a seq that was never used."""
    LINE_TOO_LONG = (44, "line too long", "Keep each line within 256 bytes and end it with CR or LF.")
    """More than 256 bytes before a line ending."""
    NOT_NOW = (
        45,
        "not possible now",
        "Wait for the reply to the previous request, or first do the step that this one needs.",
    )
    """A request in progress, no open session, nothing to undo, another connection, or not served."""
    PEER_NOT_ALLOWED = (
        46,
        "address not allowed",
        "Connect from an address in [robot] allow, or add this one to the station file.",
    )
    """The address is not in [robot] allow."""
    SEQ_REUSED = (
        47,
        "seq already used",
        "Continue numbering after the last seq, which is the fourth number of the reply.",
    )
    """The seq was used for another line."""

    @classmethod
    def _missing_(cls, value: object) -> Code | None:
        if not isinstance(value, int) or not 0 <= value <= 99:
            return None
        member = int.__new__(cls, value)
        member._name_ = f"UNKNOWN_{value}"
        member._value_ = value
        member.message = "unknown code"
        member.remedy = "Update this program: the daemon sent an unknown code."
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
        """30-39: the robot program stops and calls an operator."""
        return 30 <= self <= 39

    @property
    def ends_program(self) -> bool:
        """The robot program leaves its loop: the goal is met (3), or a stop (30-39)."""
        return self == Code.GOAL_MET or self.is_stop

    @property
    def is_line_fault(self) -> bool:
        """40-49: the line is at fault, and its seq stays free (except 47)."""
        return 40 <= self <= 49
