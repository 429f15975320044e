"""The session on disk: records, images and recovery. Handles bytes, not their meaning."""

from eyebolt.store.filesystem import Files, read_fault, write_fault, write_whole
from eyebolt.store.lock import RecordLock
from eyebolt.store.names import ERROR_MAP_NAME, RESULT_NAME, list_sessions, session_folder, session_name
from eyebolt.store.session_folder import SessionFolder
from eyebolt.store.verify import damage_of, set_aside

__all__ = [
    "ERROR_MAP_NAME",
    "RESULT_NAME",
    "Files",
    "RecordLock",
    "SessionFolder",
    "damage_of",
    "list_sessions",
    "read_fault",
    "session_folder",
    "session_name",
    "set_aside",
    "write_fault",
    "write_whole",
]
