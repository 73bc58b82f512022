"""A simulated line with an API beside it that is a real process, and can be killed."""

import asyncio
import sys
from asyncio.subprocess import DEVNULL, PIPE, Process
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import Engine

from collector.store.engine import StoreAddress, migrate_book, open_book_reader, open_book_writer
from tests.collector.store.line_rig import LineRig, line_rig
from tests.processes import free_port

REPOSITORY = Path(__file__).parents[2]
SITE = """
[site]
zone = "Europe/Berlin"
[store]
folder = "store"
[[shifts]]
name = "early"
begins = "06:20"
ends = "14:42"
[[shifts]]
name = "late"
begins = "14:42"
ends = "22:10"
[[shifts]]
name = "night"
begins = "22:30"
ends = "06:20"
weekdays = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday"]
"""
"""The plan of `line_rig`."""
CONTROLLER = """
[[controllers]]
name = "{name}"
line = "line-1"
station = "station"
protocol = "modbus"
layout = "example:ring-modbus"
host = "127.0.0.1"
"""


@dataclass
class Served:
    line: LineRig
    engine: Engine
    folder: Path
    port: int
    process: Process | None = None

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def set_clock(self, now: datetime) -> None:
        """Of the API."""
        (self.folder / "clock").write_text(now.isoformat(), encoding="utf-8")

    async def start(self) -> None:
        """Returns when it listens."""
        self.process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "tests.integrator.api_at", str(self.folder / "clock"),
            "--site", str(self.folder / "site.toml"), "--port", str(self.port),
            cwd=REPOSITORY, stdin=DEVNULL, stderr=PIPE,
        )  # fmt: skip
        assert self.process.stderr is not None
        said = await self.process.stderr.readline()
        assert b"clampbook API" in said, said + await self.process.stderr.read()

    async def kill(self) -> None:
        assert self.process is not None
        if self.process.returncode is None:
            self.process.kill()
        await self.process.communicate()
        self.process = None


@asynccontextmanager
async def served_line(folder: Path, *controllers: str) -> AsyncIterator[Served]:
    site = SITE + "".join(CONTROLLER.format(name=name) for name in controllers)
    (folder / "site.toml").write_text(site, encoding="utf-8")
    address = StoreAddress(folder=folder / "store")
    engine = open_book_writer(address)
    migrate_book(engine)
    reader = open_book_reader(address)
    async with line_rig(engine, reader, *controllers) as line:
        served = Served(line, engine, folder, free_port())
        served.set_clock(line.now)
        await served.start()
        try:
            yield served
        finally:
            if served.process is not None:
                await served.kill()
    reader.dispose()
    engine.dispose()
