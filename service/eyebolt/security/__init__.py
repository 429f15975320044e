"""CURVE keys for ZeroMQ sockets that other computers can reach, and their authentication."""

from eyebolt.security.key_files import (
    ClientKeys,
    Role,
    local_client_keys,
    make_client_keys,
    make_station_secret,
    read_client_keys,
    read_station_secret,
)
from eyebolt.security.zap import ZapAuthenticator

__all__ = [
    "ClientKeys",
    "Role",
    "ZapAuthenticator",
    "local_client_keys",
    "make_client_keys",
    "make_station_secret",
    "read_client_keys",
    "read_station_secret",
]
