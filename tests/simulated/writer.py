"""The real writer, without its thread: what the thread does is done on the virtual loop, and a commit takes
some virtual time, in which the next group gathers.
"""

import asyncio
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Engine

from collector.store.writer import Job, Writer


class VirtualWriter(Writer):
    def __init__(self, engine: Engine, now: Callable[[], datetime], commit_s: Callable[[], float]) -> None:
        """commit_s: how long the next commit takes."""
        super().__init__(engine, now)
        self._commit_s = commit_s
        self._arrived = asyncio.Event()

    @property
    def work(self) -> asyncio.Task[None]:
        return self._work

    def _begin_work(self) -> None:
        self._work = asyncio.create_task(self._run_on_loop(), name="writer")

    async def _end_work(self) -> None:
        self._arrived.set()
        await self._work

    async def _submit(self, job: Job) -> Any:
        self._arrived.set()
        return await super()._submit(job)

    async def _run_on_loop(self) -> None:
        group: Sequence[Job] = ()
        try:
            while await self._wait_on_loop():
                group = self._take_group()
                await asyncio.sleep(self._commit_s())
                self._serve(group)
        except Exception as error:
            self._stop_by(error, group)

    async def _wait_on_loop(self) -> bool:
        while not (self._jobs or self._closing):
            self._arrived.clear()
            await self._arrived.wait()
        return bool(self._jobs)
