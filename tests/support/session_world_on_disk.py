"""The session's world with real session folders, on a disk that may refuse writes or lose power.

``Witness`` notes what was acknowledged and what else may be on the disk, and compares a disk with that.
"""

from __future__ import annotations

import contextlib
import errno
import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from random import Random
from typing import Any

import numpy as np

from eyebolt.errors import RecordFault
from eyebolt.planning.stopping import Goal
from eyebolt.protocol.requests import is_same_line
from eyebolt.session import messages as msg
from eyebolt.session.facts import Fact, ReplyFact, decode_facts, encode_fact
from eyebolt.session.session_log import fold
from eyebolt.session.state import State
from eyebolt.session.step import resume
from eyebolt.store.filesystem import write_atomically
from eyebolt.store.names import RESULT_NAME, list_sessions, session_name
from eyebolt.store.session_folder import SessionFolder
from eyebolt.store.verify import find_damage
from support.crash_disk import CrashDisk, PowerCut
from support.recorded_facts import images_of
from support.session_world import World, capture, check, config, pose_text, touch

KEEPSAKES = {"station.toml": b'[station]\nname = "bay-3"\n' * 40, "camera.json": b"{}"}
RECORD = "cell/sessions"
WALL = datetime(2026, 3, 14, 9, 15)
# Of a hundred lines.
SHARES = {"capture": 60, "check": 6, "place": 5, "touch": 5, "undo": 6, "solve": 4, "bye": 1, "begin": 2} | {
    "again": 5,
    "same": 6,
}


@dataclass
class Kept:
    """Of one session: acknowledged facts and those that may follow; the result, and those attempted since."""

    facts: list[bytes] = field(default_factory=list)
    under_way: list[bytes] = field(default_factory=list)
    results: list[str | None] = field(default_factory=lambda: [None])


@dataclass
class Witness:
    """``sessions`` by name. ``opening``: first records of a session that may or may not be on the disk."""

    sessions: dict[str, Kept] = field(default_factory=dict)
    opening: dict[str, list[bytes]] = field(default_factory=dict)
    told: list[tuple[str, int, str, int, int, int]] = field(default_factory=list)

    def check(self, root: Path, files: CrashDisk | None = None) -> None:
        """The disk holds everything acknowledged, and otherwise a prefix of what was written."""
        found = {path.name: path for path in list_sessions(root / RECORD)}
        assert set(self.sessions) <= set(found), "a session is gone"
        assert set(found) <= set(self.sessions) | set(self.opening), "a session that was never begun"
        answers = {}
        for name, path in found.items():
            with SessionFolder.open(path, files=files) as folder:
                records, damage = folder.records, find_damage(folder, KEEPSAKES, images_of(folder.records))
            assert damage == ([] if folder.loss is None else [f"the journal: {folder.loss}"])
            kept = self.sessions.get(name)
            if kept is None:
                assert records == self.opening[name]
                continue
            sure = len(kept.facts)
            assert records[:sure] == kept.facts, f"{sure} facts were acknowledged, {len(records)} are there"
            assert records[sure:] == kept.under_way[: len(records) - sure], "a record that was never written"
            log = fold(decode_facts(records))
            assert log is not None
            answers[name] = log.replies
            result = path / RESULT_NAME
            there = result.read_text() if result.exists() else None
            assert there in kept.results, "a result that was never written, or half of one"
        for name, seq, text, code, count, aux in self.told:
            stands = answers[name][seq]
            assert (stands.request.line, stands.code, stands.count, stands.aux) == (text, code, count, aux)

    def begin_again(self, root: Path) -> None:
        """What a power cut left under ``root`` counts from now on."""
        for path in list_sessions(root / RECORD):
            kept = self.sessions.setdefault(path.name, Kept())
            kept.facts, kept.under_way = SessionFolder.open_read_only(path).records, []
            result = path / RESULT_NAME
            kept.results = [result.read_text() if result.exists() else None]
        self.opening = {}


class DiskWorld(World):
    """A daemon with its record on ``files``, a disk that is empty or was recovered."""

    def __init__(self, files: CrashDisk, witness: Witness) -> None:
        super().__init__(config(goal=Goal(0.5, min_pairs=3, max_pairs=30)))
        self.files = files
        self.witness = witness
        self.folder: SessionFolder | None = None
        self.results_lost = 0
        self.recover()

    def recover(self) -> None:
        """Starts as a daemon does."""
        if self.folder is not None:
            self.folder.close()
        sessions = list_sessions(self.files.root / RECORD)
        self.folder = SessionFolder.open(sessions[-1], files=self.files) if sessions else None
        self.held, self.wakes = [], []
        for connection in self.connections.values():
            self._forget(connection)
        self.state, commands = resume(replace(State(self.state.config), log=fold(self.facts)))
        for command in commands:
            self.carry_out(command)

    @property
    def facts(self) -> list[Fact]:
        return [] if self.folder is None else decode_facts(self.folder.records)

    @property
    def kept(self) -> Kept:
        return self.witness.sessions[self.opened.path.name]

    @property
    def opened(self) -> SessionFolder:
        """The folder of the session in progress."""
        assert self.folder is not None, "no session is open"
        return self.folder

    def write_result(self, command: msg.WriteResult) -> None:
        self._write_result()
        super().write_result(command)

    def _on_disk(self, command: Any) -> Any:
        try:
            if isinstance(command, msg.OpenSession):
                return self._open_session(command)
            if isinstance(command, msg.StoreImage):
                return self._store(command)
            facts = [encode_fact(fact) for fact in command.facts]
            self.kept.under_way = facts
            self.opened.append(facts)
            self.kept.facts, self.kept.under_way = [*self.kept.facts, *facts], []
            return msg.FactsRecorded(command.task)
        except RecordFault as fault:
            self.failed_writes.append(command)
            return msg.WriteFailed(command.task, fault.message)

    def _open_session(self, command: msg.OpenSession) -> Any:
        record = self.files.root / RECORD
        name = session_name(WALL, [*(path.name for path in list_sessions(record)), *self.witness.opening])
        fact = command.first_fact(name)
        first = [encode_fact(fact)]
        self.witness.opening[name] = first
        folder = SessionFolder.create(record, name, KEEPSAKES, self.files, first)
        if self.folder is not None:
            self.folder.close()
        self.folder = folder
        del self.witness.opening[name]
        self.witness.sessions[name] = Kept(first)
        return msg.SessionOpened(command.task, fact)

    def _store(self, command: msg.StoreImage) -> Any:
        pixels = np.random.default_rng(len(self.done)).integers(0, 256, (90, 120), dtype=np.uint8)
        stored = self.opened.store_image(command.name, pixels)
        return msg.ImageStored(command.task, stored.digest_sha256)

    def _write_result(self) -> None:
        """A result that cannot be written fails no request."""
        text = json.dumps({"made": len(self.done), "filler": "x" * 5000})
        self.kept.results.append(text)
        try:
            write_atomically(self.files, self.opened.path / RESULT_NAME, text.encode())
        except OSError:
            self.results_lost += 1
            return
        self.kept.results = [text]

    def send_reply(self, command: msg.SendReply) -> None:
        request, reply = self.is_recorded.get(command.caller), command.reply
        super().send_reply(command)
        stands = [f for f in self.facts_of(ReplyFact) if f.request.seq == reply.seq]
        if (
            request is not None
            and stands
            and is_same_line(request.text, stands[-1].request.line)
            and reply.code not in (10, 31, 45, 47)
        ):
            name = self.opened.path.name
            self.witness.told.append((name, reply.seq, stands[-1].request.line, reply.code, reply.count, reply.aux))


def random_lines(random: Random, requests: int) -> list[str]:
    """Lines of a robot in a session, some of them wrong."""
    lines: list[str] = []
    for seq in range(1, requests + 1):
        match random.choices(list(SHARES), list(SHARES.values()))[0]:
            case "capture":
                lines.append(capture(seq, random.randrange(30)))
            case "check":
                lines.append(check(seq, random.randrange(30)))
            case "place":
                lines.append(f"place {seq} {pose_text(seq)}")
            case "touch":
                lines.append(touch(seq, random.randrange(20)))
            case "again":
                lines.append(f"again {random.randrange(seq + 1)}")
            case "same" if lines:
                lines.append(random.choice(lines))
            case verb:
                lines.append(f"{verb} {seq}")
    return lines


class Crashing:
    """A random session of ``requests`` lines, from ``seed``; at every sync a power cut is simulated.

    What each cut left is recovered, with further cuts at every sync of the recovery, and compared with the witness. A
    few of the cuts are real: the session goes on from what was recovered. With ``faults`` a call now and then fails.
    """

    def __init__(self, place: Path, seed: int, requests: int, faults: bool) -> None:
        self.place = place
        self.cuts = 0
        self.witness = Witness()
        self._random = Random(seed)
        self._faults = faults
        root = place / "life-0"
        root.mkdir()
        self._disk = self._disk_on(root, self._at_sync)
        lines = random_lines(self._random, requests)
        lives = 0
        while lines:
            try:
                self._live(lines)
            except PowerCut:
                lives += 1
                root = place / f"life-{lives}"
                self._disk.after_power_cut(root, self._random)
                self.witness.check(root)
                self.witness.begin_again(root)
                self._disk = self._disk_on(root, self._at_sync)
        self._check_a_cut(self._disk)

    def _disk_on(self, root: Path, at_sync: Callable[[int], None]) -> CrashDisk:
        disk = CrashDisk(root, self._random)
        disk.at_sync = at_sync
        if self._faults:
            disk.fails = lambda number, call: errno.EIO if self._random.random() < 0.01 else None
        return disk

    def _live(self, lines: list[str]) -> None:
        """Until all lines are sent, or the power is cut; the line in progress is then sent again."""
        world = None
        while world is None:
            # A daemon that cannot recover its record does not start.
            with contextlib.suppress(RecordFault):
                world = DiskWorld(self._disk, self.witness)
        robot = world.connect()
        while lines:
            world.say(robot, lines[0])
            lines.pop(0)
            if self._random.random() < 0.05:
                # Killed without a power cut.
                with contextlib.suppress(RecordFault):
                    world.recover()
                robot = world.connect()

    def _at_sync(self, number: int) -> None:
        self._check_a_cut(self._disk)
        if self._random.random() < 0.01:
            raise PowerCut

    def _check_a_cut(self, disk: CrashDisk) -> None:
        self.cuts += 1
        left, again = self.place / "left", self.place / "left-again"
        disk.after_power_cut(left, self._random)
        recovering = CrashDisk(left, self._random)

        def cut_the_recovery(number: int) -> None:
            recovering.after_power_cut(again, self._random)
            self.witness.check(again)
            shutil.rmtree(again)

        recovering.at_sync = cut_the_recovery
        self.witness.check(left, recovering)
        # The recovered session is intact and can be continued.
        for path in list_sessions(left / RECORD)[-1:]:
            with SessionFolder.open(path) as folder:
                assert folder.loss is None
                folder.append([b'{"type":"further"}'])
                records = folder.records
            assert SessionFolder.open_read_only(path).records == records
        shutil.rmtree(left)
