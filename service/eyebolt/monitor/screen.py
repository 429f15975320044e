"""The whole screen from one status: a pure function from message, age and size to lines of text.

A status as one line, for logs and pipes: only what changes when something happened.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from rich.cells import cell_len

from eyebolt.monitor import text
from eyebolt.monitor.operator_prompt import OperatorPrompt, Tone, is_stale, operator_prompt_for, result_line
from eyebolt.monitor.status_model import LinkStatus, Status, parse_status, sanitize
from eyebolt.monitor.text import Glyphs, Row, justify, progress_bar, render_row, wrap
from eyebolt.protocol import Code

_LABEL = 10  # columns of the names at the left edge
_GAP = 3  # columns between big type and the words beside it
_MIN_TEXT_COLUMNS = 24  # columns that words beside big type need
_MOUNTS = {"fixed": "camera fixed in the cell", "arm": "camera on the arm"}

_PHASES_NEEDING_ROBOT = {"open", "working", "goal-met"}


@dataclass(frozen=True)
class _Block:
    """Rows that belong together, a shorter way to say them, and how soon the operator needs them (1 first)."""

    priority: int
    full: list[Row]
    short: list[Row]


def render_screen(
    status: dict[str, Any] | None,
    status_age_s: float,
    width: int,
    height: int,
    colour: bool,
    *,
    ascii_only: bool = False,
    note: str = "",
) -> list[str]:
    """The screen as at most ``height`` lines of at most ``width`` columns.

    ``status`` is a status message (None before the first), ``status_age_s`` its age, or the time listened in vain. Any
    dictionary can be drawn. ``colour`` allows escape codes; ``ascii_only`` keeps to ASCII; ``note`` is a remark of the
    terminal's own. When room is short, what the operator needs least goes first.
    """
    if width < 1 or height < 1:
        return []
    glyphs = Glyphs.ascii() if ascii_only else Glyphs.blocks()
    shown = None if status is None else parse_status(status)
    prompt = operator_prompt_for(shown, status_age_s)
    blocks = [_prompt_block(prompt, width, height, glyphs)]
    if shown is not None:
        blocks = _status_blocks(blocks[0], shown, prompt, status_age_s, width, height, glyphs)
    if note:
        blocks.append(_labelled_block("NOTE", sanitize(note), width, priority=12, max_lines=2, tone=Tone.WAIT))
    return [render_row(row, width, colour, ascii_only) for row in _fit_height(blocks, height)]


def _status_blocks(
    prompt_block: _Block,
    shown: Status,
    prompt: OperatorPrompt,
    status_age_s: float,
    width: int,
    height: int,
    glyphs: Glyphs,
) -> list[_Block]:
    stale = is_stale(status_age_s)
    blank = [Row("")]
    blocks = [
        _Block(6, [_header(shown, width)], []),
        _Block(14, [Row(glyphs.rule * width, Tone.QUIET)], []),
        prompt_block,
        # The two in big type must not run into each other.
        _Block(8, blank, []),
        _count_block(shown, width, height, glyphs),
        _Block(20, blank, []),
        *_bars(shown, width, glyphs),
        _history_block(shown, width),
        _timing_block(shown, width),
        _Block(20, blank, []),
        _last_block(shown, prompt, width),
        _link_block("ROBOT", shown.robot, stale, shown.phase in _PHASES_NEEDING_ROBOT, width),
        _link_block("CAMERA", shown.camera, stale, True, width),
        _result_block(shown, width),
        *_progress_blocks(shown, width),
    ]
    if shown.findings:
        more = len(shown.findings) - 1
        text = (f"(1 of {more + 1}) " if more else "") + shown.findings[0]
        blocks.append(_labelled_block("FINDING", text, width, priority=9, max_lines=2, tone=Tone.WAIT))
    return blocks


def _fit_height(blocks: list[_Block], height: int) -> list[Row]:
    """The rows that fit: first the short form of each block by need, then the full form where there is room left."""
    chosen: dict[int, list[Row]] = {}
    room = height
    by_priority = sorted(range(len(blocks)), key=lambda i: blocks[i].priority)
    for i in by_priority:
        chosen[i] = blocks[i].short[:room]
        room -= len(chosen[i])
    for i in by_priority:
        extra = len(blocks[i].full) - len(chosen[i])
        if 0 < extra <= room:
            chosen[i], room = blocks[i].full, room - extra
    return [row for i in range(len(blocks)) for row in chosen[i]]


def _header(shown: Status, width: int) -> Row:
    left = f"station {shown.station}  {_MOUNTS.get(shown.mount, shown.mount)}".rstrip()
    clock = shown.timestamp[11:19] + " UTC" if len(shown.timestamp) >= 20 and shown.timestamp.endswith("Z") else ""
    middle = f"session {shown.session}" if shown.session else "no session"
    for parts in ([left, middle, clock], [left, middle], [f"station {shown.station}", middle]):
        line = justify([part for part in parts if part], width)
        if cell_len(line) <= width:
            return Row(line)
    return Row(f"station {shown.station}")


def _scale(width: int, height: int) -> int:
    return 2 if width >= 110 and height >= 36 else 1


def _side_by_side(big: list[str], words: list[Row], width: int, tone: Tone) -> list[Row] | None:
    """Big type at the left with rows of words at its right; None where there is no room for that."""
    indent = len(big[0]) + _GAP
    if indent + _MIN_TEXT_COLUMNS > width or len(words) > len(big):
        return None
    top = (len(big) - len(words)) // 2
    beside = [""] * top + [row.text for row in words]
    beside += [""] * (len(big) - len(beside))
    return [Row(f"{line}{' ' * _GAP}{text}".rstrip(), tone) for line, text in zip(big, beside, strict=True)]


def _prompt_block(prompt: OperatorPrompt, width: int, height: int, glyphs: Glyphs) -> _Block:
    said = [Row(line, prompt.tone) for line in wrap(f"{prompt.headline}: {prompt.message}", width, 3)]
    short = said + [Row(line, prompt.tone) for line in wrap(f"> {prompt.remedy}", width, 3, indent=2)]
    for scale in range(_scale(width, height), 0, -1):
        big = text.big_text(prompt.headline, glyphs.solid, scale)
        room = max(width - len(big[0]) - _GAP, 1)
        message = wrap(prompt.message, room, len(big))
        remedy = wrap(f"> {prompt.remedy}", room, len(big), indent=2)
        full = _side_by_side(big, [Row(line) for line in message + remedy], width, prompt.tone)
        if full is not None:
            return _Block(1, full, short)
    big = text.big_text(prompt.headline, glyphs.solid)
    if len(big[0]) <= width and height >= 20:
        return _Block(1, [Row(line, prompt.tone) for line in big] + short, short)
    return _Block(1, short, short)


def _count_block(shown: Status, width: int, height: int, glyphs: Glyphs) -> _Block:
    figures = f"{shown.kept}/{shown.total}" if shown.total else "0"
    counted = f"{shown.kept} of about {shown.total} pairs kept" if shown.wanted else f"{shown.kept} pairs kept"
    wanted = f"about {shown.wanted} more wanted" if shown.wanted else "no more wanted"
    rest = f"{shown.refused} refused, {shown.checks} set aside as checks"
    limits = f"at least {shown.min_pairs}, at most {shown.max_pairs}"
    tone = Tone.GOOD if shown.total and not shown.wanted else Tone.PLAIN
    short = [Row(counted, tone)]
    for scale in range(_scale(width, height), 0, -1):
        big = text.big_text(figures, glyphs.solid, scale)
        for words in ([counted, wanted, rest, limits], [counted, wanted], [f"{wanted}"]):
            if all(len(big[0]) + _GAP + len(line) <= width for line in words):
                full = _side_by_side(big, [Row(line) for line in words], width, tone)
                if full is not None:
                    return _Block(2, full, short)
    big = text.big_text(figures, glyphs.solid)
    return _Block(2, [Row(line, tone) for line in big] if len(big[0]) <= width else short, short)


def _bars(shown: Status, width: int, glyphs: Glyphs) -> list[_Block]:
    """Pairs and accuracy as bars of equal length. Fuller is better in both: full when the goal is reached."""
    pairs = f"{shown.kept} of {shown.total}" if shown.total else "none"
    fraction = shown.kept / shown.total if shown.total else 0.0
    error, error_fraction = _error_text(shown.expected_p95_mm, shown.tolerance_mm)
    if _LABEL + len(error) > width:
        error = error.removeprefix("error ")
    if _LABEL + len(error) > width:
        error = error.replace(", allowed", " of")
    length = min(width - _LABEL - max(len(pairs), len(error)) - 3, 60)
    rows = [
        progress_bar(name, part, words, length, _LABEL, glyphs, Tone.GOOD if part >= 1 else Tone.PLAIN)
        for name, part, words in (("PAIRS", fraction, pairs), ("ACCURACY", error_fraction, error))
    ]
    return [_Block(10, rows[:1], []), _Block(5, rows[1:], rows[1:])]


def _error_text(expected_mm: float | None, tolerance_mm: float | None) -> tuple[str, float]:
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


def _history_block(shown: Status, width: int) -> _Block:
    known = [f"{value:.2f}" if value is not None else "-" for value in shown.history_p95_mm]
    lead, tail = f"{'SO FAR':<{_LABEL}}", " mm"
    while known and len(lead + " ".join(known) + tail) > width:
        known.pop(0)
    rows = [Row(lead + " ".join(known) + tail)] if known else []
    return _Block(16, rows, [])


def _timing_block(shown: Status, width: int) -> _Block:
    """How long each step of the newest picture took, if that fits on one line."""
    text = f"{'TOOK':<{_LABEL}}" + ", ".join(f"{step} {ms:.0f}" for step, ms in shown.timings_ms) + " ms"
    rows = [Row(text, Tone.QUIET)] if shown.timings_ms and cell_len(text) <= width else []
    return _Block(19, rows, [])


def _reply_kind(code: Code) -> str:
    if code.is_success:
        return "kept, with advice" if code.is_advice else "kept"
    if not code.is_final:
        return "working"
    if code.is_refusal:
        return "refused"
    if code.is_stop:
        return "stop"
    return "line at fault" if code.is_line_fault else "unknown code"


def _last_block(shown: Status, prompt: OperatorPrompt, width: int) -> _Block:
    if shown.last is None:
        return _labelled_block("LAST", "no request yet", width, priority=11, max_lines=1)
    kind = _reply_kind(shown.last.code)
    text = f"request {shown.last.seq}, code {shown.last.code} ({kind}): {shown.last.message}".rstrip(": ")
    if shown.last.remedy and shown.last.remedy.lower().rstrip(".") not in prompt.remedy.lower():
        text += f"; {shown.last.remedy}"
    return _labelled_block("LAST", text, width, priority=4, max_lines=2)


def _link_block(name: str, link: LinkStatus, stale: bool, needed: bool, width: int) -> _Block:
    if stale or link.alive is None:
        state, tone = "not known now", Tone.WAIT
    else:
        state, tone = ("alive", Tone.PLAIN) if link.alive else ("NOT ALIVE", Tone.BAD if needed else Tone.PLAIN)
    message = f", {link.message}" if link.message and not stale else ""
    return _labelled_block(name, state + message, width, priority=7, max_lines=1, tone=tone)


def _progress_blocks(shown: Status, width: int) -> list[_Block]:
    """What would help next, before other extras while pairs are wanted; what is known, where there is room to spare."""
    blocks = []
    if shown.next_view:
        next_view_block = _labelled_block(
            "HELPS", shown.next_view, width, priority=12 if shown.wanted else 21, max_lines=3
        )
        blocks.append(_Block(next_view_block.priority, next_view_block.full, []))
    if shown.progress:
        known = _labelled_block("KNOWN", shown.progress, width, priority=22, max_lines=2)
        blocks.append(_Block(known.priority, known.full, []))
    return blocks


def _result_block(shown: Status, width: int) -> _Block:
    if shown.result is None:
        text = "none in this session" + ("; the station's accepted result is in use" if shown.accepted else "")
        return _labelled_block("RESULT", text, width, priority=13, max_lines=1)
    return _labelled_block("RESULT", result_line(shown, shown.result), width, priority=3, max_lines=2)


def _labelled_block(
    name: str, text: str, width: int, *, priority: int, max_lines: int, tone: Tone = Tone.PLAIN
) -> _Block:
    """A block with its name at the left edge; the short form is its first row."""
    lines = wrap(f"{name:<{_LABEL}}{text}", width, max_lines, indent=_LABEL)
    first = wrap(f"{name:<{_LABEL}}{text}", width, 1, indent=_LABEL)
    return _Block(priority, [Row(line, tone) for line in lines], [Row(line, tone) for line in first])


def status_line(status: dict[str, Any] | None, status_age_s: float) -> str:
    """The status in one line without clock and ages, so that equal lines mean that nothing happened."""
    if status is None or is_stale(status_age_s):
        return (
            "no daemon heard. Start it on the cell's PC: eyebolt serve STATION; or check the address and the network."
        )
    shown = parse_status(status)
    prompt = operator_prompt_for(shown, status_age_s)
    error = "not known" if shown.expected_p95_mm is None else f"{shown.expected_p95_mm:.2f} mm"
    allowed = "" if shown.tolerance_mm is None else f", allowed {shown.tolerance_mm:.2f} mm"
    parts = [
        f"{shown.station} {shown.session or 'no session'} {shown.phase}",
        f"kept {shown.kept} wanted {shown.wanted} refused {shown.refused} checks {shown.checks}",
        f"error {error}{allowed}",
    ]
    if shown.last is not None:
        last = f"request {shown.last.seq} code {shown.last.code} {shown.last.message}".rstrip()
        parts.append(f"{last} ({shown.last.remedy})" if shown.last.remedy else last)
    if shown.result is not None:
        parts.append(f"result {result_line(shown, shown.result)}")
    parts += [f"robot {_link_text(shown.robot)}", f"camera {_link_text(shown.camera)}"]
    parts += [f"finding: {finding}" for finding in shown.findings]
    return f"{prompt.headline} | " + " | ".join(parts)


def status_time(status: dict[str, Any] | None) -> str:
    """The wall time in the status, or ""."""
    return "" if status is None else parse_status(status).timestamp


def _link_text(link: LinkStatus) -> str:
    return "not known" if link.alive is None else "alive" if link.alive else "not alive"
