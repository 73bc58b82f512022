"""MQTT 3.1.1: cycles that the controller pushes through a broker, with QoS 1.

The broker's queue is the ring. The session is kept under a fixed client identifier, messages are acknowledged
after the commit that holds them, and what was not acknowledged comes again on the next connection.

Source: OASIS MQTT 3.1.1, sections 3.1 (clean session), 3.2 (session present) and 4.4 (redelivery).
"""

import asyncio
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from types import TracebackType
from typing import Any, Self

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.reasoncodes import ReasonCode

from collector.errors import LinkDown, Refused, SourceError
from collector.mqtt_closing import hang_up
from collector.sources.base import Message

BATCH_MOST = 20
"""Messages; a common broker's window of unacknowledged ones: more would not come before we acknowledge."""
BATCH_WAIT_S = 0.05
"""From the first message of a batch on; the price in delay for one commit instead of many."""
WAITING_MOST = 1000
"""Messages of QoS 0 that may wait while the book takes nothing; later ones are let go, as QoS 0 allows."""
SERVER_UNAVAILABLE = 136
"""Reason code: the one "no" to a connection that is about the moment, not about our name or password."""
NOT_GRANTED = 0x80
"""From this reason code on the broker did not grant a subscription."""

CHECK_LINK = (
    "check that the broker runs, its address, and that no other client uses the same client identifier"
)


class _Session:
    """What aiomqtt 2.5 does not offer of the paho client below it.

    - Manual acknowledgement: else paho acknowledges what aiomqtt has only queued, before it is in the book.
    - Session present, a flag in the broker's answer to CONNECT: aiomqtt drops it.
    - A close that can't hang, also in the middle of connecting (see `collector.mqtt_closing`).

    `_client`, the way to paho, is private to aiomqtt: it is touched here and nowhere else. Under aiomqtt paho
    runs on the event loop alone (only its TCP connect has a thread), so these calls need no lock.
    """

    def __init__(self, client: aiomqtt.Client, timeout_s: float) -> None:
        self.kept = False
        self._paho = client._client
        self._paho.connect_timeout = timeout_s
        self._paho.manual_ack_set(True)
        self._aiomqtt_on_connect: Any = self._paho.on_connect
        self._paho.on_connect = self._on_connect

    @property
    def up(self) -> bool:
        return self._paho.is_connected()

    def acknowledge(self, message_id: int, qos: int) -> None:
        """Queue the PUBACK (a message with QoS 0 has none)."""
        self._paho.ack(message_id, qos)

    async def close(self) -> None:
        """Send what is queued, DISCONNECT, and close; an attempt to connect that still runs stays silent."""
        await hang_up(self._paho)

    def _on_connect(self, client: Any, userdata: Any, flags: Any, *rest: Any) -> None:
        self.kept = flags.session_present
        self._aiomqtt_on_connect(client, userdata, flags, *rest)


@dataclass(frozen=True, slots=True)
class _Delivery:
    """A message's identity within one connection; on another it would mean another message."""

    session: _Session
    message_id: int
    qos: int


class MqttSource:
    """One connection to a broker, under a fixed client identifier.

    A message is stamped when it comes, also while an earlier one waits for its commit. What waits with QoS 1
    has no bound here: the broker's window of unacknowledged messages (20 by default in a common one) is the
    bound, and a full queue would throw messages away.

    Args:
        client_id: fixed and of one client alone; a second one with the same identifier throws this one out.
        topics: topic filter -> QoS; 1 where the broker must keep messages for us while we are away.
        keepalive_s: s; a dead link is noticed after at most twice as long.
        timeout_s: s, for each of: TCP connection, the broker's answer to it, the subscription.
    """

    session_kept: bool

    def __init__(
        self,
        host: str,
        port: int,
        client_id: str,
        topics: Mapping[str, int],
        username: str | None = None,
        password: str | None = None,
        *,
        keepalive_s: int = 15,
        timeout_s: float = 5.0,
    ) -> None:
        self._host = host
        self._port = port
        self._client_id = client_id
        self._topics = dict(topics)
        self._username = username
        self._password = password
        self._keepalive_s = keepalive_s
        self._timeout_s = timeout_s
        self._where = f"MQTT broker {host}:{port}"

    async def __aenter__(self) -> Self:
        self._client = aiomqtt.Client(
            self._host,
            self._port,
            identifier=self._client_id,
            clean_session=False,
            username=self._username,
            password=self._password,
            keepalive=self._keepalive_s,
            timeout=self._timeout_s,
        )
        self._session = _Session(self._client, self._timeout_s)
        try:
            await self._client.__aenter__()
            await self._subscribe()
        except aiomqtt.MqttError as error:
            await self._session.close()
            raise self._cause_of(error) from error
        except BaseException:
            await self._session.close()
            raise
        self.session_kept = self._session.kept
        self._arrived: asyncio.Queue[Message | aiomqtt.MqttError] = asyncio.Queue()
        self._taking_in = asyncio.create_task(self._take_in(), name=f"messages of {self._client_id}")
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._taking_in.cancel()
        self._arrived.put_nowait(aiomqtt.MqttError("this connection was left"))
        await self._session.close()

    async def batches(self) -> AsyncIterator[list[Message]]:
        """Messages in order of arrival: 20, or what came within 50 ms after the first.

        Raises: LinkDown when the connection ends.
        """
        while True:
            batch = [await self._next()]
            # An end in mid-batch is met again at the begin of the next one.
            with suppress(TimeoutError, LinkDown):
                async with asyncio.timeout(BATCH_WAIT_S):
                    while len(batch) < BATCH_MOST:
                        batch.append(await self._next())
            yield batch

    async def acknowledge(self, messages: Sequence[Message]) -> None:
        """Tell the broker that these are safe with us, in order; called after the commit that holds them.

        Raises: LinkDown: the connection is over, all or some of them will come again.
        """
        for message in messages:
            delivery = message.handle
            assert isinstance(delivery, _Delivery)
            if not delivery.session.up:
                raise self._lost()
            delivery.session.acknowledge(delivery.message_id, delivery.qos)

    async def _subscribe(self) -> None:
        granted = await self._client.subscribe(list(self._topics.items()))
        for topic, code in zip(self._topics, granted, strict=True):
            if isinstance(code, ReasonCode) and code.value >= NOT_GRANTED:
                says = f"{self._where} did not grant {topic!r} to client {self._client_id!r}: {code}"
                raise Refused(str(code), f"{says}; check the broker's access rules")

    async def _take_in(self) -> None:
        try:
            async for came in self._client.messages:
                if came.qos > 0 or self._arrived.qsize() < WAITING_MOST:
                    self._arrived.put_nowait(self._message(came))
        except aiomqtt.MqttError as error:
            self._arrived.put_nowait(error)

    async def _next(self) -> Message:
        """Raises: LinkDown: the connection ended, and all that came before is taken."""
        came = await self._arrived.get()
        if isinstance(came, Message):
            return came
        self._arrived.put_nowait(came)
        raise self._lost() from came

    def _message(self, came: aiomqtt.Message) -> Message:
        return Message(
            topic=came.topic.value,
            payload=bytes(came.payload),
            retained=came.retain,
            received_at=datetime.now(UTC),
            handle=_Delivery(self._session, came.mid, came.qos),
        )

    def _lost(self) -> LinkDown:
        return LinkDown(f"{self._where} closed the connection of client {self._client_id!r}; {CHECK_LINK}")

    def _cause_of(self, error: aiomqtt.MqttError) -> SourceError:
        """The one map from the library's errors to ours."""
        no = error.rc if isinstance(error, MqttConnectError) else None
        if isinstance(no, ReasonCode) and no.value != SERVER_UNAVAILABLE:
            says = f"{self._where} refused client {self._client_id!r}: {no}"
            return Refused(
                str(no), f"{says}; check user name, password and client identifier in the site file"
            )
        return LinkDown(f"{self._where} can't be reached ({error}); {CHECK_LINK}")
