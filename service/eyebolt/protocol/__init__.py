"""The robot protocol: bytes to requests, replies to bytes, reply codes. Tables; no sockets. Pure."""

from eyebolt.protocol.codes import Code
from eyebolt.protocol.framing import LateLineFeed, Line, LineSplitter, OverlongLine, ReplyEndings
from eyebolt.protocol.replies import Reply, encode, printed_pose, zero_numbers
from eyebolt.protocol.requests import MAX_SEQ, VERBS, LineFault, Request, overlong_fault, parse
from eyebolt.protocol.status import (
    STATUS_SCHEMA,
    STATUS_TOPIC,
    AcceptanceStatus,
    AcceptanceSummary,
    CoverageStatus,
    LastReply,
    LinkStatus,
    MeasuredValue,
    NextViewStatus,
    Phase,
    ProgressStatus,
    ResultStatus,
    StatusMessage,
    StepTimes,
)

__all__ = [
    "MAX_SEQ",
    "STATUS_SCHEMA",
    "STATUS_TOPIC",
    "VERBS",
    "AcceptanceStatus",
    "AcceptanceSummary",
    "Code",
    "CoverageStatus",
    "LastReply",
    "LateLineFeed",
    "Line",
    "LineFault",
    "LineSplitter",
    "LinkStatus",
    "MeasuredValue",
    "NextViewStatus",
    "OverlongLine",
    "Phase",
    "ProgressStatus",
    "Reply",
    "ReplyEndings",
    "Request",
    "ResultStatus",
    "StatusMessage",
    "StepTimes",
    "encode",
    "overlong_fault",
    "parse",
    "printed_pose",
    "zero_numbers",
]
