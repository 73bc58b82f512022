"""The network between the collector and one place in the plant, and the sources that go over it: they keep
the contract of `collector/sources/base.py` and fail as the real ones do.
"""

import asyncio
import random
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import suppress
from types import TracebackType
from typing import Literal, Self

from collector.errors import BadReply, LinkDown, Refused
from collector.layouts.schema import Block, RegisterBlock
from collector.model import Cycle
from collector.sources.base import Message
from tests.simulated.broker import Broker
from tests.simulated.kinds import REGISTER_BYTES
from tests.simulated.machines import Machine

Weather = Literal["fair", "half-open", "refused", "lost", "garbled", "flaky", "says no"]
REQUEST_TIMEOUT_S, CONNECT_TIMEOUT_S, KEEPALIVE_S = 0.5, 3.0, 20.0
BAD_REPLIES = ("short", "long", "mislabelled", "late", "shifted", "garbled")
BATCH_MOST, BATCH_WAIT_S = 20, 0.05


class Way:
    """The way to one place."""

    def __init__(self, dice: random.Random, latency_s: float) -> None:
        self.dice = dice
        self.weather: Weather = "fair"
        self.cuts = 0
        """How often every connection over it was cut."""
        self._latency_s = latency_s

    def change(self, weather: Weather) -> None:
        self.weather = weather
        if weather != "fair":
            self.cuts += weather != "flaky"

    def latency(self) -> float:
        return self._latency_s * (0.5 + self.dice.random())

    async def connect(self) -> None:
        match self.weather:
            case "refused":
                await asyncio.sleep(self.latency())
                raise LinkDown("connection refused")
            case "lost" | "half-open":
                await asyncio.sleep(CONNECT_TIMEOUT_S)
                raise LinkDown("no answer to the connection")
        await asyncio.sleep(self.latency())

    async def ask(self) -> None:
        """One request's fate. Raises: what a source raises."""
        match self.weather:
            case "lost" | "half-open":
                await asyncio.sleep(REQUEST_TIMEOUT_S)
                raise self.dice.choice([LinkDown("no answer"), BadReply("late", "no answer in time")])
            case "refused":
                await asyncio.sleep(self.latency())
                raise LinkDown("connection reset")
            case "garbled":
                await asyncio.sleep(self.latency())
                raise BadReply(self.dice.choice(BAD_REPLIES), "another protocol answers")
            case "says no":
                await asyncio.sleep(self.latency())
                raise Refused("illegal data address", "the controller answered no")
            case "flaky" if self.dice.random() < 0.15:
                await asyncio.sleep(self.latency())
                raise self.dice.choice(
                    [LinkDown("reset"), BadReply(self.dice.choice(BAD_REPLIES), "a bad moment")]
                )


class Place:
    """Where the collector believes one controller to be, and what is plugged in there."""

    def __init__(self, name: str, way: Way, machine: Machine, now: Callable[[], float]) -> None:
        self.name, self.way, self.machine, self.now = name, way, machine, now
        self.broker: Broker | None = None
        self.logs: list[list[Cycle]] = []
        """Log files of the controller that belongs here, brought and not taken yet: their rows."""


class Blocks:
    """One connection to whatever controller is plugged in; a `BlockSource`."""

    def __init__(self, place: Place) -> None:
        self._place = place
        self._open = False

    async def __aenter__(self) -> Self:
        place = self._place
        if not place.machine.powered:
            await asyncio.sleep(CONNECT_TIMEOUT_S)
        await place.way.connect()
        place.machine.advance(place.now())
        if not place.machine.powered:
            raise LinkDown("nobody answers")
        self._machine, self._life, self._cuts = place.machine, place.machine.life, place.way.cuts
        self._open = True
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._open = False

    async def read(self, block: Block) -> bytes:
        """In as many requests as it takes; the controller goes on between them."""
        assert self._open, "a connection is used after it was closed"
        scale = REGISTER_BYTES if isinstance(block, RegisterBlock) else 1
        begin, end = block.start * scale, (block.start + block.size) * scale
        most = self._machine.kind.unit_bytes_most
        self._open = False  # whatever goes wrong now, a cancellation too, ends this connection
        parts = [await self._part(at, min(most, end - at)) for at in range(begin, end, most)]
        self._open = True
        return b"".join(parts)

    async def _part(self, begin: int, size: int) -> bytes:
        place = self._place
        asked = place.now()
        await place.way.ask()
        pause = place.way.latency()
        await asyncio.sleep(pause)
        if self._cuts != place.way.cuts or place.machine is not self._machine:
            raise LinkDown("connection reset in mid-read")
        # Read somewhere between question and answer; a controller that was looked at later can't go back.
        self._machine.advance(asked + pause * place.way.dice.random())
        if self._machine.life != self._life or not self._machine.powered:
            await asyncio.sleep(REQUEST_TIMEOUT_S)
            raise LinkDown("no answer")
        return self._machine.read(begin, size)


class Messages:
    """One connection to the broker; a `MessageSource`."""

    session_kept: bool

    def __init__(self, place: Place, topics: dict[str, int]) -> None:
        assert place.broker is not None
        self._place, self._broker, self._topics = place, place.broker, topics
        self._arrived: asyncio.Queue[Message | None] = asyncio.Queue()

    async def __aenter__(self) -> Self:
        way = self._place.way
        await way.connect()
        if not self._broker.up:
            raise LinkDown("the broker is down")
        if way.weather == "says no":
            raise Refused("not authorised", "the broker refused the client")
        if way.weather == "garbled":
            raise LinkDown("another protocol answers")
        self._cuts = way.cuts
        self.session_kept = self._broker.connect(self, self._topics)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._broker.disconnect(self)

    @property
    def up(self) -> bool:
        return self._broker.up and self._broker.connection is self and self._cuts == self._place.way.cuts

    def deliver(self, message: Message) -> None:
        """From the broker; on a way that is cut it gets nowhere."""
        delay_s = self._broker.delay(self._place.way.latency())
        asyncio.get_running_loop().call_later(delay_s, self._take, message)

    def _take(self, message: Message) -> None:
        if self.up:
            self._arrived.put_nowait(self._broker.stamped(message))

    async def batches(self) -> AsyncIterator[list[Message]]:
        while True:
            batch = [await self._next()]
            with suppress(TimeoutError, LinkDown):
                async with asyncio.timeout(BATCH_WAIT_S):
                    while len(batch) < BATCH_MOST:
                        batch.append(await self._next())
            yield batch

    async def acknowledge(self, messages: Sequence[Message]) -> None:
        for message in messages:
            if not self._broker.up or self._broker.connection is not self:
                raise LinkDown("the connection is over")
            # One that is lost on a way that is cut brings the message again.
            if self.up and self._place.way.weather in ("fair", "flaky"):
                self._broker.acknowledged(self, message)

    async def _next(self) -> Message:
        while True:
            try:
                async with asyncio.timeout(KEEPALIVE_S):
                    came = await self._arrived.get()
                assert came is not None
                return came
            except TimeoutError:
                # The keepalive: an answer from the broker, or the end.
                if not self.up or self._place.way.weather not in ("fair", "flaky"):
                    raise LinkDown("no answer from the broker") from None
