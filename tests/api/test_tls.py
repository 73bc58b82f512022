"""TLS and tokens as plant IT meets them: real processes, a real socket, a certificate of our own."""

import asyncio
import ssl
import sys
from datetime import timedelta
from pathlib import Path

import httpx
import pytest

from api.__main__ import main
from tests.api.asking import bearer, make_token
from tests.api.plant import SITE, Plant
from tests.api.test_serving import leaves, serving
from tests.certificates import certificate
from tests.processes import eventually

__all__ = ["certificate"]

WITH_TLS = """
[api]
tokens = "required"
tls_certificate = "{0}"
tls_key = "{1}"
"""


@pytest.fixture
def site(plant: Plant, certificate: tuple[Path, Path]) -> Path:
    """The plant, served over TLS and to nobody without a token."""
    assert plant.address.folder is not None
    path = plant.address.folder.parent / "site.toml"
    path.write_text(SITE + WITH_TLS.format(*certificate), encoding="utf-8")
    return path


async def clampbook(*arguments: str | Path) -> str:
    """What the command prints, run as a process of its own."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "collector", *map(str, arguments), stdout=asyncio.subprocess.PIPE
    )
    said, _ = await process.communicate()
    assert process.returncode == 0
    return said.decode()


@pytest.mark.timeout(240)
async def test_a_token_from_the_command_line_is_good_over_tls_until_it_is_revoked(
    site: Path, certificate: tuple[Path, Path]
) -> None:
    """Made and revoked beside the running API, which notices; without TLS nothing is answered."""
    trusted = ssl.create_default_context(cafile=str(certificate[0]))
    async with (
        serving(site) as (process, address),
        httpx.AsyncClient(base_url=address, verify=trusted, timeout=30) as client,
    ):
        assert address.startswith("https://127.0.0.1:")
        assert (await client.get("/healthz")).status_code == 200
        assert (await client.get("/v1/tools")).status_code == 401
        made = await clampbook("token", "create", "--name", "mes", "--scope", "read", "--site", site)
        good = bearer(made.strip())
        assert (await client.get("/v1/tools", headers=good)).status_code == 200
        await clampbook("token", "revoke", "mes", "--site", site)

        async def is_refused() -> bool:
            return (await client.get("/v1/tools", headers=good)).status_code == 401

        await eventually(is_refused, "the API notices that the token was revoked", patience_s=5)
        with pytest.raises(httpx.HTTPError):
            await client.get(address.replace("https", "http") + "healthz")
        process.terminate()
        assert await leaves(process) == 0


def test_beyond_the_loopback_the_api_does_not_start_without_a_token(
    site: Path, plant: Plant, caplog: pytest.LogCaptureFixture
) -> None:
    """One sentence and exit code 2; an expired token is none. With one it goes on to the address itself."""
    beyond = site.read_text().replace('tokens = "required"', 'host = "192.0.2.7"')
    site.write_text(beyond, encoding="utf-8")
    make_token(plant.address, "old", "read", lasts=timedelta(seconds=-1))
    assert main(["--site", str(site), "--port", "0"]) == 2
    (said,) = caplog.messages
    assert "there is no valid token" in said
    assert "clampbook token create" in said
    caplog.clear()
    make_token(plant.address, "mes", "read")
    assert main(["--site", str(site), "--port", "0"]) == 2
    assert "of 192.0.2.7 can't be had" in caplog.text
