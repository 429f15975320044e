"""A log that cannot be written: the daemon goes on, counts the lines, and reports their number once it can."""

import contextlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from eyebolt.log_stream import LogStream
from support.daemon_process import COMMAND, Robot, robot_port
from support.folder_camera_cell import write_station
from support.processes import end, until
from support.warm_start import start_warm

LONG_S = 60.0


def stream_to(descriptor):
    return LogStream(os.fdopen(descriptor, "w", closefd=False), lambda count: f"{count} lost\n")


@contextlib.contextmanager
def pipe():
    """Both ends as files, which may be closed more than once: a descriptor may be another file by then."""
    reader, writer = os.pipe()
    with os.fdopen(reader, "rb", buffering=0) as read_end, os.fdopen(writer, "wb", buffering=0) as write_end:
        yield read_end, write_end


def test_lines_come_in_order():
    with pipe() as (reader, writer):
        stream = stream_to(writer.fileno())
        for number in range(100):
            stream.write(f"{number}\n")
        stream.drain(LONG_S)
        assert reader.read(10_000).split() == [b"%d" % number for number in range(100)]
        assert stream.lost == 0


def test_lines_on_a_full_disk_are_counted_and_reported_before_the_next_one(tmp_path):
    path = tmp_path / "log"
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT)
    full = os.open("/dev/full", os.O_WRONLY)
    good = os.dup(descriptor)
    try:
        stream = stream_to(descriptor)
        stream.write("before\n")
        stream.drain(LONG_S)
        os.dup2(full, descriptor)
        stream.write("a\n")
        stream.write("b\n")
        stream.drain(LONG_S)
        assert stream.lost == 2
        os.dup2(good, descriptor)
        stream.write("after\n")
        stream.write("end\n")
        stream.drain(LONG_S)
        assert path.read_text() == "before\n2 lost\nafter\nend\n"
        assert stream.lost == 2
    finally:
        for each in (descriptor, full, good):
            os.close(each)


def test_a_line_that_was_cut_off_does_not_join_the_next_one(tmp_path):
    path = tmp_path / "log"
    # A limit of the file's size cuts a write as a full disk does.
    code = f"""
import os, resource, signal
from eyebolt.log_stream import LogStream
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
stream = LogStream(open({str(path)!r}, "w"), lambda count: f"{{count}} lost\\n")
resource.setrlimit(resource.RLIMIT_FSIZE, (10, resource.RLIM_INFINITY))
stream.write("x" * 20 + "\\n")
stream.drain({LONG_S})
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY,) * 2)
stream.write("next\\n")
"""
    subprocess.run([sys.executable, "-c", code], check=True, timeout=LONG_S)
    assert path.read_text() == "x" * 10 + "\n1 lost\nnext\n"


def test_a_reader_that_does_not_read_holds_nobody_up(monkeypatch):
    monkeypatch.setattr("eyebolt.log_stream._MAX_WAITING", 100)
    with pipe() as (reader, writer):
        stream = stream_to(writer.fileno())
        for _ in range(3000):
            stream.write("x" * 1000 + "\n")
        assert stream.lost > 2000
        reader.close()
        stream.drain(LONG_S)
        assert stream.lost == pytest.approx(3000, abs=100)


def test_without_a_stream_every_line_is_lost():
    stream = LogStream(None, str)
    stream.write("a\n")
    stream.drain(LONG_S)
    assert stream.lost == 1


@pytest.mark.parametrize("log", ["full", "gone", "closed"])
def test_the_daemon_goes_on_without_its_log(tmp_path, eyebolt, log):
    station = write_station(tmp_path)
    arguments = ["serve", str(station), "--log", "json"]
    with pipe() as (reader, without_reader), Path("/dev/full").open("wb") as full:
        reader.close()
        stderr = full if log == "full" else without_reader
        process = start_warm(arguments, stderr) if log != "closed" else None
        if process is None:
            without = ["sh", "-c", 'exec "$@" 2>&-', "sh"] if log == "closed" else []
            process = subprocess.Popen([*without, *COMMAND, *arguments], stderr=stderr, stdout=subprocess.DEVNULL)
        try:
            port = robot_port(station)

            def hello():
                with contextlib.suppress(OSError), contextlib.closing(Robot(port)) as robot:
                    return robot.say("hello 0")

            until(hello, "an answer", process=process)
            # Each connection writes to the log.
            for _ in range(3):
                assert hello().startswith("0,")
            code, _, _ = eyebolt("watch", station, "--once", "--plain")
            assert code == 0
            for number in (0, 1, 2):
                assert Path(f"/proc/{process.pid}/fd/{number}").exists()
            if log == "closed":
                # No file of the record has its number, into which a library's messages would go.
                assert Path(f"/proc/{process.pid}/fd/2").readlink() == Path(os.devnull)
        finally:
            end(process)
