"""The robot protocol: bytes to requests, replies to bytes, reply codes. Tables; no sockets. Pure."""

from eyebolt.protocol.codes import CODES, is_stop
from eyebolt.protocol.framing import LateLineFeed, Line, LineSplitter, OverlongLine, ReplyEndings
from eyebolt.protocol.replies import Reply, encode, printed_pose, zero_numbers
from eyebolt.protocol.requests import MAX_SEQ, VERBS, LineFault, Request, overlong_fault, parse

__all__ = [
    "CODES",
    "MAX_SEQ",
    "VERBS",
    "LateLineFeed",
    "Line",
    "LineFault",
    "LineSplitter",
    "OverlongLine",
    "Reply",
    "ReplyEndings",
    "Request",
    "encode",
    "is_stop",
    "overlong_fault",
    "parse",
    "printed_pose",
    "zero_numbers",
]
