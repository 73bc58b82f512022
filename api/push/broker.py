"""The broker that [publish] names: MQTT 5.0, QoS 1, each message below one prefix and below no other.

It is a connection of its own, to publish alone: it subscribes to nothing, and the site file is refused where
its prefix meets what a controller speaks. An event counts as told when the broker has acknowledged it.

Source: OASIS MQTT 5.0, sections 3.1.2.5 (will), 3.3.2.3 (content type, format of the payload), 3.4.2.1
(reason codes of PUBACK); CloudEvents 1.0.2, MQTT protocol binding, structured content mode.
"""

import asyncio
import logging
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from typing import Any

import aiomqtt
import orjson
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from api.push.events import CONTENT_TYPE, Event
from api.push.receiver import Away, NotTaken, Receiver
from collector.mqtt_closing import hang_up
from collector.pushing import BROKER, PublishPart, trusted
from collector.store.feed import Kind

KEEPALIVE_S = 15
TIMEOUT_S = 5.0
"""For each of: TCP connection, the broker's answer to it, an acknowledgement."""
GOODBYE_S = 1.0
REFUSED = 0x80
"""From this reason code on the broker did not take the message."""
ABOUT_THE_MOMENT = frozenset({0x83, 0x97})
"""Implementation specific error, quota exceeded."""
UTF_8 = 1
"""Payload format indicator: the payload is text."""
JSON = "application/json"
CONNECTION = "connection"
"""Topic, below the prefix, that says whether the publisher is there."""
UP, DOWN = (orjson.dumps({"state": state}) for state in ("up", "down"))


log = logging.getLogger(__name__)


def topic_of(kind: Kind) -> str:
    """Below the prefix."""
    return f"events/{kind.replace('.', '/')}"


class Broker(Receiver):
    name = BROKER
    way = "broker"

    def __init__(self, part: PublishPart, folder: Path) -> None:
        """`folder` is that of the site file. Raises: OSError: password or CA file can't be used."""
        self.kinds = part.kinds
        self.begin = part.begin
        self.give_up_after = timedelta(hours=part.give_up_after_h)
        self.prefix = part.topic_prefix
        self.address = f"{'mqtts' if part.tls else 'mqtt'}://{part.host}:{part.port}/{part.topic_prefix}"
        self.connections = 0
        """How often it was connected; a broker may have forgotten what it kept of the time before."""
        self._part = part
        self._password = part.password(folder)
        ca_file = None if part.ca_file is None else folder / part.ca_file
        self._tls = trusted(ca_file) if part.tls else None
        self._lock = asyncio.Lock()
        self._client: aiomqtt.Client | None = None
        self._answer: ReasonCode | None = None
        """Of the message that was sent last; one is under way at a time."""

    async def tell(self, event: Event) -> None:
        await self.publish(topic_of(event.kind), event.body, CONTENT_TYPE)

    async def publish(self, below: str, body: bytes, content_type: str, *, retain: bool = False) -> None:
        """Returns when the broker has acknowledged it. `below` the prefix. Raises: Away; NotTaken."""
        async with self._lock:
            await self._send(await self._connected(), below, body, content_type, retain)

    async def stay_connected(self) -> None:
        """Connect, where there is no connection now. Raises: Away; NotTaken."""
        async with self._lock:
            await self._connected()

    async def close(self) -> None:
        """With a goodbye, where the broker takes one."""
        async with self._lock:
            client = self._client
            if client is not None and _paho(client).is_connected():
                with suppress(Away, NotTaken, TimeoutError):
                    async with asyncio.timeout(GOODBYE_S):
                        await self._send(client, CONNECTION, DOWN, JSON, True)
            await self._leave()

    async def _connected(self) -> aiomqtt.Client:
        if self._client is not None and _paho(self._client).is_connected():
            return self._client
        await self._leave()
        will = aiomqtt.Will(f"{self.prefix}/{CONNECTION}", DOWN, qos=1, retain=True)
        client = aiomqtt.Client(
            self._part.host,
            self._part.port,
            identifier=self._part.client_id,
            username=self._part.username,
            password=self._password,
            protocol=aiomqtt.ProtocolVersion.V5,
            clean_start=True,
            keepalive=KEEPALIVE_S,
            timeout=TIMEOUT_S,
            tls_context=self._tls,
            will=will,
        )
        paho = _paho(client)
        paho.connect_timeout = TIMEOUT_S
        self._listen_to_answers(paho)
        try:
            await client.__aenter__()
        except aiomqtt.MqttError as error:
            await hang_up(paho)
            raise Away(
                f"can't be reached ({error}); check that the broker runs, user and password"
            ) from error
        except BaseException:
            await hang_up(paho)
            raise
        self._client = client
        self.connections += 1
        try:
            await self._send(client, CONNECTION, UP, JSON, True)
        except NotTaken as error:  # of no event: what it is about is told all the same
            log.warning("the broker %s", error)
        return client

    async def _send(
        self, client: aiomqtt.Client, below: str, body: bytes, content_type: str, retain: bool
    ) -> None:
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.ContentType = content_type
        properties.PayloadFormatIndicator = UTF_8
        self._answer = None
        try:
            await client.publish(f"{self.prefix}/{below}", body, qos=1, retain=retain, properties=properties)
        except aiomqtt.MqttError as error:
            await self._leave()
            raise Away(f"the connection is lost ({error})") from error
        except BaseException:
            await self._leave()  # its answer would be taken for that to the next message
            raise
        code = self._answer
        if code is not None and code.value >= REFUSED:
            says = f"refused a message to {self.prefix}/{below}: {code}"
            raise Away(says) if code.value in ABOUT_THE_MOMENT else NotTaken(says)

    async def _leave(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            await hang_up(_paho(client))

    def _listen_to_answers(self, paho: Any) -> None:
        """aiomqtt 2.5 takes each PUBACK for a yes."""
        pass_on = paho.on_publish

        def on_publish(client: Any, userdata: Any, message_id: int, code: Any, properties: Any) -> None:
            self._answer = code if isinstance(code, ReasonCode) else None
            pass_on(client, userdata, message_id, code, properties)

        paho.on_publish = on_publish


def _paho(client: aiomqtt.Client) -> Any:
    """The client below, private to aiomqtt: touched here and nowhere else in this file."""
    return client._client
