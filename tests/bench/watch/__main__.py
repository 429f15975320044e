"""What `eyebolt watch --view` costs: its share of a core while it shows ten pictures a second in a terminal.

    python -m bench.watch [--seconds N]

The stand-in for the daemon of `bench.page` publishes two statuses and ten views a second. The program runs in
a terminal of each size whose other end is read and thrown away; what a terminal needs to draw it is not counted. The
baseline receives and checks the same messages and shows nothing. Bar: less than 10 % of a core. Prints figures; fails
nothing; not collected by pytest.
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import os
import pty
import re
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Mapping

from bench.page.__main__ import BAR, BASELINE, VIEWS_PER_S, Publisher, picture, running, share
from bench.record import Table, add_option, recording
from support.daemon_process import COMMAND

# Where the first line of a picture begins.
_PICTURE = re.compile(rb"\x1b\[([0-9]+);1H")
_TERMINALS: tuple[tuple[str, tuple[int, int], bool, Mapping[str, str]], ...] = (
    ("80 x 24, without the picture", (80, 24), False, {}),
    ("80 x 24", (80, 24), True, {}),
    ("120 x 40", (120, 40), True, {}),
    ("200 x 60", (200, 60), True, {}),
    ("80 x 24, NO_COLOR", (80, 24), True, {"NO_COLOR": "1"}),
)


class Terminal:
    """A terminal of ``columns`` x ``rows`` in which the program runs, and what it wrote; a context manager."""

    def __init__(self, size: tuple[int, int], words: tuple[str, ...], environment: Mapping[str, str]) -> None:
        self.written, self.pictures, self._first = 0, 0, 1000
        self._reader, slave = pty.openpty()
        columns, rows = size
        fcntl.ioctl(self._reader, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        kept = {name: value for name, value in os.environ.items() if name not in {"NO_COLOR", "LC_ALL", "LC_CTYPE"}}
        kept |= {"LANG": "C.UTF-8", "TERM": "xterm-256color"} | environment
        self.process = subprocess.Popen([*COMMAND, *words], stdin=slave, stdout=slave, stderr=slave, env=kept)
        os.close(slave)
        self._thread = threading.Thread(target=self._read)

    def __enter__(self) -> Terminal:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.process.wait()
        self._thread.join()
        os.close(self._reader)

    def _read(self) -> None:
        # Reading fails once the program has ended.
        with contextlib.suppress(OSError):
            while data := os.read(self._reader, 1 << 16):
                self.written += len(data)
                # Each picture begins with the same row; one that is cut by the end of ``data`` is missed.
                rows = [int(row) for row in _PICTURE.findall(data)]
                self._first = min([self._first, *rows])
                self.pictures += rows.count(self._first)


def measure(seconds: float) -> None:
    """Prints the table."""
    jpeg = picture()
    table = Table(
        f"share of a core at {VIEWS_PER_S} pictures a second of {len(jpeg) / 1000:.0f} kB, over {seconds:.0f} s each",
        ("terminal", 34),
        ("pictures/s", 10),
        ("kB/s", 8),
        ("share", 8),
        ("of baseline", 11),
        ("below 10 %", 10),
    )
    with Publisher(jpeg) as publisher:
        with running(sys.executable, "-c", BASELINE, publisher.endpoint) as receiver:
            time.sleep(3)
            baseline = share(receiver, seconds)
        table.row("none: messages received, baseline", float(VIEWS_PER_S), 0.0, baseline, 1.0, "")
        for name, size, is_shown, environment in _TERMINALS:
            words = ("watch", "--endpoint", publisher.endpoint, *(("--view",) if is_shown else ()))
            with Terminal(size, words, environment) as terminal:
                time.sleep(3)
                before, pictures = terminal.written, terminal.pictures
                used = share(terminal.process, seconds)
                shown, written = terminal.pictures - pictures, terminal.written - before
            table.row(
                name,
                shown / seconds,
                written / seconds / 1000,
                used,
                used / baseline,
                "met" if used < BAR else "MISSED",
            )


def main() -> None:
    """Reads the command line and prints the figures."""
    parser = argparse.ArgumentParser(prog="python -m bench.watch", description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=20.0, help="of each row (20)")
    add_option(parser)
    asked = parser.parse_args()
    with recording("watch", asked.record):
        measure(asked.seconds)


if __name__ == "__main__":
    main()
