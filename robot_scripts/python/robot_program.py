"""A robot program for Eyebolt in plain Python: the protocol's tutorial. It reads and sends text and computes nothing.

    python robot_program.py HOST:PORT WAYPOINTS.csv [PAUSE_S]

HOST:PORT is [robot] listen of the station file. Each row of WAYPOINTS.csv is one pose as the controller prints it, in
the terms of [robot] length, rotation and angle (waypoints_example.csv: mm and a quaternion w x y z). A row that begins
with the word check is visited after the others and only tests the result; `eyebolt plan --out` writes such files. With
PAUSE_S the program waits so long at each waypoint; without it, it waits for Enter, pressed when the arm stands still.
Exits with 0 when the session ended, 3 when the daemon said stop, 1 when a line was refused or the connection broke.

SAFETY. This program moves nothing; the moves are yours, and so is the arm. The rules of your site and the controller's
manual come first. Teach and try each waypoint at reduced speed, emergency stop at hand, and look for collisions of the
board, the camera and their cables. In automatic mode nobody is in the cell. A reply is never a safety signal.
"""

from __future__ import annotations

import csv
import socket
import sys
import time

REPLY_TIMEOUT_S = 10.0  # an answer comes within 1.5 s
POLL_INTERVAL_S = 0.5
RETRY_PAUSE_S = 1.0

# A program decides by the range of a reply code; the protocol page lists the single codes.
SUCCESS = range(10)
WORKING = range(10, 20)
REFUSED = range(20, 30)
STOP = range(30, 40)


class ProgramStoppedError(Exception):
    """The program cannot go on; the text says why. ``status`` is what it exits with."""

    def __init__(self, text: str, status: int = 1) -> None:
        super().__init__(text)
        self.status = status


class DaemonConnection:
    """The connection: one line out, one line back, every request under a number that was not used before."""

    def __init__(self, host: str, port: int) -> None:
        self.connection = socket.create_connection((host, port), timeout=REPLY_TIMEOUT_S)
        self.buffer = b""
        self.seq = 0

    def exchange(self, line: str) -> list[str]:
        """Send one line; the fields of its reply: code, seq, and two or more others."""
        self.connection.sendall(line.encode("ascii") + b"\n")
        while b"\n" not in self.buffer:
            chunk = self.connection.recv(256)
            if not chunk:
                raise ProgramStoppedError(f"the daemon hung up after: {line}")
            self.buffer += chunk
        reply, _, self.buffer = self.buffer.partition(b"\n")
        print(f"  {line}  ->  {reply.decode('ascii', 'replace')}")
        fields = reply.decode("ascii", "replace").strip().split(",")
        if len(fields) < 4 or not (fields[0] + fields[1]).isdigit():
            raise ProgramStoppedError(f"this is no reply: {reply!r}")
        return fields

    def hello(self) -> None:
        """Ask which number was used last and go on after it."""
        reply = self.exchange("hello 0")
        if int(reply[0]) not in SUCCESS:
            raise ProgramStoppedError(f"hello was answered {reply[0]}")
        self.seq = int(reply[3])

    def request(self, verb: str, arguments: str = "") -> list[str]:
        """Send ``verb seq arguments`` under the next number. While the answer is "working", stand still and ask again."""
        self.seq += 1
        reply = self.exchange(f"{verb} {self.seq} {arguments}".rstrip())
        while int(reply[0]) in WORKING:
            time.sleep(POLL_INTERVAL_S)
            reply = self.exchange(f"again {self.seq}")
        code = int(reply[0])
        if code in STOP and verb != "result":
            raise ProgramStoppedError(f"stop: {verb} was answered {code}; `eyebolt watch` says why.", status=3)
        if code > STOP[-1]:
            raise ProgramStoppedError(f"{verb} was answered {code}: correct this program or the station file.")
        return reply


def move_to(waypoint: list[str], pause_s: float | None) -> str:
    """Move to a waypoint, stop, and give the pose as the controller reports it. PUT YOUR CONTROLLER'S MOVE HERE."""
    pose = " ".join(waypoint)
    if pause_s is None:
        input(f"move to {pose}, then press Enter ")
    else:
        time.sleep(pause_s)
    return pose


def run(daemon: DaemonConnection, waypoints: list[list[str]], checks: list[list[str]], pause_s: float | None) -> None:
    """One session: a capture at each waypoint until the daemon wants no more, the checks, then the result."""
    daemon.hello()
    daemon.request("begin")
    for waypoint in waypoints:
        pose = move_to(waypoint, pause_s)
        code, _, _, wanted = daemon.request("capture", pose)[:4]
        if int(code) in REFUSED:  # refused here: once more after a pause, under a new number, then move on
            time.sleep(RETRY_PAUSE_S)
            code, _, _, wanted = daemon.request("capture", pose)[:4]
        if int(code) in SUCCESS and int(wanted) == 0:
            break
    for waypoint in checks:
        daemon.request("check", move_to(waypoint, pause_s))
    daemon.request("solve")
    result = daemon.request("result")
    print("result: " + (" ".join(result[2:]) if int(result[0]) in SUCCESS else f"none is accepted yet ({result[0]})"))
    daemon.request("bye")


def main() -> int:
    """Entry point; see the top of this file."""
    if len(sys.argv) not in (3, 4):
        print("usage: python robot_program.py HOST:PORT WAYPOINTS.csv [PAUSE_S]", file=sys.stderr)
        return 1
    try:
        host, _, port = sys.argv[1].rpartition(":")
        with open(sys.argv[2], encoding="ascii", newline="") as file:  # noqa: PTH123 - as plain as can be
            rows = [[field.strip() for field in row] for row in csv.reader(file)]
        rows = [row for row in rows if row and not row[0].startswith("#")]
        waypoints, checks = [r for r in rows if r[0] != "check"], [r[1:] for r in rows if r[0] == "check"]
        run(DaemonConnection(host, int(port)), waypoints, checks, float(sys.argv[3]) if len(sys.argv) == 4 else None)
    except ProgramStoppedError as why:
        print(why, file=sys.stderr)
        return why.status
    except (OSError, ValueError, EOFError) as why:
        print(f"cannot go on: {why}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
