"""Key files: their content, their permissions, and whom they authorize."""

import stat

import pytest
import zmq

from eyebolt.errors import InputFault
from eyebolt.security import key_files as files


def fault_of(function, *arguments):
    with pytest.raises(InputFault) as caught:
        function(*arguments)
    assert caught.value.remedy
    return caught.value.code


@pytest.fixture
def folder(tmp_path):
    files.make_station_secret(tmp_path / "keys")
    return tmp_path / "keys"


def test_a_station_gets_its_keys_once(tmp_path):
    keys = tmp_path / "keys"
    assert files.make_station_secret(keys)
    secret = files.read_station_secret(keys)
    assert not files.make_station_secret(keys)
    assert files.read_station_secret(keys) == secret
    assert len(zmq.curve_public(secret.encode())) == 40


def test_a_key_authorizes_its_role_until_the_public_one_is_deleted(folder):
    key_file = files.make_client_keys(folder, "watcher", "hall")
    keys = files.read_client_keys(key_file)
    public = zmq.curve_public(keys.secret.encode()).decode()
    assert keys.station == files.local_client_keys(folder).station
    assert files.authorized_keys(folder, "watcher")[public] == "hall"
    assert public not in files.authorized_keys(folder, "camera")
    (folder / "watchers/hall.public").unlink()
    assert public not in files.authorized_keys(folder, "watcher")


def test_the_stations_own_secret_authorizes_watching_but_no_images(folder):
    public = zmq.curve_public(files.local_client_keys(folder).secret.encode()).decode()
    assert public in files.authorized_keys(folder, "watcher")
    assert files.authorized_keys(folder, "camera") == {}


def test_only_the_owner_can_read_secrets(folder):
    key_file = files.make_client_keys(folder, "camera", "left")
    for path in (folder / "station.secret", key_file):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    for path, read in ((folder / "station.secret", lambda: files.read_station_secret(folder)), (key_file, None)):
        path.chmod(0o640)
        assert fault_of(read or (lambda: files.read_client_keys(key_file))) == "keys-exposed"


@pytest.mark.parametrize("name", ["", "..", "../hall", "a/b", "hall.public", "ä", "x" * 33, "hall\n", "/etc/passwd"])
def test_names_never_become_paths(folder, name):
    before = sorted(folder.parent.rglob("*"))
    assert fault_of(files.make_client_keys, folder, "watcher", name) == "keys-name"
    assert sorted(folder.parent.rglob("*")) == before


def test_existing_keys_are_not_overwritten(folder):
    key_file = files.make_client_keys(folder, "watcher", "hall")
    kept = key_file.read_text()
    assert fault_of(files.make_client_keys, folder, "watcher", "hall") == "keys-exist"
    assert key_file.read_text() == kept
    # A camera of the same name is another client.
    files.make_client_keys(folder, "camera", "hall")


@pytest.mark.parametrize("content", ["", "secret = 7", 'secret = "short"', "\xff", 'secret = "' + "~" * 40 + '"', "["])
def test_an_invalid_key_file_is_reported_and_authorizes_nobody(folder, content):
    (folder / "station.secret").write_bytes(content.encode("latin-1"))
    assert fault_of(files.read_station_secret, folder) == "keys-file"
    (folder / "cameras").mkdir()
    (folder / "cameras/left.public").write_bytes(content.replace("secret", "public").encode("latin-1"))
    assert files.authorized_keys(folder, "camera") == {}


def test_missing_keys_and_unwritable_folders_are_reported(tmp_path):
    assert fault_of(files.read_station_secret, tmp_path) == "keys-missing"
    (tmp_path / "keys").write_text("a file")
    assert fault_of(files.make_station_secret, tmp_path / "keys") in ("keys-unwritable", "keys-missing")
