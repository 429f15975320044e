"""The operator's control of a session over ZeroMQ: one definition of request and reply for the daemon and its clients.

A client connects a DEALER socket and sends a request as one part, a JSON object; the reply comes as one part with the
same ``id``. Keys that a reader does not know are ignored; any other change of the keys changes ``schema``.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from eyebolt.bounded_text import parse_json
from eyebolt.protocol.codes import Code
from eyebolt.protocol.status import Count, OptionalNumber, Text

CONTROL_SCHEMA: Literal[1] = 1
MAX_REQUEST_BYTES = 1024
_MAX_ID = 2**53


class ControlAction(StrEnum):
    """What an operator requests."""

    STATE = "state"
    """Nothing is done; the reply describes the session."""
    BEGIN = "begin"
    """Opens a session."""
    TAKE = "take"
    """Takes a pair now, with the newest pose that the robot streams."""
    UNDO = "undo"
    """Takes the newest pair back."""
    FINISH = "finish"
    """Ends the session; its result is on disk before the reply."""


class ControlOutcome(StrEnum):
    """What became of a request."""

    DONE = "done"
    """Carried out."""
    REFUSED = "refused"
    """The session refused it: ``code``."""
    UNCONFIRMED = "unconfirmed"
    """``begin``: a session with pairs is open, and ``new`` is not set."""
    CHANGED = "changed"
    """The session is not the one that the request was made for: ``session`` or ``kept`` differ."""
    NO_SESSION = "no-session"
    """No session is open."""
    NO_LIVE_POSE = "no-live-pose"
    """``take``: the robot does not stream its pose."""
    BUSY = "busy"
    """Too many requests are in progress."""
    INVALID = "invalid"
    """The request cannot be read; its ``id`` may be lost."""


class _Message(BaseModel):
    model_config = ConfigDict(frozen=True)

    def to_json(self) -> bytes:
        """The message as sent."""
        return self.model_dump_json(by_alias=True).encode("utf-8")


class ControlRequest(_Message):
    """A request of the operator."""

    schema_version: Literal[1] = Field(default=CONTROL_SCHEMA, alias="schema")
    """Version of these keys."""
    id: int = Field(0, ge=0, le=_MAX_ID)
    """Chosen by the client; the reply has it."""
    action: ControlAction
    """What is requested."""
    new: bool = False
    """``begin``: also if a session with pairs is open; its pairs do not count in the new one."""
    session: Annotated[Text | None, Field(max_length=100)] = None
    """Carried out only if this is the session; null: whichever it is."""
    kept: Annotated[int | None, Field(ge=0, le=_MAX_ID)] = None
    """Carried out only if so many pairs are kept; null: however many."""


class ControlReply(_Message):
    """The reply to a request of the operator."""

    schema_version: Literal[1] = Field(default=CONTROL_SCHEMA, alias="schema")
    """Version of these keys."""
    id: int
    """That of the request."""
    outcome: ControlOutcome
    """What became of it."""
    code: Code | None = None
    """Reply code of the session, where it came to that."""
    message: Text
    """What happened, for the operator."""
    remedy: Text
    """What to do, for the operator; may be empty."""
    station: Text
    """Name of the station."""
    session: Text | None
    """Name of the open session; null without one."""
    kept: Count
    """Pairs kept in it."""
    wanted: Count
    """Pairs still needed, an estimate."""
    live_pose_age_s: OptionalNumber
    """Age of the newest pose that the robot streamed; null without one."""


def parse_control_request(content: bytes) -> ControlRequest:
    """The request in a message. Raises ValueError with the reason."""
    try:
        return ControlRequest.model_validate(parse_json(content))
    except ValidationError as fault:
        first = fault.errors(include_url=False, include_input=False)[0]
        key = ".".join(str(part) for part in first["loc"]) or "the message"
        raise ValueError(f"{key}: {first['msg']}") from None
    except ValueError:
        raise ValueError("it is not JSON") from None


def parse_control_reply(content: bytes) -> ControlReply:
    """The reply in a message. Raises ValueError."""
    return ControlReply.model_validate(parse_json(content))
