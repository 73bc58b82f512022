"""A certificate of our own for the loopback, made with the openssl command."""

import shutil
import subprocess
from pathlib import Path

import pytest

from tests.conftest import server_missing


@pytest.fixture(scope="session")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Certificate and key in PEM, good for localhost and 127.0.0.1."""
    openssl = shutil.which("openssl")
    if openssl is None:
        server_missing("no openssl command to make a certificate with")
    folder = tmp_path_factory.mktemp("tls")
    files = folder / "api.pem", folder / "api.key"
    make = [
        str(openssl), "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
        "-days", "2", "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1",
        "-out", str(files[0]), "-keyout", str(files[1]),
    ]  # fmt: skip
    subprocess.run(make, check=True, capture_output=True)
    return files
