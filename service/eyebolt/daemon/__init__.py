"""Carries out the commands of the session: sockets, workers, disk, status. No decisions are made here."""

from eyebolt.daemon.startup import LogFormat, serve

__all__ = [
    "LogFormat",
    "serve",
]
