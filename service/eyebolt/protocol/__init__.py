"""The robot protocol: bytes to requests, replies to bytes, reply codes. Tables; no sockets. Pure."""

from eyebolt.protocol.codes import Code
from eyebolt.protocol.framing import LateLineFeed, Line, LineSplitter, OverlongLine, ReplyEndings
from eyebolt.protocol.replies import Reply, encode, printed_pose, zero_numbers
from eyebolt.protocol.requests import MAX_SEQ, VERBS, LineFault, Request, overlong_fault, parse

__all__ = [
    "MAX_SEQ",
    "VERBS",
    "Code",
    "LateLineFeed",
    "Line",
    "LineFault",
    "LineSplitter",
    "OverlongLine",
    "Reply",
    "ReplyEndings",
    "Request",
    "encode",
    "overlong_fault",
    "parse",
    "printed_pose",
    "zero_numbers",
]
