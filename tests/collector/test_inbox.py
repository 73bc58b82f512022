"""Messages from the broker into the book; acknowledged after the commit that holds them."""

import json
import struct
from collections.abc import AsyncIterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from collector.config import EXAMPLE_LAYOUTS
from collector.errors import LinkDown, StoreError
from collector.inbox import Inbox
from collector.layouts.schema import MqttLayout, load_layout
from collector.model import ControllerIdentity, Entry
from collector.sources.base import Message
from collector.standing import Standing
from collector.store import tables
from collector.store.writer import Writer
from tests.collector.book_rig import BookRig, writer_of

NAME = "M-01"
BEGIN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


def message(kind: str, payload: bytes, received_at: datetime = BEGIN, retained: bool = False) -> Message:
    return Message(f"clamps/{NAME}/{kind}", payload, retained, received_at, handle=None)


def cycle(number: int, mark: str = "", total: int | None = None) -> Message:
    ended_at = BEGIN + timedelta(seconds=number)
    said = {
        "n": number,
        "time": ended_at.isoformat().replace("+00:00", "Z"),
        "tool": "BT30-1",
        "result": "pass",
        "end": "done",
        "mode": "auto",
        "part": mark or None,
        "total": total or number,
    }
    return message("cycle", json.dumps(said).encode(), ended_at)


def status(last: int, **more: Any) -> Message:
    retained = more.pop("retained", False)
    said = {"last": last, "mode": "auto", "state": "ready", "faults": {"active": 0, "acknowledged": 0}} | more
    return message("status", json.dumps(said).encode(), BEGIN + timedelta(seconds=last), retained)


def curve(number: int) -> Message:
    return message("curve", struct.pack("<IIH3h", number, 1000, 3, 1, 2, number))


class Broker:
    """Hands out batches once, then the connection ends; knows what was acknowledged."""

    def __init__(self, *batches: list[Message], session_kept: bool = True) -> None:
        self._batches = batches
        self.session_kept = session_kept
        self.acknowledged: list[Message] = []

    async def __aenter__(self) -> "Broker":
        return self

    async def __aexit__(self, *_: object) -> None:
        pass

    async def batches(self) -> AsyncIterator[list[Message]]:
        for batch in self._batches:
            yield batch
        raise LinkDown("no more messages")

    async def acknowledge(self, messages: Sequence[Message]) -> None:
        self.acknowledged += messages


class Rig(BookRig):
    def __init__(self, folder: Path, writer: Writer) -> None:
        super().__init__(folder, writer)
        layout = load_layout(EXAMPLE_LAYOUTS / "messages-mqtt.toml")
        assert isinstance(layout, MqttLayout)
        self.layout = layout

    async def take(self, *batches: list[Message], session_kept: bool = True) -> Broker:
        """Let an inbox that begins with what the book knows take these, until the connection ends."""
        memory = await self.writer.recall(NAME)
        standing = Standing(NAME, self.layout, self.writer, memory, lambda: datetime.now(UTC))
        broker = Broker(*batches, session_kept=session_kept)
        with pytest.raises(LinkDown):
            await Inbox(standing, self.layout, NAME).work(broker, lambda: None)
        return broker


@pytest.fixture
async def rig(tmp_path: Path) -> AsyncIterator[Rig]:
    async with writer_of(
        tmp_path, ControllerIdentity(NAME, "M", "M-10", "mqtt", "messages-mqtt", "broker")
    ) as writer:
        yield Rig(tmp_path, writer)


async def test_cycles_and_their_curves_are_booked_and_acknowledged(rig: Rig) -> None:
    """A batch goes into the book whole, then back to the broker as safe."""
    batch = [cycle(1), curve(1), cycle(2), curve(2)]
    broker = await rig.take(batch)
    assert rig.sequences() == [(1, 1), (1, 2)]
    assert [row.sequence for row in rig.rows(tables.curve)] == [1, 2]
    assert broker.acknowledged == batch


async def test_nothing_is_acknowledged_before_it_is_committed(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the store refuses, the broker is told nothing; then the same batch is committed and told."""
    monkeypatch.setattr("collector.inbox.STORE_PAUSE_S", 0.0)
    told_at_refusal: list[int] = []
    commit = rig.writer.commit
    broker = Broker([cycle(1)])

    async def refuse_twice(entry: Entry) -> None:
        if len(told_at_refusal) < 2:
            told_at_refusal.append(len(broker.acknowledged))
            raise StoreError("locked")
        await commit(entry)

    monkeypatch.setattr(rig.writer, "commit", refuse_twice)
    standing = Standing(NAME, rig.layout, rig.writer, await rig.writer.recall(NAME), lambda: BEGIN)
    with pytest.raises(LinkDown):
        await Inbox(standing, rig.layout, NAME).work(broker, lambda: None)
    assert told_at_refusal == [0, 0]
    assert rig.sequences() == [(1, 1)]
    assert len(broker.acknowledged) == 1


async def test_what_comes_again_is_known_by_its_bytes(rig: Rig) -> None:
    """Redelivered after a kill: acknowledged again, in the book once."""
    await rig.take([cycle(1), cycle(2), curve(2)])
    broker = await rig.take([cycle(1), cycle(2), curve(2), cycle(3)])
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3)]
    assert len(broker.acknowledged) == 4
    assert not rig.rows(tables.quarantine)


@pytest.mark.parametrize(("session_kept", "reason"), [(True, "messages lost"), (False, "session not kept")])
async def test_a_jump_is_a_gap_that_says_why(rig: Rig, session_kept: bool, reason: str) -> None:
    """A broker that forgot our session lost what came meanwhile; else messages were lost otherwise."""
    await rig.take([cycle(1)])
    await rig.take([cycle(5), cycle(7)], session_kept=session_kept)
    gaps = rig.rows(tables.gap)
    assert [(gap.first_sequence, gap.last_sequence) for gap in gaps] == [(2, 4), (6, 6)]
    assert [gap.reason for gap in gaps] == [reason, "messages lost"]
    assert gaps[0].after_at <= gaps[0].before_at


async def test_a_sequence_that_falls_back_begins_an_epoch(rig: Rig) -> None:
    """The same number with other contents is another cycle; the counter tells that three are missing."""
    await rig.take([cycle(1), cycle(2), cycle(3)])
    await rig.take([cycle(1, mark="after the restart", total=7), cycle(2, mark="b", total=8)])
    assert rig.sequences() == [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2)]
    (gap,) = rig.rows(tables.gap)
    assert (gap.epoch, gap.first_sequence, gap.last_sequence) == (1, 4, 6)


async def test_a_restart_is_seen_also_below_the_books_first_cycle(rig: Rig) -> None:
    """The book began at 40; a controller that counts from 1 again is in a new epoch at once."""
    await rig.take([cycle(40), cycle(41)])
    await rig.take([cycle(1, mark="new", total=1), cycle(2, mark="new", total=2)])
    assert rig.sequences() == [(1, 40), (1, 41), (2, 1), (2, 2)]
    (gap,) = rig.rows(tables.gap)
    assert (gap.epoch, gap.first_sequence, gap.last_sequence) == (1, 42, None)


async def test_an_overtaken_message_is_kept_aside(rig: Rig) -> None:
    """Cycle 2 comes after 3, when it is listed as missing: its bytes are kept, the broker is told."""
    broker = await rig.take([cycle(1), cycle(3)], [cycle(2)])
    (kept,) = rig.rows(tables.quarantine)
    assert kept.raw == cycle(2).payload
    assert len(broker.acknowledged) == 3


@pytest.mark.parametrize("payload", [b"", b"{", b'{"n": "seven"}', b"\xff\xfe", b'{"n": -1}', b"[]"])
async def test_a_message_that_makes_no_sense_is_kept_and_holds_nothing_up(rig: Rig, payload: bytes) -> None:
    """Its bytes and the reason are in quarantine; the next message is booked."""
    broker = await rig.take([message("cycle", payload), cycle(1)])
    (kept,) = rig.rows(tables.quarantine)
    assert kept.raw == payload
    assert rig.sequences() == [(1, 1)]
    assert len(broker.acknowledged) == 2


async def test_a_live_status_that_names_our_position_proves_completeness(rig: Rig) -> None:
    """Read through until that status; one that is ahead of the book, or lay retained, proves nothing."""
    await rig.take([cycle(1), cycle(2), status(3)])
    assert rig.rows(tables.position)[0].read_through_at is None
    await rig.take([status(2, retained=True)])
    assert rig.rows(tables.position)[0].read_through_at is None
    await rig.take([status(2)])
    assert rig.rows(tables.position)[0].read_through_at == BEGIN + timedelta(seconds=2)


async def test_faults_and_mounts_follow_the_status_messages(rig: Rig) -> None:
    """Each status counts, also of several in one batch: raised, acknowledged, cleared; mounted."""
    on = {"faults": {"active": 8, "acknowledged": 0}, "tool": {"serial": "BT30-1"}}
    seen = {"faults": {"active": 8, "acknowledged": 8}, "tool": {"serial": "BT30-1"}}
    await rig.take([status(1, **on), status(2, **seen), status(3, tool={"serial": "BT30-2"})])
    (fault,) = rig.rows(tables.fault)
    instants = (fault.raised_at, fault.acknowledged_at, fault.cleared_at)
    assert [(at - BEGIN).seconds for at in instants] == [1, 2, 3]
    assert (fault.code, fault.category) == ("F-AIR", "system")
    assert [row.unmounted_at is None for row in rig.rows(tables.mount)] == [False, True]
