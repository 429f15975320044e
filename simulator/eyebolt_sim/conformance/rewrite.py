"""The lines of the transcripts, which are written in mm and w x y z, for a station with another pose format."""

from __future__ import annotations

import re

from eyebolt.protocol import VERBS
from eyebolt_sim.pose_format import PoseFormat

TRANSCRIPT_FORMAT = PoseFormat("mm", "quaternion-wxyz")
# Where only the count of numbers is known, any rotation of that many serves.
FORMATS_BY_COUNT = {
    7: TRANSCRIPT_FORMAT,
    6: PoseFormat("mm", "euler-ZYX", "deg"),
    4: PoseFormat("mm", "angle-z", "deg"),
}
_TOKEN = re.compile(r"[^ \t,;()\[\]\0]+")
_POSE_COUNT = 7


def rewrite_line(text: str, pose_format: PoseFormat) -> str:
    """``text`` with its pose in ``pose_format``; unchanged if it has no pose, or one that is not made of numbers."""
    if pose_format == TRANSCRIPT_FORMAT:
        return text
    tokens = [t for t in _TOKEN.finditer(text) if t[0].lower() != "p"]
    verb = VERBS.get(tokens[0][0].lower()) if tokens else None
    if verb is None or verb.pose == "none":
        return text
    first = 1 + verb.has_seq + len(verb.numbers)
    pose = tokens[first : first + _POSE_COUNT]
    try:
        numbers = [float(token[0]) for token in pose]
        written = pose_format.format_pose(TRANSCRIPT_FORMAT.parse_pose(numbers)).split()
    except (ValueError, IndexError):
        return text
    if len(pose) != _POSE_COUNT:
        return text
    # From the end, so that the places before stay valid. A number too many goes with the separators before it.
    for index in reversed(range(_POSE_COUNT)):
        begin, end = pose[index].span()
        if index < len(written):
            text = text[:begin] + written[index] + text[end:]
        else:
            text = text[: pose[index - 1].end()] + text[end:]
    return text
