"""A session's folder on a real disk: round trip, recovery, refusals, a disk that fails at every single call."""

from __future__ import annotations

import errno
import hashlib
import itertools
import json
import os
import stat
import struct
import zlib
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import cv2
import numpy as np
import pytest

from eyebolt.access import Access
from eyebolt.errors import RecordFault
from eyebolt.store.filesystem import FileSystem, write_atomically, write_fault
from eyebolt.store.images import encode_image, stated_bytes
from eyebolt.store.names import RESULT_NAME, list_sessions, session_name
from eyebolt.store.session_folder import SessionFolder
from support.crash_disk import CrashDisk, PowerCut

NAME = "20260314-091500-01"
IMAGE = "0007.tif"
SNAPSHOTS = {"station.toml": b'[station]\nname = "bay-3"\n', "camera.json": b"{}"}
CHANGES = ("make_folder", "create", "open_existing", "write", "truncate", "sync", "sync_folder", "replace", "remove")


def record(**fields: object) -> bytes:
    """A record's payload."""
    return json.dumps(fields, ensure_ascii=False, separators=(",", ":")).encode("utf-8")


class FailingFiles(FileSystem):
    """Fails the calls with the given numbers (from 0); a failing write leaves half of its data behind."""

    def __init__(self, failing: Callable[[int], bool], error: int = errno.ENOSPC) -> None:
        super().__init__()
        self.calls: list[str] = []
        self._failing = failing
        self._error = error
        for operation in CHANGES:
            setattr(self, operation, self._counted(operation, getattr(super(), operation)))

    def _counted(self, operation: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any) -> Any:
            self.calls.append(operation)
            if not self._failing(len(self.calls) - 1):
                return real(*arguments)
            if operation == "write":
                descriptor, data, offset = arguments
                real(descriptor, data[: len(data) // 2], offset)
            return self._fail()

        return call

    def _fail(self) -> Any:
        raise OSError(self._error, os.strerror(self._error))


def cut_at(root: Path, number: int) -> CrashDisk:
    """A disk at ``root`` that loses power when this call is made."""
    disk = CrashDisk(root, Random(number))

    def cut(made: int, call: str) -> None:
        if made == number:
            raise PowerCut

    disk.fails = cut
    return disk


def never(_: int) -> bool:
    return False


def gradient(dtype: type, channels: int = 1) -> np.ndarray:
    shape = (40, 60) if channels == 1 else (40, 60, channels)
    return np.random.default_rng(5).integers(0, np.iinfo(dtype).max, shape, dtype=dtype, endpoint=True)


def write_result(session: SessionFolder, files: FileSystem, text: str) -> None:
    """As the daemon writes it."""
    path = session.path / RESULT_NAME
    try:
        write_atomically(files, path, text.encode())
    except OSError as error:
        raise write_fault("the result", path, error) from None


def test_a_session_there_and_back(tmp_path: Path) -> None:
    with SessionFolder.create(tmp_path / "a" / "sessions", NAME, SNAPSHOTS) as session:
        session.append([record(n=1), record(n=2, pose=(0.1, 2))])
        session.append([])
        session.append([record(text="ä\r\n\u2028")])
        write_result(session, FileSystem(), "{}\n")
        write_result(session, FileSystem(), '{"verdict": "accept"}\n')
        written = session.records
    path = tmp_path / "a" / "sessions" / NAME
    assert sorted(p.name for p in path.iterdir()) == [
        "camera.json",
        "facts.journal",
        "images",
        "result.json",
        "station.toml",
    ]
    assert list_sessions(tmp_path / "a" / "sessions") == [path]
    with SessionFolder.open(path) as again:
        assert again.loss is None
        assert again.records == written == [record(n=1), record(n=2, pose=[0.1, 2]), record(text="ä\r\n\u2028")]
        again.append([record(n=4)])
        assert again.snapshot("station.toml") == SNAPSHOTS["station.toml"]
    assert len(SessionFolder.open_read_only(path).records) == 4
    assert (path / "result.json").read_text() == '{"verdict": "accept"}\n'
    assert [line.split(b" ")[1] for line in (path / "facts.journal").read_bytes().splitlines()] == [
        b"%010d" % n for n in range(5)
    ]


@pytest.mark.parametrize(("dtype", "channels"), [(np.uint8, 1), (np.uint16, 1), (np.uint8, 3), (np.uint16, 3)])
def test_images_are_lossless(tmp_path: Path, dtype: type, channels: int) -> None:
    session = SessionFolder.create(tmp_path, NAME, {})
    pixels = gradient(dtype, channels)
    stored = session.store_image(IMAGE, pixels[:, ::-1])
    path = session.path / "images" / IMAGE
    assert stored.name == IMAGE
    assert stored.digest_sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    loaded = session.load_image(IMAGE)
    assert loaded.dtype == dtype and np.array_equal(loaded, pixels[:, ::-1])
    assert loaded.flags.writeable
    # An independent reader opens it too.
    assert np.array_equal(cv2.imread(str(path), cv2.IMREAD_UNCHANGED), pixels[:, ::-1])
    assert [p.name for p in (session.path / "images").iterdir()] == [IMAGE]
    session.close()


def test_missing_and_damaged_images_are_reported(tmp_path: Path) -> None:
    session = SessionFolder.create(tmp_path, NAME, {})
    session.store_image(IMAGE, gradient(np.uint8))
    path = session.path / "images" / IMAGE
    good = path.read_bytes()
    for place in range(0, len(good), 97):
        flipped = bytearray(good)
        flipped[place] ^= 4
        for damaged in (bytes(flipped), good[:place], good + b"x"):
            path.write_bytes(damaged)
            with pytest.raises(RecordFault) as caught:
                session.load_image(IMAGE)
            assert caught.value.code == "record-read" and caught.value.remedy
    with pytest.raises(RecordFault, match="missing"):
        session.load_image("0008.tif")
    session.close()


@pytest.mark.parametrize(
    "pixels",
    [
        np.zeros((4, 4)),
        np.zeros((4, 4), bool),
        np.zeros((0, 4), np.uint8),
        np.zeros((4, 4, 2), np.uint8),
        np.zeros(4, np.uint8),
    ],
    ids=lambda p: f"{p.dtype}{p.shape}",
)
def test_other_pixels_are_refused(tmp_path: Path, pixels: np.ndarray) -> None:
    with SessionFolder.create(tmp_path, NAME, {}) as session, pytest.raises(RecordFault) as caught:
        session.store_image("0001.tif", pixels)
    assert caught.value.code == "record-image"


@pytest.mark.parametrize(
    "name",
    [
        "",
        ".",
        "..",
        "../x",
        "a/b",
        "/etc/x",
        "x\0",
        "x\n",
        ".hidden",
        "a b",
        "é",
        "x" * 200,
        "x.png.png",
        "x.txt",
        "x",
        ".tif",
        "x.TIF",
    ],
)
def test_invalid_names_never_become_paths(tmp_path: Path, name: str) -> None:
    with SessionFolder.create(tmp_path, NAME, {}) as session:
        for call in (
            lambda: session.store_image(name, gradient(np.uint8)),
            lambda: session.load_image(name),
            lambda: SessionFolder.create(tmp_path, name, {}),
        ):
            with pytest.raises(RecordFault) as caught:
                call()
            assert caught.value.code == "record-name"
    if not name.startswith("x.") and name != "x":
        with pytest.raises(RecordFault):
            SessionFolder.create(tmp_path, "20260314-091500-02", {name: b""})
    assert [p.name for p in tmp_path.iterdir()] == [NAME]


@pytest.mark.parametrize("name", ["facts.journal", "facts.damaged-1", "result.json", "images"])
def test_a_keepsake_cannot_take_the_place_of_the_sessions_own_files(tmp_path: Path, name: str) -> None:
    with pytest.raises(RecordFault) as caught:
        SessionFolder.create(tmp_path, NAME, {name: b""})
    assert caught.value.code == "record-name"
    assert list(tmp_path.iterdir()) == []


def test_an_existing_session_is_not_written_over(tmp_path: Path) -> None:
    with SessionFolder.create(tmp_path, NAME, {}) as session:
        session.append([record(n=1)])
    with pytest.raises(RecordFault) as caught:
        SessionFolder.create(tmp_path, NAME, {})
    assert caught.value.code == "record-exists"
    assert SessionFolder.open_read_only(session.path).records == [record(n=1)]


def test_every_torn_end_is_moved_aside_once(tmp_path: Path) -> None:
    with SessionFolder.create(tmp_path, NAME, {}) as session:
        session.append([record(n=1), record(n=2)])
    journal = session.path / "facts.journal"
    whole = journal.read_bytes()
    ends = [i + 1 for i, byte in enumerate(whole) if byte == 0x0A]
    # Anywhere in the text, and here and there in the padding.
    for cut in [i for i in range(len(whole) + 1) if whole[i - 1 : i] != b" " or i % 509 == 0]:
        journal.write_bytes(whole[:cut])
        for old in session.path.glob("facts.damaged-*"):
            old.unlink()
        good = max([end for end in ends if end <= cut], default=0)
        viewed = SessionFolder.open_read_only(session.path)
        assert journal.read_bytes() == whole[:cut]
        with SessionFolder.open(session.path) as first:
            assert len(first.records) == max(0, sum(end <= cut for end in ends) - 1)
            assert viewed.records == first.records
            assert (first.loss is None) == (viewed.loss is None) == (cut in ends)
            first.append([record(n="new")])
        kept = [p.read_bytes() for p in session.path.glob("facts.damaged-*")]
        assert kept == ([whole[good:cut]] if cut > good else [])
        with SessionFolder.open(session.path) as second:
            assert second.loss is None
            assert second.records == [*first.records[:-1], record(n="new")]


def test_damage_in_the_middle_says_what_can_still_be_read(tmp_path: Path) -> None:
    with SessionFolder.create(tmp_path, NAME, {}) as session:
        session.append([record(n=n) for n in range(1, 7)])
    journal = session.path / "facts.journal"
    data = bytearray(journal.read_bytes())
    place = data.index(b'{"n":3}')
    data[place + 5] ^= 1
    journal.write_bytes(data)
    with SessionFolder.open(session.path) as opened:
        assert opened.records == [record(n=1), record(n=2)]
        assert opened.loss is not None
        for words in ("record 3", "checksum", "2 records before it are kept", "3 later records", "facts.damaged-1"):
            assert words in opened.loss
    # The same again beside an older damaged end with other content.
    with SessionFolder.open(session.path) as opened:
        opened.append([record(n=3)])
    with journal.open("ab") as torn:
        torn.write(b"00000007 00")
    with SessionFolder.open(session.path) as opened:
        assert "facts.damaged-2" in str(opened.loss)
    assert (session.path / "facts.damaged-2").read_bytes() == b"00000007 00"


def test_a_journal_of_a_newer_version_is_left_alone(tmp_path: Path) -> None:
    from eyebolt.store.journal import encode_record

    with SessionFolder.create(tmp_path, NAME, {}) as session:
        pass
    newer = encode_record(0, record(format="eyebolt-facts", version=2)) + b"something else\n"
    (session.path / "facts.journal").write_bytes(newer)
    for way in (SessionFolder.open, SessionFolder.open_read_only):
        with pytest.raises(RecordFault) as caught:
            way(session.path)
        assert caught.value.code == "record-version"
    assert (session.path / "facts.journal").read_bytes() == newer


def test_a_path_that_is_no_session_is_reported(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for path in (tmp_path / "missing", tmp_path, tmp_path / "file"):
        with pytest.raises(RecordFault) as caught:
            SessionFolder.open(path)
        assert caught.value.code == "record-read"


def test_a_full_disk_leaves_the_journal_good_and_a_later_append_works(tmp_path: Path) -> None:
    full = [False]
    files = FailingFiles(lambda number: full[0])
    session = SessionFolder.create(tmp_path, NAME, {}, files=files)
    session.append([record(n=1)])
    before = (session.path / "facts.journal").read_bytes()
    full[0] = True
    for _ in range(2):
        with pytest.raises(RecordFault) as caught:
            session.append([record(n="lost"), record(n="lost too")])
        assert caught.value.code == "record-write" and caught.value.data["errno"] == errno.ENOSPC
        assert "free space" in caught.value.remedy
        with pytest.raises(RecordFault):
            session.store_image("0001.tif", gradient(np.uint8))
        with pytest.raises(OSError):
            write_atomically(files, session.path / RESULT_NAME, b"{}")
    assert session.records == [record(n=1)]
    full[0] = False
    session.append([record(n=2)])
    session.store_image("0001.tif", gradient(np.uint8))
    session.close()
    assert (session.path / "facts.journal").read_bytes().startswith(before)
    assert SessionFolder.open_read_only(session.path).records == [record(n=1), record(n=2)]
    assert SessionFolder.open_read_only(session.path).loss is None


@pytest.mark.parametrize("operation", ["write", "sync"])
def test_a_failed_append_is_cut_off_at_once(tmp_path: Path, operation: str) -> None:
    armed = [False]

    def fails_once(number: int) -> bool:
        hit = armed[0] and files.calls[number] == operation
        armed[0] = armed[0] and not hit
        return hit

    files = FailingFiles(fails_once)
    with SessionFolder.create(tmp_path, NAME, {}, files=files) as session:
        session.append([record(n=1)])
        before = (session.path / "facts.journal").read_bytes()
        armed[0] = True
        with pytest.raises(RecordFault):
            session.append([record(n="lost")])
        assert (session.path / "facts.journal").read_bytes() == before


def run_a_session(record_folder: Path, files: FileSystem, acknowledged: list[Any]) -> None:
    """Create, append, image, append, reopen over a torn end, append; notes what was acknowledged."""
    with SessionFolder.create(record_folder, NAME, SNAPSHOTS, files=files) as session:
        acknowledged.append("created")
        session.append([record(n=1), record(n=2)])
        acknowledged += [1, 2]
        session.store_image("0001.tif", gradient(np.uint8))
        acknowledged.append("image")
        session.append([record(n=3)])
        acknowledged.append(3)
        write_result(session, files, "{}")
        acknowledged.append("result")
    with SessionFolder.open(record_folder / NAME, files=files) as session:
        session.append([record(n=4)])
        acknowledged.append(4)


def check_what_is_there(record_folder: Path, acknowledged: list[Any]) -> None:
    """Everything acknowledged is there, and what is there is a prefix of what was written."""
    sessions = list_sessions(record_folder)
    if "created" in acknowledged:
        assert [path.name for path in sessions] == [NAME]
    for path in sessions:
        with SessionFolder.open(path) as session:
            numbers = [json.loads(record)["n"] for record in session.records]
            assert numbers == [1, 2, 3, 4][: len(numbers)]
            assert len(numbers) >= sum(isinstance(item, int) for item in acknowledged)
            assert {name: session.snapshot(name) for name in SNAPSHOTS} == SNAPSHOTS
            if "image" in acknowledged:
                assert np.array_equal(session.load_image("0001.tif"), gradient(np.uint8))
            if "result" in acknowledged:
                assert (path / "result.json").read_text() == "{}"
            session.append([record(n="after")])


def test_a_failure_of_any_single_call_is_a_fault_and_loses_nothing_acknowledged(tmp_path: Path) -> None:
    counting = FailingFiles(never)
    run_a_session(tmp_path / "count", counting, [])
    assert len(counting.calls) > 30
    for number in range(len(counting.calls)):
        folder, acknowledged = tmp_path / str(number), []
        with pytest.raises(RecordFault) as caught:
            run_a_session(folder, FailingFiles(lambda n, number=number: n == number), acknowledged)
        assert caught.value.code == "record-write", (number, counting.calls[number])
        check_what_is_there(folder, acknowledged)
        if "created" not in acknowledged:
            SessionFolder.create(folder, NAME, SNAPSHOTS).close()


def test_a_disk_that_refuses_everything_from_some_call_on(tmp_path: Path) -> None:
    counting = FailingFiles(never)
    run_a_session(tmp_path / "count", counting, [])
    for number in range(len(counting.calls)):
        folder, acknowledged = tmp_path / str(number), []
        with pytest.raises(RecordFault):
            run_a_session(folder, FailingFiles(lambda n, number=number: n >= number, errno.EIO), acknowledged)
        check_what_is_there(folder, acknowledged)


def test_a_power_cut_at_any_call_loses_nothing_acknowledged(tmp_path: Path) -> None:
    for number in itertools.count():
        folder, acknowledged = tmp_path / str(number), []
        folder.mkdir()
        files = cut_at(folder, number)
        try:
            run_a_session(folder, files, acknowledged)
        except PowerCut:
            files.after_power_cut(tmp_path / f"{number}-left", Random(number))
            check_what_is_there(tmp_path / f"{number}-left", acknowledged)
        else:
            break
    assert number > 30


def test_a_power_cut_during_recovery_can_be_recovered(tmp_path: Path) -> None:
    for number in itertools.count():
        folder = tmp_path / str(number)
        with SessionFolder.create(folder, NAME, {}) as session:
            session.append([record(n=1), record(n=2)])
        journal = session.path / "facts.journal"
        torn = journal.read_bytes()[:-4]
        journal.write_bytes(torn)
        files = cut_at(folder, number)
        try:
            SessionFolder.open(session.path, files=files).close()
        except PowerCut:
            files.after_power_cut(tmp_path / f"{number}-left", Random(number))
        else:
            break
        left = tmp_path / f"{number}-left" / NAME
        with SessionFolder.open(left) as again:
            assert again.records == [record(n=1)]
        (aside,) = left.glob("facts.damaged-*")
        assert aside.read_bytes() == torn[torn.index(b"0000000002") - 9 :]
    assert number >= 6


class NotedFiles(FileSystem):
    """Notes which files and folders are synced, renamed and removed, in order."""

    def __init__(self) -> None:
        super().__init__()
        self.calls: list[tuple[str, str]] = []

    def _note(self, operation: str, path: Path) -> None:
        self.calls.append((operation, path.name))

    def sync(self, descriptor: int) -> None:
        self._note("sync", Path(f"/proc/self/fd/{descriptor}").readlink())
        super().sync(descriptor)

    def sync_folder(self, path: Path) -> None:
        self._note("sync_folder", path)
        super().sync_folder(path)

    def replace(self, old: Path, new: Path) -> None:
        self._note("replace", new)
        super().replace(old, new)


def test_the_damaged_end_is_durable_before_the_journal_is_cut(tmp_path: Path) -> None:
    with SessionFolder.create(tmp_path, NAME, {}) as session:
        session.append([record(n=1)])
    journal = session.path / "facts.journal"
    torn = journal.read_bytes()[:-4]
    aside = ("replace", "facts.damaged-1"), ("sync_folder", NAME)
    cut = ("sync", ".facts.journal.partial"), ("replace", "facts.journal"), ("sync_folder", NAME)
    journal.write_bytes(torn)
    files = NotedFiles()
    SessionFolder.open(session.path, files=files).close()
    assert files.calls == [("sync", ".facts.damaged-1.partial"), *aside, *cut]
    # A copy that an interrupted recovery left is reused; whether its name is durable is not known.
    journal.write_bytes(torn)
    files = NotedFiles()
    SessionFolder.open(session.path, files=files).close()
    assert files.calls == [("sync_folder", NAME), *cut]
    assert [path.name for path in session.path.glob("facts.damaged-*")] == ["facts.damaged-1"]


def test_a_read_only_folder_is_reported(tmp_path: Path) -> None:
    files = FailingFiles(lambda n: True, errno.EROFS)
    with pytest.raises(RecordFault, match="read-only"):
        SessionFolder.create(tmp_path, NAME, {}, files=files)
    with SessionFolder.create(tmp_path, NAME, {}) as session:
        pass
    with pytest.raises(RecordFault) as caught:
        SessionFolder.open(session.path, files=FailingFiles(lambda n: True, errno.EACCES))
    assert caught.value.code == "record-write"
    assert str(session.path) in caught.value.remedy


def test_a_closed_session_holds_no_file_open(tmp_path: Path) -> None:
    def open_files() -> set[str]:
        links = (Path("/proc/self/fd") / number for number in os.listdir("/proc/self/fd"))  # noqa: PTH208
        return {name for link in links if link.exists() and (name := str(link.readlink())).startswith(str(tmp_path))}

    session = SessionFolder.create(tmp_path, NAME, {})
    assert open_files() == {str(session.path / "facts.journal")}
    session.close()
    assert open_files() == set()
    with SessionFolder.open(session.path):
        assert len(open_files()) == 1
    assert open_files() == set()
    # Nor does one that could not be created, whichever call failed.
    for number in itertools.count():
        files = FailingFiles(lambda n, number=number: n == number)
        try:
            SessionFolder.create(tmp_path, "20260314-091500-02", {"camera.json": b"{}"}, files=files).close()
        except RecordFault:
            assert open_files() == set(), files.calls
        else:
            break
    assert number > 8


def test_looking_and_closing_refuse_to_write(tmp_path: Path) -> None:
    session = SessionFolder.create(tmp_path, NAME, {})
    looking = SessionFolder.open_read_only(session.path)
    session.close()
    session.close()
    for folder in (looking, session):
        with pytest.raises(RecordFault) as caught:
            folder.append([record(n=1)])
        assert caught.value.code == "record-write"


def test_a_payload_that_is_no_json_writes_nothing(tmp_path: Path) -> None:
    with SessionFolder.create(tmp_path, NAME, {}) as session:
        with pytest.raises(RecordFault) as caught:
            session.append([record(n=1), b'{"n":NaN}'])
        assert caught.value.code == "record-payload"
        session.append([record(n=1)])
    assert SessionFolder.open_read_only(session.path).records == [record(n=1)]


def test_session_names_sort_by_time_even_if_the_clock_is_set_back(tmp_path: Path) -> None:
    wall = datetime(2026, 3, 14, 9, 15)
    assert session_name(wall, []) == NAME
    assert session_name(wall, [NAME, ".lock", "notes", "99999999"]) == "20260314-091500-02"
    assert session_name(wall + timedelta(seconds=1), [NAME]) == "20260314-091501-01"
    taken: list[str] = []
    for step in (0, 0, 5, -3600, -3600, 10, 7200) + (7200,) * 110:
        taken.append(session_name(wall + timedelta(seconds=step), taken))
    assert len(set(taken)) == len(taken)
    for name in reversed(taken):
        SessionFolder.create(tmp_path, name, {}).close()
    (tmp_path / "20260314-091500-99").mkdir()
    (tmp_path / "notes").mkdir()
    assert [path.name for path in list_sessions(tmp_path)] == taken
    assert list_sessions(tmp_path / "missing") == []


def test_files_can_be_read_by_others_in_the_cell_if_the_station_states_it(tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        with SessionFolder.create(tmp_path, NAME, SNAPSHOTS, FileSystem(access=Access.ALL)) as session:
            session.store_image("0001.tif", gradient(np.uint8))
    finally:
        os.umask(before)
    for path in session.path.rglob("*"):
        assert stat.S_IMODE(path.stat().st_mode) == (0o755 if path.is_dir() else 0o644)


def test_a_lost_configuration_file_is_named_with_its_place_and_its_remedy(tmp_path: Path) -> None:
    with SessionFolder.create(tmp_path, "20260314-091500-01", {"camera.json": b"a"}) as session:
        (session.path / "camera.json").unlink()
        with pytest.raises(RecordFault) as fault:
            session.snapshot("camera.json")
    assert fault.value.code == "record-read"
    assert str(session.path / "camera.json") in fault.value.message
    assert "backup" in fault.value.remedy
    assert "backup" not in fault.value.message


@pytest.mark.parametrize(
    ("numbers", "word"),
    [
        ((errno.ENOSPC, errno.EDQUOT), "free space"),
        ((errno.EACCES, errno.EPERM), "permission"),
        ((errno.EROFS,), "read-only"),
        ((errno.EIO,), "replace"),
    ],
)
def test_each_reason_of_a_refused_write_has_its_own_remedy(tmp_path: Path, numbers: tuple[int, ...], word: str) -> None:
    for number in numbers:
        assert word in write_fault("the result", tmp_path, OSError(number, os.strerror(number))).remedy


@pytest.mark.parametrize("shape", [(6, 8), (6, 8, 3)])
def test_the_directory_of_an_image_is_that_of_baseline_tiff(shape: tuple[int, ...]) -> None:
    """TIFF 6.0: the tags ascend (section 2), and those that every reader needs are there (sections 4 and 6)."""
    data = encode_image(np.zeros(shape, np.uint8))
    at, count = struct.unpack_from("<I", data, 4)[0], struct.unpack_from("<H", data, 8)[0]
    entries = [struct.unpack_from("<HHII", data, at + 2 + 12 * row) for row in range(count)]
    tags = [tag for tag, *_ in entries]
    assert tags == sorted(tags)
    assert {256, 257, 258, 259, 262, 273, 277, 278, 279} < set(tags)
    (_, kind, length, text_at) = entries[tags.index(270)]
    assert (kind, data[text_at : text_at + length]) == (2, b"crc32 of the pixels %08x\0" % zlib.crc32(data[256:]))


@pytest.mark.parametrize(("at", "value"), [(18, 0), (18, 1 << 31), (30, 1 << 31), (102, 2), (176, 12)])
def test_a_header_with_an_impossible_size_states_no_length(at: int, value: int) -> None:
    """Width 0, too many pixels in width and height, two samples, twelve bits."""
    head = bytearray(encode_image(np.zeros((6, 8), np.uint8))[:256])
    assert stated_bytes(bytes(head)) == 256 + 6 * 8
    struct.pack_into("<H" if at == 176 else "<I", head, at, value)
    with pytest.raises(ValueError):
        stated_bytes(bytes(head))
