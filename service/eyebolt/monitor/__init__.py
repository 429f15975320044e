"""The operator's view: one status message on a screen that can be read from two metres away."""

from eyebolt.monitor.app import watch

__all__ = [
    "watch",
]
