"""The facts of recorded sessions, as anybody may read them from the disk."""

from eyebolt.session import Fact, ImageFact, decode_facts
from eyebolt.store.names import list_sessions
from eyebolt.store.session_folder import SessionFolder


def facts_in(session, kind=Fact):
    """The facts of one class (every one without it) in the session folder ``session``."""
    return [fact for fact in decode_facts(SessionFolder.open_read_only(session).records) if isinstance(fact, kind)]


def newest_facts(station_file, kind=Fact):
    """The same of the newest session of a station."""
    return facts_in(list_sessions(station_file.parent / "sessions")[-1], kind)


def images_of(records):
    """File name and digest of each image that a journal's records mention."""
    return [(fact.file, fact.sha256) for fact in decode_facts(records) if isinstance(fact, ImageFact)]
