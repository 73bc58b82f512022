"""A broker that keeps one session: QoS 1 with redelivery, a queue with a limit, retained messages."""

import random
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from collector.sources.base import Message

WINDOW = 20
"""Messages that may be under way unacknowledged."""


@dataclass(slots=True, eq=False)
class Kept:
    """A message that the session still owes."""

    topic: str
    payload: bytes


class Broker:
    def __init__(self, dice: random.Random, utc_now: Callable[[], datetime], queue_most: int) -> None:
        self.up = True
        self.connection: Any = None
        self.drops_oldest = dice.random() < 0.5
        self.queue_most = queue_most
        self._dice, self._utc_now = dice, utc_now
        self._topics: dict[str, int] = {}
        self._session = False
        self._queue: deque[Kept] = deque()
        self._under_way: list[Kept] = []
        self._retained: dict[str, bytes] = {}
        self._last_delivery = 0.0

    # ---- the client ----------------------------------------------------------------------------------------

    def connect(self, connection: Any, topics: dict[str, int]) -> bool:
        """Returns whether the session was kept."""
        kept, self._session = self._session, True
        self.connection, self._topics = connection, topics
        self._queue.extendleft(reversed(self._under_way))
        self._under_way = []
        for topic, payload in self._retained.items():
            if topic in topics:
                self._send(topic, payload, retained=True, handle=None)
        self._pump()
        return kept

    def disconnect(self, connection: Any) -> None:
        if self.connection is connection:
            self.connection = None

    def acknowledged(self, connection: Any, message: Message) -> None:
        if self.connection is connection and message.handle in self._under_way:
            self._under_way.remove(message.handle)
            self._pump()

    def stamped(self, message: Message) -> Message:
        return replace(message, received_at=self._utc_now())

    def delay(self, latency_s: float) -> float:
        """Of a delivery; those of one connection stay in order."""
        now = self._utc_now().timestamp()
        self._last_delivery = max(self._last_delivery + 1e-5, now + latency_s)
        return self._last_delivery - now

    # ---- the publisher -------------------------------------------------------------------------------------

    def publish(self, topic: str, payload: bytes, qos: int, retain: bool) -> None:
        if not self.up:
            return
        if retain:
            self._retained[topic] = payload
        if qos == 0 or not self._topics.get(topic):
            if self.connection is not None and topic in self._topics:
                self._send(topic, payload, retained=False, handle=None)
            return
        if self._session:
            self._keep(Kept(topic, payload))
            self._pump()

    def _keep(self, message: Kept) -> None:
        if len(self._queue) >= self.queue_most:
            if not self.drops_oldest:
                return
            self._queue.popleft()
        self._queue.append(message)

    def _pump(self) -> None:
        while self.connection is not None and self._queue and len(self._under_way) < WINDOW:
            message = self._queue.popleft()
            self._under_way.append(message)
            self._send(message.topic, message.payload, retained=False, handle=message)

    def _send(self, topic: str, payload: bytes, retained: bool, handle: Kept | None) -> None:
        self.connection.deliver(Message(topic, payload, retained, self._utc_now(), handle))

    # ---- what befalls it -----------------------------------------------------------------------------------

    def stop(self) -> None:
        self.up = False
        self.connection = None

    def start(self, session_kept: bool, retained_kept: bool) -> None:
        self.up = True
        if not session_kept:
            self._session = False
            self._queue.clear()
            self._under_way = []
            self._topics = {}
        if not retained_kept:
            self._retained = {}
