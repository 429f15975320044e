"""CURVE keys for ZeroMQ sockets that other computers can reach, and their authentication."""

from eyebolt.security.key_files import ClientKeys, Role, client_keys, make_client_keys, make_station_secret, own_keys
from eyebolt.security.zap import Guard

__all__ = [
    "ClientKeys",
    "Guard",
    "Role",
    "client_keys",
    "make_client_keys",
    "make_station_secret",
    "own_keys",
]
