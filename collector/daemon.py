"""The collector: store, then writer, then one task a controller. Lifetimes nest, and leaving them in
reverse order is the shutdown: pollers first, then what they handed over is committed, then the book is
closed.
"""

import asyncio
import logging
import random
from collections.abc import Mapping
from datetime import UTC, datetime

from collector import __version__
from collector.backoff import Backoff
from collector.closing import close_shifts
from collector.config import (
    Controller,
    ModbusController,
    MqttController,
    S7Controller,
    Site,
    client_id,
    identity,
)
from collector.errors import StoreError
from collector.inbox import Inbox
from collector.layouts.schema import BlockLayout, Layout, ModbusLayout, MqttLayout, S7Layout
from collector.log_folder import follow_logs
from collector.poller import Polling, follow
from collector.sources.base import BlockSource, MessageSource
from collector.sources.modbus import ModbusSource
from collector.sources.mqtt import MqttSource
from collector.sources.s7 import S7Source
from collector.standing import Standing
from collector.store.engine import SQLITE_VERSION, migrate_book, open_book_writer
from collector.store.writer import Writer
from collector.watcher import follow_findings

log = logging.getLogger(__name__)


def utc_now() -> datetime:
    return datetime.now(UTC)


async def collect(site: Site, layouts: Mapping[str, Layout], stop: asyncio.Event) -> None:
    """Follow every controller of the site until `stop` is set.

    Raises: StoreError: the book can't be opened, or another collector keeps it; BookDamaged.
    """
    address = site.store_address
    engine = await asyncio.to_thread(open_book_writer, address)
    await asyncio.to_thread(migrate_book, engine)
    async with Writer(engine) as writer:
        log.info(
            "clampbook %s, SQLite %s, book %s in %s", __version__, SQLITE_VERSION, writer.instance, address
        )
        await writer.register([identity(each, layouts[each.name]) for each in site.controllers])
        try:
            await follow_all(site, layouts, writer, stop)
        except BaseExceptionGroup as group:
            raise cause_of(group) from None
    engine.dispose()
    log.info("collector stopped; everything taken is in the book")


async def follow_all(site: Site, layouts: Mapping[str, Layout], writer: Writer, stop: asyncio.Event) -> None:
    async with asyncio.TaskGroup() as tasks:
        # What ends the writer ends the daemon: nothing can be promised without it.
        watch = tasks.create_task(writer.watch(), name="writer")
        closing = tasks.create_task(close_shifts(site, layouts, writer), name="statements")
        followers = [
            tasks.create_task(follow_controller(site, each, layouts[each.name], writer), name=each.name)
            for each in site.controllers
        ]
        if site.analysis.look_every_s:
            followers.append(tasks.create_task(follow_findings(site, writer), name="findings"))
        await stop.wait()
        for each in (watch, closing, *followers):
            each.cancel()


def cause_of(group: BaseExceptionGroup[BaseException]) -> BaseException:
    """What the store said, where that is all that happened; else the group itself."""
    stores, others = group.split(StoreError)
    if stores is None or others is not None:
        return group
    cause: BaseException = stores
    while isinstance(cause, BaseExceptionGroup):
        cause = cause.exceptions[0]
    return cause


async def follow_controller(site: Site, controller: Controller, layout: Layout, writer: Writer) -> None:
    """One controller's whole life, and its logs; only cancellation ends it."""
    memory = await writer.recall(controller.name)
    standing = Standing(controller.name, layout, writer, memory, utc_now, controller.controller_serial)
    async with asyncio.TaskGroup() as tasks:
        tasks.create_task(follow_link(site, controller, layout, standing), name=controller.name)
        if (folder := site.log_folder(controller)) is not None:
            tasks.create_task(follow_logs(standing, layout, folder), name=f"{controller.name} logs")


async def follow_link(site: Site, controller: Controller, layout: Layout, standing: Standing) -> None:
    """Follow one controller over its protocol; only cancellation ends it."""
    backoff = Backoff(random.random)
    if isinstance(controller, MqttController):
        assert isinstance(layout, MqttLayout)
        inbox = Inbox(standing, layout, controller.address)
        password = site.password(controller)
        await follow(standing, lambda: mqtt_source(controller, inbox.topics, password), inbox.work, backoff)
    else:
        assert isinstance(layout, ModbusLayout | S7Layout)
        polling = Polling(standing, layout, controller.poll_interval_s)
        await follow(standing, lambda: block_source(controller, layout), polling.work, backoff)


def block_source(controller: ModbusController | S7Controller, layout: BlockLayout) -> BlockSource:
    request_timeout_s = layout.request_timeout_ms / 1000
    if isinstance(controller, S7Controller):
        return S7Source(
            controller.host,
            controller.port,
            rack=controller.rack,
            slot=controller.slot,
            request_timeout_s=request_timeout_s,
            connect_timeout_s=controller.connect_timeout_s,
        )
    return ModbusSource(
        controller.host,
        controller.port,
        unit_id=controller.unit_id,
        request_timeout_s=request_timeout_s,
        connect_timeout_s=controller.connect_timeout_s,
        echoes_transaction_id=controller.echoes_transaction_id,
    )


def mqtt_source(controller: MqttController, topics: Mapping[str, int], password: str | None) -> MessageSource:
    return MqttSource(
        controller.host,
        controller.port,
        client_id=client_id(controller),
        topics=topics,
        username=controller.username,
        password=password,
        timeout_s=controller.connect_timeout_s,
    )
