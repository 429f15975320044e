"""A session as ``step(state, event) -> state, commands``: decides everything, does nothing. Pure."""

from eyebolt.session import messages
from eyebolt.session.capture import PICTURED, STILL_FOR_NS
from eyebolt.session.facts import Log, Taken, fold, pairs_of
from eyebolt.session.messages import Caller
from eyebolt.session.state import State, Terms
from eyebolt.session.status import Alive, status_message
from eyebolt.session.step import resume, step

__all__ = [
    "PICTURED",
    "STILL_FOR_NS",
    "Alive",
    "Caller",
    "Log",
    "State",
    "Taken",
    "Terms",
    "fold",
    "messages",
    "pairs_of",
    "resume",
    "status_message",
    "step",
]
