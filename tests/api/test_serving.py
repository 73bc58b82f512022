"""The API as a process: there when it is asked, and gone when it is told to go."""

import asyncio
import socket
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import httpx
import pytest

from api.__main__ import CannotServe, listen, main
from tests.api.plant import Plant, write_site

LEAVES_WITHIN_S = 5.0


@pytest.fixture
def site(plant: Plant) -> Path:
    assert plant.address.folder is not None
    return write_site(plant.address.folder.parent)


@asynccontextmanager
async def serving(site: Path, *more: str) -> AsyncIterator[tuple[Process, str]]:
    """The process, and the address that its first line names."""
    command = [sys.executable, "-m", "api", "--site", str(site), "--port", "0", *more]
    process = await asyncio.create_subprocess_exec(*command, stdin=PIPE, stderr=PIPE)
    assert process.stderr is not None
    try:
        first = (await process.stderr.readline()).decode()
        assert "clampbook API" in first
        assert "SQLite" in first
        yield process, first.split()[-1]
    finally:
        if process.returncode is None:
            process.kill()
        await process.communicate()


async def leaves(process: Process) -> int:
    async with asyncio.timeout(LEAVES_WITHIN_S):
        return await process.wait()


async def test_it_serves_and_leaves_on_sigterm(site: Path) -> None:
    """With exit code 0, also while a client keeps its connection open."""
    async with serving(site) as (process, address), httpx.AsyncClient(base_url=address) as client:
        assert (await client.get("/readyz")).json() == {"status": "ready"}
        assert len((await client.get("/v1/tools/2042/cycles?last=500")).json()["items"]) == 500
        process.terminate()
        assert await leaves(process) == 0


async def test_it_leaves_while_a_request_hangs(site: Path) -> None:
    """A client that never finishes its request can't hold it."""
    async with serving(site) as (process, address):
        host, port = address.removeprefix("http://").rstrip("/").split(":")
        _, writer = await asyncio.open_connection(host, int(port))
        writer.write(b"POST /v1/tools/2042/service HTTP/1.1\r\nHost: localhost\r\n")
        writer.write(b"Content-Type: application/json\r\nContent-Length: 100\r\n\r\n{")
        await writer.drain()
        async with httpx.AsyncClient(base_url=address) as client:
            assert (await client.get("/healthz")).status_code == 200
        process.terminate()
        assert await leaves(process) == 0
        writer.close()


async def test_it_leaves_with_the_process_that_holds_its_standard_input(site: Path) -> None:
    """So that it never outlives its supervisor."""
    async with serving(site, "--with-parent") as (process, address):
        async with httpx.AsyncClient(base_url=address) as client:
            assert (await client.get("/healthz")).status_code == 200
        assert process.stdin is not None
        process.stdin.close()
        assert await leaves(process) == 0


async def test_without_a_parent_the_end_of_standard_input_means_nothing(site: Path) -> None:
    """A service manager gives it none."""
    async with serving(site) as (process, address), httpx.AsyncClient(base_url=address) as client:
        assert process.stdin is not None
        process.stdin.close()
        assert (await client.get("/healthz")).status_code == 200


def test_a_taken_port_is_one_sentence(site: Path, caplog: pytest.LogCaptureFixture) -> None:
    """And exit code 2: starting it again won't help."""
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        assert main(["--site", str(site), "--port", str(port)]) == 2
    (said,) = caplog.messages
    assert f"port {port} of 127.0.0.1 can't be had" in said
    assert "\n" not in said


@pytest.mark.parametrize("port", [-1, 65536])
def test_a_port_that_is_none_is_refused(port: int) -> None:
    """In a sentence."""
    with pytest.raises(CannotServe, match="no port"):
        listen("127.0.0.1", port)


def test_the_loopback_of_both_families_is_bound() -> None:
    """Where the machine has them."""
    with listen("127.0.0.1", 0) as four:
        assert four.getsockname()[0] == "127.0.0.1"
    with listen("localhost", 0) as either:
        assert either.getsockname()[0] in ("127.0.0.1", "::1")


async def test_many_can_ask_at_once(site: Path) -> None:
    """More than there are threads, and each gets its answer."""
    async with serving(site) as (_, address), httpx.AsyncClient(base_url=address, timeout=30) as client:
        asked = [client.get("/v1/tools/2042/cycles?last=200") for _ in range(60)]
        answers = await asyncio.gather(*asked)
    assert {answer.status_code for answer in answers} == {200}
    assert len({answer.content for answer in answers}) == 1
