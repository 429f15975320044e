"""Clients as a process that can be let in and sent away: the crowd, and any other program of this bench."""

import json
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

CROWD = Path(__file__).with_name("clients.py")


def status_of(station_file):
    """Where this station publishes."""
    return next(x for x in station_file.read_text().splitlines() if x.startswith("status = ")).split('"')[1]


@contextmanager
def client_process(program, *arguments):
    """The program has stated "ready" when the block begins; the yielded dictionary says afterwards what it saw."""
    words = [sys.executable, program, *map(str, arguments)]
    process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    saw = {}
    try:
        if process.stdout.readline() != "ready\n":
            raise RuntimeError(f"the clients of {program} did not connect")
        yield saw
        process.stdin.close()
        saw.update(json.loads(process.stdout.readline()))
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def crowd(station_file, port, watchers=50, connections=1000):
    """All have called when the block begins; the yielded dictionary says afterwards what they saw."""
    return client_process(CROWD, status_of(station_file), port, watchers, connections)
