"""The robot's side of the wire: bytes to requests, replies to bytes. Tables; no sockets. Pure."""
