"""The operator's screen: the status message of a daemon, legible from two metres away."""

from eyebolt.monitor.app import watch, watch_stations
from eyebolt.monitor.control_client import ControlClient
from eyebolt.monitor.operator_prompt import (
    OperatorPrompt,
    Tone,
    how_far,
    is_other_station,
    is_stale,
    needs_robot,
    operator_prompt_for,
    remark,
    result_line,
)
from eyebolt.monitor.subscriber import ReceivedView, StatusSubscriber

__all__ = [
    "ControlClient",
    "OperatorPrompt",
    "ReceivedView",
    "StatusSubscriber",
    "Tone",
    "how_far",
    "is_other_station",
    "is_stale",
    "needs_robot",
    "operator_prompt_for",
    "remark",
    "result_line",
    "watch",
    "watch_stations",
]
