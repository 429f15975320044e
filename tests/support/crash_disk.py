"""A disk that loses what nobody had synced, in every way that a disk may.

``CrashDisk`` carries out the file layer's calls on real files, and keeps beside them what a power cut would leave:

- a file's content is safe only after its ``sync``; until then each sector of each write may be there, be lost, or be
  torn, in any order. A torn sector is torn as a whole, whatever else stands in it. The length may have grown without
  the content;
- a name is safe only after the ``sync_folder`` of its folder; until then each of making, renaming and removing may have
  happened or not, in any order. Renaming within one folder happens whole or not at all;
- after a sync that failed, what it was about may be there or not, and no later sync brings it back (kernels call such
  pages clean). Only writing it again does.

Sectors of 4096 bytes: what disks write in one piece today (Advanced Format), and the page of the kernel. From common
practice, no source.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

from eyebolt.store.filesystem import FileSystem

SECTOR = 4096
CALLS = [name for name in vars(FileSystem) if not name.startswith("_")]


class PowerCut(BaseException):
    """Not an Exception: nothing on the way may handle it."""


@dataclass(eq=False)
class SafeFile:
    """``safe``: what a power cut leaves for sure. ``fresh``: writes and truncations (``data`` None) since."""

    safe: bytearray = field(default_factory=bytearray)
    fresh: list[tuple[int, bytes | None]] = field(default_factory=list)


@dataclass(eq=False)
class SafeFolder:
    """``now``: the names as every process sees them. ``fresh``: changes since the last sync; None: no such name."""

    now: dict[str, SafeFile | SafeFolder] = field(default_factory=dict)
    safe: dict[str, SafeFile | SafeFolder] = field(default_factory=dict)
    fresh: list[dict[str, SafeFile | SafeFolder | None]] = field(default_factory=list)

    def change(self, names: dict[str, SafeFile | SafeFolder | None]) -> None:
        self.fresh.append(names)
        _rename(self.now, names)


class CrashDisk(FileSystem):
    """Everything under ``root``, which must be a folder; what is there already is safe.

    ``fails(number, call)``: the errno with which this call fails, or None; a write that fails leaves a half behind.
    ``at_sync(number)`` is called before each of the two syncs takes effect, numbered from 0; it may raise PowerCut.
    """

    def __init__(self, root: Path, random: Random) -> None:
        # Images pass by the cache, as large ones do.
        super().__init__(direct_min_bytes=8192)
        self.root = root
        self.calls: list[str] = []
        self.syncs = 0
        self.fails: Callable[[int, str], int | None] = lambda number, call: None
        self.at_sync: Callable[[int], None] = lambda number: None
        self._random = random
        self._top = _read(root)
        self._open: dict[int, SafeFile] = {}
        for call in CALLS:
            setattr(self, call, self._counted(call, getattr(self, call)))

    def _counted(self, call: str, carry_out: Callable[..., Any]) -> Callable[..., Any]:
        def counted(*arguments: Any) -> Any:
            self.calls.append(call)
            if call in ("sync", "sync_folder"):
                self.syncs += 1
                self.at_sync(self.syncs - 1)
            error = self.fails(len(self.calls) - 1, call)
            if error is None:
                return carry_out(*arguments)
            self._fail_half_way(call, carry_out, arguments)
            raise OSError(error, os.strerror(error))

        return counted

    def _fail_half_way(self, call: str, carry_out: Callable[..., Any], arguments: tuple[Any, ...]) -> None:
        if call == "write":
            descriptor, data, offset = arguments
            carry_out(descriptor, data[: len(data) // 2], offset)
        elif call == "close":
            carry_out(*arguments)
        elif call == "sync":
            file = self._open[arguments[0]]
            file.safe, file.fresh = _after_power_cut(file, self._random), []
        elif call == "sync_folder":
            folder = self._folder(arguments[0])
            folder.safe, folder.fresh = _names_after_power_cut(folder, self._random), []

    def make_folder(self, path: Path) -> None:
        super().make_folder(path)
        self._folder(path.parent).change({path.name: SafeFolder()})

    def create(self, path: Path) -> int:
        descriptor = super().create(path)
        folder = self._folder(path.parent)
        file = folder.now.get(path.name)
        if not isinstance(file, SafeFile):
            file = SafeFile()
            folder.change({path.name: file})
        file.fresh.append((0, None))
        self._open[descriptor] = file
        return descriptor

    def open_existing(self, path: Path) -> int:
        descriptor = super().open_existing(path)
        file = self._folder(path.parent).now[path.name]
        assert isinstance(file, SafeFile)
        self._open[descriptor] = file
        return descriptor

    def write(self, descriptor: int, data: bytes, offset: int) -> None:
        super().write(descriptor, data, offset)
        self._open[descriptor].fresh.append((offset, bytes(data)))

    def truncate(self, descriptor: int, length: int) -> None:
        super().truncate(descriptor, length)
        self._open[descriptor].fresh.append((length, None))

    def sync(self, descriptor: int) -> None:
        file = self._open[descriptor]
        for offset, data in file.fresh:
            _apply(file.safe, offset, data)
        file.fresh = []

    def sync_folder(self, path: Path) -> None:
        folder = self._folder(path)
        for names in folder.fresh:
            _rename(folder.safe, names)
        folder.fresh = []

    def replace(self, old: Path, new: Path) -> None:
        assert old.parent == new.parent, "a name that wanders between folders is not simulated"
        super().replace(old, new)
        folder = self._folder(old.parent)
        folder.change({old.name: None, new.name: folder.now[old.name]})

    def remove(self, path: Path) -> None:
        super().remove(path)
        self._folder(path.parent).change({path.name: None})

    def close(self, descriptor: int) -> None:
        super().close(descriptor)
        self._open.pop(descriptor)

    def after_power_cut(self, place: Path, random: Random) -> None:
        """Makes ``place`` with what the disk may hold if the power goes now; the choice is ``random``'s."""
        _write(self._top, place, random)

    def _folder(self, path: Path) -> SafeFolder:
        folder = self._top
        for name in path.relative_to(self.root).parts:
            found = folder.now[name]
            assert isinstance(found, SafeFolder)
            folder = found
        return folder


def _read(path: Path) -> SafeFolder:
    found = SafeFolder()
    for entry in path.iterdir():
        found.now[entry.name] = _read(entry) if entry.is_dir() else SafeFile(bytearray(entry.read_bytes()))
    found.safe = dict(found.now)
    return found


def _write(folder: SafeFolder, place: Path, random: Random) -> None:
    place.mkdir()
    for name, entry in _names_after_power_cut(folder, random).items():
        if isinstance(entry, SafeFile):
            (place / name).write_bytes(_after_power_cut(entry, random))
        else:
            _write(entry, place / name, random)


def _rename(names: dict[str, SafeFile | SafeFolder], changes: dict[str, SafeFile | SafeFolder | None]) -> None:
    for name, entry in changes.items():
        if entry is None:
            names.pop(name, None)
        else:
            names[name] = entry


def _names_after_power_cut(folder: SafeFolder, random: Random) -> dict[str, SafeFile | SafeFolder]:
    names = dict(folder.safe)
    for changes in folder.fresh:
        if random.random() < 0.5:
            _rename(names, changes)
    return names


def _apply(content: bytearray, offset: int, data: bytes | None) -> None:
    if data is None:
        del content[offset:]
        return
    content.extend(bytes(max(0, offset - len(content))))
    content[offset : offset + len(data)] = data


def _after_power_cut(file: SafeFile, random: Random) -> bytearray:
    content = bytearray(file.safe)
    # Mostly written, mostly lost, mostly torn, or anything: what is rare in one cut is common in another.
    weights = random.choice([(6, 1, 1), (1, 6, 1), (1, 1, 6), (1, 1, 1)])
    for offset, data in file.fresh:
        if data is None:
            if random.random() < 0.5:
                _apply(content, offset, None)
            continue
        for begin, end in _sectors(offset, offset + len(data)):
            piece = data[begin - offset : end - offset]
            match random.choices(("written", "lost", "torn"), weights)[0]:
                case "written":
                    _apply(content, begin, piece)
                case "torn":
                    _tear(content, begin, piece, random)
        if random.random() < 0.25:
            content.extend(bytes(max(0, offset + len(data) - len(content))))
    return content


def _sectors(begin: int, end: int) -> list[tuple[int, int]]:
    inner = range((begin // SECTOR + 1) * SECTOR, end, SECTOR)
    edges = [begin, *inner, end]
    return list(pairwise(edges)) if end > begin else []


def _tear(content: bytearray, begin: int, piece: bytes, random: Random) -> None:
    """The sector of ``piece`` after a write that did not come to its end."""
    first = begin - begin % SECTOR
    whole = bytearray(content[first : first + SECTOR])
    if random.random() < 0.5:
        # Up to some byte the new, from there on the old.
        _apply(whole, begin - first, piece[: random.randrange(len(piece) + 1)])
    else:
        # Garbage, anywhere in it.
        _apply(whole, begin - first, piece)
        spoilt, until = sorted((random.randrange(len(whole)), random.randrange(len(whole) + 1)))
        whole[spoilt:until] = random.randbytes(until - spoilt)
    _apply(content, first, bytes(whole))
