"""A page of commands and their output, executed as a reader would: every ``sh`` block in order, in one folder.

A ``text`` block is the output of the ``sh`` block before it. ``<!-- terminal -->`` before an ``sh`` block: it is typed
in another terminal, where it runs until the end. ``<!-- may warn -->``: exit code 3 is as good as 0. No other block is
allowed, so that nothing is shown that does not run.

What is compared is masked on both sides, since it differs from run to run: a number, with its sign, decimals, and the
punctuation of a date, is ``#``; the folder before ``bay-#`` is left out; blanks count as one. A line ``...`` in the
page stands for any number of lines. Lines with which a robot program waits on a slow computer (``again``) are left out.
The ports of the page are replaced by free ones, in commands and in station files.
"""

from __future__ import annotations

import contextlib
import re
import signal
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO

from support.daemon_process import free_ports, until
from support.processes import LIMIT_S, end, wait_for_exit
from support.warm_start import start_warm

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "service" / "TUTORIAL.md"
_PORTS = (4750, 4751, 4752, 4753, 4760)
_PROGRAMS = {"eyebolt": "eyebolt.cli.main", "eyebolt-sim": "eyebolt_sim"}
_TERMINAL, _MAY_WARN = "<!-- terminal -->", "<!-- may warn -->"
# Of `eyebolt doctor`.
_WARNINGS = 3
_NUMBER = re.compile(r"(?<![#\w])[-+]?\d[\d.,:/TZ-]*|\d+")


@dataclass(frozen=True)
class Block:
    """An ``sh`` block of a page."""

    line: int
    """of the page, from 1 on, where it begins"""
    commands: tuple[str, ...]
    """whole lines: those that end in a backslash are joined"""
    in_other_terminal: bool = False
    """whether it runs until the end"""
    may_warn: bool = False
    """whether exit code 3 is as good as 0"""
    output: tuple[str, ...] | None = None
    """the output that the page shows; None if it shows none"""


def blocks_of(page: str) -> list[Block]:
    """The blocks of a page. Raises AssertionError for one that would not be run, or not be compared."""
    found: list[Block] = []
    lines = page.splitlines()
    number, mark = 0, ""
    while number < len(lines):
        line = lines[number]
        number += 1
        if line in (_TERMINAL, _MAY_WARN):
            mark = line
            continue
        if not line.startswith("```"):
            assert not line.startswith(("    ", "\t", "~~~")), f"line {number} is a block that is not run"
            assert not line.strip() or not mark, f"line {number}: {mark} stands before a block"
            continue
        kind, start = line[3:], number
        while lines[number] != "```":
            number += 1
        content, number = lines[start:number], number + 1
        if kind == "text":
            assert found, f"line {start}: output of nothing"
            assert found[-1].output is None, f"line {start}: a second output of one block"
            found[-1] = replace(found[-1], output=tuple(content))
            continue
        assert kind == "sh", f"line {start}: a block of {kind or 'no language'} is not run"
        commands = "\n".join(content).replace("\\\n", "").splitlines()
        found.append(Block(start, tuple(commands), mark == _TERMINAL, mark == _MAY_WARN))
        mark = ""
    return found


def masked(line: str) -> str:
    """``line`` without what differs from run to run."""
    line = re.sub(r"\S*/(?=bay-\d)", "", line)
    return " ".join(_NUMBER.sub("#", line).split())


def differences(shown: Sequence[str], printed: Sequence[str]) -> str:
    """The first difference between output as the page shows it and as it was printed; empty if there is none."""
    pattern = "".join(r"(?:.*\n)*" if line == "..." else re.escape(masked(line)) + r"\n" for line in shown)
    text = "".join(f"{masked(line)}\n" for line in printed if not line.startswith("  again "))
    if re.fullmatch(pattern, text):
        return ""
    return "\n".join(["the page shows", *shown, "and this was printed", *printed])


class Reader:
    """Somebody who types the blocks of a page, in the folder ``folder``; a context manager.

    ``warm``: commands of the project share the import of their modules (`warm_start`), and of a block only these are
    not run by the shell. Else the shell runs every block as it stands.
    """

    def __init__(self, folder: Path, warm: bool) -> None:
        self.folder, self._warm = folder, warm
        ports = free_ports(len(_PORTS))
        self._ports = {f":{known}": f":{free}" for known, free in zip(_PORTS, ports, strict=True)}
        self._running: list[tuple[str, subprocess.Popen[bytes]]] = []
        (folder / "robot_scripts").symlink_to(ROOT / "robot_scripts")
        programs = folder / ".bin"
        programs.mkdir()
        for name, module in {**_PROGRAMS, "python": ""}.items():
            script = programs / name
            script.write_text(f'#!/bin/sh\nexec "{sys.executable}" {f"-m {module}" if module else ""} "$@"\n')
            script.chmod(0o755)
        self._shell = ["bash", "-c", f'PATH="{programs}:$PATH"; set -euo pipefail; eval "$1"', "bash"]

    def __enter__(self) -> Reader:
        return self

    def __exit__(self, *_: object) -> None:
        for running in self._running:
            end(running[1])

    def type(self, block: Block) -> str:
        """Types a block; the first difference to what the page shows, empty if there is none."""
        commands = [self._with_free_ports(command) for command in block.commands]
        shown = [self._with_free_ports(line) for line in block.output or ()]
        log = self.folder / f".block-{block.line:04d}"
        if block.in_other_terminal:
            with log.open("wb") as output:
                self._running.append((commands[0], self._start(commands[0], output)))
            return self._differences_of_other_terminal(block, log, shown)
        with log.open("wb") as output:
            for command in commands:
                process = self._start(command, output)
                code = wait_for_exit(process, LIMIT_S)
                if code != 0 and not (block.may_warn and code == _WARNINGS):
                    return f"exit code {code} of {command}\n{log.read_text()}"
        self._use_free_ports()
        printed = log.read_text().splitlines()
        return "" if block.output is None and not printed else differences(shown, printed)

    def end(self) -> str:
        """Ctrl-C in the other terminals; which of them did not end well, empty if all did."""
        ill = []
        for command, process in self._running:
            if process.poll() is not None:
                ill.append(f"{command} ended early, with {process.returncode}")
                continue
            process.send_signal(signal.SIGINT)
            code = wait_for_exit(process, LIMIT_S)
            if code not in (0, 130):
                ill.append(f"{command} ended with {code} after Ctrl-C")
        return "\n".join(ill)

    def _differences_of_other_terminal(self, block: Block, log: Path, shown: list[str]) -> str:
        command, process = self._running[-1]
        wanted = len(shown) or 1
        until(
            lambda: len(log.read_bytes().splitlines()) >= wanted,
            f"{wanted} lines of {command}",
            process=process,
        )
        return differences(shown, log.read_text().splitlines()[:wanted]) if shown else ""

    def _start(self, command: str, output: BinaryIO) -> subprocess.Popen[bytes]:
        program = command.split()[0]
        if self._warm and program in _PROGRAMS:
            words = subprocess.run(
                [*self._shell, f"printf '%s\\0' {command}"], cwd=self.folder, capture_output=True, check=True
            ).stdout
            arguments = [word.decode() for word in words.split(b"\0")[1:-1]]
            with contextlib.chdir(self.folder):
                warm = start_warm(arguments, output, _PROGRAMS[program], output)
            if warm is not None:
                return warm
        # In a session of its own, it is the shell's child that Ctrl-C has to reach.
        replaced = f"exec {command}" if program in _PROGRAMS else command
        return subprocess.Popen(
            [*self._shell, replaced], cwd=self.folder, stdout=output, stderr=output, stdin=subprocess.DEVNULL
        )

    def _with_free_ports(self, text: str) -> str:
        for known, free in self._ports.items():
            text = text.replace(known, free)
        return text

    def _use_free_ports(self) -> None:
        """In every station file that was written."""
        for station_file in self.folder.glob("*/*.toml"):
            text = station_file.read_text()
            if text != self._with_free_ports(text):
                station_file.write_text(self._with_free_ports(text))
