"""Hostile subscribers: raw ZMTP 3.0 connections (RFC 23/ZMTP) that send subscription messages at a given rate.

python flood_process.py PORT PEERS MESSAGES_PER_S

MESSAGES_PER_S is of all peers together; 0: as fast as the sockets take them. The topics differ, so that each has to be
stored. Prints "ready" once all are connected, lives until its stdin ends, then prints one JSON line. Who is cut off
connects again at once.
"""

import contextlib
import json
import os
import random
import select
import socket
import sys
import time

GREETING = b"\xff" + b"\0" * 8 + b"\x7f\x03\x00" + b"NULL".ljust(20, b"\0") + b"\0" * 32
READY = b"\x04\x19\x05READY\x0bSocket-Type\0\0\0\x03SUB"
TOPIC_BYTES = 200
DISTINCT = 50_000


class FloodPeer:
    """One connection; it reads what is published, so that it is no slow subscriber."""

    def __init__(self, port):
        self.port, self.cut, self.pending, self.socket = port, 0, b"", None
        self.connect()

    def connect(self):
        self.socket = socket.create_connection(("127.0.0.1", self.port))
        self.socket.sendall(GREETING + READY)
        # libzmq refuses whoever sends more before the end of the handshake.
        received = b""
        self.socket.settimeout(2.0)
        while b"READY" not in received:
            received += self.socket.recv(1000) or self.fail()
        self.socket.setblocking(False)
        self.pending = b""

    @staticmethod
    def fail():
        """Ends a handshake that the other side gave up."""
        raise ConnectionError

    def send(self, frames):
        """Sends whole frames; the number of bytes that the socket took."""
        try:
            with contextlib.suppress(BlockingIOError):
                while True:
                    if not self.socket.recv(65536):
                        raise ConnectionError
            self.pending = self.pending or frames
            taken = self.socket.send(self.pending)
            self.pending = self.pending[taken:]
        except BlockingIOError:
            return 0
        except OSError:
            self.cut += 1
            self.socket.close()
            with contextlib.suppress(OSError):
                self.connect()
            return 0
        return taken


def frames():
    """Subscription messages to distinct topics, each a frame of ZMTP."""
    source = random.Random(1)
    made = []
    for _ in range(DISTINCT):
        body = b"\x01" + source.randbytes(TOPIC_BYTES // 2).hex().encode()
        made.append(bytes([0, len(body)]) + body)
    return made


def main(port, peers, rate):
    """Lives until stdin ends."""
    # In a cell these are other computers: the robot's daemon does not share its processor with them.
    os.nice(10)
    messages = frames()
    size = len(messages[0])
    crowd = [FloodPeer(int(port)) for _ in range(int(peers))]
    print("ready", flush=True)
    begun, sent, place = time.monotonic(), 0, 0
    while not (select.select([sys.stdin], [], [], 0)[0] and not sys.stdin.readline()):
        due = (time.monotonic() - begun) * float(rate) - sent / size if float(rate) else 256 * len(crowd)
        each = int(due / len(crowd))
        if each >= 1:
            for peer in crowd:
                chunk = b"".join(messages[place : place + each])
                place = (place + each) % DISTINCT
                sent += peer.send(chunk)
        time.sleep(0.002 if float(rate) else 0)
    print(json.dumps({"messages": sent // size, "cut": sum(peer.cut for peer in crowd)}))


if __name__ == "__main__":
    main(*sys.argv[1:])
