"""A session as ``step(state, event) -> state, commands``: decides everything, does nothing. Pure."""

from eyebolt.session import messages
from eyebolt.session.capture import PREVIEW_LEAD_NS, code_without_image
from eyebolt.session.executor import Executor, execute, execute_all
from eyebolt.session.facts import (
    IMAGE_VERBS,
    DetectionFact,
    Fact,
    FrameInfo,
    GuidedRecord,
    ImageFact,
    PredictionRecord,
    ReplyFact,
    RequestRef,
    SessionFact,
    SolveFact,
    TimingsFact,
    TouchFact,
    decode_facts,
    encode_fact,
)
from eyebolt.session.messages import OPERATOR_CONNECTION, AcceptedResult, Caller
from eyebolt.session.session_log import CaptureRecord, SessionLog, fold
from eyebolt.session.state import SessionConfig, State
from eyebolt.session.status import last_reply, status_message
from eyebolt.session.step import SessionDefect, resume, state_diagram, step

__all__ = [
    "IMAGE_VERBS",
    "OPERATOR_CONNECTION",
    "PREVIEW_LEAD_NS",
    "AcceptedResult",
    "Caller",
    "CaptureRecord",
    "DetectionFact",
    "Executor",
    "Fact",
    "FrameInfo",
    "GuidedRecord",
    "ImageFact",
    "PredictionRecord",
    "ReplyFact",
    "RequestRef",
    "SessionConfig",
    "SessionDefect",
    "SessionFact",
    "SessionLog",
    "SolveFact",
    "State",
    "TimingsFact",
    "TouchFact",
    "code_without_image",
    "decode_facts",
    "encode_fact",
    "execute",
    "execute_all",
    "fold",
    "last_reply",
    "messages",
    "resume",
    "state_diagram",
    "status_message",
    "step",
]
