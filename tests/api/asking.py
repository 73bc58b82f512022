"""Asking an application in process: no port, but its start, its threads and its stop."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import httpx
from fastapi import FastAPI

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
