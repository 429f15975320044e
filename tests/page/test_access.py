"""Who may open the page: addresses, names, the token and its file, the certificate."""

import stat

import pytest

from eyebolt.errors import InputFault
from eyebolt.page import page_access


def code_of(*arguments, **options):
    with pytest.raises(InputFault) as caught:
        page_access(*arguments, **options)
    assert caught.value.remedy
    return caught.value.code


@pytest.mark.parametrize("address", ["127.0.0.1:4753", "localhost:4753", "[::1]:4753", "127.0.0.2:4753"])
def test_on_this_computer_it_needs_no_token(address):
    access = page_access(address)
    assert (access.token, access.tls) == (None, None)
    assert access.origin == f"http://{address}"
    assert access.is_own_name(address)


def test_a_name_is_its_own_only_as_a_whole_and_with_the_port():
    access = page_access("127.0.0.1:4753", names=["Cell-PC"])
    assert all(map(access.is_own_name, ["127.0.0.1:4753", "localhost:4753", "[::1]:4753", "CELL-pc:4753"]))
    others = ["127.0.0.1", "127.0.0.1:80", "example.org:4753", "localhost:4753.example.org", "xlocalhost:4753", ""]
    assert not any(map(access.is_own_name, others))
    assert page_access("127.0.0.1:80").is_own_name("localhost")


@pytest.mark.parametrize("address", ["192.168.7.9:4753", "0.0.0.0:4753", "cell-pc:4753", "[fe80::1]:4753"])
def test_elsewhere_it_needs_token_certificate_and_key(tmp_path, tls_files, address):
    certificate, key = tls_files
    options = {"token_file": tmp_path / "token", "certificate": certificate, "private_key": key, "names": ["cell-pc"]}
    assert page_access(address, **options).tls is not None
    for missing in ("token_file", "certificate", "private_key"):
        assert code_of(address, **(options | {missing: None})) == "page-exposed"


@pytest.mark.parametrize("address", ["127.0.0.1", "127.0.0.1:0", "127.0.0.1:99999", "http://127.0.0.1:1", "a b:1", ""])
def test_an_address_that_is_none(address):
    assert code_of(address) == "page-address"


def test_a_name_with_a_port_and_a_wildcard_without_a_name(tmp_path, tls_files):
    assert code_of(names=["cell-pc:4753"]) == "page-address"
    files = {"token_file": tmp_path / "token", "certificate": tls_files[0], "private_key": tls_files[1]}
    assert code_of("0.0.0.0:4753", **files) == "page-address"
    access = page_access("0.0.0.0:4753", names=["192.168.7.9", "cell-pc"], **files)
    assert (access.host, access.origin) == ("0.0.0.0", "https://192.168.7.9:4753")
    assert not access.is_own_name("0.0.0.0:4753")


def test_the_token_is_made_once_and_only_its_owner_can_read_it(tmp_path, tls_files):
    files = {"token_file": tmp_path / "token", "certificate": tls_files[0], "private_key": tls_files[1]}
    access = page_access("192.168.7.9:4753", **files)
    assert stat.S_IMODE(files["token_file"].stat().st_mode) == 0o600
    assert page_access("192.168.7.9:4753", **files).token == access.token
    assert access.is_token(access.token)
    assert not access.is_token(access.token[:-1])
    assert not access.is_token("")
    assert not access.is_token("\xff" * 43)
    assert access.is_cookie(access.cookie_value)
    assert not access.is_cookie(access.token)
    assert access.token not in repr(access)


@pytest.mark.parametrize(("text", "mode"), [("short", 0o600), ("a" * 40 + " b", 0o600), ("", 0o600), ("a" * 40, 0o640)])
def test_a_token_file_that_protects_nothing(tmp_path, tls_files, text, mode):
    file = tmp_path / "token"
    file.write_text(text)
    file.chmod(mode)
    files = {"token_file": file, "certificate": tls_files[0], "private_key": tls_files[1]}
    assert code_of("192.168.7.9:4753", **files) == "page-token"


def test_a_certificate_that_cannot_be_used(tmp_path, tls_files):
    certificate, key = tls_files
    for pair in ((key, certificate), (certificate, certificate), (tmp_path / "none", key)):
        files = {"token_file": tmp_path / "token", "certificate": pair[0], "private_key": pair[1]}
        assert code_of("192.168.7.9:4753", **files) == "page-certificate"


def test_without_access_there_is_no_token():
    access = page_access()
    assert not access.is_token("")
    assert not access.is_cookie(access.cookie_value)
