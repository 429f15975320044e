"""``eyebolt watch``: the operator's screen, or one line per change where the output is not a terminal."""

from __future__ import annotations

import os
import select
import signal
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, nullcontext, suppress
from dataclasses import dataclass
from types import FrameType

import zmq
from rich.console import Console, ScreenContext
from rich.text import Text

from eyebolt.monitor.control_client import ControlClient
from eyebolt.monitor.operator_keys import Bell, KeyRows, OperatorKeys
from eyebolt.monitor.operator_prompt import STALE_AFTER_S, describe_view, is_other_station
from eyebolt.monitor.overview import WatchedStation, render_overview
from eyebolt.monitor.screen import PictureArea, render_screen, render_screen_with_picture, status_line
from eyebolt.monitor.subscriber import ReceivedView, StatusSubscriber
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
    station: str | None = None,
    with_view: bool = False,
) -> int:
    """Shows the status that a daemon publishes at ``endpoint`` until Ctrl-C; returns the exit code.

    ``once`` shows one status and returns 0, or 1 if none arrives within ``STALE_AFTER_S``; as long as a connection is
    open and its handshake not decided, it waits for ``ONCE_LIMIT_S``. With ``plain``, or an output
    that is not a terminal or a dumb one, it prints a line per change. ``keys``: for a daemon on another computer.
    ``control``: address of the control socket and the keys for it; on a screen, keys make requests there. ``bell``: the
    terminal's bell rings for each pair, kept or not. ``station``: name of the station that is expected there; of
    another one nothing is shown but its name, and no key reaches it. ``with_view``: a screen also shows what the camera
    sees, which needs OpenCV. Raises MachineFault ``status-address``, ``control-address``.
    """

    def run() -> int:
        with StatusSubscriber(endpoint, keys) as subscriber:
            watched, console = _Watched(subscriber, endpoint, station), _console()
            if once:
                return _print_once([watched], console, plain)
            if plain or not _has_screen(console):
                return _print_changes([watched])
            with nullcontext() if control is None else ControlClient(*control) as client:
                return _run_screen(watched, console, client, bell, with_view)

    return _until_ended(run)


def watch_stations(
    sources: Sequence[tuple[str, str, ClientKeys | None]], once: bool = False, plain: bool = False
) -> int:
    """Shows several stations on one screen, the worst first, until Ctrl-C; returns the exit code.

    ``sources``: name, status address and keys of each. ``once`` and ``plain`` as in ``watch``; with ``once`` the exit
    code is 0 only if each station sent its status. Raises MachineFault ``status-address``.
    """

    def run() -> int:
        with ExitStack() as stack:
            watched = [
                _Watched(stack.enter_context(StatusSubscriber(endpoint, keys)), endpoint, name)
                for name, endpoint, keys in sources
            ]
            console = _console()
            if once:
                return _print_once(watched, console, plain)
            return _print_changes(watched) if plain or not _has_screen(console) else _run_overview(watched, console)

    return _until_ended(run)


def _until_ended(run: Callable[[], int]) -> int:
    with _signals_as_interrupt():
        try:
            return run()
        except KeyboardInterrupt:
            return 0
        except BrokenPipeError:
            # The reader of the pipe has closed it; without this, Python's flush at exit would report the same error.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return 0


@dataclass(frozen=True)
class _Watched:
    """A station that is watched, and the name that its status has to have."""

    subscriber: StatusSubscriber
    endpoint: str
    station: str | None

    @property
    def is_shown(self) -> bool:
        """Whether there is a status of this station."""
        status = self.subscriber.status
        return status is not None and not is_other_station(status, self.station)

    @property
    def line(self) -> str:
        """The status on one line, without a time."""
        return status_line(self.subscriber.status, self.subscriber.status_age_s, self.station)

    @property
    def plain_line(self) -> str:
        """The same with the time of the status."""
        status = self.subscriber.status
        return self.line if status is None else f"{status.timestamp} {self.line}"

    @property
    def is_pending(self) -> bool:
        """Whether a status may still come, as ``watch`` states for ``once``."""
        subscriber, age_s = self.subscriber, self.subscriber.status_age_s
        return subscriber.status is None and (
            age_s <= STALE_AFTER_S or (subscriber.is_pending and age_s <= ONCE_LIMIT_S)
        )

    @property
    def for_overview(self) -> WatchedStation:
        """What the screen of several stations needs."""
        subscriber = self.subscriber
        name = self.station or self.endpoint
        return WatchedStation(name, subscriber.status, subscriber.status_age_s, subscriber.note, self.station)


def _wait(watched: Sequence[_Watched], timeout_s: float) -> None:
    """Reads what arrives at any of them, at most ``timeout_s`` later."""
    first, *others = (station.subscriber for station in watched)
    first.wait(timeout_s, [subscriber.socket for subscriber in others])
    for subscriber in others:
        subscriber.wait(0.0)


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


def _allows_colour(console: Console) -> bool:
    return console.color_system is not None and not console.no_color


def _note(watched: _Watched, control_note: str) -> str:
    return watched.subscriber.note or (f"keys are off: {control_note}" if control_note else "")


def _screen_lines(
    watched: _Watched, console: Console, keys: KeyRows | None = None, control_note: str = ""
) -> list[str]:
    subscriber = watched.subscriber
    return render_screen(
        subscriber.status,
        subscriber.status_age_s,
        console.size.width,
        console.size.height,
        colour=_allows_colour(console),
        ascii_only=ascii_only(os.environ, sys.stdout.encoding),
        note=_note(watched, control_note),
        keys=keys,
        expected_station=watched.station,
    )


def _overview_lines(watched: Sequence[_Watched], console: Console) -> list[str]:
    return render_overview(
        [station.for_overview for station in watched],
        console.size.width,
        console.size.height,
        colour=_allows_colour(console),
        ascii_only=ascii_only(os.environ, sys.stdout.encoding),
    )


def _print_once(watched: Sequence[_Watched], console: Console, plain: bool) -> int:
    while any(station.is_pending for station in watched):
        _wait(watched, _TICK_S)
    if plain or not _has_screen(console):
        for station in watched:
            _print_line(_named(station, station.plain_line, watched))
            if station.subscriber.note:
                _print_line(_named(station, station.subscriber.note, watched))
    else:
        lines = _screen_lines(watched[0], console) if len(watched) == 1 else _overview_lines(watched, console)
        for line in lines[: console.size.height - 1]:
            console.print(Text.from_ansi(line), no_wrap=True, crop=True)
    return 0 if all(station.is_shown for station in watched) else 1


def _print_changes(watched: Sequence[_Watched]) -> int:
    last_lines, last_notes = [""] * len(watched), [""] * len(watched)
    while True:
        _wait(watched, _TICK_S)
        for number, station in enumerate(watched):
            subscriber, line = station.subscriber, station.line
            waiting = subscriber.status is None and subscriber.status_age_s <= STALE_AFTER_S
            if line != last_lines[number] and not waiting:
                _print_line(_named(station, station.plain_line, watched))
                last_lines[number] = line
            if subscriber.note != last_notes[number]:
                _print_line(_named(station, subscriber.note, watched))
                last_notes[number] = subscriber.note


def _named(station: _Watched, line: str, watched: Sequence[_Watched]) -> str:
    """A line that has to tell of which of several stations it is; a status names its own."""
    return line if len(watched) == 1 or station.is_shown else f"{station.station or station.endpoint}: {line}"


def _print_line(line: str) -> None:
    if ascii_only(os.environ, sys.stdout.encoding):
        line = line.encode("ascii", "replace").decode()
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def _run_screen(watched: _Watched, console: Console, client: ControlClient | None, bell: bool, with_view: bool) -> int:
    subscriber, rings = watched.subscriber, Bell()
    show_view = _ShownView(watched, console) if with_view else None
    with _quiet_keyboard(reads_keys=client is not None) as keyboard, console.screen(hide_cursor=True) as screen:
        control = None if client is None or keyboard is None else _KeyControl(client, keyboard)
        painter = _Painter(screen, console)
        while True:
            is_other = is_other_station(subscriber.status, watched.station)
            rows, note = (None, "") if control is None or is_other else control.step()
            if show_view is None:
                painter.paint(_screen_lines(watched, console, rows, note))
            else:
                painter.paint(*show_view.lines(rows, note))
            if bell and subscriber.status is not None and not is_other:
                _ring(rings.rings(subscriber.status))
            subscriber.wait(_TICK_S, () if control is None or is_other else control.sources)


def _run_overview(watched: Sequence[_Watched], console: Console) -> int:
    with _quiet_keyboard(reads_keys=False), console.screen(hide_cursor=True) as screen:
        painter = _Painter(screen, console)
        while True:
            painter.paint(_overview_lines(watched, console))
            _wait(watched, _TICK_S)


class _ShownView:
    """What the camera sees, beside the status. It is subscribed to only while there is room for it."""

    def __init__(self, watched: _Watched, console: Console) -> None:
        # The one part of the monitor that needs OpenCV.
        from eyebolt.monitor.graphics import GraphicsPicture
        from eyebolt.monitor.picture import picture_lines

        self._draw = picture_lines
        self._graphics = GraphicsPicture.of_terminal() if _allows_colour(console) else None
        self._watched, self._console = watched, console
        self._drawn: tuple[ReceivedView | None, PictureArea | None, list[str]] = (None, None, [])
        self._composed: tuple[object, list[str], PictureArea | None] = (None, [], None)
        self._composed_s = float("-inf")

    def lines(self, keys: KeyRows | None, control_note: str) -> tuple[list[str], PictureArea | None, list[str]]:
        """The screen's lines, where the picture stands, and its lines."""
        subscriber, console = self._watched.subscriber, self._console
        view = None if subscriber.view is None else subscriber.view.message
        caption = describe_view(view, subscriber.view_age_s)
        content = (subscriber.status, caption, keys, control_note, subscriber.note, console.size)
        # Ten pictures a second need no ten screens.
        if content != self._composed[0] or time.monotonic() - self._composed_s >= _TICK_S:
            self._composed = (
                content,
                *render_screen_with_picture(
                    subscriber.status,
                    subscriber.status_age_s,
                    view,
                    subscriber.view_age_s,
                    console.size.width,
                    console.size.height,
                    colour=_allows_colour(console),
                    ascii_only=ascii_only(os.environ, sys.stdout.encoding),
                    note=_note(self._watched, control_note),
                    keys=keys,
                    expected_station=self._watched.station,
                ),
            )
            self._composed_s = time.monotonic()
        _, lines, area = self._composed
        subscriber.subscribe_view(area is not None)
        return lines, area, [] if area is None else self._picture(area)

    def _picture(self, area: PictureArea) -> list[str]:
        view = self._watched.subscriber.view
        is_new = view is not self._drawn[0] or area != self._drawn[1]
        if is_new and self._graphics is not None and view is not None and view.jpeg:
            if self._graphics.is_due:
                self._drawn = (view, area, self._graphics.lines(view, area.size))
            return self._drawn[2]
        if is_new:
            colours = _allows_colour(self._console) and self._console.color_system in ("256", "truecolor")
            is_ascii = ascii_only(os.environ, sys.stdout.encoding)
            drawn = [] if view is None else self._draw(view, area.size, colours=colours, ascii_only=is_ascii)
            self._drawn = (view, area, drawn or [" " * area.size.columns] * area.size.rows)
        return self._drawn[2]


class _Painter:
    """Writes the screen where it has changed, and now and then in any case."""

    def __init__(self, screen: ScreenContext, console: Console) -> None:
        self._screen, self._console = screen, console
        self._painted: tuple[object, ...] = ()
        self._picture: Sequence[str] = ()
        self._painted_s = float("-inf")

    def paint(self, lines: Sequence[str], area: PictureArea | None = None, picture: Sequence[str] = ()) -> None:
        """``lines`` with escape codes, at most as many as the screen has; over them, in ``area``, a picture's."""
        content = (tuple(lines), self._console.size)
        is_due = content != self._painted or time.monotonic() - self._painted_s >= _REPAINT_S
        if is_due:
            # A picture has left the cursor elsewhere.
            self._console.file.write("\x1b[H")
            self._screen.update(Text.from_ansi("\n".join(lines), no_wrap=True, overflow="crop"))
            self._painted, self._painted_s = content, time.monotonic()
        if area is not None and (is_due or picture is not self._picture):
            # Not by rich, which would take ten times as long for as many colours.
            self._console.file.write("".join(f"\x1b[{area.top + 1 + i};1H{line}" for i, line in enumerate(picture)))
            self._console.file.flush()
        self._picture = picture


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
