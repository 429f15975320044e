"""Carries out the commands of the session: sockets, workers, disk, status. No decisions are made here."""

from eyebolt.daemon.startup import LogForm, serve

__all__ = [
    "LogForm",
    "serve",
]
