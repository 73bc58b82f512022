"""Publishing through a real broker: events once acknowledged, states kept, and a document that is true."""

import asyncio
import uuid
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import aiomqtt
import orjson
import pytest
from pydantic import BaseModel

from api.push.broker import Broker
from api.push.document import publishing_document
from api.push.events import CONTENT_TYPE, Event
from api.push.office import end
from api.push.pace import Pace
from api.push.receiver import Away, NotTaken
from api.push.sender import Sender
from api.push.states import keep_states
from api.schemas.push import Connection, ControllerState, ToldEvent
from api.stores import Stores
from collector.config import load_site
from collector.pushing import PublishPart
from collector.store.feed import KINDS, find_news
from tests.api.plant import Plant
from tests.api.receiving import record_at_desk
from tests.rigs import RecordingProxy, ScriptedServer

QUICK = Pace(look_every_s=0.02, first_pause_s=0.02, longest_pause_s=0.1)
EVENT = Event(7, "gap.listed", "0b64-7", b'{"specversion":"1.0"}')
MODEL_OF: dict[str, type[BaseModel]] = {"controllerState": ControllerState, "connection": Connection}


@pytest.fixture
def part(mosquitto: tuple[str, int]) -> PublishPart:
    """Topics and a client identifier of this test alone."""
    own = f"clampbook-test/{uuid.uuid4()}"
    host, port = mosquitto
    return PublishPart(host=host, port=port, topic_prefix=own, client_id=own.replace("/", "-"), begin="first")


@pytest.fixture
def stores(plant: Plant) -> Iterator[Stores]:
    made = Stores(plant.address)
    yield made
    made.close()


@asynccontextmanager
async def publishing(part: PublishPart, folder: Path) -> AsyncIterator[Broker]:
    """What the broker keeps of the test is taken away at the end."""
    broker = Broker(part, folder)
    try:
        yield broker
    finally:
        await broker.close()
        async with aiomqtt.Client(part.host, part.port) as client:
            await client.publish(f"{part.topic_prefix}/connection", b"", retain=True)
            for name in ("A-01", "A-02"):
                await client.publish(f"{part.topic_prefix}/controllers/{name}/state", b"", retain=True)


@asynccontextmanager
async def subscribed(part: PublishPart, below: str = "#") -> AsyncIterator[aiomqtt.Client]:
    async with aiomqtt.Client(
        part.host, part.port, protocol=aiomqtt.ProtocolVersion.V5, identifier=f"{part.client_id}-reader"
    ) as client:
        await client.subscribe(f"{part.topic_prefix}/{below}", qos=1)
        yield client


async def messages(client: aiomqtt.Client, count: int) -> list[aiomqtt.Message]:
    came: list[aiomqtt.Message] = []
    async with asyncio.timeout(30):
        async for message in client.messages:
            came.append(message)
            if len(came) == count:
                break
    return came


@asynccontextmanager
async def running(*coroutines: Any) -> AsyncIterator[None]:
    tasks = [asyncio.create_task(each) for each in coroutines]
    try:
        yield
    finally:
        await end(tasks)


def below(part: PublishPart, message: aiomqtt.Message) -> str:
    return message.topic.value.removeprefix(f"{part.topic_prefix}/")


async def test_every_event_is_published_in_order_on_the_topic_of_its_kind(
    part: PublishPart, stores: Stores, tmp_path: Path
) -> None:
    """In structured mode: one message an event, said to be an event, in UTF-8, not kept by the broker."""
    with stores.book() as book:
        wanted = [row["number"] for row in find_news(book, 0, last=100_000)]
    async with subscribed(part, "events/#") as reader, publishing(part, tmp_path) as broker:
        async with running(Sender(broker, lambda: stores, QUICK).run()):
            came = await messages(reader, len(wanted))
    told = [ToldEvent.model_validate_json(bytes(each.payload), strict=True) for each in came]  # type: ignore[arg-type]
    assert [int(each.data.number) for each in told] == wanted
    for message, event in zip(came, told, strict=True):
        assert below(part, message) == f"events/{event.data.kind.replace('.', '/')}"
        assert message.properties.ContentType == CONTENT_TYPE  # type: ignore[union-attr]
        assert message.properties.PayloadFormatIndicator == 1  # type: ignore[union-attr]
        assert (message.qos, message.retain) == (1, False)


async def test_the_last_state_of_each_controller_waits_for_whoever_comes_later(
    part: PublishPart, stores: Stores, tmp_path: Path
) -> None:
    """With the reason for whatever is null in it; and `connection` says that the publisher is there."""
    site, _ = load_site(tmp_path / "site.toml")
    async with publishing(part, tmp_path) as broker:
        async with running(keep_states(broker, lambda: stores, site, 0.05)):
            async with subscribed(part) as early:
                await messages(early, 3)
            async with subscribed(part) as late:
                came = {below(part, each): each for each in await messages(late, 3)}
        assert set(came) == {"connection", "controllers/A-01/state", "controllers/A-02/state"}
        assert all(each.retain for each in came.values())
        assert orjson.loads(came["connection"].payload) == {"state": "up"}  # type: ignore[arg-type]
        for name in ("A-01", "A-02"):
            payload = bytes(came[f"controllers/{name}/state"].payload)  # type: ignore[arg-type]
            state = ControllerState.model_validate_json(payload, strict=True)
            assert state.name == name
            missing = {key for key, value in state.model_dump().items() if value is None}
            assert missing <= {*state.unknown, "tool"}


async def test_a_publisher_that_ends_says_so(part: PublishPart, tmp_path: Path) -> None:
    """Before it leaves: a reader need not wait for the broker to notice."""
    async with subscribed(part, "connection") as reader:
        async with publishing(part, tmp_path) as broker:
            await broker.stay_connected()
        came = await messages(reader, 2)
    assert [orjson.loads(each.payload) for each in came] == [{"state": "up"}, {"state": "down"}]  # type: ignore[arg-type]


async def test_a_state_is_published_when_it_changes_and_not_otherwise(
    part: PublishPart, stores: Stores, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a broker with many readers would be busy with nothing."""
    import api.push.states as module

    states = {"A-01": b'{"mode":"automatic"}', "A-02": b'{"mode":"manual"}'}
    looks = 0

    def read(*_: object) -> dict[str, bytes]:
        nonlocal looks
        looks += 1
        return dict(states)

    monkeypatch.setattr(module, "read_states", read)
    site, _ = load_site(tmp_path / "site.toml")
    async with subscribed(part, "controllers/#") as reader, publishing(part, tmp_path) as broker:
        async with running(keep_states(broker, lambda: stores, site, 0.01)):
            assert len(await messages(reader, 2)) == 2
            seen = looks
            async with asyncio.timeout(10):
                while looks < seen + 5:  # noqa: ASYNC110 - looks are in another thread
                    await asyncio.sleep(0.01)
            states["A-02"] = b'{"mode":"setup"}'
            (changed,) = await messages(reader, 1)
    assert (below(part, changed), changed.payload) == ("controllers/A-02/state", states["A-02"])


async def test_a_publisher_that_is_lost_is_said_to_be_down_and_comes_back(
    part: PublishPart, tmp_path: Path
) -> None:
    """By the broker itself (its will); the next publication makes a new connection."""
    async with subscribed(part, "connection") as reader, RecordingProxy(part.host, part.port) as way:
        through = part.model_copy(update={"host": way.host, "port": way.port})
        async with publishing(through, tmp_path) as broker:
            await broker.tell(EVENT)
            (up,) = await messages(reader, 1)
            await way.hang_up()
            (down,) = await messages(reader, 1)
            while broker.connections == 1:
                with suppress(Away):
                    await broker.tell(EVENT)
            (again,) = await messages(reader, 1)
    states = [orjson.loads(each.payload)["state"] for each in (up, down, again)]  # type: ignore[arg-type]
    assert states == ["up", "down", "up"]


async def test_a_broker_that_can_not_be_reached_is_away(part: PublishPart, tmp_path: Path) -> None:
    """Refused, or silent after the connection: in bounded time, and nothing is left open."""

    async def say_nothing(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read()

    async with ScriptedServer(say_nothing) as silent:
        broker = Broker(part.model_copy(update={"host": "127.0.0.1", "port": silent.port}), tmp_path)
        with pytest.raises(Away, match="can't be reached"):
            await broker.tell(EVENT)
        await silent.until_left()
        await broker.close()
    closed = Broker(part.model_copy(update={"host": "127.0.0.1", "port": silent.port}), tmp_path)
    with pytest.raises(Away, match="can't be reached"):
        await closed.tell(EVENT)
    await closed.close()


@pytest.mark.parametrize(("code", "error"), [(0x87, NotTaken), (0x97, Away), (0x10, None), (0x00, None)])
async def test_a_refusal_in_the_acknowledgement_is_no_yes(
    part: PublishPart, tmp_path: Path, code: int, error: type[Exception] | None
) -> None:
    """A broker that says "not authorized" in its PUBACK has not got the event (MQTT 5.0, section 3.4.2.1)."""

    async def broker_of_its_own(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await packet(reader)
        writer.write(b"\x20\x03\x00\x00\x00")  # CONNACK, no properties
        answers = iter([0x00, code])  # to `connection`, to the event
        while True:
            header, body = await packet(reader)
            if header >> 4 != 3:
                return
            length = int.from_bytes(body[:2], "big")
            message_id = body[2 + length : 4 + length]
            writer.write(b"\x40\x04" + message_id + bytes([next(answers, 0), 0]))

    async with ScriptedServer(broker_of_its_own) as server:
        broker = Broker(part.model_copy(update={"host": "127.0.0.1", "port": server.port}), tmp_path)
        if error is None:
            await broker.tell(EVENT)
        else:
            with pytest.raises(error, match="refused a message to"):
                await broker.tell(EVENT)
        await broker.close()


async def packet(reader: asyncio.StreamReader) -> tuple[int, bytes]:
    """First byte and content of an MQTT control packet (MQTT 5.0, section 2.1)."""
    header = (await reader.readexactly(1))[0]
    length, shift = 0, 0
    while True:
        digit = (await reader.readexactly(1))[0]
        length += (digit & 0x7F) << shift
        shift += 7
        if digit < 0x80:
            return header, await reader.readexactly(length)


# ---- the document ------------------------------------------------------------------------------------------


async def test_the_document_tells_what_is_really_published(
    part: PublishPart, stores: Stores, tmp_path: Path
) -> None:
    """Each topic that comes is the address of a channel, each payload has just the members that its model
    has, and the content type is the message's."""
    site, _ = load_site(tmp_path / "site.toml")
    document = publishing_document(part)
    record_at_desk(stores)
    with stores.book() as book:
        wanted = len(find_news(book, 0, last=100_000))
    async with subscribed(part) as reader, publishing(part, tmp_path) as broker:
        sender = Sender(broker, lambda: stores, QUICK)
        async with running(sender.run(), keep_states(broker, lambda: stores, site, 60)):
            came = await messages(reader, wanted + 2 + 3)
    channels = {
        each["address"].replace("{controller}", name): channel
        for channel, each in document["channels"].items()
        for name in ("A-01", "A-02")
    }
    seen = set()
    for message in came:
        channel = channels[message.topic.value]
        (described,) = document["channels"][channel]["messages"]
        shown = document["components"]["messages"][described]
        model = MODEL_OF.get(channel, ToldEvent)
        assert shown["contentType"] == message.properties.ContentType  # type: ignore[union-attr]
        payload = orjson.loads(message.payload)  # type: ignore[arg-type]
        schema = document["components"]["schemas"][model.__name__]
        assert set(payload) <= set(schema["properties"])
        assert set(payload) >= set(schema["required"])
        model.model_validate_json(bytes(message.payload), strict=True)  # type: ignore[arg-type]
        if model is ToldEvent:
            assert shown["payload"]["allOf"][1]["properties"]["type"] == {"const": payload["type"]}
        seen.add(channel)
    assert seen >= {"cycle.stored", "statement.closed", "controllerState", "connection"}
    assert seen >= {"service.recorded", "finding.acknowledged"}


@pytest.mark.parametrize("publish", [None, PublishPart(host="broker.plant.example", kinds=("cycle.stored",))])
def test_the_document_hangs_together(publish: PublishPart | None) -> None:
    """References lead somewhere; an operation for each channel; the members that AsyncAPI 3.0 needs."""
    document = publishing_document(publish)
    assert {"asyncapi", "info"} <= set(document)
    assert {"title", "version"} <= set(document["info"])
    assert document["asyncapi"] == "3.0.0"
    references = list(references_in(document))
    assert references
    for reference in references:
        place: Any = document
        for part_of in reference.removeprefix("#/").split("/"):
            place = place[part_of]
    assert {each["channel"]["$ref"] for each in document["operations"].values()} == {
        f"#/channels/{channel}" for channel in document["channels"]
    }
    kinds = KINDS if publish is None else publish.kinds
    assert set(document["channels"]) == {*kinds, "controllerState", "connection"}
    assert bool(document["servers"]) == (publish is not None)


def references_in(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        if isinstance(value.get("$ref"), str):
            yield value["$ref"]
        for inner in value.values():
            yield from references_in(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from references_in(inner)
