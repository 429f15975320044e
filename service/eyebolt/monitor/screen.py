"""The operator's screen and its one-line form: pure functions of a status message, its age and the terminal's size."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from rich.cells import cell_len

from eyebolt.monitor.operator_keys import KeyRows
from eyebolt.monitor.operator_prompt import (
    KEEPING_VERBS,
    OperatorPrompt,
    Tone,
    describe_proof,
    describe_proof_in_short,
    describe_view,
    is_counted_on,
    is_other_station,
    is_stale,
    message_without_remedy,
    needs_robot,
    operator_prompt_for,
    pairs_needed,
    remark,
    result_line,
    sentence,
    with_begin_key,
)
from eyebolt.monitor.text import (
    LETTER_ROWS,
    Glyphs,
    Row,
    big_text,
    clause_that_fits,
    command_lines,
    justify,
    progress_bar,
    render_row,
    wrap,
)
from eyebolt.plain_text import sanitize
from eyebolt.protocol import MAX_SEQ, GuidanceStatus, LinkStatus, Phase, Severity, StatusMessage, ViewMessage

_LABEL = 10  # columns of the labels at the left edge
_GAP = 3  # columns between big type and the text beside it
_MIN_TEXT_COLUMNS = 24  # least columns for text beside big type
# Rows that the prompt leaves to the others on a screen of common height: counter, links, result, newest reply, key.
_OTHER_ROWS = 7
_MIN_SIDE_COLUMNS = 34  # least columns beside a picture


@dataclass(frozen=True)
class PictureSize:
    """Cells that a picture covers."""

    rows: int
    """Lines of the terminal."""
    columns: int
    """Columns of the terminal."""

    @classmethod
    def within(cls, rows: int, columns: int, aspect: float) -> PictureSize:
        """The largest picture of ``aspect``, width over height, in so many rows and columns; a cell is twice as high
        as wide."""
        wanted = round(2 * rows * aspect)
        return cls(rows, wanted) if wanted <= columns else cls(max(int(columns / aspect / 2), 1), columns)


# A larger one shows nothing more, and takes the terminal more time.
_MAX_PICTURE = PictureSize(40, 104)
_MIN_PICTURE = PictureSize(8, 24)


@dataclass(frozen=True)
class PictureArea:
    """Where a picture stands at the left edge of the screen."""

    top: int
    """Its first line, from 0."""
    size: PictureSize
    """Its cells."""


@dataclass(frozen=True)
class _Block:
    """Rows that are shown together."""

    priority: int
    """Order in which blocks get room, 1 first."""
    full: list[Row]
    """Rows where there is room."""
    short: list[Row]
    """Rows where there is little; empty in a block that may wait for a taller screen."""
    full_priority: int | None = None
    """Order in which the full form gets room; None: ``priority``."""


def render_screen(
    status: StatusMessage | None,
    status_age_s: float,
    width: int,
    height: int,
    colour: bool,
    *,
    ascii_only: bool = False,
    note: str = "",
    keys: KeyRows | None = None,
    expected_station: str | None = None,
) -> list[str]:
    """The screen as at most ``height`` lines of at most ``width`` columns.

    ``status_age_s``: age of ``status``, or without one the time since the subscription began, seconds. ``colour``
    allows escape codes, ``ascii_only`` excludes everything but ASCII; ``note`` is a remark of the monitor itself,
    ``keys`` what the operator's keys do. When room is short, the blocks of lowest priority are left out. Of another
    station than ``expected_station`` nothing is shown but its name.
    """
    if width < 1 or height < 1:
        return []
    glyphs = Glyphs.ascii() if ascii_only else Glyphs.blocks()
    prompt = operator_prompt_for(status, status_age_s, expected_station)
    if is_other_station(status, expected_station):
        status = None
    if keys is not None:
        prompt = with_begin_key(prompt, status)
    blocks = [_prompt_block(prompt, width, height, glyphs)]
    if status is not None:
        blocks = _status_blocks(blocks[0], status, prompt, status_age_s, width, height, glyphs)
    if keys is not None:
        blocks += _key_blocks(keys, width)
    blocks += _note_blocks(status, note, width)
    return [render_row(row, width, colour, ascii_only) for row in _fit_height(blocks, height)]


def render_screen_with_picture(
    status: StatusMessage | None,
    status_age_s: float,
    view: ViewMessage | None,
    view_age_s: float,
    width: int,
    height: int,
    colour: bool,
    *,
    ascii_only: bool = False,
    note: str = "",
    keys: KeyRows | None = None,
    expected_station: str | None = None,
) -> tuple[list[str], PictureArea | None]:
    """The screen as ``render_screen`` gives it, with room left for a picture below the prompt, and counter and the rest
    beside that; and where it is, None where there is nothing to show or no room.

    ``view``: the newest one, which arrived ``view_age_s`` seconds ago.
    """
    without_picture = partial(
        render_screen,
        status,
        status_age_s,
        width,
        height,
        colour,
        ascii_only=ascii_only,
        keys=keys,
        expected_station=expected_station,
    )
    if status is None or is_stale(status_age_s) or is_other_station(status, expected_station):
        return without_picture(note=note), None
    glyphs = Glyphs.ascii() if ascii_only else Glyphs.blocks()
    prompt = operator_prompt_for(status, status_age_s, expected_station)
    below: list[Row] = []
    if keys is not None:
        prompt = with_begin_key(prompt, status)
        below = [row for block in _key_blocks(keys, width) for row in block.full]
    block = _prompt_block(prompt, width, height, glyphs)
    image_size = (4, 3) if view is None else view.image_size
    for prompt_rows in (block.full, block.short):
        above = [_header(status, width), *prompt_rows, Row("")]
        rows, columns = height - len(above) - len(below), width - _MIN_SIDE_COLUMNS - 2
        size = PictureSize.within(
            min(rows, _MAX_PICTURE.rows), min(columns, _MAX_PICTURE.columns), image_size[0] / image_size[1]
        )
        if size.rows >= _MIN_PICTURE.rows and size.columns >= _MIN_PICTURE.columns:
            break
    else:
        small = note or "the picture needs a larger terminal: 80 x 24 and more"
        return without_picture(note=small), None
    beside = _fit_height(
        _blocks_beside_picture(
            status, prompt, describe_view(view, view_age_s), width - size.columns - 2, rows, glyphs, note
        ),
        rows,
    )
    indented = [Row(f"{' ' * (size.columns + 2)}{row.text}".rstrip(), row.tone) for row in beside]
    indented += [Row("")] * (size.rows - len(beside))
    lines = [render_row(row, width, colour, ascii_only) for row in [*above, *indented, *below]]
    return lines, PictureArea(len(above), size)


def _blocks_beside_picture(
    status: StatusMessage, prompt: OperatorPrompt, picture: str, width: int, height: int, glyphs: Glyphs, note: str
) -> list[_Block]:
    count = _count_block(status, width, height, glyphs)
    return [
        # Nothing else there is read from two metres away.
        _Block(2, count.full, count.full if height >= len(count.full) + _OTHER_ROWS - 1 else count.short),
        _Block(20, [Row("")], []),
        _labelled_block("PICTURE", picture, width, priority=3),
        _labelled_block("ACCURACY", _error_text(status)[0], width, priority=8),
        _reply_block(status, prompt, width),
        _link_block("ROBOT", status.robot, False, needs_robot(status), width),
        _link_block("CAMERA", status.camera, False, True, width),
        *([] if status.guidance is None else [_guided_block(status.guidance, width)]),
        _result_block(status, prompt, width),
        *_proof_blocks(status, width),
        _finding_block(status, prompt, width),
        *_progress_blocks(status, width),
        *_note_blocks(status, note, width),
    ]


def _note_blocks(status: StatusMessage | None, note: str, width: int) -> list[_Block]:
    note = remark(status, note)
    return [_labelled_block("NOTE", sanitize(note), width, priority=12, tone=Tone.WAIT)] if note else []


def _status_blocks(
    prompt_block: _Block,
    status: StatusMessage,
    prompt: OperatorPrompt,
    status_age_s: float,
    width: int,
    height: int,
    glyphs: Glyphs,
) -> list[_Block]:
    stale = is_stale(status_age_s)
    blank = [Row("")]
    return [
        _Block(7, [_header(status, width)], []),
        _Block(14, [Row(glyphs.rule * width, Tone.QUIET)], []),
        prompt_block,
        # Keeps the two blocks of big type apart.
        _Block(8, blank, []),
        _count_block(status, width, height, glyphs),
        _Block(20, blank, []),
        *_bars(status, width, glyphs),
        _history_block(status, width),
        _timing_block(status, width),
        _Block(20, blank, []),
        _reply_block(status, prompt, width),
        _link_block("ROBOT", status.robot, stale, needs_robot(status), width),
        _link_block("CAMERA", status.camera, stale, True, width),
        *([] if status.guidance is None else [_guided_block(status.guidance, width)]),
        _result_block(status, prompt, width),
        *_proof_blocks(status, width),
        _finding_block(status, prompt, width),
        *_progress_blocks(status, width),
    ]


def _key_blocks(keys: KeyRows, width: int) -> list[_Block]:
    """A question is shown before anything but the prompt: the next key answers it."""
    blocks = [_labelled_block("KEYS", keys.keys, width, priority=15)]
    if keys.prompt:
        name = "CONFIRM" if keys.is_question else "ANSWER"
        priority = 2 if keys.is_question else 8
        blocks.append(_labelled_block(name, keys.prompt, width, priority=priority, tone=keys.tone))
    return blocks


def _fit_height(blocks: list[_Block], height: int) -> list[Row]:
    """The rows that fit: first the short form of each block by priority, then full forms as far as there is room.

    Full forms of blocks with a short form come first: no sentence is cut short for rows that may wait.
    """
    chosen: dict[int, list[Row]] = {}
    room = height
    by_priority = sorted(range(len(blocks)), key=lambda i: blocks[i].priority)
    for i in by_priority:
        chosen[i] = blocks[i].short[:room]
        room -= len(chosen[i])
    for i in sorted(by_priority, key=lambda i: (not blocks[i].short, blocks[i].full_priority or blocks[i].priority)):
        extra = len(blocks[i].full) - len(chosen[i])
        if blocks[i].full != chosen[i] and extra <= room:
            chosen[i], room = blocks[i].full, room - extra
    return [row for i in range(len(blocks)) for row in chosen[i]]


def _header(status: StatusMessage, width: int) -> Row:
    left = f"station {status.station}  camera {status.mount.camera_location}"
    clock = status.timestamp[11:19] + " UTC" if len(status.timestamp) >= 20 and status.timestamp.endswith("Z") else ""
    middle = f"session {status.session}" if status.session else "no session"
    for parts in ([left, middle, clock], [left, middle], [f"station {status.station}", middle]):
        line = justify([part for part in parts if part], width)
        if cell_len(line) <= width:
            return Row(line)
    return Row(f"station {status.station}")


def _scale(width: int, height: int) -> int:
    return max(min(width // 55, height // 18), 1)


def _side_by_side(big: list[str], words: list[Row], width: int, tone: Tone) -> list[Row] | None:
    """Big type with ``words`` at its right; None where there is no room for that."""
    indent = len(big[0]) + _GAP
    if indent + _MIN_TEXT_COLUMNS > width or len(words) > len(big):
        return None
    top = (len(big) - len(words)) // 2
    beside = [""] * top + [row.text for row in words]
    beside += [""] * (len(big) - len(beside))
    return [Row(f"{line}{' ' * _GAP}{text}".rstrip(), tone) for line, text in zip(big, beside, strict=True)]


def _prompt_block(prompt: OperatorPrompt, width: int, height: int, glyphs: Glyphs) -> _Block:
    command = [Row(line, prompt.tone) for line in command_lines(prompt.command, width)]
    message, remedy = wrap(f"{prompt.headline}: {prompt.message}", width), wrap(f"> {prompt.remedy}", width, indent=2)
    if len(message) + len(remedy) + len(command) + _OTHER_ROWS > height:
        max_lines = max(height // 4, 3)
        message = wrap(f"{prompt.headline}: {prompt.message}", width, max_lines)
        remedy = wrap(f"> {prompt.remedy}", width, max_lines, indent=2)
    short = [Row(line, prompt.tone) for line in message + remedy] + command
    for scale in range(_scale(width, height), 0, -1):
        big = big_text(prompt.headline, glyphs.solid, scale)
        room = max(width - len(big[0]) - _GAP, 1)
        message, remedy = wrap(prompt.message, room), wrap(f"> {prompt.remedy}", room, indent=2)
        full = _side_by_side(big, [Row(line) for line in message + remedy], width, prompt.tone)
        if full is not None and len(full) + len(command) <= height:
            return _Block(1, full + command, short)
    for scale in range(_scale(width, height), 0, -1):
        big = big_text(prompt.headline, glyphs.solid, scale)
        if len(big[0]) <= width and len(big) + len(short) <= max(height - 2 * LETTER_ROWS, 0):
            return _Block(1, [Row(line, prompt.tone) for line in big] + short, short)
    return _Block(1, short, short)


def _count_block(status: StatusMessage, width: int, height: int, glyphs: Glyphs) -> _Block:
    wanted = pairs_needed(status)
    is_open = status.wanted > 0 and is_counted_on(status)
    figures = f"{status.kept}/{status.total}" if is_open or not status.wanted else f"{status.kept}"
    if not status.total:
        figures = "0"
    counted = f"{status.kept} of about {status.total} pairs kept" if is_open else f"{status.kept} pairs kept"
    rest = f"{status.refused} refused, {status.checks} check{'' if status.checks == 1 else 's'}"
    limits = f"at least {status.min_pairs}, at most {status.max_pairs}"
    tone = Tone.GOOD if status.total and not status.wanted else Tone.PLAIN
    # A session that has ended: what became of it is read first.
    full_priority = 11 if status.phase is Phase.CLOSED else 2
    short = [Row(counted, tone)]
    for scale in range(_scale(width, height), 0, -1):
        big = big_text(figures, glyphs.solid, scale)
        for words in ([counted, wanted, rest, limits], [counted, wanted], [f"{wanted}"]):
            if all(len(big[0]) + _GAP + len(line) <= width for line in words):
                full = _side_by_side(big, [Row(line) for line in words], width, tone)
                if full is not None:
                    return _Block(2, full, short, full_priority)
    big = big_text(figures, glyphs.solid)
    return _Block(2, [Row(line, tone) for line in big] if len(big[0]) <= width else short, short, full_priority)


def _bars(status: StatusMessage, width: int, glyphs: Glyphs) -> list[_Block]:
    """Pairs and accuracy as bars of equal length, both full when the goal is reached."""
    pairs = f"{status.kept} of {status.total}" if status.total else "none"
    fraction = status.kept / status.total if status.total else 0.0
    error, error_fraction = _error_text(status)
    if _LABEL + len(error) > width:
        # The transform's error is named on any screen, however narrow: it is not what a pick will show.
        error = error.removeprefix("pick error ")
    if _LABEL + len(error) > width:
        error = error.replace(", tolerance", " of")
    length = min(width - _LABEL - max(len(pairs), len(error)) - 3, 60)
    is_enough = status.wanted == 0
    pairs_shown = is_counted_on(status) or is_enough
    rows = [
        progress_bar(name, part, words, length, _LABEL, glyphs, Tone.GOOD if part >= 1 and is_enough else Tone.PLAIN)
        for name, part, words in (("PAIRS", fraction, pairs), ("ACCURACY", error_fraction, error))
    ]
    return [_Block(10, rows[:1] if pairs_shown else [], []), _Block(8, rows[1:], rows[1:])]


def _error_text(status: StatusMessage) -> tuple[str, float]:
    """The bound of the error against the tolerance in words, and the share of the goal that is reached (0 to 1)."""
    upper_mm, tolerance_mm, name = status.p95_upper_mm, status.tolerance_mm, status.tolerance_of.value
    if upper_mm is None:
        return f"{name} error not known yet, tolerance {tolerance_mm:.2f} mm", 0.0
    if status.result is not None and status.result.gap is not None:
        return f"{name} error up to {upper_mm:.2f} mm, and an unknown part", 0.0
    if upper_mm <= tolerance_mm:
        # That alone is not the goal.
        end = "too few pairs" if status.wanted else "reached"
        return f"{name} error up to {upper_mm:.2f}, tolerance {tolerance_mm:.2f} mm: {end}", 1.0
    # Two figures rounded to the same text would contradict "not yet".
    digits = 2 if f"{upper_mm:.2f}" != f"{tolerance_mm:.2f}" else 4
    end = "not reached" if status.phase is Phase.CLOSED else "not yet"
    words = f"{name} error up to {upper_mm:.{digits}f}, tolerance {tolerance_mm:.{digits}f} mm: {end}"
    return words, tolerance_mm / upper_mm


def _history_block(status: StatusMessage, width: int) -> _Block:
    known = [f"{value:.2f}" if value is not None else "-" for value in status.p95_upper_history_mm]
    lead, tail = f"{'HISTORY':<{_LABEL}}", " mm"
    while known and len(lead + " ".join(known) + tail) > width:
        known.pop(0)
    rows = [Row(lead + " ".join(known) + tail)] if known else []
    return _Block(16, rows, [])


def _timing_block(status: StatusMessage, width: int) -> _Block:
    """Durations of the steps of the newest capture, where they fit on one line."""
    known = {} if status.timings_ms is None else status.timings_ms.model_dump(exclude_none=True)
    text = (
        f"{'TIMING':<{_LABEL}}" + ", ".join(f"{step.replace('_', ' ')} {ms:.0f}" for step, ms in known.items()) + " ms"
    )
    rows = [Row(text, Tone.QUIET)] if known and cell_len(text) <= width else []
    return _Block(19, rows, [])


def _request_name(seq: int) -> str:
    """The numbers above those of a robot are the operator's."""
    return f"request {seq}" if seq <= MAX_SEQ else f"operator's request {seq - MAX_SEQ - 1}"


def _reply_block(status: StatusMessage, prompt: OperatorPrompt, width: int) -> _Block:
    """What the robot was answered; without the number of the request: pairs are the one thing that is counted."""
    reply = status.last_reply
    if reply is None:
        return _labelled_block("REPLY", "none yet", width, priority=11)
    kind = reply.code.message
    if reply.code.is_success and reply.verb not in KEEPING_VERBS:
        kind = "done"
    name = f"operator's {reply.verb or 'request'}" if reply.seq > MAX_SEQ else reply.verb
    text = f"{name}: code {reply.code} ({kind})".removeprefix(": ")
    message, remedy = message_without_remedy(reply), reply.remedy.removeprefix("Stop. ")
    # A finding has its own row.
    is_found = any(finding.message == message for finding in status.findings)
    sentences = [message] if not is_found and message not in kind and _is_unsaid(message, prompt) else []
    # Beside "keep still", the "move on" of the reply before would be a contradiction; so would a remedy that is done.
    is_due = not reply.code.is_success and status.phase not in (Phase.WORKING, Phase.CLOSED)
    is_due = is_due and prompt.headline not in ("START", "LOOSE")
    if is_due and not is_found and _is_unsaid(remedy, prompt) and remedy.rstrip(".").lower() not in message.lower():
        sentences.append(remedy)
    text = f"{text}: {' '.join(sentence(words) for words in sentences)}".rstrip(": ")
    return _labelled_block("REPLY", text, width, priority=4, short=f"code {reply.code}" if width < 60 else "")


def _is_unsaid(text: str, prompt: OperatorPrompt) -> bool:
    """Whether the prompt does not give ``text`` already."""
    return text.strip().rstrip(".").lower() not in f"{prompt.message} {prompt.remedy}".lower()


def _link_block(name: str, link: LinkStatus, stale: bool, needed: bool, width: int) -> _Block:
    if stale:
        return _labelled_block(name, "unknown", width, priority=7, tone=Tone.WAIT)
    state, tone = ("online", Tone.PLAIN) if link.is_connected else ("OFFLINE", Tone.BAD if needed else Tone.PLAIN)
    message = f", {link.message}" if link.message else ""
    return _labelled_block(name, state + message, width, priority=7, tone=tone)


def _guided_block(guidance: GuidanceStatus, width: int) -> _Block:
    """Rates of poses and images, and the delay of the poses with its confidence interval."""
    text = f"{guidance.poses_per_s:.0f} poses/s, {guidance.images_per_s:.0f} images/s, "
    if guidance.delay_ms is None:
        text += "delay of the poses not known yet"
    else:
        text += f"poses {guidance.delay_ms:.1f} ms behind the camera"
        if guidance.delay_half_width_ms is not None:
            text += f" (+-{guidance.delay_half_width_ms:.1f})"
    return _labelled_block("GUIDED", text, width, priority=10)


def _progress_blocks(status: StatusMessage, width: int) -> list[_Block]:
    """The next view, before other details while pairs are needed; error by source and coverage where there is room."""
    progress, blocks = status.progress, []
    if progress is not None and progress.next_view is not None and progress.next_view.message:
        priority = 12 if status.wanted else 21
        block = _labelled_block("NEXT VIEW", progress.next_view.message, width, priority=priority)
        blocks.append(_Block(priority, block.full, []))
    if progress is not None and progress.error_sources:
        sources = progress.error_sources
        if _LABEL + cell_len(sources) > width:
            sources = sources.partition(", together")[0]
        block = _labelled_block("ERROR BY", sources, width, priority=21)
        blocks.append(_Block(block.priority, block.full, []))
    if progress is not None and progress.message:
        block = _labelled_block("COVERAGE", progress.message, width, priority=22)
        blocks.append(_Block(block.priority, block.full, []))
    return blocks


def _result_block(status: StatusMessage, prompt: OperatorPrompt, width: int) -> _Block:
    if status.result is None:
        return _labelled_block("RESULT", result_line(status), width, priority=13)
    reason = status.result.acceptance.reason if status.result.gap is None else status.result.gap.message
    text = result_line(status, with_reason=bool(reason) and _is_unsaid(reason, prompt))
    return _labelled_block("RESULT", text, width, priority=3)


def _proof_blocks(status: StatusMessage, width: int) -> list[_Block]:
    """Whether the result in use is borne out by what the camera sees."""
    if status.proof is None:
        return []
    tone = Tone.BAD if status.proof.consistent is False else Tone.PLAIN
    in_short = describe_proof_in_short(status.proof)
    block = _labelled_block("PROOF", describe_proof(status.proof), width, priority=14, tone=tone, short=in_short)
    return [_Block(14, block.full, block.short, full_priority=3)]


def _finding_block(status: StatusMessage, prompt: OperatorPrompt, width: int) -> _Block:
    """The gravest finding, with its remedy, as far as the prompt does not give them; notes are left to ``eyebolt
    inspect``.
    """
    grave = [f for f in status.findings if f.severity is not Severity.NOTE]
    first = grave[0] if grave else None
    if first is None or not (_is_unsaid(first.message, prompt) or _is_unsaid(first.remedy, prompt)):
        return _Block(9, [], [])
    tone = Tone.BAD if first.severity is Severity.STOP else Tone.WAIT
    sentences = [first.message]
    if prompt.headline != "LOOSE" and _is_unsaid(first.remedy, prompt):
        sentences.append(first.remedy)
    if len(grave) > 1:
        sentences.append(f"and {len(grave) - 1} more")
    text = " ".join(sentence(words) for words in sentences)
    return _labelled_block(
        "FINDING", text, width, priority=9, tone=tone, short=f"{first.code}: eyebolt inspect shows it"
    )


def _labelled_block(
    name: str, text: str, width: int, *, priority: int, tone: Tone = Tone.PLAIN, short: str = ""
) -> _Block:
    """A block with a label at the left edge; its short form is one row, up to the end of a clause or ``short``."""
    lines = wrap(f"{name:<{_LABEL}}{text}", width, indent=_LABEL)
    if short and len(lines) > 1:
        text = short
    return _Block(
        priority,
        [Row(line, tone) for line in lines],
        [Row(f"{name:<{_LABEL}}{clause_that_fits(text, width - _LABEL)}", tone)],
    )


def status_line(status: StatusMessage | None, status_age_s: float, expected_station: str | None = None) -> str:
    """The status on one line, without times and connection messages: it changes only with an event."""
    if status is None or is_stale(status_age_s):
        return (
            "no status from the daemon. Start it on the cell's PC: eyebolt serve STATION; or check the address and the"
            " network."
        )
    prompt = operator_prompt_for(status, status_age_s, expected_station)
    if is_other_station(status, expected_station):
        return f"{prompt.headline} | {prompt.message} {prompt.remedy}"
    error = "not known" if status.p95_upper_mm is None else f"up to {status.p95_upper_mm:.2f} mm"
    parts = [
        f"{status.station} {status.session or 'no session'} {status.phase}",
        f"kept {status.kept} wanted {status.wanted} refused {status.refused} checks {status.checks}",
        f"{status.tolerance_of.value} error {error}, tolerance {status.tolerance_mm:.2f} mm",
    ]
    if status.last_reply is not None:
        reply = status.last_reply
        line = f"{_request_name(reply.seq)} code {reply.code} {reply.message}".rstrip()
        parts.append(f"{line} ({reply.remedy})" if reply.remedy else line)
    if status.result is not None:
        parts.append(f"result {result_line(status)}")
    if status.reservation:
        parts.append(f"but {status.reservation}")
    links = (("robot", status.robot), ("camera", status.camera))
    parts += [f"{name} {'online' if link.is_connected else 'offline'}" for name, link in links]
    return f"{prompt.headline} | " + " | ".join(parts)
