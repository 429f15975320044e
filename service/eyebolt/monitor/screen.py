"""The whole screen from one status: a pure function from message, age and size to lines of text.

A status as one line, for logs and pipes: only what changes when something happened.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from rich.cells import cell_len

from eyebolt.monitor import text
from eyebolt.monitor.operator_prompt import Tone, Turn, is_silent, standing, turn_of
from eyebolt.monitor.status_model import Link, Status, clean, read
from eyebolt.monitor.text import Ink, Row, bar, fill, paint, wrap

_LABEL = 10  # columns of the names at the left edge
_GAP = 3  # columns between big type and the words beside it
_LEAST_BESIDE = 24  # columns that words beside big type need
_MOUNTS = {"fixed": "camera fixed in the cell", "arm": "camera on the arm"}

_ROBOT_NEEDED = {"open", "working", "goal-met"}


@dataclass(frozen=True)
class _Block:
    """Rows that belong together, a shorter way to say them, and how soon the operator needs them (1 first)."""

    order: int
    full: list[Row]
    short: list[Row]


def draw(
    status: dict[str, Any] | None,
    silent_s: float,
    width: int,
    height: int,
    colour: bool,
    *,
    ascii_only: bool = False,
    note: str = "",
) -> list[str]:
    """The screen as at most ``height`` lines of at most ``width`` columns.

    ``status`` is a status message (None before the first), ``silent_s`` its age, or the time listened in vain. Any
    dictionary can be drawn. ``colour`` allows escape codes; ``ascii_only`` keeps to ASCII; ``note`` is a remark of the
    terminal's own. When room is short, what the operator needs least goes first.
    """
    if width < 1 or height < 1:
        return []
    ink = Ink.ascii() if ascii_only else Ink.blocks()
    shown = None if status is None else read(status)
    turn = turn_of(shown, silent_s)
    blocks = [_turn_block(turn, width, height, ink)]
    if shown is not None:
        blocks = _with_status(blocks[0], shown, turn, silent_s, width, height, ink)
    if note:
        blocks.append(_named("NOTE", clean(note), width, order=12, most=2, tone=Tone.WAIT))
    return [paint(row, width, colour, ascii_only) for row in _fit(blocks, height)]


def _with_status(
    turn_block: _Block, shown: Status, turn: Turn, silent_s: float, width: int, height: int, ink: Ink
) -> list[_Block]:
    silent = is_silent(silent_s)
    blank = [Row("")]
    blocks = [
        _Block(6, [_header(shown, width)], []),
        _Block(14, [Row(ink.rule * width, Tone.QUIET)], []),
        turn_block,
        # The two in big type must not run into each other.
        _Block(8, blank, []),
        _count_block(shown, width, height, ink),
        _Block(20, blank, []),
        *_bars(shown, width, ink),
        _trend(shown, width),
        _steps(shown, width),
        _Block(20, blank, []),
        _last_block(shown, turn, width),
        _link_block("ROBOT", shown.robot, silent, shown.phase in _ROBOT_NEEDED, width),
        _link_block("CAMERA", shown.camera, silent, True, width),
        _result_block(shown, width),
        *_progress_blocks(shown, width),
    ]
    if shown.findings:
        more = len(shown.findings) - 1
        text = (f"(1 of {more + 1}) " if more else "") + shown.findings[0]
        blocks.append(_named("FINDING", text, width, order=9, most=2, tone=Tone.WAIT))
    return blocks


def _fit(blocks: list[_Block], height: int) -> list[Row]:
    """The rows that fit: first the short form of each block by need, then the full form where there is room left."""
    chosen: dict[int, list[Row]] = {}
    room = height
    by_need = sorted(range(len(blocks)), key=lambda i: blocks[i].order)
    for i in by_need:
        chosen[i] = blocks[i].short[:room]
        room -= len(chosen[i])
    for i in by_need:
        extra = len(blocks[i].full) - len(chosen[i])
        if 0 < extra <= room:
            chosen[i], room = blocks[i].full, room - extra
    return [row for i in range(len(blocks)) for row in chosen[i]]


def _header(shown: Status, width: int) -> Row:
    left = f"station {shown.station}  {_MOUNTS.get(shown.mount, shown.mount)}".rstrip()
    clock = shown.wall[11:19] + " UTC" if len(shown.wall) >= 20 and shown.wall.endswith("Z") else ""
    middle = f"session {shown.session}" if shown.session else "no session"
    for parts in ([left, middle, clock], [left, middle], [f"station {shown.station}", middle]):
        line = fill([part for part in parts if part], width)
        if cell_len(line) <= width:
            return Row(line)
    return Row(f"station {shown.station}")


def _scale(width: int, height: int) -> int:
    return 2 if width >= 110 and height >= 36 else 1


def _beside(big: list[str], words: list[Row], width: int, tone: Tone) -> list[Row] | None:
    """Big type at the left with rows of words at its right; None where there is no room for that."""
    indent = len(big[0]) + _GAP
    if indent + _LEAST_BESIDE > width or len(words) > len(big):
        return None
    top = (len(big) - len(words)) // 2
    beside = [""] * top + [row.text for row in words]
    beside += [""] * (len(big) - len(beside))
    return [Row(f"{line}{' ' * _GAP}{text}".rstrip(), tone) for line, text in zip(big, beside, strict=True)]


def _turn_block(turn: Turn, width: int, height: int, ink: Ink) -> _Block:
    said = [Row(line, turn.tone) for line in wrap(f"{turn.word}: {turn.says}", width, 3)]
    short = said + [Row(line, turn.tone) for line in wrap(f"> {turn.do}", width, 3, indent=2)]
    for scale in range(_scale(width, height), 0, -1):
        big = text.spell(turn.word, ink.solid, scale)
        room = max(width - len(big[0]) - _GAP, 1)
        says = wrap(turn.says, room, len(big))
        do = wrap(f"> {turn.do}", room, len(big), indent=2)
        full = _beside(big, [Row(line) for line in says + do], width, turn.tone)
        if full is not None:
            return _Block(1, full, short)
    big = text.spell(turn.word, ink.solid)
    if len(big[0]) <= width and height >= 20:
        return _Block(1, [Row(line, turn.tone) for line in big] + short, short)
    return _Block(1, short, short)


def _count_block(shown: Status, width: int, height: int, ink: Ink) -> _Block:
    figures = f"{shown.kept}/{shown.total}" if shown.total else "0"
    counted = f"{shown.kept} of about {shown.total} pairs kept" if shown.wanted else f"{shown.kept} pairs kept"
    wanted = f"about {shown.wanted} more wanted" if shown.wanted else "no more wanted"
    rest = f"{shown.refused} refused, {shown.checks} set aside as checks"
    limits = f"at least {shown.fewest}, at most {shown.most}"
    tone = Tone.GOOD if shown.total and not shown.wanted else Tone.PLAIN
    short = [Row(counted, tone)]
    for scale in range(_scale(width, height), 0, -1):
        big = text.spell(figures, ink.solid, scale)
        for words in ([counted, wanted, rest, limits], [counted, wanted], [f"{wanted}"]):
            if all(len(big[0]) + _GAP + len(line) <= width for line in words):
                full = _beside(big, [Row(line) for line in words], width, tone)
                if full is not None:
                    return _Block(2, full, short)
    big = text.spell(figures, ink.solid)
    return _Block(2, [Row(line, tone) for line in big] if len(big[0]) <= width else short, short)


def _bars(shown: Status, width: int, ink: Ink) -> list[_Block]:
    """Pairs and accuracy as bars of equal length. Fuller is better in both: full when the goal is reached."""
    pairs = f"{shown.kept} of {shown.total}" if shown.total else "none"
    share = shown.kept / shown.total if shown.total else 0.0
    error, error_share = _error_words(shown.expected_p95_mm, shown.tolerance_mm)
    if _LABEL + len(error) > width:
        error = error.removeprefix("error ")
    if _LABEL + len(error) > width:
        error = error.replace(", allowed", " of")
    length = min(width - _LABEL - max(len(pairs), len(error)) - 3, 60)
    rows = [
        bar(name, part, words, length, _LABEL, ink, Tone.GOOD if part >= 1 else Tone.PLAIN)
        for name, part, words in (("PAIRS", share, pairs), ("ACCURACY", error_share, error))
    ]
    return [_Block(10, rows[:1], []), _Block(5, rows[1:], rows[1:])]


def _error_words(expected_mm: float | None, tolerance_mm: float | None) -> tuple[str, float]:
    """The expected error against the tolerance in words, and how much of the goal is reached (0 to 1)."""
    allowed = "" if tolerance_mm is None else f", allowed {tolerance_mm:.2f} mm"
    if expected_mm is None:
        return f"error not known yet{allowed}", 0.0
    if tolerance_mm is None:
        return f"error {expected_mm:.2f} mm", 0.0
    if expected_mm <= tolerance_mm:
        return f"error {expected_mm:.2f}, allowed {tolerance_mm:.2f} mm: enough", 1.0
    # Two figures that look equal would contradict "not yet".
    digits = 2 if f"{expected_mm:.2f}" != f"{tolerance_mm:.2f}" else 4
    words = f"error {expected_mm:.{digits}f}, allowed {tolerance_mm:.{digits}f} mm: not yet"
    return words, tolerance_mm / expected_mm


def _trend(shown: Status, width: int) -> _Block:
    known = [f"{value:.2f}" if value is not None else "-" for value in shown.history_p95_mm]
    lead, tail = f"{'SO FAR':<{_LABEL}}", " mm"
    while known and len(lead + " ".join(known) + tail) > width:
        known.pop(0)
    rows = [Row(lead + " ".join(known) + tail)] if known else []
    return _Block(16, rows, [])


def _steps(shown: Status, width: int) -> _Block:
    """How long each step of the newest picture took, if that fits on one line."""
    text = f"{'TOOK':<{_LABEL}}" + ", ".join(f"{step} {ms:.0f}" for step, ms in shown.took_ms) + " ms"
    rows = [Row(text, Tone.QUIET)] if shown.took_ms and cell_len(text) <= width else []
    return _Block(19, rows, [])


_KINDS = ((1, "kept"), (10, "kept, with advice"), (20, "working"), (30, "refused"), (40, "stop"), (50, "line at fault"))


def _last_block(shown: Status, turn: Turn, width: int) -> _Block:
    if shown.last is None:
        return _named("LAST", "no request yet", width, order=11, most=1)
    kind = next((name for below, name in _KINDS if shown.last.code < below), "unknown code")
    text = f"request {shown.last.seq}, code {shown.last.code} ({kind}): {shown.last.says}".rstrip(": ")
    if shown.last.advice and shown.last.advice.lower().rstrip(".") not in turn.do.lower():
        text += f"; {shown.last.advice}"
    return _named("LAST", text, width, order=4, most=2)


def _link_block(name: str, link: Link, silent: bool, needed: bool, width: int) -> _Block:
    if silent or link.alive is None:
        state, tone = "not known now", Tone.WAIT
    else:
        state, tone = ("alive", Tone.PLAIN) if link.alive else ("NOT ALIVE", Tone.BAD if needed else Tone.PLAIN)
    says = f", {link.says}" if link.says and not silent else ""
    return _named(name, state + says, width, order=7, most=1, tone=tone)


def _progress_blocks(shown: Status, width: int) -> list[_Block]:
    """What would help next, before other extras while pairs are wanted; what is known, where there is room to spare."""
    blocks = []
    if shown.advice:
        helps = _named("HELPS", shown.advice, width, order=12 if shown.wanted else 21, most=3)
        blocks.append(_Block(helps.order, helps.full, []))
    if shown.known:
        known = _named("KNOWN", shown.known, width, order=22, most=2)
        blocks.append(_Block(known.order, known.full, []))
    return blocks


def _result_block(shown: Status, width: int) -> _Block:
    if shown.result is None:
        text = "none in this session" + ("; the station's accepted result is in use" if shown.accepted else "")
        return _named("RESULT", text, width, order=13, most=1)
    return _named("RESULT", standing(shown, shown.result), width, order=3, most=2)


def _named(name: str, text: str, width: int, *, order: int, most: int, tone: Tone = Tone.PLAIN) -> _Block:
    """A block with its name at the left edge; the short form is its first row."""
    lines = wrap(f"{name:<{_LABEL}}{text}", width, most, indent=_LABEL)
    first = wrap(f"{name:<{_LABEL}}{text}", width, 1, indent=_LABEL)
    return _Block(order, [Row(line, tone) for line in lines], [Row(line, tone) for line in first])


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
