"""The API on a loopback port, over a book that has something of everything; all of it needs a token."""

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import uvicorn
from fastapi import FastAPI

from api.__main__ import Server, listen
from api.access.throttle import Allowance, Throttle
from api.access.tokens import Tokens
from api.app import create_app
from api.connections import PatientConnection
from collector.config import load_site
from collector.model import Curve
from collector.store.engine import StoreAddress
from simulators.tool import BANDS, Sampling, Settings, Tool, attempt, draw_joint
from tests.api.asking import make_token
from tests.api.equipped import EQUIPMENT, NOW, SECOND, make, set_to, show
from tests.api.exported import with_exports
from tests.api.plant import SITE, Plant, make_plant, writing
from tests.api.receiving import with_a_delivery

TOKENS = """
[api]
tokens = "required"
requests_per_s = 10_000
request_burst = 10_000
"""
BAND = {"band": "B15-048", "set_torque_nm": 9.4, "punch_pressure_kpa": 330.0}
CYCLES = 60
SAMPLING = Sampling(interval_us=1000, most=1000, step_n=0.1)
ANY_NUMBER = Allowance(burst=1_000_000, every_s=0.001)
"""Of wrong tokens: that they are rationed, and requests, is held elsewhere."""


@dataclass(frozen=True, slots=True)
class Served:
    url: str
    headers: dict[str, str]
    """Of one who may do everything."""
    names: dict[str, int]
    """What stands in braces in the samples of the other tests."""
    app: FastAPI


@asynccontextmanager
async def served(folder: Path) -> AsyncIterator[Served]:
    """Args: folder: an empty one for the site file and the store."""
    plant = await make_book(folder)
    path = folder / "site.toml"
    path.write_text(SITE + EQUIPMENT + TOKENS, encoding="utf-8")
    app = create_app(load_site(path)[0])
    app.state.access.tokens = Tokens(lambda: app.state.stores, Throttle(ANY_NUMBER, ANY_NUMBER))
    token = make_token(plant.address, "everything", "admin", "service", "integrate")
    with listen("127.0.0.1", 0) as listening:
        config = uvicorn.Config(
            app, http=PatientConnection, ws="none", proxy_headers=False, server_header=False, log_config=None,
            access_log=False,
        )  # fmt: skip
        server = Server(config)
        serving = asyncio.create_task(server.serve(sockets=[socket.socket(fileno=listening.detach())]))
        while not server.started:  # noqa: ASYNC110  (the server has no event for it)
            await asyncio.sleep(0.01)
        host, port = server.servers[0].sockets[0].getsockname()
        with_a_delivery(app)
        with_exports(app, token.split(".")[0])
        try:
            names = {"open_finding": plant.findings[-1]}
            yield Served(f"http://{host}:{port}", {"Authorization": f"Bearer {token}"}, names, app)
        finally:
            server.should_exit = True
            await serving


async def make_book(folder: Path) -> Plant:
    """The plant; then a change of band, cycles on it with curves to learn from, a status that shows it."""
    plant = await make_plant(StoreAddress(folder=folder / "store"))
    async with writing(plant) as filling:
        await set_to(filling, NOW - SECOND, "band", "B15-061", "B15-048")
        await make(filling, NOW, [BAND | {"punch_velocity_m_s": 6.0}] * CYCLES, _curves())
        await show(filling, NOW + 20 * CYCLES * SECOND, **BAND)
    return plant


def _curves() -> list[Curve]:
    rng = np.random.default_rng(1)
    settings, band = Settings.recommended("B15-048"), BANDS["B15-048"]
    steps = [
        attempt(Tool("1"), settings, band, draw_joint(rng), 620.0, SAMPLING, rng).steps for _ in range(CYCLES)
    ]
    return [Curve(0, 1000, "tension_n", each.astype("<i2").tobytes(), "int16", 0.1, 0.0) for each in steps]
