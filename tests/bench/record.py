"""The figures of a bench: printed as tables and, with ``--record``, written to ``tests/bench/results/NAME.json``.

A file holds the command, date, commit and machine beside the tables; the pages' tables are generated from the files.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import shlex
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any, NamedTuple

RESULTS = Path(__file__).resolve().parent / "results"
SCHEMA = 1
_LIBRARIES = ("numpy", "scipy", "opencv-python")
# Beyond what any standard error here resolves.
_DIGITS = 6


class Figure(NamedTuple):
    """A figure and its standard error over the seeds."""

    value: float
    error: float

    def text(self, digits: int = 3) -> str:
        """``1.013 +-0.012``"""
        return f"{self.value:.{digits}f} +-{self.error:.{digits}f}"


@dataclass
class Recording:
    """The tables of one section of a bench, and the circumstances of its run."""

    name: str
    """``BENCH`` or ``BENCH.SECTION``; the name of the file"""
    tables: list[dict[str, Any]] = field(default_factory=list)
    """title, columns, rows, notes of each"""
    begun: float = field(default_factory=time.monotonic)
    """monotonic clock at the start, s"""
    load: float = field(default_factory=lambda: os.getloadavg()[0])
    """average number of runnable threads in the minute before the start"""

    def document(self) -> dict[str, Any]:
        """The content of the file."""
        return {
            "schema": SCHEMA,
            "bench": self.name,
            "command": command(self.name),
            "date": datetime.now(UTC).date().isoformat(),
            "duration_s": round(time.monotonic() - self.begun),
            **commit(),
            "machine": machine() | {"load_before": round(self.load, 1)},
            "tables": self.tables,
        }


_current: Recording | None = None


@contextmanager
def recording(name: str, write: bool) -> Iterator[None]:
    """Collects the tables made inside under ``name``; with ``write`` its file is written unless the bench failed."""
    global _current
    _current = Recording(name)
    try:
        yield
        if write:
            RESULTS.mkdir(exist_ok=True)
            path = RESULTS / f"{name}.json"
            path.write_text(json.dumps(_current.document(), indent=1) + "\n", encoding="utf-8")
            print(f"recorded in tests/bench/results/{path.name}", file=sys.stderr)
    finally:
        _current = None


def add_option(parser: argparse.ArgumentParser) -> None:
    """The option ``--record``, the same for every bench."""
    parser.add_argument("--record", action="store_true", help=f"write the figures to tests/bench/{RESULTS.name}")


class Table:
    """Rows of fixed width, printed as they come and noted in the current recording. ``columns``: (title, width)."""

    def __init__(self, title: str, *columns: tuple[str, int]) -> None:
        self.widths = [width for _, width in columns]
        self._noted: dict[str, Any] = {
            "title": title,
            "columns": [name for name, _ in columns],
            "rows": [],
            "notes": [],
        }
        if _current is not None:
            _current.tables.append(self._noted)
        print(f"\n{title}")
        self._print([name for name, _ in columns])

    def row(self, *cells: object) -> None:
        """One row; figures with three digits, floats with as many as their size asks for."""
        self._noted["rows"].append([_plain(cell) for cell in cells])
        self._print([_text(cell) for cell in cells])

    def note(self, text: str) -> None:
        """A line below the table."""
        self._noted["notes"].append(text)
        print(text, flush=True)

    def _print(self, words: list[str]) -> None:
        print("  ".join(f"{w:>{n}}" for w, n in zip(words, self.widths, strict=True)).rstrip(), flush=True)


def _plain(cell: object) -> object:
    """A cell as JSON has it; NaN is null."""
    if isinstance(cell, Figure):
        return {"value": _plain(cell.value), "error": _plain(cell.error)}
    if hasattr(cell, "item"):
        cell = cell.item()
    if isinstance(cell, float):
        return float(f"{cell:.{_DIGITS}g}") if math.isfinite(cell) else None
    return cell if isinstance(cell, int | str) or cell is None else str(cell)


def _text(cell: object) -> str:
    if isinstance(cell, Figure):
        return cell.text()
    if hasattr(cell, "item"):
        cell = cell.item()
    if isinstance(cell, float):
        return f"{cell:.0f}" if abs(cell) >= 1000 else f"{cell:.1f}" if abs(cell) >= 10 else f"{cell:.3f}"
    return str(cell)


def command(name: str) -> str:
    """The command that runs this bench again, without ``--record``."""
    words = [word for word in sys.argv[1:] if word != "--record"]
    return shlex.join(["python", "-m", f"bench.{name.split('.')[0]}", *words])


def commit() -> dict[str, Any]:
    """The commit of the tree that was measured, and whether the tree differed from it."""

    def git(*words: str) -> str | None:
        try:
            done = subprocess.run(
                ["git", "-c", "safe.directory=*", *words],
                cwd=RESULTS.parent,
                capture_output=True,
                text=True,
                check=False,
            )
        except OSError:
            return None
        return done.stdout.strip() if done.returncode == 0 else None

    # Results that were just recorded are no change of what is measured.
    changes = git("status", "--porcelain", "--", ":/", f":(exclude,top)tests/bench/{RESULTS.name}")
    return {
        "commit": git("rev-parse", "--short=12", "HEAD"),
        "uncommitted_changes": None if changes is None else bool(changes),
    }


def machine() -> dict[str, Any]:
    """Processor, memory, and the versions of what computes."""
    cpu_lines = _lines("/proc/cpuinfo", "model name")
    memory_lines = _lines("/proc/meminfo", "MemTotal")
    return {
        "processor": cpu_lines[0] if cpu_lines else platform.machine(),
        "processors": os.cpu_count(),
        "memory_gb": round(int(memory_lines[0].split()[0]) / 1e6) if memory_lines else None,
        "system": platform.system(),
        "python": platform.python_version(),
        **{name: _version(name) for name in _LIBRARIES},
    }


def _lines(path: str, key: str) -> list[str]:
    try:
        lines = Path(path).read_text(encoding="utf-8").splitlines()
    except OSError:
        return []
    return [line.split(":", 1)[1].strip() for line in lines if line.startswith(key)]


def _version(name: str) -> str | None:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return None


# ---- pages


def markdown(folder: Path = RESULTS) -> str:
    """All recorded results: for each section its command, date, commit and machine, then its tables."""
    parts = []
    for path in sorted(folder.glob("*.json")):
        found = json.loads(path.read_text(encoding="utf-8"))
        computer = found["machine"]
        commit_text = f"commit {found['commit']}" + (" with changes" if found["uncommitted_changes"] else "")
        parts.append(
            f"#### {found['bench']}\n\n`{found['command']}`, {found['date']}, {commit_text}, {found['duration_s']} s on"
            f" {computer['processors']} x {computer['processor']}, Python {computer['python']}, NumPy"
            f" {computer['numpy']}, OpenCV {computer['opencv-python']}\n"
        )
        for table in found["tables"]:
            rows = [table["columns"], ["---"] * len(table["columns"])]
            rows += [[_cell(cell) for cell in row] for row in table["rows"]]
            lines = ["| " + " | ".join(row) + " |" for row in rows]
            parts.append("\n".join([f"{table['title']}:\n", *lines]) + "\n")
            parts += [f"{note}\n" for note in table["notes"]]
    return "\n".join(parts)


def _cell(cell: object) -> str:
    if isinstance(cell, dict):
        value, error = cell["value"], cell["error"]
        if value is None:
            return "-"
        return f"{value:.3f}" if error is None else f"{value:.3f} ± {error:.3f}"
    return "-" if cell is None else str(cell).replace("|", "\\|")
