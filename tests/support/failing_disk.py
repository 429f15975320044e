"""One session, in which one call of the file layer fails once: each call in turn."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path
from random import Random

from eyebolt.errors import RecordFault
from eyebolt.session import messages as msg
from eyebolt.session.facts import NextViewFact, SolveFact
from support.crash_disk import CrashDisk
from support.session_world import capture, check, touch
from support.session_world_on_disk import DiskWorld, Witness

ERRORS = (errno.ENOSPC, errno.EIO, errno.EROFS)
RESTART = "restart"
SCRIPT = (
    "begin 1",
    *(capture(seq) for seq in range(2, 6)),
    check(6, 7),
    "place 7",
    touch(8, 3),
    "undo 9",
    RESTART,
    capture(10),
    "solve 11",
    "bye 12",
    "begin 13",
    capture(14),
)


def each_call_fails_once(place: Path, every: int) -> int:
    """Plays the session for each of its calls and each error, or for one in ``every`` of those; how many plays it were.

    Whatever failed: the request under way was answered 31 if it needed that call, and costs nothing but being said
    again; all replies are those of a sound disk; and a power cut right after that answer takes nothing acknowledged.
    """
    sound, world = _play(place, None, 0)
    calls = len(world.files.calls)
    assert calls > 150
    plays = [(number, error) for number in range(calls) for error in ERRORS][::every]
    for number, error in plays:
        replies, failing = _play(place, number, error)
        assert replies == sound, (number, failing.files.calls[number], os.strerror(error))
    return len(plays)


def _play(place: Path, number: int | None, error: int) -> tuple[list[str], DiskWorld]:
    root = place / "disk"
    root.mkdir()
    disk, witness = CrashDisk(root, Random(f"{number} {error}")), Witness()
    disk.fails = lambda made, call: error if made == number else None
    world, replies = DiskWorld(disk, witness), []
    robot = world.connect()
    for line in SCRIPT:
        before = len(disk.calls)
        if line == RESTART:
            _restart(world)
            robot = world.connect()
            continue
        lost = len(world.failed_writes), world.results_lost
        reply = world.say(robot, line)
        if number is not None and before <= number < len(disk.calls):
            needed = [command for command in world.failed_writes[lost[0] :] if not _is_behind(command)]
            told = len(world.failed_writes) - lost[0] + world.results_lost - lost[1]
            assert told == 1 or disk.calls[number] == "close", f"{disk.calls[number]} failed and nobody noticed"
            assert reply.startswith("31,") == bool(needed), f"{line!r} was answered {reply}"
            _cut(disk, witness, place)
            if needed:
                reply = world.say(robot, line)
        replies.append(reply)
    _cut(disk, witness, place)
    if world.folder is not None:
        world.folder.close()
    shutil.rmtree(root)
    return replies, world


def _restart(world: DiskWorld) -> None:
    try:
        world.recover()
    except RecordFault:
        # The daemon did not start, and says why; the next start is a good one.
        world.recover()


def _is_behind(command: msg.Command) -> bool:
    """Whether it is carried out after the answer of its request."""
    return isinstance(command, msg.RecordFacts) and isinstance(command.facts[-1], SolveFact | NextViewFact)


def _cut(disk: CrashDisk, witness: Witness, place: Path) -> None:
    disk.after_power_cut(place / "left", Random(len(disk.calls)))
    witness.check(place / "left")
    shutil.rmtree(place / "left")
