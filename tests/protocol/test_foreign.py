"""Openings of other protocols, and that no line of a robot is taken for one."""

import pytest

from eyebolt.protocol import OPENING_BYTES, VERBS, ForeignProtocol, foreign_protocol

OPENINGS = [
    (b"GET / HTTP/1.1\r\nHost: 127.0.0.1:4750\r\n\r\n", ForeignProtocol.HTTP),
    (b"POST / HTTP/1.1\r\nContent-Type: text/plain\r\n\r\nhello 0\nundo 1\n", ForeignProtocol.HTTP),
    (b"\r\nPUT /x HTTP/1.0\r\n", ForeignProtocol.HTTP),
    (b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", ForeignProtocol.HTTP),
    (b"HELLO / HTTP/1.1\r\n", ForeignProtocol.HTTP),
    (b"DESCRIBE rtsp://192.0.2.7/live RTSP/1.0\r\n", ForeignProtocol.HTTP),
    (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\nhello 0\n", ForeignProtocol.TLS),
    (b"\x16\x03\x03\x00\xf4\x01", ForeignProtocol.TLS),
    (b"SSH-2.0-OpenSSH_9.6\r\n", ForeignProtocol.SSH),
    (b"\xff\x00\x00\x00\x00\x00\x00\x00\x01\x7f\x03\x01NULL", ForeignProtocol.ZMTP),
    (b"\xff\x00\x00\x00\x00\x00\x00\x00\x0a\x7f\x03\x01NULL", ForeignProtocol.ZMTP),
]


@pytest.mark.parametrize(("opening", "protocol"), OPENINGS)
def test_openings_of_other_protocols(opening, protocol):
    assert foreign_protocol(opening) is protocol


@pytest.mark.parametrize(("opening", "protocol"), [o for o in OPENINGS if o[0][:5] not in (b"HELLO", b"DESCR")])
def test_the_first_bytes_decide(opening, protocol):
    assert foreign_protocol(opening[:OPENING_BYTES]) is protocol


def test_no_line_of_a_robot_is_foreign():
    lines = [f"{blank}{verb} 7 1.5, -2e3;(4)" for verb in VERBS for blank in ("", " ", "(", "\n")]
    lines += [line.upper() for line in lines]
    lines += ["get 1", "post", "GETTING", "HEAD", "tls", "ssh", "\x16", "\x03\x16", "\xff\xff\xff\xff\xff\xff\xff\xff"]
    for line in lines:
        for size in range(len(line) + 1):
            assert foreign_protocol(line[:size].encode("latin-1")) is None, line
