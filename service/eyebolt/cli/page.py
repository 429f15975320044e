"""``eyebolt page``: the status source and the record of the station, and the access to its page."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from eyebolt.cli.keys import status_source
from eyebolt.page import page_access, run_page


@dataclass(frozen=True)
class PageOptions:
    """The command's options."""

    address: str
    """``ADDRESS:PORT`` to serve at."""
    names: Sequence[str] = ()
    """Further names of this computer."""
    token: Path | None = None
    """Token file."""
    certificate: Path | None = None
    """TLS certificate."""
    private_key: Path | None = None
    """Its private key."""


def serve_page(
    station_file: Path | None,
    endpoint: str | None,
    key: Path | None,
    options: PageOptions,
    print_line: Callable[[str], None],
) -> None:
    """Serves the page of a station until Ctrl-C. Raises what ``page_access``, ``status_source`` and ``run_page`` do."""
    access = page_access(options.address, options.names, options.token, options.certificate, options.private_key)
    station, status, keys = status_source(station_file, endpoint, key)
    record_folder = None if endpoint is not None else _record_folder(station_file or Path("station.toml"))

    def ready() -> None:
        print_line(f"The page is at {access.origin}/ (Ctrl-C ends it).")
        if access.token is not None and sys.stdout.isatty():
            print_line(f"Open it once on each tablet with the token: {access.origin}/?token={access.token}")
        elif access.token is not None:
            # A log is read by others than the terminal is.
            print_line(f"Open it once on each tablet with ?token= and the content of {options.token} behind it.")

    run_page(status, keys, access, record_folder, ready, station)


def _record_folder(station_file: Path) -> Path:
    from eyebolt.context import load_station

    return station_file.parent / load_station(station_file).record.folder
