"""``eyebolt watch``: the operator's screen, or one line per change where the output is not a terminal."""

from __future__ import annotations

import os
import select
import signal
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, nullcontext, suppress
from types import FrameType

import zmq
from rich.console import Console
from rich.text import Text

from eyebolt.monitor.control_client import ControlClient
from eyebolt.monitor.operator_keys import Bell, KeyRows, OperatorKeys
from eyebolt.monitor.operator_prompt import STALE_AFTER_S
from eyebolt.monitor.screen import render_screen, status_line
from eyebolt.monitor.subscriber import StatusSubscriber
from eyebolt.security import ClientKeys

# A daemon on a busy computer accepts a connection at once, and answers later.
ONCE_LIMIT_S = 15.0
_TICK_S = 0.25
# The whole screen is written again so often, in case another program wrote on it.
_REPAINT_S = 5.0
_BETWEEN_RINGS_S = 0.25
_UTF8_NAMES = ("utf-8", "utf8")


def watch(
    endpoint: str,
    keys: ClientKeys | None = None,
    once: bool = False,
    plain: bool = False,
    control: tuple[str, ClientKeys | None] | None = None,
    bell: bool = False,
) -> int:
    """Shows the status that a daemon publishes at ``endpoint`` until Ctrl-C; returns the exit code.

    ``once`` shows one status and returns 0, or 1 if none arrives within ``STALE_AFTER_S``; as long as a connection is
    open and its handshake not decided, it waits for ``ONCE_LIMIT_S``. With ``plain``, or an output
    that is not a terminal or a dumb one, it prints a line per change. ``keys``: for a daemon on another computer.
    ``control``: address of the control socket and the keys for it; on a screen, keys make requests there. ``bell``: the
    terminal's bell rings for each pair, kept or not. Raises MachineFault ``status-address``, ``control-address``.
    """
    with StatusSubscriber(endpoint, keys) as subscriber, _signals_as_interrupt():
        try:
            console = _console()
            if once:
                return _print_once(subscriber, console, plain)
            if plain or not _has_screen(console):
                return _print_changes(subscriber)
            with nullcontext() if control is None else ControlClient(*control) as client:
                return _run_screen(subscriber, console, client, bell)
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


def _screen_lines(
    subscriber: StatusSubscriber, console: Console, keys: KeyRows | None = None, control_note: str = ""
) -> list[str]:
    return render_screen(
        subscriber.status,
        subscriber.status_age_s,
        console.size.width,
        console.size.height,
        colour=console.color_system is not None and not console.no_color,
        ascii_only=ascii_only(os.environ, sys.stdout.encoding),
        note=subscriber.note or (f"keys are off: {control_note}" if control_note else ""),
        keys=keys,
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


def _run_screen(subscriber: StatusSubscriber, console: Console, client: ControlClient | None, bell: bool) -> int:
    drawn: tuple[object, ...] = ()
    drawn_s = float("-inf")
    rings = Bell()
    with _quiet_keyboard(reads_keys=client is not None) as keyboard, console.screen(hide_cursor=True) as screen:
        control = None if client is None or keyboard is None else _KeyControl(client, keyboard)
        while True:
            rows, note = (None, "") if control is None else control.step()
            content = (tuple(_screen_lines(subscriber, console, rows, note)), console.size)
            if content != drawn or time.monotonic() - drawn_s >= _REPAINT_S:
                text = Text.from_ansi("\n".join(content[0]), no_wrap=True, overflow="crop")
                screen.update(text)
                drawn, drawn_s = content, time.monotonic()
            if bell and subscriber.status is not None:
                _ring(rings.rings(subscriber.status))
            subscriber.wait(_TICK_S, () if control is None else control.sources)


def _ring(times: int) -> None:
    if times:
        sys.stdout.write("\a")
        sys.stdout.flush()
    if times > 1:
        # Terminals ring once for two bells in a row.
        time.sleep(_BETWEEN_RINGS_S)
        _ring(times - 1)


class _KeyControl:
    """Keys to the daemon's control socket, and its replies to the screen."""

    def __init__(self, client: ControlClient, keyboard: int) -> None:
        self._client = client
        self._keyboard: int | None = keyboard
        self._keys = OperatorKeys()
        self._was_reachable = False

    @property
    def sources(self) -> list[zmq.Socket[bytes] | int]:
        """What ends a wait."""
        return [self._client.socket, *([] if self._keyboard is None else [self._keyboard])]

    def step(self) -> tuple[KeyRows | None, str]:
        """Takes keys and replies; what the screen shows of them, and why the keys are off."""
        client, now_s = self._client, time.monotonic()
        for reply in client.poll():
            self._keys.replied(reply, now_s)
        if self._was_reachable and not client.is_reachable:
            self._keys.lost(now_s)
        self._was_reachable = client.is_reachable
        key = self._read_key()
        if not client.is_reachable or client.state is None or self._keyboard is None:
            return None, client.note
        if key is not None:
            request = self._keys.press(key, client.state, now_s)
            if request is not None:
                number = client.send(request.action, new=request.new, session=request.session, kept=request.kept)
                self._keys.sent(request, number is not None, now_s)
        return self._keys.rows(client.state, now_s), ""

    def _read_key(self) -> str | None:
        """The key that was pressed; None for none, empty for several at once: pasted text, the code of a cursor key."""
        if self._keyboard is None or not select.select([self._keyboard], [], [], 0)[0]:
            return None
        try:
            data = os.read(self._keyboard, 1024)
        except OSError:
            data = b""
        if not data:
            # The terminal has been closed.
            self._keyboard = None
            return None
        return data.decode("ascii", "replace") if len(data) == 1 else ""


@contextmanager
def _quiet_keyboard(reads_keys: bool) -> Iterator[int | None]:
    """Key presses neither show on the screen nor reach the shell afterwards; Ctrl-C still works.

    With ``reads_keys``: the descriptor from which single keys can be read, None where the input is not a terminal.
    Stopping the program from the keyboard (Ctrl-Z) is off then: the shell would take the terminal out of this mode.
    """
    try:
        import termios
    except ImportError:  # Windows
        yield None
        return
    try:
        keyboard = sys.stdin.fileno()
        before = termios.tcgetattr(keyboard)
    except (OSError, ValueError, AttributeError, termios.error):
        yield None
        return
    changed = list(before)
    changed[3] &= ~termios.ECHO
    if reads_keys:
        changed[3] &= ~termios.ICANON
        changed[6] = list(before[6])
        changed[6][termios.VMIN], changed[6][termios.VTIME] = 1, 0
        changed[6][termios.VSUSP] = b"\0"
    termios.tcsetattr(keyboard, termios.TCSAFLUSH if reads_keys else termios.TCSADRAIN, changed)
    try:
        yield keyboard if reads_keys else None
    finally:
        with suppress(termios.error):
            termios.tcsetattr(keyboard, termios.TCSAFLUSH, before)


@contextmanager
def _signals_as_interrupt() -> Iterator[None]:
    """SIGTERM, SIGHUP and SIGQUIT end the program as Ctrl-C does, so that the terminal is restored."""

    def end(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = {}
    for name in ("SIGTERM", "SIGHUP", "SIGQUIT"):
        number = getattr(signal, name, None)
        with suppress(ValueError):  # not in the main thread
            if number is not None:
                before[number] = signal.signal(number, end)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
