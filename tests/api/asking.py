"""Asking an application in process: no port, but its start, its threads and its stop."""

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta

import httpx
from fastapi import FastAPI

from collector.store.engine import StoreAddress, migrate_desk, open_desk
from collector.store.tokens import Scope, create_token

BASE = "http://127.0.0.1:8470"


@asynccontextmanager
async def asking(app: FastAPI) -> AsyncIterator[httpx.AsyncClient]:
    """The application, started and stopped; what it raises inside becomes an answer, as in the server."""
    transport = httpx.ASGITransport(app, raise_app_exceptions=False)
    async with (
        app.router.lifespan_context(app),
        httpx.AsyncClient(transport=transport, base_url=BASE) as client,
    ):
        yield client


def make_token(
    address: StoreAddress,
    name: str,
    *scopes: Scope,
    lines: Sequence[str] | None = None,
    lasts: timedelta = timedelta(days=365),
) -> str:
    """A token on the desk, made beside whatever API runs on it; `lasts` may lie in the past."""
    engine = open_desk(address)
    migrate_desk(engine)
    now = datetime.now(UTC)
    with engine.begin() as connection:
        made = create_token(
            connection, name, scopes, lines, now=min(now, now + 2 * lasts), expires_at=now + lasts
        )
    engine.dispose()
    return made


def bearer(token: str) -> dict[str, str]:
    return {"authorization": f"Bearer {token}"}
