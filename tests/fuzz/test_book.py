"""Whatever comes in is in the book: as a cycle, a curve, a status, as something that was there already, or in
quarantine with its bytes.
"""

import asyncio
import os
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from random import Random
from typing import Any, Literal

import pytest
from sqlalchemy import Engine, Select, func, select

from collector.config import EXAMPLE_LAYOUTS
from collector.errors import DecodeError, LinkDown
from collector.inbox import Inbox
from collector.layouts.decoder import Decoder
from collector.layouts.schema import Block, DataBlock, Layout, ModbusLayout, MqttLayout, S7Layout, load_layout
from collector.layouts.section_schema import JsonSection
from collector.log_folder import follow_logs
from collector.model import ControllerIdentity, Cycle
from collector.poller import Polling
from collector.sources.base import Message
from collector.standing import Standing
from collector.store import tables
from collector.store.engine import StoreAddress, open_book_reader
from collector.store.writer import Writer
from simulators.fronts import modbus_maps, mqtt, s7_map
from simulators.fronts.logfile import ring_log
from simulators.fronts.packing import Map
from simulators.memory import Controller, Record
from tests.collector.book_rig import writer_of
from tests.fuzz.layouts import by_chance
from tests.fuzz.spoil import spoilt, spoilt_json
from tests.fuzz.targets import What, good_input, section_of
from tests.processes import eventually
from tests.simulators.rigs import NOON, new_controller, run_cycles

NAME = "L1-07"
MADE_BY_CHANCE = 60
"""Messages."""
PROTOCOLS: Mapping[str, Literal["modbus", "s7", "mqtt"]] = {
    "ring-modbus": "modbus",
    "ring-s7": "s7",
    "messages-mqtt": "mqtt",
}
MADE = 120
"""Cycles, each with a status and a curve."""
ROUNDS = 20
LOGS = 12


class Book:
    """A real book with one controller, and what is in it."""

    def __init__(self, writer: Writer, reader: Engine) -> None:
        self.clock = NOON
        self._writer = writer
        self._reader = reader

    async def standing(self, layout: Layout) -> Standing:
        return Standing(NAME, layout, self._writer, await self._writer.recall(NAME), lambda: self.clock)

    def rows(self, asked: Select[Any]) -> list[Any]:
        with self._reader.connect() as connection:
            return list(connection.execute(asked))

    def counts(self) -> Counter[str]:
        """Rows in each table that a message may get into."""
        counted = (tables.cycle, tables.curve, tables.quarantine)
        return Counter(
            {each.name: self.rows(select(func.count()).select_from(each))[0][0] for each in counted}
        )


@pytest.fixture
async def book(tmp_path: Path, request: pytest.FixtureRequest) -> AsyncIterator[Book]:
    layout = str(request.param)
    identity = ControllerIdentity(NAME, "L1", "10", PROTOCOLS[layout], layout, "here")
    async with writer_of(tmp_path, identity) as writer:
        reader = open_book_reader(StoreAddress(folder=tmp_path))
        yield Book(writer, reader)
        reader.dispose()


# ---- messages --------------------------------------------------------------------------------------------


def messages(random: Random) -> Iterator[Message]:
    """An eventful controller's messages; many are spoilt, some come twice or late."""
    controller = new_controller(mqtt.FAMILY, no_band_share=0.2)
    sent: dict[str, list[bytes]] = {"status": [], "cycle": [], "curve": []}
    late: list[tuple[str, bytes]] = []
    for number in range(MADE):
        now = NOON + timedelta(seconds=number)
        run_cycles(controller, 1, start=now)
        curve = controller.curve
        due = [
            ("status", mqtt.status_payload(controller, now)),
            ("cycle", mqtt.cycle_payload(controller.log[-1])),
            ("curve", mqtt.curve_payload(curve.sequence, curve.interval_us, curve.samples)),
            *(late.pop(0) for _ in late[3:]),
        ]
        for kind, payload in due:
            sent[kind].append(payload)
            what = random.random()
            if what < 0.1:
                late.append((kind, payload))
                continue
            if what < 0.5:
                payload = (spoilt if kind == "curve" else spoilt_json)(sent[kind][-5:], random)
            for _ in range(1 + (random.random() < 0.1)):
                yield Message(f"clamps/{NAME}/{kind}", payload, random.random() < 0.05, now, handle=None)


class Broker:
    """Hands out one message at a time, and looks what became of the one before."""

    session_kept = True

    def __init__(self, sent: Sequence[Message], settled: Callable[[Message], None]) -> None:
        self._sent = sent
        self._settled = settled

    async def batches(self) -> AsyncIterator[list[Message]]:
        for message in self._sent:
            yield [message]
            self._settled(message)
        raise LinkDown("no more messages")

    async def acknowledge(self, messages: Sequence[Message]) -> None:
        pass


class Account:
    """What became of each message, by what the book has got with it."""

    def __init__(self, book: Book, layout: MqttLayout) -> None:
        self.became: Counter[str] = Counter()
        self._book = book
        self._layout = layout
        self._decoder = Decoder(layout)
        self._before = book.counts()
        self._set_aside: set[bytes] = set()

    def settle(self, message: Message) -> None:
        """Raises: AssertionError: the message is not in the book, or there more than once."""
        now = self._book.counts()
        grown = now - self._before
        self._before = now
        kind = message.topic.rsplit("/")[-1]
        if grown["quarantine"]:
            self._check_set_aside(kind, message.payload)
        if not grown:
            grown[self._left_out(kind, message.payload)] = 1
        assert sum(grown.values()) == 1, f"{dict(grown)} from one message"
        self.became += grown

    def _check_set_aside(self, kind: str, payload: bytes) -> None:
        """Of a curve that could be decoded, and that the book did not take, the samples are kept."""
        last = self._book.rows(select(tables.quarantine).order_by(tables.quarantine.c.commit_number.desc()))[
            0
        ]
        decoded = kind == "curve" and last.what == "curve"
        assert last.raw == (self._decoder.decode_curve(payload).samples if decoded else payload)
        self._set_aside.add(payload)

    def _left_out(self, kind: str, payload: bytes) -> str:
        if payload in self._set_aside:
            return "repeated"
        if kind == "status":
            self._decoder.decode_status(payload)
            return "status"
        table = tables.cycle if kind == "cycle" else tables.curve
        decoded = (
            self._decoder.decode_cycle(payload) if kind == "cycle" else self._decoder.decode_curve(payload)
        )
        shown = table.c.sequence % self._layout.sequence_modulus == decoded.sequence
        found = self._book.rows(select(table).where(shown))
        if isinstance(decoded, Cycle):
            found = [row for row in found if is_same(row, decoded)]
        assert found, f"lost: {payload!r}"
        return "repeated"


def is_same(row: Any, cycle: Cycle) -> bool:
    """The same record, or another one of the same cycle: by time and count."""
    said = cycle.controller_time.isoformat()[:19] if cycle.controller_time else None
    same_time = None in (said, row.controller_time) or row.controller_time[:19] == said
    return (
        row.raw == cycle.raw
        or (same_time and None in (row.total_count, cycle.total_count))
        or (same_time and row.total_count == cycle.total_count)
    )


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("book", ["messages-mqtt"], indirect=True)
async def test_every_message_is_accounted_for(book: Book, seed: int) -> None:
    """Messages in = cycles + curves + statuses + repeats + quarantined, one by one."""
    layout = load_layout(EXAMPLE_LAYOUTS / "messages-mqtt.toml")
    assert isinstance(layout, MqttLayout)
    sent, account = list(messages(Random(seed))), Account(book, layout)
    inbox = Inbox(await book.standing(layout), layout, NAME)
    with pytest.raises(LinkDown):
        await inbox.work(Broker(sent, account.settle), lambda: None)  # type: ignore[arg-type]
    assert sum(account.became.values()) == len(sent)
    assert min(account.became[each] for each in ("cycle", "curve", "status", "repeated", "quarantine")) > 10


def of_chance(seed: int) -> MqttLayout:
    """A layout for messages; a number of the sequence must be one that the store has room for."""
    found = (by_chance(f"messages/{seed}/{number}") for number in range(100))
    return next(each for each in found if isinstance(each, MqttLayout) and each.sequence_bits <= 32)


def messages_by_chance(layout: MqttLayout, random: Random) -> Iterator[Message]:
    """Sound ones and spoilt ones, in no order."""
    topics = layout.topics(NAME)
    whats: Sequence[What] = ("status", "cycle", "cycle", "curve")
    good = {what: [good_input(layout, what, random) for _ in range(10)] for what in whats}
    for number in range(MADE_BY_CHANCE):
        what = random.choice(whats)
        payload = random.choice(good[what])
        if random.random() < 0.4:
            is_json = isinstance(section_of(layout, what), JsonSection)
            payload = (spoilt_json if is_json else spoilt)(good[what], random)
        at = NOON + timedelta(seconds=number)
        yield Message(topics[what], payload, random.random() < 0.05, at, handle=None)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("book", ["messages-mqtt"], indirect=True)
async def test_every_message_of_any_layout_is_accounted_for(book: Book, seed: int) -> None:
    """Whatever fields a layout has, and whatever stands in them."""
    layout = of_chance(seed)
    sent, account = list(messages_by_chance(layout, Random(seed))), Account(book, layout)
    inbox = Inbox(await book.standing(layout), layout, NAME)
    with pytest.raises(LinkDown):
        await inbox.work(Broker(sent, account.settle), lambda: None)  # type: ignore[arg-type]
    assert sum(account.became.values()) == len(sent)


# ---- records ---------------------------------------------------------------------------------------------


class Enough(Exception):
    """Ends a poller that would go on for ever."""


class PackedMemory:
    """A controller whose memory is read; a share of its records is spoilt when written, and stays so."""

    def __init__(self, memory_map: Map, packed: Callable[[Record], bytes], spoilt_share: float = 0.0) -> None:
        self.controller = new_controller(memory_map.family)
        self.records: dict[int, bytes] = {}
        """Sequence -> what stands where its record should be."""
        self._map = memory_map
        self._packed = packed
        self._spoilt_share = spoilt_share
        self._random = Random(5)
        self._slots: dict[int, bytes] = {}

    def make(self, count: int, until: datetime) -> None:
        """Cycles, a second each; the last one stays sound, for else its memory looks like another one."""
        for left in reversed(range(count)):
            (finished,) = run_cycles(self.controller, 1, start=until - timedelta(seconds=left))
            raw = self._packed(finished.record)
            if left and self._random.random() < self._spoilt_share:
                raw = spoilt([raw], self._random).ljust(len(raw), b"\0")[: len(raw)]
            self._slots[self.controller.newest_slot] = self.records[finished.sequence] = raw

    async def read(self, block: Block) -> bytes:
        if isinstance(block, DataBlock):
            number, begin, size = block.db, block.start, block.size
        else:
            number = max(area.number for area in self._map.areas if area.number <= block.start)
            begin, size = 2 * (block.start - number), 2 * block.size
        area = next(each for each in self._map.areas if each.number == number)
        data = area.packed(self.controller, NOON)
        if area is self._map.areas[1]:
            slots = self._map.family.slots
            empty = bytes(area.size // slots)
            data = b"".join(self._slots.get(slot, empty) for slot in range(slots))
        return data[begin : begin + size]


async def poll(
    book: Book, layout: ModbusLayout | S7Layout, memory: PackedMemory, makes: Sequence[int]
) -> None:
    """One poll after each so many new cycles, twenty seconds and more apart."""
    polling = Polling(await book.standing(layout), layout, poll_interval_s=0.0001)
    left = iter(makes)

    def make_more() -> None:
        count = next(left, None)
        if count is None:
            raise Enough
        book.clock += timedelta(seconds=count + 10)
        memory.make(count, book.clock)

    make_more()
    with pytest.raises(Enough):
        await polling.work(memory, make_more)  # type: ignore[arg-type]


def gaps_in(book: Book) -> dict[int, str]:
    """Number that is missing -> why."""
    return {
        number: row.reason
        for row in book.rows(select(tables.gap).where(tables.gap.c.closed_at.is_(None)))
        for number in range(row.first_sequence, row.last_sequence + 1)
    }


@pytest.mark.parametrize("book", ["ring-s7"], indirect=True)
async def test_every_record_is_accounted_for(book: Book) -> None:
    """Each number is a cycle or in a gap, and what could not be read is in quarantine with its bytes."""
    layout = load_layout(EXAMPLE_LAYOUTS / "ring-s7.toml")
    assert isinstance(layout, S7Layout)
    memory = PackedMemory(s7_map.MAP, s7_map.packed_record, spoilt_share=0.5)
    await poll(book, layout, memory, [10] * ROUNDS)
    cycles, gaps = {row.sequence: row.raw for row in book.rows(select(tables.cycle))}, gaps_in(book)
    assert {*cycles} | {*gaps} == {*memory.records} == set(range(1, 10 * ROUNDS + 1))
    assert not {*cycles} & {*gaps}
    assert all(memory.records[number] == raw for number, raw in cycles.items())
    unreadable = Counter(memory.records[number] for number, why in gaps.items() if why == "record unreadable")
    assert unreadable == Counter(row.raw for row in book.rows(select(tables.quarantine)))
    assert min(len(cycles), len(unreadable)) > 20
    assert {row.epoch for row in book.rows(select(tables.cycle))} == {1}


# ---- logs ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("book", ["ring-modbus"], indirect=True)
async def test_every_row_of_a_log_is_accounted_for(book: Book, tmp_path: Path) -> None:
    """Rows in = stored + known + quarantined, the last with their bytes; and sound rows close the gaps."""
    layout = load_layout(EXAMPLE_LAYOUTS / "ring-modbus.toml")
    assert isinstance(layout, ModbusLayout)
    memory = PackedMemory(modbus_maps.MAPS["ring-modbus"], modbus_maps.ring_record)
    await poll(book, layout, memory, [20, 50, 50])
    lost = gaps_in(book)
    assert len(lost) > 30
    logs = spoilt_logs(memory.controller)
    put_into(tmp_path / "stick", logs)
    await follow_until_moved(book, layout, tmp_path / "stick")
    decoder = Decoder(layout)
    expected = sum((rows_of(decoder, raw) for raw in logs), Counter[bytes]())
    quarantined = Counter(row.raw for row in book.rows(select(tables.quarantine)))
    assert quarantined <= expected
    head = logs[-1][: logs[-1].index(b"\r\n", 40) + 2]
    for raw in expected - quarantined:
        (cycle,) = decoder.decode_log(head + raw + b"\r\n")
        assert isinstance(cycle, Cycle)
        assert any(is_same(row, cycle) for row in book.rows(select(tables.cycle))), f"lost: {raw!r}"
    assert not gaps_in(book)
    assert {*lost} <= {row.sequence for row in book.rows(select(tables.cycle))}


def spoilt_logs(controller: Controller) -> list[bytes]:
    """Many spoilt ones, and in the end a sound one."""
    random = Random(6)
    records = list(controller.log)
    parts = [ring_log(records[begin : begin + 40]) for begin in range(0, len(records), 20)]
    return [*(spoilt(parts, random) for _ in range(LOGS)), ring_log(records)]


def put_into(folder: Path, logs: Sequence[bytes]) -> None:
    """The last one, 99.csv, is the latest."""
    folder.mkdir()
    for number, raw in enumerate(logs, 100 - len(logs)):
        (folder / f"{number:02d}.csv").write_bytes(raw)
        os.utime(folder / f"{number:02d}.csv", (number, number))


async def follow_until_moved(book: Book, layout: Layout, folder: Path) -> None:
    standing = await book.standing(layout)
    following = asyncio.create_task(follow_logs(standing, layout, folder, look_every_s=0.02))
    await eventually(partial(is_empty, folder), "all logs are moved", 60)
    following.cancel()
    with suppress(asyncio.CancelledError):
        await following


async def is_empty(folder: Path) -> bool:
    return not any(path.is_file() for path in folder.iterdir())  # noqa: ASYNC240


def rows_of(decoder: Decoder, raw: bytes) -> Counter[bytes]:
    """The bytes of each row of a log, or of the whole of one in which nothing can be read."""
    try:
        rows = list(decoder.decode_log(raw))
    except DecodeError as error:
        return Counter([error.raw])
    if rows and not any(isinstance(row, Cycle) for row in rows):
        return Counter([rows[0].raw])
    return Counter(row.raw for row in rows)
