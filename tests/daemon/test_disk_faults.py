"""Disks that fill up, turn read-only or lose their permissions during a session.

Real file systems: a small one in memory is mounted where that is allowed (as root, with the right to mount); elsewhere
those tests are skipped, and `test_trouble.py` and `tests/journal` show the same with a limit and with failing calls.
"""

import errno
import os
import shutil
import subprocess

import pytest

from eyebolt.store.names import list_sessions
from support.daemon_process import Robot, until


def mount(*words):
    done = subprocess.run(["mount", *map(str, words)], capture_output=True, text=True, check=False)
    return done.returncode == 0


@pytest.fixture
def small_disk(tmp_path):
    """An empty disk of 8 MB: room for a handful of images."""
    disk = tmp_path / "disk"
    disk.mkdir()
    if shutil.which("mount") is None or not mount("-t", "tmpfs", "-o", "size=8m", "eyebolt-test", disk):
        pytest.skip("mounting is not allowed here")
    yield disk
    subprocess.run(["umount", "--recursive", "--lazy", str(disk)], check=False)


def said(daemon, seq, code):
    return daemon.wait_for_log("reply sent", seq=seq, code=code)["message"]


def test_a_full_disk_is_31_until_there_is_room(recorded_cell, start_daemon, small_disk, tmp_path):
    daemon = start_daemon(recorded_cell.station(tmp_path, folder=str(small_disk / "sessions")))
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        assert robot.final(recorded_cell.capture(1))[:3] == (0, 1, 1)
        filler = small_disk / "filler"
        with filler.open("wb", buffering=0) as file, pytest.raises(OSError, match="No space"):
            while True:
                file.write(b"x" * 4096)
        assert robot.final(recorded_cell.capture(2))[:3] == (31, 2, 1)
        assert os.strerror(errno.ENOSPC) in said(daemon, 2, 31)
        # Nothing was taken: not the pair, not the number, not a file.
        assert robot.ask("status 3")[:3] == (0, 3, 1)
        (session,) = list_sessions(small_disk / "sessions")
        assert [p.name for p in (session / "images").iterdir()] == ["0000.tif"]
        filler.unlink()
        assert robot.final(recorded_cell.capture(2, 2))[:3] == (0, 2, 2)
    daemon.kill()
    daemon = start_daemon(tmp_path / "station.toml")
    assert not daemon.log("journal tail was damaged")
    with Robot(daemon.port) as robot:
        assert robot.ask("hello 0")[2:] == (2, 2)


def test_a_folder_that_turns_read_only_is_31_until_it_is_writable(
    recorded_cell, start_daemon, small_disk, tmp_path, eyebolt
):
    station = recorded_cell.station(tmp_path, folder=str(small_disk / "sessions"))
    daemon = start_daemon(station)
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        assert robot.final(recorded_cell.capture(1))[:3] == (0, 1, 1)
        (session,) = list_sessions(small_disk / "sessions")
        images = session / "images"
        # The journal is open for writing, which forbids to make the whole disk read-only: its images alone then.
        assert mount("--bind", images, images) and mount("-o", "remount,bind,ro", images)
        assert robot.final(recorded_cell.capture(2))[:3] == (31, 2, 1)
        assert os.strerror(errno.EROFS) in said(daemon, 2, 31)
        assert robot.ask("status 3")[:3] == (0, 3, 1)
        assert mount("-o", "remount,bind,rw", images)
        assert robot.final(recorded_cell.capture(2, 2))[:3] == (0, 2, 2)
    assert daemon.terminate() == 0
    # A daemon that could record nothing does not begin.
    subprocess.run(["umount", str(images)], check=True)
    assert mount("-o", "remount,ro", small_disk)
    code, _, text = eyebolt("serve", station, "--log", "json")
    assert code == 1 and "(record-write)" in text and os.strerror(errno.EROFS) in text


@pytest.fixture
def bound_by_permissions():
    """Prefix for a command so that permissions apply to it, also for root."""
    if os.geteuid() != 0:
        return ()
    rights = "-dac_override,-dac_read_search"
    words = ("setpriv", f"--bounding-set={rights}", f"--inh-caps={rights}")
    if shutil.which("setpriv") is None or subprocess.run([*words, "true"], check=False).returncode:
        pytest.skip("root is bound by no permission here")
    return words


def test_a_revoked_permission_is_31_until_it_is_restored(recorded_cell, start_daemon, bound_by_permissions, tmp_path):
    daemon = start_daemon(recorded_cell.station(tmp_path), before=bound_by_permissions)
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        assert robot.final(recorded_cell.capture(1))[:3] == (0, 1, 1)
        (session,) = list_sessions(tmp_path / "sessions")
        (session / "images").chmod(0o555)
        assert robot.final(recorded_cell.capture(2))[:3] == (31, 2, 1)
        assert os.strerror(errno.EACCES) in said(daemon, 2, 31)
        (session / "images").chmod(0o755)
        assert robot.final(recorded_cell.capture(2, 2))[:3] == (0, 2, 2)
        (tmp_path / "sessions").chmod(0o555)
        assert robot.final("begin 3")[0] == 31
        (tmp_path / "sessions").chmod(0o755)
        assert robot.final("begin 3")[:2] == (0, 3)


def test_an_image_deleted_on_disk_costs_no_pair(recorded_cell, start_daemon, eyebolt, tmp_path):
    """Pairs rest on the facts; inspection reports the missing image."""
    station = recorded_cell.station(tmp_path)
    daemon = start_daemon(station)
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        for seq in range(1, 6):
            assert robot.final(recorded_cell.capture(seq))[0] <= 9
        (session,) = list_sessions(tmp_path / "sessions")
        (session / "images/0001.tif").unlink()
        assert robot.final(recorded_cell.capture(6))[:3] == (0, 6, 6)
    daemon.kill()
    daemon = start_daemon(station)
    with Robot(daemon.port) as robot:
        assert robot.ask("hello 0")[2:] == (6, 6)
        assert robot.final(recorded_cell.capture(7, 6))[0] <= 9
        # Its number is not used again, so no other image can be taken for it.
        assert not (session / "images/0001.tif").exists()
        assert robot.final("solve 8")[2] == 7
    code, out, _ = eyebolt("inspect", session)
    assert code == 1 and "image 0001.tif is missing" in out.split("DAMAGED:")[1]


def test_an_image_deleted_before_its_detection_is_refused(recorded_cell, start_daemon, tmp_path):
    """The daemon is killed between the fact of the image and the reply, and the image is deleted meanwhile."""
    station = recorded_cell.station(tmp_path)
    daemon = start_daemon(station)
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        assert robot.final(recorded_cell.capture(1))[:3] == (0, 1, 1)
        robot.send(recorded_cell.capture(2))
        (session,) = list_sessions(tmp_path / "sessions")
        journal = session / "facts.journal"
        until(lambda: b'"file":"0001.tif"' in journal.read_bytes(), "the fact of the second image")
        daemon.kill()
    # Whatever came after that fact is what a power cut takes.
    lines = journal.read_bytes().splitlines(keepends=True)
    last = max(k for k, line in enumerate(lines) if b'"file":"0001.tif"' in line)
    journal.write_bytes(b"".join(lines[: last + 1]))
    (session / "images/0001.tif").unlink()
    daemon = start_daemon(station)
    with Robot(daemon.port) as robot:
        assert robot.ask("hello 0")[2] == 1
        assert robot.final("again 2")[:3] == (20, 2, 1)
        assert "0001.tif" in said(daemon, 2, 20)
        assert robot.final(recorded_cell.capture(3, 2))[:3] == (0, 3, 2)


CLOCK = """
import datetime, pathlib
_file = pathlib.Path({file!r})
class _Shifted(datetime.datetime):
    @classmethod
    def now(cls, tz=None):
        return super().now(tz) + datetime.timedelta(hours=float(_file.read_text()))
datetime.datetime = _Shifted
"""


def test_a_wall_clock_set_back_changes_only_the_dates(recorded_cell, start_daemon, tmp_path):
    """The wall clock of the process is shifted; the monotonic one cannot be, on any computer."""
    shift, site = tmp_path / "shift", tmp_path / "site"
    site.mkdir()
    (site / "sitecustomize.py").write_text(CLOCK.format(file=str(shift)))
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(site), os.environ.get("PYTHONPATH", "")])}
    shift.write_text("0")
    station = recorded_cell.station(tmp_path / "cell")
    daemon = start_daemon(station, environment=environment)
    with Robot(daemon.port) as robot:
        robot.say("hello 0")
        assert robot.final(recorded_cell.capture(1))[:3] == (0, 1, 1)
        shift.write_text("-1")
        assert robot.final(recorded_cell.capture(2))[:3] == (0, 2, 2)
        assert robot.final(recorded_cell.capture(2))[:3] == (0, 2, 2)
        assert robot.final("begin 3")[:2] == (0, 3)
        assert robot.final(recorded_cell.capture(4, 2))[:3] == (0, 4, 1)
    older, newer = list_sessions(tmp_path / "cell/sessions")
    assert newer.name[:15] == older.name[:15] and newer.name[-2:] == "02"
    walls = [
        line.split(b'"timestamp":"')[1][:20]
        for line in (older / "facts.journal").read_bytes().splitlines()
        if b'"timestamp"' in line
    ]
    assert walls[-1] < walls[0], "the clock was not set back: this test shows nothing"
    daemon.kill()
    daemon = start_daemon(station, environment=environment)
    with Robot(daemon.port) as robot:
        # The newest session is the one begun last, whatever its date.
        assert robot.ask("hello 0")[2:] == (1, 4)
