"""Network addresses of the station file: host and port, networks, ZeroMQ endpoints, streams. Pure.

A ``validate_`` function returns its argument, or raises ValueError with the text that an operator reads as "allowed".
"""

from __future__ import annotations

import errno
import ipaddress
import re
from urllib.parse import urlsplit

# A Unix socket path has 108 bytes with its terminating zero (unix(7)).
_IPC_PATH_LIMIT = 107
_HOST = re.compile(r"(?!-)[A-Za-z0-9-]{1,63}(?:\.[A-Za-z0-9-]{1,63})*", re.ASCII)

HOST_PORT_TEXT = 'an address and a port, such as "127.0.0.1:4750", port 1 to 65535'
ENDPOINT_TEXT = (
    'on this computer: "tcp://127.0.0.1:4760" or "ipc:///run/eyebolt/camera"; '
    'beyond it, with keys, an IP address that this computer has: "tcp://192.168.7.9:4760"'
)


def split_host_port(text: str) -> tuple[str, int]:
    """Host and port of ``host:port``, an IPv6 address in square brackets. Raises ValueError."""
    host, colon, port_text = text.rpartition(":")
    port = int(port_text) if re.fullmatch(r"[0-9]{1,5}", port_text) else 0
    if host.startswith("[") and host.endswith("]"):
        host = host[1:-1]
        valid_host = _is_ip(host, version=6)
    elif re.fullmatch(r"[0-9.]+", host):
        valid_host = _is_ip(host, version=4)
    else:
        valid_host = len(host) <= 253 and _HOST.fullmatch(host) is not None
    if not colon or not valid_host or not 1 <= port <= 65535:
        raise ValueError(HOST_PORT_TEXT)
    return host, port


def validate_host_port(text: str) -> str:
    """``host:port`` with a port from 1 to 65535."""
    split_host_port(text)
    return text


def validate_allowed_address(text: str) -> str:
    """An IP address or a network in the prefix form ``192.168.7.0/24``."""
    try:
        ipaddress.ip_network(text, strict=False)
    except ValueError:
        raise ValueError(
            'IP addresses or networks of robot controllers, such as ["127.0.0.1", "192.168.7.0/24"]; no host names'
        ) from None
    return text


def validate_endpoint(text: str) -> str:
    """A ZeroMQ endpoint: ``ipc://path``, or ``tcp://`` on the loopback or at an IP address of this computer."""
    if text.startswith("ipc://"):
        path = text.removeprefix("ipc://")
        if not path or len(path.encode("utf-8", "replace")) > _IPC_PATH_LIMIT or not path.isprintable():
            raise ValueError(f'"ipc://" and a path of 1 to {_IPC_PATH_LIMIT} bytes')
        return text
    if text.startswith("tcp://"):
        try:
            host, _ = split_host_port(text.removeprefix("tcp://"))
        except ValueError:
            raise ValueError(ENDPOINT_TEXT) from None
        if host == "localhost" or _is_ip(host, version=4) or _is_ip(host, version=6):
            return text
    raise ValueError(ENDPOINT_TEXT)


def is_remote_endpoint(endpoint: str) -> bool:
    """Whether other computers can reach a ZeroMQ endpoint, judged by its text; True for an invalid endpoint."""
    if endpoint.startswith("ipc://"):
        return False
    host = endpoint.removeprefix("tcp://").rpartition(":")[0].strip("[]")
    return not (host == "localhost" or _is_loopback(host))


def is_ipv6_endpoint(endpoint: str) -> bool:
    """Whether a ZeroMQ endpoint is an IPv6 address: libzmq uses them only on a socket with the option ZMQ_IPV6."""
    return endpoint.startswith("tcp://[")


def resolve_endpoint(endpoint: str, folder: str) -> str:
    """The endpoint with a relative ``ipc://`` path taken from ``folder``; any other endpoint unchanged.

    ``ipc://@name`` is no path, but a name in the abstract namespace (unix(7)).
    """
    path = endpoint.removeprefix("ipc://")
    if path == endpoint or path.startswith(("/", "@")) or folder in ("", "."):
        return endpoint
    return f"ipc://{folder.rstrip('/')}/{path}"


def listening_reason(error: Exception, address: str) -> str:
    """Why ``address`` (host:port or an endpoint) cannot be listened at, from the error of opening it: one clause."""
    number = _error_number(error)
    if number == errno.EADDRINUSE:
        return "another program uses it already"
    if number == errno.EADDRNOTAVAIL:
        return f"this computer has no address {_host(address)}"
    if number == errno.EACCES and not address.startswith("ipc://"):
        return "this user may not open so low a port number"
    if number < 0:
        return f"the name {_host(address)} is not known"
    return getattr(error, "strerror", None) or "it is no address"


def listening_remedy(error: Exception, address: str, key: str) -> str:
    """What to do about it; ``key`` states the address."""
    number = _error_number(error)
    if number == errno.EADDRINUSE:
        return f"end that program (often a second daemon of this station), or give {key} another port."
    if number == errno.EADDRNOTAVAIL:
        return (
            f"give {key} an address that this computer has (ip address lists them); if it should have this one, check"
            " the network cable and the network settings."
        )
    if number == errno.EACCES and not address.startswith("ipc://"):
        return f"give {key} a port from 1024 to 65535."
    return f"give {key} an IP address of this computer, and a port that no other program uses."


def _error_number(error: Exception) -> int:
    """``errno``; below 0 for a name that cannot be looked up, as on Linux and macOS."""
    return (error.errno or 0) if isinstance(error, OSError) else 0


def _host(address: str) -> str:
    return address.removeprefix("tcp://").rpartition(":")[0].strip("[]")


def validate_stream_url(text: str) -> str:
    """The URL of a network camera's stream."""
    try:
        parts = urlsplit(text)
        valid = parts.scheme in ("http", "https", "rtsp") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        valid = False
    if not valid or not text.isprintable() or " " in text:
        raise ValueError('a stream\'s address that begins with "rtsp://", "http://" or "https://" and names a host')
    return text


def _is_ip(text: str, version: int) -> bool:
    try:
        return ipaddress.ip_address(text).version == version
    except ValueError:
        return False


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
