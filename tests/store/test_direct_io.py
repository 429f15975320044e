"""Large files are the same bytes however they got to the disk."""

from __future__ import annotations

import errno
import fcntl
import mmap
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from eyebolt.store.filesystem import FileSystem, write_atomically

MIB = 1 << 20


def some(count: int) -> bytes:
    return np.random.default_rng(count).bytes(count)


@pytest.fixture
def past_cache(tmp_path: Path) -> None:
    """Skips where the file system of the tests does not support direct I/O."""
    descriptor = os.open(tmp_path / "probe", os.O_RDWR | os.O_CREAT)
    try:
        fcntl.fcntl(descriptor, fcntl.F_SETFL, fcntl.fcntl(descriptor, fcntl.F_GETFL) | os.O_DIRECT)
        os.pwrite(descriptor, mmap.mmap(-1, 4096), 0)
    except OSError as error:
        pytest.skip(f"nothing can be written past the cache here: {error}")
    finally:
        os.close(descriptor)
        (tmp_path / "probe").unlink()


def writes_to_come(monkeypatch: pytest.MonkeyPatch) -> list[tuple[bool, int]]:
    """Of each write to come: whether it goes past the cache, and how many bytes it wrote."""
    made: list[tuple[bool, int]] = []
    real = os.pwrite

    def pwrite(descriptor: int, data: Any, offset: int) -> int:
        count = real(descriptor, data, offset)
        made.append((bool(fcntl.fcntl(descriptor, fcntl.F_GETFL) & os.O_DIRECT), count))
        return count

    monkeypatch.setattr(os, "pwrite", pwrite)
    return made


@pytest.mark.parametrize("count", [0, 1, MIB - 1, MIB, MIB + 1, MIB + 4096, 3 * MIB + 4095, 5_013_760])
def test_what_is_written_is_read(tmp_path: Path, count: int) -> None:
    files = FileSystem()
    for data in (some(count), some(count)[::-1]):
        write_atomically(files, tmp_path / "image", data)
        assert (tmp_path / "image").read_bytes() == data


def test_a_smaller_image_after_a_larger_one(tmp_path: Path) -> None:
    files = FileSystem()
    for count in (3 * MIB + 7, 2 * MIB + 5, 4 * MIB):
        write_atomically(files, tmp_path / str(count), some(count))
        assert (tmp_path / str(count)).read_bytes() == some(count)


@pytest.mark.usefixtures("past_cache")
def test_only_large_files_pass_by_the_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made, files = writes_to_come(monkeypatch), FileSystem()
    write_atomically(files, tmp_path / "small", some(4096))
    assert made == [(False, 4096)]
    made.clear()
    write_atomically(files, tmp_path / "large", some(2 * MIB + 1))
    # The rest beyond whole sectors is written through the page cache.
    assert made == [(True, 2 * MIB), (False, 1)]


@pytest.mark.usefixtures("past_cache")
@pytest.mark.parametrize("refusal", [errno.EINVAL, errno.EOPNOTSUPP, errno.ENOMEM, errno.EIO])
@pytest.mark.parametrize("at", ["flags", "write"])
def test_where_it_cannot_be_done_the_cache_is_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, refusal: int, at: str
) -> None:
    refused: list[str] = []
    real_fcntl, real_pwrite = fcntl.fcntl, os.pwrite

    def fcntl_refusing(descriptor: int, what: int, argument: int = 0) -> Any:
        if at == "flags" and what == fcntl.F_SETFL and argument & os.O_DIRECT:
            refused.append(at)
            raise OSError(refusal, os.strerror(refusal))
        return real_fcntl(descriptor, what, argument)

    def pwrite_refusing(descriptor: int, data: Any, offset: int) -> int:
        if at == "write" and real_fcntl(descriptor, fcntl.F_GETFL) & os.O_DIRECT:
            refused.append(at)
            raise OSError(refusal, os.strerror(refusal))
        return real_pwrite(descriptor, data, offset)

    monkeypatch.setattr(fcntl, "fcntl", fcntl_refusing)
    monkeypatch.setattr(os, "pwrite", pwrite_refusing)
    write_atomically(FileSystem(), tmp_path / "image", some(2 * MIB + 1))
    assert refused == [at]
    assert (tmp_path / "image").read_bytes() == some(2 * MIB + 1)


@pytest.mark.usefixtures("past_cache")
def test_a_part_written_past_the_cache_is_completed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real, parts = os.pwrite, []

    def pwrite(descriptor: int, data: Any, offset: int) -> int:
        part = data[:8192] if not parts else data
        parts.append(len(part))
        return real(descriptor, part, offset)

    monkeypatch.setattr(os, "pwrite", pwrite)
    write_atomically(FileSystem(), tmp_path / "image", some(2 * MIB + 1))
    assert parts[0] == 8192 and len(parts) > 1
    assert (tmp_path / "image").read_bytes() == some(2 * MIB + 1)


def test_a_full_disk_is_reported_and_the_file_is_left_as_it_was_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def pwrite(descriptor: int, data: Any, offset: int) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "pwrite", pwrite)
    files = FileSystem()
    with pytest.raises(OSError) as caught:
        write_atomically(files, tmp_path / "image", some(2 * MIB))
    assert caught.value.errno == errno.ENOSPC
    assert list(tmp_path.iterdir()) == []
    descriptor = files.create(tmp_path / "image")
    with pytest.raises(OSError):
        files.write(descriptor, some(2 * MIB), 0)
    assert not fcntl.fcntl(descriptor, fcntl.F_GETFL) & os.O_DIRECT
    files.close(descriptor)
