"""A status as one line, for logs and pipes: only what changes when something happened."""

from __future__ import annotations

from typing import Any

from eyebolt.terminal.message import Link, read
from eyebolt.terminal.turn import is_silent, standing, turn_of


def line_of(status: dict[str, Any] | None, silent_s: float) -> str:
    """The status in one line without clock and ages, so that equal lines mean that nothing happened."""
    if status is None or is_silent(silent_s):
        return (
            "no daemon heard. Start it on the cell's PC: eyebolt serve STATION; or check the address and the network."
        )
    shown = read(status)
    turn = turn_of(shown, silent_s)
    error = "not known" if shown.expected_p95_mm is None else f"{shown.expected_p95_mm:.2f} mm"
    allowed = "" if shown.tolerance_mm is None else f", allowed {shown.tolerance_mm:.2f} mm"
    parts = [
        f"{shown.station} {shown.session or 'no session'} {shown.phase}",
        f"kept {shown.kept} wanted {shown.wanted} refused {shown.refused} checks {shown.checks}",
        f"error {error}{allowed}",
    ]
    if shown.last is not None:
        last = f"request {shown.last.seq} code {shown.last.code} {shown.last.says}".rstrip()
        parts.append(f"{last} ({shown.last.advice})" if shown.last.advice else last)
    if shown.result is not None:
        parts.append(f"result {standing(shown, shown.result)}")
    parts += [f"robot {_alive(shown.robot)}", f"camera {_alive(shown.camera)}"]
    parts += [f"finding: {finding}" for finding in shown.findings]
    return f"{turn.word} | " + " | ".join(parts)


def wall_of(status: dict[str, Any] | None) -> str:
    """The wall time in the status, or ""."""
    return "" if status is None else read(status).wall


def _alive(link: Link) -> str:
    return "not known" if link.alive is None else "alive" if link.alive else "not alive"
