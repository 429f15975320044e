"""Recognition of peers that speak another protocol than the robot's, by the first bytes they send.

A web page can make a browser connect to any port, and its request carries text of the page's choice behind the opening.
No request of the robot protocol begins like any of these openings.
"""

from __future__ import annotations

import re
from enum import Enum

# Blanks, padding and line endings, which the lines of a robot may begin with as well.
_LEADING = b" \t\0\r\n"
# Methods of RFC 9110 and 5789, and the preface of HTTP/2 (RFC 9113).
_METHODS = (b"GET", b"HEAD", b"POST", b"PUT", b"DELETE", b"CONNECT", b"OPTIONS", b"TRACE", b"PATCH", b"PRI")
# Any other method, once the line has come as far as its version.
_REQUEST_LINE = re.compile(rb"[!-~]+ [!-~]+ [A-Z]+/[0-9]")

# Bytes of a connection's beginning that decide: the longest method and its blank.
OPENING_BYTES = 16


class ForeignProtocol(Enum):
    """A protocol that is not the robot's."""

    HTTP = "HTTP"
    """A request line of a browser or a web client; also RTSP and SIP."""
    TLS = "TLS"
    """A ClientHello (RFC 8446): an encrypted connection."""
    SSH = "SSH"
    """The version exchange of SSH (RFC 4253)."""
    ZMTP = "ZMTP"
    """The greeting of ZeroMQ (RFC 23/ZMTP): a watcher or a camera at the wrong port."""


def foreign_protocol(opening: bytes) -> ForeignProtocol | None:
    """The protocol that ``opening``, the beginning of a connection or of a line, belongs to; None if to none of them.

    More bytes may still show one: ask again while there are fewer than OPENING_BYTES of them.
    """
    if re.match(rb"\xff.{8}\x7f", opening, re.DOTALL):
        return ForeignProtocol.ZMTP
    # A handshake record, and the major version 3 of every TLS.
    if opening.startswith(b"\x16\x03"):
        return ForeignProtocol.TLS
    text = opening.lstrip(_LEADING)
    if text.startswith(b"SSH-"):
        return ForeignProtocol.SSH
    if text.startswith(tuple(method + b" " for method in _METHODS)) or _REQUEST_LINE.match(text):
        return ForeignProtocol.HTTP
    return None
