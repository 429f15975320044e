"""A robot program for Eyebolt in plain Python, as a tutorial of the protocol; it sends and parses text only.

    python robot_program.py HOST:PORT WAYPOINTS.csv [PAUSE_S] [new]

HOST:PORT is [robot] listen of the station file. Each row of WAYPOINTS.csv is one pose as the controller prints it, in
the format of [robot] length, rotation and angle (waypoints_example.csv: mm and a quaternion w x y z). A row that begins
with the word check is visited last, and its pair only tests the result; `eyebolt plan --out` writes such files. With
PAUSE_S the program waits that long at each waypoint; without it, for the Enter key, to be pressed once the arm has
settled. A session that was interrupted goes on with the waypoints that may be left; the word "new" begins another one,
as is necessary if anything in the cell was changed meanwhile. Exit code 0 if the session ended, 3 if the daemon stopped
the program, 1 if a line was rejected or the connection broke.

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

REPLY_TIMEOUT_S = 4.0  # the daemon replies within 1.5 s, or [robot] reply_wait_s
GIVE_UP_S = 20.0  # without a reply to a line that is sent again and again
POLL_INTERVAL_S = 0.5
RETRY_PAUSE_S = 1.0

# A program decides by the range of a reply code, so that codes of later versions are handled too.
CAMERA_LOST = 30
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
        self.address = (host, port)
        self.seq = 0
        self.connect()

    def connect(self) -> None:
        """Open the connection. What an older one still held is no reply to what is sent from here on."""
        self.connection = socket.create_connection(self.address, timeout=REPLY_TIMEOUT_S)
        self.buffer = b""

    def exchange(self, line: str) -> list[str]:
        """Send one line; the fields of the reply: code, seq, and at least two others.

        If the reply is lost, or the connection breaks, the same line is sent again under the same number: the daemon
        then repeats its reply and does nothing twice.
        """
        give_up_s = time.monotonic() + GIVE_UP_S
        while True:
            try:
                return self.send_and_receive(line)
            except OSError as why:  # a time-out is one, too
                if time.monotonic() > give_up_s:
                    raise ProgramStoppedError(f"no reply to: {line} ({why})") from None
                print(f"  {line}  ->  no reply ({why}); connecting again")
            self.connection.close()
            time.sleep(RETRY_PAUSE_S)
            try:
                self.connect()
                if line != "hello 0":  # takes the station over, if the daemon still waits on the old connection
                    self.send_and_receive("hello 0")
            except OSError:
                continue

    def send_and_receive(self, line: str) -> list[str]:
        """Send one line, and read up to the reply with its number. Raises OSError if there is none."""
        self.connection.sendall(line.encode("ascii") + b"\n")
        while True:
            while b"\n" not in self.buffer:
                chunk = self.connection.recv(256)
                if not chunk:
                    raise ConnectionError("the daemon closed the connection")
                self.buffer += chunk
            reply, _, self.buffer = self.buffer.partition(b"\n")
            print(f"  {line}  ->  {reply.decode('ascii', 'replace')}")
            fields = reply.decode("ascii", "replace").strip().split(",")
            if len(fields) < 4 or not (fields[0] + fields[1]).isdigit():
                raise ProgramStoppedError(f"not a valid reply: {reply!r}")
            # A reply to another number came late, or twice. A line at fault may have lost its number.
            if int(fields[1]) == int(line.split()[1]) or int(fields[0]) > STOP[-1]:
                return fields

    def hello(self) -> tuple[int, int] | None:
        """Say hello, and continue after the last sequence number that the daemon has used.

        Returns the pairs kept and the pairs wanted of a session that was interrupted; None if a new one is to begin.
        """
        reply = self.exchange("hello 0")
        if int(reply[0]) not in SUCCESS:
            raise ProgramStoppedError(f"the daemon replied {reply[0]} to hello")
        self.seq = int(reply[3])  # 0 if no session is open
        if self.seq == 0 or int(reply[2]) == 0:
            return None
        last = int(self.final(f"again {self.seq}")[0])
        if last in STOP and last != CAMERA_LOST:
            return None  # the daemon ended that session: its pairs do not agree, or it is complete
        status = self.exchange(f"status {self.seq}")
        return int(status[2]), int(status[3])

    def final(self, line: str) -> list[str]:
        """Send a line under the number ``self.seq``. While the reply is "working", stand still and poll."""
        reply = self.exchange(line)
        while int(reply[0]) in WORKING:
            time.sleep(POLL_INTERVAL_S)
            reply = self.exchange(f"again {self.seq}")
        return reply

    def request(self, verb: str, arguments: str = "") -> list[str]:
        """Send ``verb seq arguments`` under the next number; the final reply."""
        self.seq += 1
        reply = self.final(f"{verb} {self.seq} {arguments}".rstrip())
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


def run(
    daemon: DaemonConnection,
    waypoints: list[list[str]],
    checks: list[list[str]],
    pause_s: float | None,
    begin_new: bool = False,
) -> None:
    """One session: a capture at each waypoint until no more pairs are wanted, the checks, the result."""
    interrupted = daemon.hello()
    if interrupted is None or begin_new:
        daemon.request("begin")
        left = waypoints
    else:
        kept, still_wanted = interrupted
        print(f"going on with the open session: {kept} pairs kept, {still_wanted} wanted")
        # No two pairs are of the same waypoint, so that at least as many were visited as pairs are kept. A waypoint
        # that is visited again is refused as the same pose.
        left = waypoints[kept:] if still_wanted else []
    for waypoint in left:
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
    print("result: " + (" ".join(result[2:]) if int(result[0]) in SUCCESS else f"none is handed out ({result[0]})"))
    daemon.request("bye")


def main() -> int:
    """Entry point; see the docstring of the module."""
    arguments = sys.argv[1:]
    begin_new = len(arguments) > 2 and arguments[-1] == "new"
    if begin_new:
        arguments.pop()
    if len(arguments) not in (2, 3):
        print("usage: python robot_program.py HOST:PORT WAYPOINTS.csv [PAUSE_S] [new]", file=sys.stderr)
        return 1
    try:
        host, _, port = arguments[0].rpartition(":")
        pause_s = float(arguments[2]) if len(arguments) == 3 else None
        with open(arguments[1], encoding="ascii", newline="") as file:  # noqa: PTH123 - plain Python
            rows = [[field.strip() for field in row] for row in csv.reader(file)]
        rows = [row for row in rows if row and not row[0].startswith("#")]
        waypoints, checks = [r for r in rows if r[0] != "check"], [r[1:] for r in rows if r[0] == "check"]
        run(DaemonConnection(host, int(port)), waypoints, checks, pause_s, begin_new)
    except ProgramStoppedError as why:
        print(why, file=sys.stderr)
        return why.status
    except (OSError, ValueError, EOFError) as why:
        print(f"cannot continue: {why}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
