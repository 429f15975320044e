"""``eyebolt watch``: the operator's screen, or one line per change where there is no screen."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from types import FrameType

from rich.console import Console
from rich.text import Text

from eyebolt.monitor.operator_prompt import SILENT_AFTER_S
from eyebolt.monitor.screen import draw, line_of, wall_of
from eyebolt.monitor.subscriber import Listener
from eyebolt.security import ClientKeys

_TICK_S = 0.25
# Now and then the whole screen is written again, in case something else wrote on it.
_REPAINT_TICKS = 20
_UNICODE_NAMES = ("utf-8", "utf8")


def watch(endpoint: str, keys: ClientKeys | None = None, once: bool = False, plain: bool = False) -> int:
    """Shows the status that a daemon publishes at ``endpoint`` until Ctrl-C; the exit code.

    ``once`` shows one status and returns: 0, or 1 if no daemon was heard in a few seconds. ``plain``, or an output
    that is no terminal (or a dumb one), gets a line per change.
    ``keys``: for a daemon on another computer. Raises MachineFault ``status-address``.
    """
    with Listener(endpoint, keys) as listener, _ended_by_signal():
        try:
            console = _console()
            if once:
                return _show_once(listener, console, plain)
            if plain or not _has_screen(console):
                return _follow(listener)
            return _fill_screen(listener, console)
        except KeyboardInterrupt:
            return 0
        except BrokenPipeError:
            # The reader of a pipe went away; Python's own flush at the end must not complain about it.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return 0


def ascii_only(environment: Mapping[str, str], encoding: str | None) -> bool:
    """Whether to keep to ASCII: the locale's character set says what the terminal shows, not what Python can write.

    Under the C locale Python writes UTF-8 all the same, and may set LC_CTYPE to C.UTF-8 by itself (PEP 538, 540).
    """
    if (encoding or "").lower() not in _UNICODE_NAMES:
        return True
    overall, ctype, lang = (environment.get(name, "") for name in ("LC_ALL", "LC_CTYPE", "LANG"))
    if not overall and ctype in {"C.UTF-8", "C.utf8", "UTF-8"} and lang in {"", "C", "POSIX"}:
        return True
    chosen = overall or ctype or lang
    return not chosen.lower().endswith(_UNICODE_NAMES)


def _console() -> Console:
    # Without COLUMNS and LINES, which do not change with the window, the size is asked of the terminal each time.
    environment = {name: value for name, value in os.environ.items() if name not in {"COLUMNS", "LINES"}}
    return Console(highlight=False, markup=False, emoji=False, _environ=environment)


def _has_screen(console: Console) -> bool:
    return sys.stdout.isatty() and not console.is_dumb_terminal


def _lines(listener: Listener, console: Console) -> list[str]:
    return draw(
        listener.status,
        listener.silent_s,
        console.size.width,
        console.size.height,
        colour=console.color_system is not None and not console.no_color,
        ascii_only=ascii_only(os.environ, sys.stdout.encoding),
        note=listener.note,
    )


def _show_once(listener: Listener, console: Console, plain: bool) -> int:
    while listener.status is None and listener.silent_s <= SILENT_AFTER_S:
        listener.wait(_TICK_S)
    if plain or not _has_screen(console):
        _say(_plain_line(listener))
        if listener.note:
            _say(listener.note)
    else:
        for line in _lines(listener, console)[: console.size.height - 1]:
            console.print(Text.from_ansi(line), no_wrap=True, crop=True)
    return 0 if listener.status is not None else 1


def _follow(listener: Listener) -> int:
    said, noted = "", ""
    while True:
        listener.wait(_TICK_S)
        line = line_of(listener.status, listener.silent_s)
        waiting = listener.status is None and listener.silent_s <= SILENT_AFTER_S
        if line != said and not waiting:
            _say(_plain_line(listener))
            said = line
        if listener.note != noted:
            _say(listener.note)
            noted = listener.note


def _plain_line(listener: Listener) -> str:
    wall = wall_of(listener.status)
    line = line_of(listener.status, listener.silent_s)
    return f"{wall} {line}" if wall else line


def _say(line: str) -> None:
    if ascii_only(os.environ, sys.stdout.encoding):
        line = line.encode("ascii", "replace").decode()
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def _fill_screen(listener: Listener, console: Console) -> int:
    painted: tuple[object, ...] = ()
    ticks = 0
    with _quiet_keyboard(), console.screen(hide_cursor=True) as screen:
        while True:
            picture = (tuple(_lines(listener, console)), console.size)
            if picture != painted or ticks % _REPAINT_TICKS == 0:
                text = Text.from_ansi("\n".join(picture[0]), no_wrap=True, overflow="crop")
                screen.update(text)
                painted = picture
            ticks += 1
            listener.wait(_TICK_S)


@contextmanager
def _quiet_keyboard() -> Iterator[None]:
    """Keys that are leant on do not show on the screen, nor reach the shell afterwards; Ctrl-C works as ever."""
    try:
        import termios

        keyboard = sys.stdin.fileno()
        before = termios.tcgetattr(keyboard)
    except (ImportError, OSError, ValueError, AttributeError, termios.error):
        yield
        return
    changed = list(before)
    changed[3] &= ~termios.ECHO
    termios.tcsetattr(keyboard, termios.TCSADRAIN, changed)
    try:
        yield
    finally:
        with suppress(termios.error):
            termios.tcsetattr(keyboard, termios.TCSAFLUSH, before)


@contextmanager
def _ended_by_signal() -> Iterator[None]:
    """A polite kill or a closed window ends the program as Ctrl-C does, so that the terminal is put back in order."""

    def end(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = {}
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        with suppress(ValueError):  # only the main thread may
            if number is not None:
                before[number] = signal.signal(number, end)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
