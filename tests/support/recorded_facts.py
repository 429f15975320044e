"""The facts of recorded sessions, as anybody may read them from the disk."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TypeVar

from eyebolt.session import Fact, ImageFact, decode_facts
from eyebolt.store.names import list_sessions
from eyebolt.store.session_folder import SessionFolder

F = TypeVar("F", bound=Fact)


def facts_in(session: Path, kind: type[F] = Fact) -> list[F]:  # type: ignore[assignment]
    """The facts of one class (every one without it) in the session folder ``session``."""
    return [fact for fact in decode_facts(SessionFolder.open_read_only(session).records) if isinstance(fact, kind)]


def newest_facts(station_file: Path, kind: type[F] = Fact) -> list[F]:  # type: ignore[assignment]
    """The same of the newest session of a station."""
    return facts_in(list_sessions(station_file.parent / "sessions")[-1], kind)


def images_of(records: Iterable[bytes]) -> list[tuple[str, str]]:
    """File name and digest of each image that a journal's records mention."""
    return [(fact.file, fact.sha256) for fact in decode_facts(records) if isinstance(fact, ImageFact)]
