"""What tests of the page share."""

import subprocess

import pytest


@pytest.fixture(scope="session")
def tls_files(tmp_path_factory):
    """A certificate and its private key, made by the command that the message names."""
    folder = tmp_path_factory.mktemp("tls")
    certificate, key = folder / "page.pem", folder / "page-key.pem"
    subject = ("-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", *subject, "-keyout", key, "-out", certificate],
        check=True,
        capture_output=True,
    )
    return certificate, key
