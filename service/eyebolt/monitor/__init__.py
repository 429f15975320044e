"""The operator's screen: the status message of a daemon, legible from two metres away."""

from eyebolt.monitor.app import watch
from eyebolt.monitor.control_client import ControlClient
from eyebolt.monitor.subscriber import StatusSubscriber

__all__ = [
    "ControlClient",
    "StatusSubscriber",
    "watch",
]
