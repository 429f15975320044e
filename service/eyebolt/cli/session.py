"""``eyebolt session``: the operator's requests to a running daemon."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from eyebolt.addresses import is_remote_endpoint
from eyebolt.cli.keys import is_endpoint
from eyebolt.errors import InputFault, MachineFault
from eyebolt.monitor import ControlClient
from eyebolt.protocol import ControlAction, ControlOutcome, ControlReply
from eyebolt.security import ClientKeys, read_client_keys

EXIT_REFUSED = 3
"""The session refused the request: the pair is not kept, or the record cannot be written."""
EXIT_UNCONFIRMED = 4
"""A session with pairs is open, and nobody confirmed that another one is to be begun."""
# Outcomes with which nothing was done, as codes of a fault.
_FAULT_CODES = {
    ControlOutcome.UNCONFIRMED: "session-open",
    ControlOutcome.CHANGED: "session-changed",
    ControlOutcome.NO_SESSION: "session-none",
    ControlOutcome.NO_LIVE_POSE: "no-live-pose",
    ControlOutcome.BUSY: "control-busy",
    ControlOutcome.INVALID: "control-version",
}


def control_source(
    station_file: Path | None, endpoint: str | None, key: Path | None
) -> tuple[str, ClientKeys | None] | None:
    """Control address of a station and the keys for it; None if the station file has none.

    Raises MachineFault ``control-address``, InputFault ``keys-needed``, and those of station file and key files.
    """
    keys = None if key is None else read_client_keys(key)
    if endpoint is not None:
        if not is_endpoint(endpoint):
            raise MachineFault(
                "control-address",
                f"'{endpoint}' is not a valid control address",
                "give the daemon's control address as tcp://HOST:PORT, with the port in figures.",
                endpoint=endpoint,
            )
        if keys is None and endpoint.startswith("tcp://") and is_remote_endpoint(endpoint):
            message = f"{endpoint} is on another computer, where requests require an operator's key"
            remedy = "on the cell's PC: eyebolt keys STATION --operator NAME; then here: --key FILE."
            raise InputFault("keys-needed", message, remedy, endpoint=endpoint)
        return endpoint, keys
    from eyebolt.context import load_station, local_control_source

    station_file = station_file or Path("station.toml")
    return local_control_source(station_file, load_station(station_file), keys)


def run_session(
    action: ControlAction,
    source: tuple[str, ClientKeys | None] | None,
    new: bool,
    print_line: Callable[[str], None],
    ask: Callable[[str], bool] | None,
) -> int:
    """Has the daemon carry out a request, and prints what became of it; the exit code.

    ``ask`` asks a person to confirm; None where nobody can be asked. Raises InputFault ``control-none``,
    ``session-none``, ``session-changed``, ``no-live-pose``, ``control-busy``, ``control-version`` and those of
    ``ControlClient``.
    """
    if source is None:
        raise InputFault(
            "control-none",
            "the station file has no address for requests of the operator",
            'add control = "tcp://127.0.0.1:4752" to [station], and restart the daemon.',
        )
    with ControlClient(*source) as client:
        if action in (ControlAction.UNDO, ControlAction.FINISH):
            # What is undone or finished is what is there now, not what another request has made of it meanwhile.
            state = client.ask(ControlAction.STATE)
            reply = client.ask(action, session=state.session, kept=None if state.session is None else state.kept)
        else:
            reply = client.ask(action, new=new)
        if reply.outcome is ControlOutcome.UNCONFIRMED and ask is not None and ask(f"{reply.message}. Begin it?"):
            reply = client.ask(action, new=True)
    if reply.outcome is ControlOutcome.UNCONFIRMED:
        print_line(f"{reply.message}: nothing was done")
        print_line(f"  What to do: {reply.remedy}")
        return EXIT_UNCONFIRMED
    if reply.outcome in _FAULT_CODES:
        raise InputFault(_FAULT_CODES[reply.outcome], reply.message, reply.remedy)
    for line in _lines(action, reply):
        print_line(line)
    return 0 if reply.outcome is ControlOutcome.DONE else EXIT_REFUSED


def _lines(action: ControlAction, reply: ControlReply) -> list[str]:
    code = "" if reply.code is None else f" ({reply.code})"
    where = f"session {reply.session}, {reply.kept} kept, {reply.wanted} more wanted" if reply.session else "no session"
    lines = [f"{action}: {reply.outcome}{code}: {reply.message}; {where}"]
    if reply.remedy:
        lines.append(f"  What to do: {reply.remedy}")
    return lines


def person_at_terminal() -> bool:
    """Whether somebody can be asked."""
    return sys.stdin.isatty() and sys.stdout.isatty()
