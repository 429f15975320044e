"""Who may read what the daemon records: permission bits of new folders and files."""

from __future__ import annotations

from enum import StrEnum

_READ_BY_OTHERS, _READ_BY_GROUP = 0o004, 0o040


class Access(StrEnum):
    """Who may read new folders and files; only their owner may write."""

    OWNER = "owner"
    """The user that made them."""
    GROUP = "group"
    """That user's group as well."""
    ALL = "all"
    """Every user of the computer."""

    @property
    def file_mode(self) -> int:
        """Permission bits of a file."""
        return {Access.OWNER: 0o600, Access.GROUP: 0o640, Access.ALL: 0o644}[self]

    @property
    def folder_mode(self) -> int:
        """Permission bits of a folder."""
        return {Access.OWNER: 0o700, Access.GROUP: 0o750, Access.ALL: 0o755}[self]

    @classmethod
    def of_mode(cls, mode: int) -> Access:
        """Who may read something with these permission bits."""
        if mode & _READ_BY_OTHERS:
            return cls.ALL
        return cls.GROUP if mode & _READ_BY_GROUP else cls.OWNER
