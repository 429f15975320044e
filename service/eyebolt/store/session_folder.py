"""The folder of one session: journal, images, configuration snapshots and result. README.md beside this file lists it.

``append`` and ``store_image`` return only when their data is durable. Not for use from several threads at once.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from eyebolt.bounded_file import read_bounded
from eyebolt.errors import RecordFault
from eyebolt.store import names
from eyebolt.store.filesystem import (
    FileSystem,
    access_of,
    make_durable_folder,
    read_fault,
    write_atomically,
    write_fault,
)
from eyebolt.store.images import HEAD_BYTES, Pixels, decode_image, encode_image, stated_bytes
from eyebolt.store.journal import HEADER, ReadResult, describe_loss, encode_padded, read_records, recover_journal

IMAGE_LOST_REMEDY = "restore it from a backup; its corners are in the journal, so its pair can be solved without it."

# Of a session of 1000 pairs, with a margin; of 100 million pixels of 6 bytes; of a station file or lens file.
_MAX_JOURNAL_BYTES, _MAX_IMAGE_BYTES, _MAX_SNAPSHOT_BYTES = 1 << 30, 1 << 30, 1 << 22


@dataclass(frozen=True)
class StoredImage:
    """An image file that is durable."""

    name: str
    """File name, such as ``0007.tif``."""
    digest_sha256: str
    """SHA-256 digest of the file, hexadecimal."""


class SessionFolder:
    """One open session; ``create``, ``open`` or ``open_read_only`` make it.

    ``records``: payloads of its journal; ``loss``: the damage found when it was opened, None without any.
    """

    def __init__(
        self,
        path: Path,
        files: FileSystem,
        descriptor: int | None,
        good_bytes: int,
        records: list[bytes],
        loss: str | None,
    ) -> None:
        self.path = path
        self.records = records
        self.loss = loss
        self._files = files
        self._descriptor = descriptor
        self._good_bytes = good_bytes
        self._tail_is_clean = True

    @classmethod
    def create(
        cls,
        record_folder: Path,
        name: str,
        snapshots: dict[str, bytes],
        files: FileSystem | None = None,
        first: Sequence[bytes] = (),
    ) -> SessionFolder:
        """A new session ``name`` (see ``session_name``) with its snapshots and ``first`` records, created atomically.

        Raises RecordFault: ``record-name``, ``record-exists``, ``record-write``.
        """
        files = files or FileSystem()
        path = names.session_path(record_folder, name)
        checked = {names.snapshot_file_name(snapshot): data for snapshot, data in snapshots.items()}
        if path.exists():
            message = f"the session {path} already exists"
            raise RecordFault("record-exists", message, "give the new session another name.", path=str(path))
        # Built under another name and renamed at the end: after a crash no incomplete folder is taken for a session.
        partial = record_folder / f".{name}.partial"
        descriptor: int | None = None
        lines = encode_padded(0, [HEADER, *first])
        journal = b"".join(lines)
        try:
            make_durable_folder(files, record_folder)
            if partial.exists():
                files.remove(partial)
            files.make_folder(partial)
            files.make_folder(partial / names.IMAGES_NAME)
            for snapshot, data in checked.items():
                write_atomically(files, partial / snapshot, data)
            descriptor = files.create(partial / names.JOURNAL_NAME)
            files.write(descriptor, journal, 0)
            files.sync(descriptor)
            files.sync_folder(partial)
            files.replace(partial, path)
            partial = path
            files.sync_folder(record_folder)
        except OSError as error:
            if descriptor is not None:
                with contextlib.suppress(OSError):
                    files.close(descriptor)
            with contextlib.suppress(OSError):
                files.remove(partial)
            raise write_fault("a new session", path, error) from None
        return cls(path, files, descriptor, len(journal), list(first), None)

    @classmethod
    def open(cls, path: Path, files: FileSystem | None = None) -> SessionFolder:
        """A session to be resumed. A damaged end of its journal is first moved aside; ``loss`` describes it.

        Only for the process that holds the RecordLock: the journal may be replaced. Opening again changes nothing more.
        Raises RecordFault: ``record-read``, ``record-version``, ``record-write``.
        """
        # A session stays as readable as it is.
        files = files or FileSystem(access=access_of(path))
        data = _journal_bytes(path)
        result = _read_records(path, data)
        journal = path / names.JOURNAL_NAME
        try:
            good_bytes, loss = recover_journal(files, journal, data, result)
            descriptor = files.open_existing(journal)
        except OSError as error:
            raise write_fault("the recovered journal", journal, error) from None
        return cls(path, files, descriptor, good_bytes, result.records, loss)

    @classmethod
    def open_read_only(cls, path: Path, files: FileSystem | None = None) -> SessionFolder:
        """A session to be read, even while a daemon writes it: nothing is recovered, and ``append`` is refused.

        ``loss`` describes a damaged end; in a session that is being written it may be an incomplete record.
        """
        data = _journal_bytes(path)
        result = _read_records(path, data)
        loss = describe_loss(data, result, None) if result.damage else None
        return cls(path, files or FileSystem(), None, result.valid_bytes, result.records, loss)

    def append(self, payloads: Sequence[bytes]) -> None:
        """Makes records durable, each one JSON object on one line, with one write and one sync; extends ``records``.

        Raises RecordFault ``record-write`` if the disk refuses: none of them counts then, the journal keeps its last
        good length, and a later append works again as soon as the disk does; ``record-payload`` as encode_record.
        """
        journal = self.path / names.JOURNAL_NAME
        descriptor = self._descriptor
        if descriptor is None:
            message = f"the session {self.path} is closed or opened read-only"
            raise RecordFault("record-write", message, "open the session for writing first.", path=str(journal))
        if not payloads:
            return
        lines = encode_padded(len(self.records) + 1, payloads, self._good_bytes)
        data = b"".join(lines)
        try:
            if not self._tail_is_clean:
                self._truncate_tail(descriptor)
            self._files.write(descriptor, data, self._good_bytes)
            self._files.sync(descriptor)
        except OSError as error:
            self._tail_is_clean = False
            # If this fails too, the next append begins with it.
            with contextlib.suppress(OSError):
                self._truncate_tail(descriptor)
            raise write_fault("the journal", journal, error) from None
        self._good_bytes += len(data)
        self.records.extend(payloads)

    def store_image(self, name: str, pixels: Pixels) -> StoredImage:
        """Stores pixels (H, W) or (H, W, 3: blue, green, red) of uint8 or uint16 as ``images/<name>``, durably.

        ``name`` such as ``0007.tif``. An existing image of that name, left by a crash before its record, is replaced.
        Raises RecordFault: ``record-name``, ``record-image`` (other pixels), ``record-write``.
        """
        file_name = names.image_file_name(name)
        path = self.path / names.IMAGES_NAME / file_name
        try:
            data = encode_image(pixels)
        except ValueError as error:
            message = f"the image {file_name} cannot be stored: {error}"
            raise RecordFault("record-image", message, "check the camera's pixel format.", path=str(path)) from None
        try:
            write_atomically(self._files, path, data)
        except OSError as error:
            raise write_fault("the image", path, error) from None
        return StoredImage(file_name, hashlib.sha256(data).hexdigest())

    def load_image(self, name: str) -> Pixels:
        """The pixels as they were stored; ``name`` as in the image's fact.

        Raises RecordFault ``record-name`` or ``record-read``.
        """
        path = self._image_path(name)
        head = _read_head(path)
        try:
            # One byte more shows a file that is longer than its header states.
            max_bytes = stated_bytes(head) + 1
            return decode_image(_read_file(path, "the image", IMAGE_LOST_REMEDY, max_bytes))
        except ValueError as error:
            raise read_fault("the image", path, f"cannot be used: {error}", IMAGE_LOST_REMEDY) from None

    def image_bytes(self, name: str) -> bytes:
        """An image's file as it is now. Raises RecordFault ``record-name`` or ``record-read``."""
        return _read_file(self._image_path(name), "the image", IMAGE_LOST_REMEDY, _MAX_IMAGE_BYTES)

    def snapshot(self, name: str) -> bytes:
        """A configuration file as it was when the session began.

        Raises RecordFault ``record-name`` or ``record-read``.
        """
        remedy = "restore the file from a backup of the session."
        path = self.path / names.snapshot_file_name(name)
        return _read_file(path, "the configuration snapshot", remedy, _MAX_SNAPSHOT_BYTES)

    def close(self) -> None:
        """Ends writing; may be called repeatedly."""
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is not None:
            with contextlib.suppress(OSError):
                self._files.close(descriptor)

    def __enter__(self) -> SessionFolder:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _image_path(self, name: str) -> Path:
        return self.path / names.IMAGES_NAME / names.image_file_name(name)

    def _truncate_tail(self, descriptor: int) -> None:
        self._files.truncate(descriptor, self._good_bytes)
        self._files.sync(descriptor)
        self._tail_is_clean = True


def _read_head(image: Path) -> bytes:
    try:
        with image.open("rb") as file:
            return file.read(HEAD_BYTES)
    except FileNotFoundError:
        raise read_fault("the image", image, "is missing", IMAGE_LOST_REMEDY) from None
    except OSError as error:
        raise read_fault("the image", image, f"cannot be read: {error.strerror}", IMAGE_LOST_REMEDY) from None


def _read_records(path: Path, data: bytes) -> ReadResult:
    try:
        return read_records(data)
    except RecordFault as fault:
        raise RecordFault(fault.code, f"{path}: {fault.message}", fault.remedy, **fault.data) from None


def _journal_bytes(path: Path) -> bytes:
    remedy = "name the folder of a session, one that holds a facts.journal."
    return _read_file(path / names.JOURNAL_NAME, "the journal", remedy, _MAX_JOURNAL_BYTES)


def _read_file(path: Path, subject: str, remedy: str, max_bytes: int) -> bytes:
    try:
        return read_bounded(path, max_bytes)
    except FileNotFoundError:
        raise read_fault(subject, path, "is missing", remedy) from None
    except OSError as error:
        raise read_fault(subject, path, f"cannot be read: {error.strerror}", remedy) from None
