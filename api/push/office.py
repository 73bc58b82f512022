"""All receivers of the site, told beside the API's answers: tasks of its event loop, the store in threads."""

import asyncio
import logging
from collections.abc import AsyncIterator, Callable, Collection
from contextlib import asynccontextmanager, suppress

from starlette.concurrency import run_in_threadpool

from api.push.broker import Broker
from api.push.receiver import Receiver
from api.push.sender import Sender
from api.push.states import keep_states
from api.push.webhook import Webhook
from api.stores import Stores
from collector.config import Site
from collector.errors import StoreError

CLOSE_WITHIN_S = 1.0
CANCEL_EVERY_S = 0.1

log = logging.getLogger(__name__)


async def end(tasks: Collection[asyncio.Task[None]]) -> None:
    """Cancel them until they are over: before Python 3.12, `asyncio.wait_for`, by which aiomqtt waits for an
    acknowledgement, swallows a cancellation that comes together with it."""
    pending = set(tasks)
    while pending:
        for task in pending:
            task.cancel()
        _, pending = await asyncio.wait(pending, timeout=CANCEL_EVERY_S)


class Office:
    """Args: stores: of the application, as it is when it is asked for."""

    def __init__(self, site: Site, stores: Callable[[], Stores]) -> None:
        self.senders: dict[str, Sender] = {}
        """Receiver -> who tells it; none while the application does not run."""
        self._site = site
        self._stores = stores

    @asynccontextmanager
    async def open(self) -> AsyncIterator[None]:
        """Tell them from here on; on leaving, what was told is on the desk."""
        folder = self._site.path.parent
        receivers: list[Receiver] = [Webhook(part, folder) for part in self._site.webhooks]
        broker = None if self._site.publish is None else Broker(self._site.publish, folder)
        self.senders = {
            each.name: Sender(each, self._stores) for each in (*receivers, *([broker] if broker else []))
        }
        tasks = [
            asyncio.create_task(sender.run(), name=f"tell {name}") for name, sender in self.senders.items()
        ]
        if broker is not None:
            tasks.append(asyncio.create_task(keep_states(broker, self._stores, self._site), name="states"))
        try:
            yield
        finally:
            await end(tasks)
            for sender in self.senders.values():
                await self._end(sender)
            self.senders = {}

    async def _end(self, sender: Sender) -> None:
        try:
            await run_in_threadpool(sender.save)
        except StoreError as error:
            log.warning("%s will be told some again: %s", sender.receiver.name, error)
        with suppress(TimeoutError):
            async with asyncio.timeout(CLOSE_WITHIN_S):
                await sender.receiver.close()
