"""Several stations on one screen: a line each, the worst first. Pure functions of their status messages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.cells import cell_len, set_cell_size

from eyebolt.monitor.operator_prompt import OperatorPrompt, Tone, is_other_station, is_stale, operator_prompt_for
from eyebolt.monitor.text import Glyphs, Row, command_lines, render_row, wrap
from eyebolt.plain_text import sanitize
from eyebolt.protocol import StatusMessage

_MAX_NAME_COLUMNS = 24
_HEADLINE_COLUMNS = 8
_RANK_WORDS = ("faulty", "to look at", "to go on", "busy", "good")


@dataclass(frozen=True)
class WatchedStation:
    """What is known of one station."""

    name: str
    """Name in its station file, or its address."""
    status: StatusMessage | None
    """Newest status; None before the first."""
    status_age_s: float
    """Age of it, or the time since the subscription began, seconds."""
    note: str = ""
    """Why the connection fails; empty if it does not."""
    expected_station: str | None = None
    """Name that the status has to have; None for any."""

    @property
    def prompt(self) -> OperatorPrompt:
        """What its operator does now."""
        return operator_prompt_for(self.status, self.status_age_s, self.expected_station)


def worst_first(stations: Sequence[WatchedStation]) -> list[WatchedStation]:
    """Sorted by what is needed of a person; equal ones stay in their order."""
    return sorted(stations, key=lambda station: station.prompt.rank)


def render_overview(
    stations: Sequence[WatchedStation], width: int, height: int, colour: bool, *, ascii_only: bool = False
) -> list[str]:
    """The screen as at most ``height`` lines of at most ``width`` columns: how many need what, a line for each station,
    and below, as far as there is room, sentence and next step of each, the worst first.

    Each line has a symbol and a word for the state; colour repeats them.
    """
    if width < 1 or height < 1:
        return []
    glyphs = Glyphs.ascii() if ascii_only else Glyphs.blocks()
    ordered = worst_first(stations)
    ranks = [station.prompt.rank for station in ordered]
    counts = [f"{ranks.count(rank)} {words}" for rank, words in enumerate(_RANK_WORDS) if rank in ranks]
    names = min(max((cell_len(sanitize(station.name)) for station in ordered), default=0), _MAX_NAME_COLUMNS)
    rows = [Row(line) for line in wrap(f"{len(ordered)} stations: {', '.join(counts)}", width, 2)]
    rows.append(Row(glyphs.rule * width, Tone.QUIET))
    rows += [_line(station, names, width) for station in ordered]
    if len(rows) > height:
        hidden = len(rows) - height + 1
        rows = [*rows[: height - 1], Row(f"and {hidden} more that need less")] if height > 1 else rows[:1]
    for station in ordered:
        detail = _detail(station, width)
        if len(rows) + len(detail) > height:
            break
        rows += detail
    return [render_row(row, width, colour, ascii_only) for row in rows]


def _line(station: WatchedStation, name_columns: int, width: int) -> Row:
    prompt, status = station.prompt, station.status
    name = sanitize(station.name)
    if cell_len(name) > name_columns:
        name = set_cell_size(name, name_columns - 2).rstrip() + ".."
    text = f"{prompt.symbol} {prompt.headline:<{_HEADLINE_COLUMNS}}{set_cell_size(name, name_columns)}"
    is_current = not is_stale(station.status_age_s)
    if status is not None and is_current and not is_other_station(status, station.expected_station):
        pairs = f"{status.kept} of {status.total} pairs" if status.wanted else f"{status.kept} pairs"
        error = (
            "" if status.p95_upper_mm is None else f"error {status.p95_upper_mm:.2f} of {status.tolerance_mm:.2f} mm"
        )
        text += f"  {pairs:<16}  {error:<24}".rstrip()
    if cell_len(text) + 2 + cell_len(prompt.message) <= width:
        text += f"  {prompt.message}"
    return Row(text, prompt.tone)


def _detail(station: WatchedStation, width: int) -> list[Row]:
    prompt = station.prompt
    note = f" ({sanitize(station.note).rstrip('.')})" if station.note else ""
    lines = ["", *wrap(f"{sanitize(station.name)}: {prompt.message}{note}", width, 6)]
    lines += wrap(f"> {prompt.remedy}", width, 6, indent=2)
    return [Row(line, prompt.tone) for line in [*lines, *command_lines(prompt.command, width)]]
