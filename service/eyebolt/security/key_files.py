"""Key files, and the folder in which a station keeps them; README.md beside this file lists its content.

Keys are those of CurveZMQ (RFC 26/CURVEZMQ) in Z85 (RFC 32/Z85), files are TOML. A client whose public key is removed
from the folder is disconnected and can no longer connect; nothing has to be restarted.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import zmq

from eyebolt.bounded_file import read_bounded
from eyebolt.bounded_text import parse_toml
from eyebolt.errors import InputFault, reading_remedy, writing_remedy

Role = Literal["watcher", "camera", "operator"]

STATION_SECRET = "station.secret"
_AUTHORIZED_FOLDERS: Mapping[Role, str] = {"watcher": "watchers", "camera": "cameras", "operator": "operators"}
# Who controls a session sees what it does: an operator's key also watches. A watcher's key commands nothing.
_ADMITTED_ROLES: Mapping[Role, tuple[Role, ...]] = {
    "watcher": ("watcher", "operator"),
    "camera": ("camera",),
    "operator": ("operator",),
}
_NAME = re.compile(r"[A-Za-z0-9_-]{1,32}", re.ASCII)
_Z85 = re.compile(r"[0-9a-zA-Z.\-:+=^!/*?&<>()\[\]{}@%$#]{40}", re.ASCII)
_OWNER_ONLY = 0o600
_MAX_BYTES = 16_384


@dataclass(frozen=True)
class ClientKeys:
    """The keys with which a client connects to a station, in Z85."""

    station: str
    """The station's public key."""
    secret: str
    """The client's own secret key."""

    def apply_to(self, socket: zmq.Socket[bytes]) -> None:
        """Configures ``socket`` as a CURVE client; call it before the socket connects."""
        socket.setsockopt(zmq.CURVE_SERVERKEY, self.station.encode("ascii"))
        socket.setsockopt(zmq.CURVE_PUBLICKEY, zmq.curve_public(self.secret.encode("ascii")))
        socket.setsockopt(zmq.CURVE_SECRETKEY, self.secret.encode("ascii"))


def with_article(role: Role) -> str:
    """The role in a sentence."""
    return f"{'an' if role == 'operator' else 'a'} {role}"


def make_station_secret(folder: Path) -> bool:
    """Creates the station's own key unless it exists; whether it was created.

    Raises InputFault ``keys-unwritable``, or those of ``read_station_secret`` if the existing file is not a key.
    """
    if (folder / STATION_SECRET).exists():
        read_station_secret(folder)
        return False
    secret = zmq.curve_keypair()[1].decode("ascii")
    header = "# The station's secret key. Anyone who reads it can impersonate this station. Made by eyebolt keys."
    _write_private(folder / STATION_SECRET, f'{header}\nsecret = "{secret}"\n')
    return True


def make_client_keys(folder: Path, role: Role, name: str) -> Path:
    """Creates the keys of one watcher, camera or operator; the file that its computer needs.

    Raises InputFault ``keys-name``, ``keys-exist``, ``keys-unwritable``.
    """
    if not _NAME.fullmatch(name):
        message = f"{name[:80]!r} is not a valid name of {with_article(role)}"
        raise InputFault("keys-name", message, "use 1 to 32 of the letters a-z, A-Z, digits, - and _.", name=name)
    station = _public_key_of(read_station_secret(folder))
    authorized_key, key_file = folder / _AUTHORIZED_FOLDERS[role] / f"{name}.public", folder / f"{role}-{name}.key"
    for path in (authorized_key, key_file):
        if path.exists():
            remedy = f"choose another name; or delete {authorized_key} (that revokes its access) and {key_file}."
            raise InputFault("keys-exist", f"{path} already exists", remedy, path=str(path))
    public, secret = (key.decode("ascii") for key in zmq.curve_keypair())
    header = f"# Key of the {role} {name}. Anyone who reads it can impersonate it. Made by eyebolt keys."
    _write_private(key_file, f'{header}\nstation = "{station}"\nsecret = "{secret}"\n')
    _write_private(
        authorized_key, f'# The {role} {name} may connect as long as this file exists.\npublic = "{public}"\n'
    )
    return key_file


def read_station_secret(folder: Path) -> str:
    """The station's secret key. Raises InputFault ``keys-missing``, ``keys-exposed``, ``keys-file``."""
    return _read_key_file(folder / STATION_SECRET, ("secret",))["secret"]


def local_client_keys(folder: Path) -> ClientKeys:
    """Keys of a watcher or operator on the station's computer, who uses the station's own secret.

    Raises as ``read_station_secret``.
    """
    secret = read_station_secret(folder)
    return ClientKeys(_public_key_of(secret), secret)


def read_client_keys(path: Path) -> ClientKeys:
    """The keys in a file that ``make_client_keys`` wrote. Raises InputFault as ``read_station_secret``."""
    values = _read_key_file(path, ("station", "secret"))
    return ClientKeys(values["station"], values["secret"])


def authorized_keys(folder: Path, role: Role) -> dict[str, str]:
    """Names of all clients that may connect as ``role``, by public key. Files without a valid key are ignored.

    Raises as ``read_station_secret``.
    """
    names_by_key = {}
    for path in _public_files(folder, role):
        try:
            names_by_key[_read_key_file(path, ("public",), secret=False)["public"]] = path.stem
        except InputFault:
            continue
    if role != "camera":
        names_by_key[_public_key_of(read_station_secret(folder))] = "the station's own"
    return names_by_key


def key_folder_signature(folder: Path, role: Role) -> object:
    """A value that changes when a key that matters to ``authorized_keys`` is added, removed or written.

    Far cheaper than reading the keys.
    """
    paths = [folder / STATION_SECRET, *_public_files(folder, role)]
    return tuple((path.parent.name, path.name, _file_signature(path)) for path in paths)


def _public_files(folder: Path, role: Role) -> list[Path]:
    """Public keys of everybody who may connect as ``role``."""
    folders = [folder / _AUTHORIZED_FOLDERS[admitted] for admitted in _ADMITTED_ROLES[role]]
    return [path for one in folders for path in sorted(one.glob("*.public"))]


def _file_signature(path: Path) -> tuple[int, ...] | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns


def _public_key_of(secret: str) -> str:
    return zmq.curve_public(secret.encode("ascii")).decode("ascii")


def _read_key_file(path: Path, fields: tuple[str, ...], secret: bool = True) -> dict[str, str]:
    try:
        if secret and os.name == "posix" and path.stat().st_mode & 0o077:
            message = f"the secret key {path} can be read by other users of this computer"
            raise InputFault("keys-exposed", message, f"chmod 600 {path}; or make new keys.", path=str(path))
        values = parse_toml(read_bounded(path, _MAX_BYTES).decode("utf-8"))
    except OSError as error:
        message = f"the key file {path} cannot be read: {error.strerror}"
        remedy = reading_remedy(error) or "make the station's keys with 'eyebolt keys STATION', or correct the path."
        raise InputFault("keys-missing", message, remedy, path=str(path)) from None
    except ValueError:
        values = {}
    keys = {name: str(values.get(name, "")) for name in fields}
    if not all(map(_Z85.fullmatch, keys.values())):
        message = f"{path} is not a key file: it must define {' and '.join(fields)}, each a key of 40 characters"
        raise InputFault("keys-file", message, "make the keys again with 'eyebolt keys'.", path=str(path))
    return keys


def _write_private(path: Path, text: str) -> None:
    """Writes a new file that only its owner can read, also while it is being written."""
    try:
        if not path.parent.is_dir():
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            path.parent.chmod(0o700)
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _OWNER_ONLY), "w", encoding="ascii") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        message = f"the key file {path} cannot be written: {error.strerror}"
        raise InputFault("keys-unwritable", message, writing_remedy(error), path=str(path)) from None
