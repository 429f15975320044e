"""``eyebolt watch``: the operator's screen, or one line per change where the output is not a terminal."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from types import FrameType

from rich.console import Console
from rich.text import Text

from eyebolt.monitor.operator_prompt import STALE_AFTER_S
from eyebolt.monitor.screen import render_screen, status_line
from eyebolt.monitor.subscriber import StatusSubscriber
from eyebolt.security import ClientKeys

# A daemon on a busy computer accepts a connection at once, and answers later.
ONCE_LIMIT_S = 15.0
_TICK_S = 0.25
# The whole screen is written again every 5 s, in case another program wrote on it.
_REPAINT_TICKS = 20
_UTF8_NAMES = ("utf-8", "utf8")


def watch(endpoint: str, keys: ClientKeys | None = None, once: bool = False, plain: bool = False) -> int:
    """Shows the status that a daemon publishes at ``endpoint`` until Ctrl-C; returns the exit code.

    ``once`` shows one status and returns 0, or 1 if none arrives within ``STALE_AFTER_S``; as long as a connection is
    open and its handshake not decided, it waits for ``ONCE_LIMIT_S``. With ``plain``, or an output
    that is not a terminal or a dumb one, it prints a line per change. ``keys``: for a daemon on another computer.
    Raises MachineFault ``status-address``.
    """
    with StatusSubscriber(endpoint, keys) as subscriber, _signals_as_interrupt():
        try:
            console = _console()
            if once:
                return _print_once(subscriber, console, plain)
            if plain or not _has_screen(console):
                return _print_changes(subscriber)
            return _run_screen(subscriber, console)
        except KeyboardInterrupt:
            return 0
        except BrokenPipeError:
            # The reader of the pipe has closed it; without this, Python's flush at exit would report the same error.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return 0


def ascii_only(environment: Mapping[str, str], encoding: str | None) -> bool:
    """Whether the terminal may be limited to ASCII, by the character set of its locale.

    Python's output encoding is not evidence: under the C locale Python writes UTF-8 as well, and may set LC_CTYPE to
    C.UTF-8 itself (PEP 538, 540).
    """
    if (encoding or "").lower() not in _UTF8_NAMES:
        return True
    overall, ctype, lang = (environment.get(name, "") for name in ("LC_ALL", "LC_CTYPE", "LANG"))
    if not overall and ctype in {"C.UTF-8", "C.utf8", "UTF-8"} and lang in {"", "C", "POSIX"}:
        return True
    chosen = overall or ctype or lang
    return not chosen.lower().endswith(_UTF8_NAMES)


def _console() -> Console:
    # COLUMNS and LINES do not follow the window; without them rich queries the terminal's size each time.
    environment = {name: value for name, value in os.environ.items() if name not in {"COLUMNS", "LINES"}}
    return Console(highlight=False, markup=False, emoji=False, _environ=environment)


def _has_screen(console: Console) -> bool:
    return sys.stdout.isatty() and not console.is_dumb_terminal


def _screen_lines(subscriber: StatusSubscriber, console: Console) -> list[str]:
    return render_screen(
        subscriber.status,
        subscriber.status_age_s,
        console.size.width,
        console.size.height,
        colour=console.color_system is not None and not console.no_color,
        ascii_only=ascii_only(os.environ, sys.stdout.encoding),
        note=subscriber.note,
    )


def _print_once(subscriber: StatusSubscriber, console: Console, plain: bool) -> int:
    while subscriber.status is None and (
        subscriber.status_age_s <= STALE_AFTER_S or (subscriber.is_pending and subscriber.status_age_s <= ONCE_LIMIT_S)
    ):
        subscriber.wait(_TICK_S)
    if plain or not _has_screen(console):
        _print_line(_plain_line(subscriber))
        if subscriber.note:
            _print_line(subscriber.note)
    else:
        for line in _screen_lines(subscriber, console)[: console.size.height - 1]:
            console.print(Text.from_ansi(line), no_wrap=True, crop=True)
    return 0 if subscriber.status is not None else 1


def _print_changes(subscriber: StatusSubscriber) -> int:
    last_line, last_note = "", ""
    while True:
        subscriber.wait(_TICK_S)
        line = status_line(subscriber.status, subscriber.status_age_s)
        waiting = subscriber.status is None and subscriber.status_age_s <= STALE_AFTER_S
        if line != last_line and not waiting:
            _print_line(_plain_line(subscriber))
            last_line = line
        if subscriber.note != last_note:
            _print_line(subscriber.note)
            last_note = subscriber.note


def _plain_line(subscriber: StatusSubscriber) -> str:
    line = status_line(subscriber.status, subscriber.status_age_s)
    return line if subscriber.status is None else f"{subscriber.status.timestamp} {line}"


def _print_line(line: str) -> None:
    if ascii_only(os.environ, sys.stdout.encoding):
        line = line.encode("ascii", "replace").decode()
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def _run_screen(subscriber: StatusSubscriber, console: Console) -> int:
    drawn: tuple[object, ...] = ()
    ticks = 0
    with _keyboard_echo_off(), console.screen(hide_cursor=True) as screen:
        while True:
            content = (tuple(_screen_lines(subscriber, console)), console.size)
            if content != drawn or ticks % _REPAINT_TICKS == 0:
                text = Text.from_ansi("\n".join(content[0]), no_wrap=True, overflow="crop")
                screen.update(text)
                drawn = content
            ticks += 1
            subscriber.wait(_TICK_S)


@contextmanager
def _keyboard_echo_off() -> Iterator[None]:
    """Accidental key presses neither show on the screen nor reach the shell afterwards; Ctrl-C still works."""
    try:
        import termios
    except ImportError:  # Windows
        yield
        return
    try:
        keyboard = sys.stdin.fileno()
        before = termios.tcgetattr(keyboard)
    except (OSError, ValueError, AttributeError, termios.error):
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
def _signals_as_interrupt() -> Iterator[None]:
    """SIGTERM and SIGHUP end the program as Ctrl-C does, so that the terminal is restored."""

    def end(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = {}
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        with suppress(ValueError):  # not in the main thread
            if number is not None:
                before[number] = signal.signal(number, end)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
