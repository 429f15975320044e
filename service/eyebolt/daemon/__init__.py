"""The daemon of one station: asyncio, sockets, threads. Carries out the commands of the session; decides nothing."""

from eyebolt.daemon.startup import serve

__all__ = ["serve"]
