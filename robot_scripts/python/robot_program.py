"""A robot program for Eyebolt in plain Python, as a tutorial of the protocol; it sends and parses text only.

    python robot_program.py HOST:PORT WAYPOINTS.csv [PAUSE_S]

HOST:PORT is [robot] listen of the station file. Each row of WAYPOINTS.csv is one pose as the controller prints it, in
the format of [robot] length, rotation and angle (waypoints_example.csv: mm and a quaternion w x y z). A row that begins
with the word check is visited last, and its pair only tests the result; `eyebolt plan --out` writes such files. With
PAUSE_S the program waits that long at each waypoint; without it, for the Enter key, to be pressed once the arm has
settled. Exit code 0 if the session ended, 3 if the daemon stopped the program, 1 if a line was rejected or the
connection broke.

SAFETY. This program does not move the arm: you add the moves and are responsible for them. The rules of your site and
the manual of the controller take precedence. Teach and test each waypoint at reduced speed with the emergency stop in
reach, and watch for collisions of the board, the camera and their cables. In automatic mode nobody may be in the cell.
No reply is a safety signal.
"""

from __future__ import annotations

import csv
import socket
import sys
import time

REPLY_TIMEOUT_S = 10.0  # the daemon replies within 1.5 s
POLL_INTERVAL_S = 0.5
RETRY_PAUSE_S = 1.0

# A program decides by the range of a reply code, so that codes of later versions are handled too.
SUCCESS = range(10)
WORKING = range(10, 20)
REFUSED = range(20, 30)
STOP = range(30, 40)


class ProgramStoppedError(Exception):
    """The program cannot continue, with the reason as text; ``status`` is the exit code."""

    def __init__(self, text: str, status: int = 1) -> None:
        super().__init__(text)
        self.status = status


class DaemonConnection:
    """The connection to the daemon: one line out, one reply line back, a new sequence number for every request."""

    def __init__(self, host: str, port: int) -> None:
        self.connection = socket.create_connection((host, port), timeout=REPLY_TIMEOUT_S)
        self.buffer = b""
        self.seq = 0

    def exchange(self, line: str) -> list[str]:
        """Send one line; the fields of the reply: code, seq, and at least two others."""
        self.connection.sendall(line.encode("ascii") + b"\n")
        while b"\n" not in self.buffer:
            chunk = self.connection.recv(256)
            if not chunk:
                raise ProgramStoppedError(f"the daemon closed the connection after: {line}")
            self.buffer += chunk
        reply, _, self.buffer = self.buffer.partition(b"\n")
        print(f"  {line}  ->  {reply.decode('ascii', 'replace')}")
        fields = reply.decode("ascii", "replace").strip().split(",")
        if len(fields) < 4 or not (fields[0] + fields[1]).isdigit():
            raise ProgramStoppedError(f"not a valid reply: {reply!r}")
        return fields

    def hello(self) -> None:
        """Continue after the last sequence number that the daemon has used."""
        reply = self.exchange("hello 0")
        if int(reply[0]) not in SUCCESS:
            raise ProgramStoppedError(f"the daemon replied {reply[0]} to hello")
        self.seq = int(reply[3])

    def request(self, verb: str, arguments: str = "") -> list[str]:
        """Send ``verb seq arguments`` under the next number. While the reply is "working", stand still and poll."""
        self.seq += 1
        reply = self.exchange(f"{verb} {self.seq} {arguments}".rstrip())
        while int(reply[0]) in WORKING:
            time.sleep(POLL_INTERVAL_S)
            reply = self.exchange(f"again {self.seq}")
        code = int(reply[0])
        if code in STOP and verb != "result":
            raise ProgramStoppedError(
                f"stop: the daemon replied {code} to {verb}; `eyebolt watch` shows the reason.", status=3
            )
        if code > STOP[-1]:
            raise ProgramStoppedError(f"the daemon replied {code} to {verb}: correct this program or the station file.")
        return reply


def move_to(waypoint: list[str], pause_s: float | None) -> str:
    """Move to a waypoint, stop, and return the pose that the controller reports. PUT YOUR CONTROLLER'S MOVE HERE."""
    pose = " ".join(waypoint)
    if pause_s is None:
        input(f"move to {pose}, then press Enter ")
    else:
        time.sleep(pause_s)
    return pose


def run(daemon: DaemonConnection, waypoints: list[list[str]], checks: list[list[str]], pause_s: float | None) -> None:
    """One session: a capture at each waypoint until no more pairs are wanted, the checks, the result."""
    daemon.hello()
    daemon.request("begin")
    for waypoint in waypoints:
        pose = move_to(waypoint, pause_s)
        code, _, _, wanted = daemon.request("capture", pose)[:4]
        if int(code) in REFUSED:  # refused at this waypoint: try once more under a new number, then move on
            time.sleep(RETRY_PAUSE_S)
            code, _, _, wanted = daemon.request("capture", pose)[:4]
        if int(code) in SUCCESS and int(wanted) == 0:
            break
    for waypoint in checks:
        daemon.request("check", move_to(waypoint, pause_s))
    daemon.request("solve")
    result = daemon.request("result")
    print(
        "result: " + (" ".join(result[2:]) if int(result[0]) in SUCCESS else f"no result is accepted yet ({result[0]})")
    )
    daemon.request("bye")


def main() -> int:
    """Entry point; see the docstring of the module."""
    if len(sys.argv) not in (3, 4):
        print("usage: python robot_program.py HOST:PORT WAYPOINTS.csv [PAUSE_S]", file=sys.stderr)
        return 1
    try:
        host, _, port = sys.argv[1].rpartition(":")
        with open(sys.argv[2], encoding="ascii", newline="") as file:  # noqa: PTH123 - plain Python
            rows = [[field.strip() for field in row] for row in csv.reader(file)]
        rows = [row for row in rows if row and not row[0].startswith("#")]
        waypoints, checks = [r for r in rows if r[0] != "check"], [r[1:] for r in rows if r[0] == "check"]
        run(DaemonConnection(host, int(port)), waypoints, checks, float(sys.argv[3]) if len(sys.argv) == 4 else None)
    except ProgramStoppedError as why:
        print(why, file=sys.stderr)
        return why.status
    except (OSError, ValueError, EOFError) as why:
        print(f"cannot continue: {why}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
