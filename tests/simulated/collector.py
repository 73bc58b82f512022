"""The collector under test: what `collector/daemon.py` puts together, over the simulated network. The one
place that knows how a poller is made.
"""

import asyncio
import random
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import datetime
from typing import Any

from sqlalchemy import Engine

from collector.backoff import Backoff
from collector.errors import StoreError
from collector.inbox import Inbox
from collector.layouts.schema import ModbusLayout, MqttLayout, S7Layout
from collector.model import ControllerIdentity
from collector.poller import Polling, follow
from collector.standing import Standing
from collector.store.writer import Writer
from tests.simulated.book import Killed
from tests.simulated.network import Blocks, Messages, Place
from tests.simulated.writer import VirtualWriter

LOG_FILE = "log file"
LOOK_EVERY_S = 30.0


class Collector:
    """Lives once: from its start until it is told to stop, or killed."""

    def __init__(
        self,
        engine: Engine,
        places: Sequence[Place],
        poll_interval_s: float,
        utc_now: Callable[[], datetime],
        commit_s: Callable[[], float],
        dice: random.Random,
    ) -> None:
        self._engine, self._places, self._interval_s = engine, places, poll_interval_s
        self._utc_now, self._commit_s, self._dice = utc_now, commit_s, dice

    async def live(self, stop: asyncio.Event, killed: asyncio.Event) -> None:
        """Raises: StoreError: it could not begin; Killed."""
        writer = VirtualWriter(self._engine, self._utc_now, self._commit_s)
        await writer.__aenter__()
        told = [asyncio.create_task(each.wait()) for each in (stop, killed)]
        pollers = asyncio.create_task(self._poll(writer))
        await asyncio.wait([*told, pollers, writer.work], return_when=asyncio.FIRST_COMPLETED)
        died = killed.is_set() or writer.work.done()
        await _cancel([*told, pollers, *([writer.work] if died else [])])
        if died:
            raise Killed
        await writer.__aexit__(None, None, None)
        if not pollers.cancelled():
            pollers.result()  # they have ended by an error

    async def _poll(self, writer: Writer) -> None:
        """As the daemon: all end with the first that ends."""
        await writer.register([identity(place) for place in self._places])
        tasks = [asyncio.create_task(self._follow(writer, place), name=place.name) for place in self._places]
        tasks.append(asyncio.create_task(writer.watch()))
        try:
            ended, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for each in ended:
                each.result()
        finally:
            await _cancel(tasks)

    async def _follow(self, writer: Writer, place: Place) -> None:
        memory = await writer.recall(place.name)
        layout = place.machine.kind.layout
        standing = Standing(place.name, layout, writer, memory, self._utc_now)
        logs = asyncio.create_task(_take_logs(standing, place))
        link = asyncio.create_task(self._follow_link(standing, place))
        try:
            ended, _ = await asyncio.wait([logs, link], return_when=asyncio.FIRST_COMPLETED)
            for each in ended:
                each.result()
        finally:
            await _cancel([logs, link])

    async def _follow_link(self, standing: Standing, place: Place) -> None:
        layout, backoff = place.machine.kind.layout, Backoff(self._dice.random)
        if isinstance(layout, MqttLayout):
            inbox = Inbox(standing, layout, place.name)
            await follow(standing, lambda: Messages(place, inbox.topics), inbox.work, backoff)
        else:
            assert isinstance(layout, ModbusLayout | S7Layout)
            polling = Polling(standing, layout, self._interval_s)
            await follow(standing, lambda: Blocks(place), polling.work, backoff)


async def _take_logs(standing: Standing, place: Place) -> None:
    """As `collector/log_folder.py`: a file that could not be taken as a whole comes again."""
    while True:
        await asyncio.sleep(LOOK_EVERY_S)
        while place.logs:
            try:
                await standing.take_late(place.logs[0], brought_by=f"{LOG_FILE} of {place.name}")
            except StoreError:
                break
            del place.logs[0]


def identity(place: Place) -> ControllerIdentity:
    kind = place.machine.kind
    return ControllerIdentity(place.name, "L1", place.name, kind.protocol, kind.layout.name, place.name)


async def _cancel(tasks: Sequence[asyncio.Task[Any]]) -> None:
    for each in tasks:
        each.cancel()
    for each in tasks:
        with suppress(asyncio.CancelledError, Killed, Exception):
            await each
