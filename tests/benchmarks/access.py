"""What a token costs a request: the same questions with and without one, in turn.

    python -m tests.benchmarks.access

In one process on one book, without a network, so the ratio is what counts. The first request with a token
pays for the slow hash; it is told apart. The gate alone is measured around an application that does nothing.
"""

import asyncio
import statistics
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path

import httpx
from fastapi import FastAPI
from starlette.types import Message, Receive, Scope, Send

from api.access.gate import Gate
from api.app import create_app
from collector.config import load_site
from tests.api.asking import BASE, bearer, make_token
from tests.api.plant import write_site
from tests.benchmarks.last_500 import ADDRESS, make_book

ROUNDS = 200
GATE_ROUNDS = 5000
QUESTIONS = {"without the store": "/problems/not-ready", "last 500 cycles": ADDRESS}


async def measure(site_path: Path) -> None:
    site, _ = load_site(site_path)
    made = bearer(make_token(site.store_address, "mes", "read"))
    app = create_app(site)
    transport = httpx.ASGITransport(app)
    async with (
        app.router.lifespan_context(app),
        httpx.AsyncClient(transport=transport, base_url=BASE) as client,
    ):
        await client.get("/problems/not-ready")
        first_ms = await timed_ms(client, "/problems/not-ready", made)
        print(f"first request with a token  {first_ms:8.2f} ms (desk opened, hash computed)")
        for what, address in QUESTIONS.items():
            without: list[float] = []
            with_token: list[float] = []
            for _ in range(ROUNDS):
                without.append(await timed_ms(client, address, {}))
                with_token.append(await timed_ms(client, address, made))
            tell(what, without, with_token)
        for what, headers in (("without", {}), ("with", made)):
            print(f"the gate alone, {what} a token: {await gate_us(app, headers):.0f} µs a request")


async def timed_ms(client: httpx.AsyncClient, address: str, headers: dict[str, str]) -> float:
    begin = time.perf_counter()
    answer = await client.get(address, headers=headers)
    assert answer.status_code == 200
    return (time.perf_counter() - begin) * 1000


async def gate_us(app: FastAPI, headers: Mapping[str, str]) -> float:
    """Microseconds a request spends in the gate."""

    async def nothing(scope: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})

    async def ignore(message: Message) -> None:
        pass

    async def silence() -> Message:
        return {"type": "http.disconnect"}

    raw = [(b"host", b"127.0.0.1"), *((name.encode(), value.encode()) for name, value in headers.items())]
    gate = Gate(nothing)
    begin = time.perf_counter()
    for _ in range(GATE_ROUNDS):
        scope = {
            "type": "http", "method": "GET", "path": "/v1/tools", "query_string": b"", "headers": raw,
            "client": ("127.0.0.1", 50000), "app": app,
        }  # fmt: skip
        await gate(scope, silence, ignore)
    return (time.perf_counter() - begin) * 1e6 / GATE_ROUNDS


def tell(what: str, without: list[float], with_token: list[float]) -> None:
    plain, token = statistics.median(without), statistics.median(with_token)
    worst = max(with_token)
    print(
        f"{what:18} without {plain:6.3f} ms, with a token {token:6.3f} ms: {token / plain:.2f} times, "
        f"{(token - plain) * 1000:+.0f} µs; slowest with a token {worst:.2f} ms; {ROUNDS} rounds"
    )


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = write_site(Path(folder))
        site, _ = load_site(path)
        make_book(site.store_address, 20_000)
        asyncio.run(measure(path))


if __name__ == "__main__":
    main()
