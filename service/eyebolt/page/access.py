"""Who may open the page: where it is served, under which names, and with which token.

On the loopback the page needs no token, as the status there needs no key. A browser sends requests to the loopback for
any website that asks it to, under a name of that website's choice (DNS rebinding): a request under a name that is not
the page's is refused. At any other address the page is served over TLS and to browsers that brought the token once.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import ipaddress
import os
import re
import secrets
import ssl
import stat
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from eyebolt.addresses import split_host_port
from eyebolt.bounded_file import read_bounded
from eyebolt.errors import InputFault

DEFAULT_ADDRESS = "127.0.0.1:4753"
_LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")
# 256 bits, as urlsafe base64. A shorter one that a person wrote could be guessed.
_TOKEN_BYTES = 32
_TOKEN = re.compile(r"[A-Za-z0-9_-]{32,200}", re.ASCII)
_MAX_TOKEN_FILE_BYTES = 1024
_OWNER_ONLY = 0o600


@dataclass(frozen=True)
class PageAccess:
    """Where and to whom the page is served."""

    host: str
    """Address to listen at, without brackets."""
    port: int
    """Port to listen at."""
    names: frozenset[str]
    """Values of the ``Host`` header under which it is served, in lower case."""
    token: str | None = field(default=None, repr=False)
    """What a browser has to bring once; None on the loopback."""
    tls: ssl.SSLContext | None = None
    """Certificate and private key; None on the loopback."""
    shown_host: str = ""
    """Name or address of a link to the page, where ``host`` stands for all addresses; empty: ``host``."""

    @property
    def origin(self) -> str:
        """Scheme, name and port of the page."""
        scheme = "http" if self.tls is None else "https"
        return f"{scheme}://{_bracketed(self.shown_host or self.host)}:{self.port}"

    @property
    def cookie_name(self) -> str:
        """Cookies are shared by all ports of a host; the prefix requires TLS and excludes other hosts (RFC 6265bis)."""
        return f"__Host-eyebolt-{self.port}"

    @property
    def cookie_value(self) -> str:
        """Proof that the browser once brought the token, which itself is not kept in the browser."""
        return hmac.new((self.token or "").encode(), b"eyebolt page", hashlib.sha256).hexdigest()

    def is_own_name(self, host_header: str) -> bool:
        """Whether a request under this ``Host`` is meant for the page."""
        return host_header.lower() in self.names

    def is_token(self, text: str) -> bool:
        """Whether ``text`` is the token; takes as long for a wrong one as for the right one."""
        return self.token is not None and hmac.compare_digest(text.encode(), self.token.encode())

    def is_cookie(self, text: str) -> bool:
        """Whether ``text`` is the value of the cookie; takes as long for a wrong one as for the right one."""
        return self.token is not None and hmac.compare_digest(text.encode(), self.cookie_value.encode())


def page_access(
    address: str = DEFAULT_ADDRESS,
    names: Sequence[str] = (),
    token_file: Path | None = None,
    certificate: Path | None = None,
    private_key: Path | None = None,
) -> PageAccess:
    """The access that the options of the command describe. ``names``: further names of this computer in the network.

    A token file that does not exist is made. Raises InputFault ``page-address``, ``page-exposed``, ``page-token``,
    ``page-certificate``.
    """
    try:
        host, port = split_host_port(address)
        own = [host, *names]
        for name in names:
            split_host_port(f"{name}:1")
    except ValueError:
        raise InputFault(
            "page-address",
            f"the page cannot be served at '{address}'" + (f" under the names {', '.join(names)}" if names else ""),
            "give --address as ADDRESS:PORT of this computer, as in 127.0.0.1:4753, and --name without a port.",
        ) from None
    if _is_loopback(host):
        return PageAccess(host, port, _host_headers([*_LOOPBACK_NAMES, *own], port, 80))
    missing = [
        option
        for option, value in (("--token", token_file), ("--certificate", certificate), ("--private-key", private_key))
        if value is None
    ]
    if token_file is None or certificate is None or private_key is None:
        raise InputFault(
            "page-exposed",
            f"other computers can reach {address}, and {' and '.join(missing)} {'is' if len(missing) == 1 else 'are'}"
            " not given",
            "serve the page on this computer only (without --address), or give --token FILE (made if it does not exist)"
            " and the --certificate and --private-key of this computer, PEM files. A certificate of your own: openssl"
            f" req -x509 -newkey rsa:3072 -nodes -days 825 -subj /CN={host} -addext subjectAltName=IP:{host} -keyout"
            " page-key.pem -out page.pem",
        )
    own = [name for name in own if not _is_wildcard(name)]
    if not own:
        raise InputFault(
            "page-address",
            f"{address} stands for every address of this computer, and --name is not given",
            "name the address or the host name that the tablets use, as in --name 192.168.7.9.",
        )
    tls = _tls(certificate, private_key)
    return PageAccess(host, port, _host_headers(own, port, 443), _token(token_file), tls, shown_host=own[0])


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _is_wildcard(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_unspecified
    except ValueError:
        return False


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host and not host.startswith("[") else host


def _host_headers(hosts: Sequence[str], port: int, default_port: int) -> frozenset[str]:
    """A browser leaves out the port that is the scheme's own."""
    headers = {f"{_bracketed(host)}:{port}".lower() for host in hosts}
    return frozenset(headers | {_bracketed(host).lower() for host in hosts} if port == default_port else headers)


def _token(path: Path) -> str:
    def fault(reason: str) -> InputFault:
        return InputFault(
            "page-token",
            f"the token file {path} cannot be used: {reason}",
            "name a file that does not exist, which is then made, or one with 32 to 200 letters, digits, - and _, that"
            " only its owner may read (chmod 600).",
            path=str(path),
        )

    try:
        with contextlib.suppress(FileExistsError):
            descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _OWNER_ONLY)
            with os.fdopen(descriptor, "w", encoding="ascii") as file:
                file.write(secrets.token_urlsafe(_TOKEN_BYTES) + "\n")
        # Windows has no such bits: a file there is as private as its folder.
        if sys.platform != "win32" and stat.S_IMODE(path.stat().st_mode) & ~_OWNER_ONLY:
            raise fault("others may read or change it")
        text = read_bounded(path, _MAX_TOKEN_FILE_BYTES).decode("ascii", "replace").strip()
    except OSError as error:
        raise fault(str(error.strerror)) from None
    if not _TOKEN.fullmatch(text):
        raise fault("it holds no token")
    return text


def _tls(certificate: Path, private_key: Path) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2

    def no_password() -> str:
        raise ValueError("the key is encrypted")

    def fault(reason: str) -> InputFault:
        return InputFault(
            "page-certificate",
            f"the certificate {certificate} with the private key {private_key} cannot be used: {reason}",
            "give PEM files that belong together, the key without a password, and check that they can be read.",
            path=str(certificate),
        )

    try:
        context.load_cert_chain(certificate, private_key, no_password)
    except ssl.SSLError:
        raise fault("they are no certificate and key that belong together") from None
    except OSError as error:
        raise fault(str(error.strerror)) from None
    except ValueError as error:
        raise fault(str(error)) from None
    return context
