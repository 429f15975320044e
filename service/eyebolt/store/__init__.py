"""The session on disk: records, images and recovery. Handles bytes, not their meaning."""

from eyebolt.store.filesystem import FileSystem, access_of, read_fault, write_atomically, write_fault
from eyebolt.store.lock import RecordLock, results_lock
from eyebolt.store.names import ERROR_MAP_NAME, RESULT_NAME, list_sessions, session_name, session_path
from eyebolt.store.session_folder import SessionFolder
from eyebolt.store.verify import MAX_RESULT_BYTES, damaged_tails, find_damage

__all__ = [
    "ERROR_MAP_NAME",
    "MAX_RESULT_BYTES",
    "RESULT_NAME",
    "FileSystem",
    "RecordLock",
    "SessionFolder",
    "access_of",
    "damaged_tails",
    "find_damage",
    "list_sessions",
    "read_fault",
    "results_lock",
    "session_name",
    "session_path",
    "write_atomically",
    "write_fault",
]
