"""A receiver is told everything, in order, at least once; what it does not take holds up nobody for ever."""

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import create_engine, text

from api.push.pace import Pace
from api.push.receiver import Away, NotTaken, WantsNoMore
from api.push.sender import BATCH, Sender
from api.stores import Stores
from collector.model import SettingChange
from collector.store.deliveries import find_deliveries, find_place, resume, send_again
from collector.store.deliveries import put_aside as keep_aside
from collector.store.engine import SQLITE
from collector.store.feed import Reached, find_news
from tests.api.plant import LATEST, Plant, writing
from tests.api.receiving import Ear, numbers_in, record_at_desk

QUICK = Pace(
    look_every_s=0.02,
    first_pause_s=0.01,
    longest_pause_s=0.02,
    hold_s=0.1,
    again_after=(timedelta(milliseconds=10),),
)
PATIENCE_S = 20.0


@pytest.fixture
def stores(plant: Plant) -> Iterator[Stores]:
    made = Stores(plant.address)
    yield made
    made.close()


@asynccontextmanager
async def telling(sender: Sender) -> AsyncIterator[Sender]:
    """The sender runs until the test leaves: cut off in whatever it does, as by a kill, but for threads."""
    task = asyncio.create_task(sender.run())
    try:
        yield sender
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def until(holds: Callable[[], bool]) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while not holds():  # noqa: ASYNC110 - there is no event for what a store says
            await asyncio.sleep(0.005)


def ids_in(stores: Stores) -> list[str]:
    """Of the desk, then of the book."""
    with stores.book() as book, stores.reading_desk() as desk:
        rows = [*find_news(desk, 0, room="desk", last=1000), *find_news(book, 0, last=100_000)]
    return [f"{row['instance']}-{row['number']}" for row in rows]


def put_aside(stores: Stores, **which: Any) -> list[dict[str, Any]]:
    with stores.desk() as desk:
        return find_deliveries(desk, last=1000, **which)


async def change(plant: Plant, torque_nm: float = 2.7) -> None:
    """One thing that is new."""
    changed = SettingChange("set_torque_nm", 2.5, torque_nm, LATEST, LATEST + timedelta(seconds=1))
    async with writing(plant) as filling:
        await filling.commit("A-02", settings=(changed,))


async def test_a_receiver_is_told_everything_in_order(stores: Stores) -> None:
    """Once, where nothing goes wrong; the place on the desk is the book's head then."""
    ear, wanted = Ear(), numbers_in(stores)
    async with telling(Sender(ear, lambda: stores, QUICK)) as sender:
        await until(lambda: len(ear.told) >= len(wanted))
        sender.save()
    assert ear.numbers == wanted
    with stores.desk() as desk:
        place = find_place(desk, "ear")
    assert place is not None
    assert place.book.number >= wanted[-1]


async def test_a_new_receiver_is_told_what_is_new_from_now_on(stores: Stores, plant: Plant) -> None:
    """Unless the site file says otherwise: nobody wants ten years of cycles by surprise."""
    ear = Ear()
    ear.begin = "now"
    async with telling(Sender(ear, lambda: stores, QUICK)) as sender:
        await until(lambda: sender.place is not None)
        await change(plant)
        await until(lambda: bool(ear.told))
    assert [each.kind for each in ear.told] == ["setting.changed"]


async def test_only_the_kinds_that_the_site_file_names(stores: Stores) -> None:
    """And what is of no kind for it is not looked at again and again."""
    ear = Ear()
    ear.kinds = ("statement.closed", "gap.listed")
    async with telling(Sender(ear, lambda: stores, QUICK)) as sender:
        await until(lambda: sender.place is not None and sender.place.book.number >= numbers_in(stores)[-1])
    assert {each.kind for each in ear.told} == {"statement.closed", "gap.listed"}


async def test_after_an_end_at_any_place_nothing_is_missing(stores: Stores) -> None:
    """A few are told again, under the same ids: no more than there are in a batch. So of the desk as well."""
    record_at_desk(stores, services=BATCH + 3)
    ear, wanted = Ear(), ids_in(stores)
    for stop in (1, 7, BATCH, BATCH + 1, 3 * BATCH + 5):
        ear.hangs_after = len(ear.told) + stop
        async with telling(Sender(ear, lambda: stores, QUICK)):
            await until(lambda: len(ear.told) == ear.hangs_after)
    ear.hangs_after = None
    async with telling(Sender(ear, lambda: stores, QUICK)) as sender:
        await until(lambda: sender.place is not None and sender.place.book.number >= numbers_in(stores)[-1])
    assert list(dict.fromkeys(each.id for each in ear.told)) == wanted
    assert len(ear.told) - len(wanted) <= 5 * BATCH


async def test_what_people_record_is_told_before_a_backlog_of_cycles(stores: Stores) -> None:
    """In order, among what controllers say, each with the instance that it is of."""
    record_at_desk(stores, services=2)
    ear, wanted = Ear(), ids_in(stores)
    async with telling(Sender(ear, lambda: stores, QUICK)):
        await until(lambda: len(ear.told) >= len(wanted))
        record_at_desk(stores, services=3)
        await until(lambda: len(ear.told) > len(wanted))
    assert [each.id for each in ear.told[:-1]] == wanted
    assert [each.kind for each in ear.told[:3]] == ["service.recorded"] * 2 + ["finding.acknowledged"]
    assert (ear.told[-1].kind, ear.told[-1].number) == ("service.recorded", 4)


async def test_a_new_receiver_is_told_of_services_from_now_on(stores: Stores) -> None:
    """As of what the book holds."""
    record_at_desk(stores)
    ear = Ear()
    ear.begin = "now"
    async with telling(Sender(ear, lambda: stores, QUICK)) as sender:
        await until(lambda: sender.place is not None)
        record_at_desk(stores, services=2)
        await until(lambda: bool(ear.told))
    assert [(each.kind, each.number) for each in ear.told] == [("service.recorded", 3)]


async def test_a_service_that_is_not_taken_is_sent_again_under_its_id(stores: Stores) -> None:
    """It holds up nobody, and a cycle of the same number is another event."""
    record_at_desk(stores)
    ear, wanted = Ear(), ids_in(stores)
    ear.raises = {wanted[0]: [NotTaken("answered 500")] * 3}
    async with telling(Sender(ear, lambda: stores, QUICK)):
        await until(lambda: len(ear.told) >= len(wanted))
        await until(lambda: put_aside(stores) == [])
    told = [each.id for each in ear.told]
    assert sorted(told) == sorted(wanted)
    assert told[0] == wanted[1]
    assert next(each.kind for each in ear.told if each.id == wanted[0]) == "service.recorded"


async def test_another_desk_is_told_from_its_first_record(stores: Stores, plant: Plant) -> None:
    """And the book is gone on with."""
    record_at_desk(stores)
    ear, wanted = Ear(), ids_in(stores)
    async with telling(Sender(ear, lambda: stores, QUICK)):
        await until(lambda: len(ear.told) >= len(wanted))
        set_room(plant, "desk", "instance = 'another'")
        await until(lambda: len(ear.told) >= len(wanted) + 2)
    assert [each.id for each in ear.told[-2:]] == ["another-1", "another-2"]


async def test_a_desk_from_before_what_was_told_is_not_gone_on_with(stores: Stores, plant: Plant) -> None:
    """As with the book."""
    record_at_desk(stores)
    ear = Ear()
    async with telling(Sender(ear, lambda: stores, QUICK)) as sender:
        await until(lambda: sender.place is not None and sender.place.desk.number == 2)
        set_room(plant, "desk", "commit_number = 1")
        await until(lambda: "the desk stands before what was told" in (sender.waits or ""))
    assert "Start the API again, which makes the desk" in (sender.waits or "")


async def test_a_receiver_that_is_away_is_told_in_order_when_it_is_back(stores: Stores) -> None:
    """Nothing is put aside in the meantime: the book is the queue."""
    ear, wanted = Ear(), numbers_in(stores)
    ear.raises = {wanted[3]: [Away("no answer")] * 3, wanted[50]: [Away("later", asked_s=0.01)]}
    async with telling(Sender(ear, lambda: stores, QUICK)):
        await until(lambda: len(ear.told) >= len(wanted))
    assert ear.numbers == wanted
    assert put_aside(stores) == []


async def test_one_event_that_is_not_taken_holds_up_nobody(stores: Stores) -> None:
    """It is put aside, sent again beside the others, and not listed any more when it was taken."""
    ear, wanted = Ear(), numbers_in(stores)
    ear.raises = {wanted[5]: [NotTaken("answered 500")] * 3}
    async with telling(Sender(ear, lambda: stores, QUICK)):
        await until(lambda: len(ear.told) >= len(wanted))
        await until(lambda: put_aside(stores) == [])
    assert sorted(ear.numbers) == wanted
    assert ear.numbers[5] == wanted[6]


async def test_an_event_that_makes_the_receiver_hang_is_put_aside_in_the_end(stores: Stores) -> None:
    """What can't be told from a receiver that is away holds up the others for a bounded time."""
    ear, wanted = Ear(), numbers_in(stores)
    ear.raises = {wanted[5]: [Away("no whole answer within 15 s")] * 100_000}
    async with telling(Sender(ear, lambda: stores, QUICK)):
        await until(lambda: len(ear.told) >= len(wanted) - 1)
        (waiting,) = put_aside(stores)
    assert (waiting["commit_number"], waiting["state"]) == (wanted[5], "waiting")
    assert waiting["attempts"] >= 3


async def test_a_receiver_that_refuses_everything_is_taken_for_away(stores: Stores) -> None:
    """Else a whole book would be put aside within minutes."""
    ear, slow = Ear(everything=NotTaken("answered 500")), Pace(0.02, 0.01, 0.02, hold_s=60)
    async with telling(Sender(ear, lambda: stores, slow)) as sender:
        await until(lambda: sender.trouble.failures > 20)
        assert len(put_aside(stores)) == 2
        ear.everything = None
        await until(lambda: len(ear.told) > 100)


async def test_what_is_given_up_is_listed_and_sent_again_when_somebody_asks(stores: Stores) -> None:
    """A dead letter is never thrown away, and its replay has the same id."""
    ear, wanted = Ear(), numbers_in(stores)
    ear.give_up_after = timedelta(0)
    ear.raises = {wanted[5]: [NotTaken("answered 422: no such order")] * 2}
    async with telling(Sender(ear, lambda: stores, QUICK)) as sender:
        await until(lambda: bool(put_aside(stores, state="dead")))
        await until(lambda: len(ear.told) >= len(wanted) - 1)
        (dead,) = put_aside(stores, state="dead")
        assert (dead["next_at"], dead["attempts"]) == (None, 2)
        assert dead["last_error"] == "answered 422: no such order"
        with stores.desk() as desk:
            send_again(desk, dead["delivery_id"], datetime.now(UTC))
        sender.wake()
        await until(lambda: wanted[5] in ear.numbers)
        await until(lambda: put_aside(stores) == [])
    assert sorted(ear.numbers) == wanted


async def test_one_that_wants_no_more_is_left_alone_until_somebody_resumes_it(stores: Stores) -> None:
    """Also after a restart; then it goes on from where it was."""
    ear, wanted = Ear(), numbers_in(stores)
    ear.raises = {wanted[4]: [WantsNoMore("answered 410")]}

    def is_stopped(sender: Sender) -> bool:
        return sender.place is not None and sender.place.stopped_because == "answered 410"

    async with telling(Sender(ear, lambda: stores, QUICK)) as sender:
        await until(lambda: is_stopped(sender))
    async with telling(Sender(ear, lambda: stores, QUICK)) as sender:
        await until(lambda: is_stopped(sender))
        assert ear.numbers == wanted[:4]
        with stores.desk() as desk:
            resume(desk, "ear")
        sender.wake()
        await until(lambda: len(ear.told) >= len(wanted))
    assert ear.numbers == wanted


async def test_one_that_wants_no_more_of_what_was_put_aside_is_told_nothing_new(stores: Stores) -> None:
    """Until somebody resumes it: then what was put aside comes first again."""
    ear, wanted = Ear(), numbers_in(stores)
    with stores.book() as book, stores.desk() as desk:
        row = next(each for each in find_news(book, 0, last=100_000) if each["number"] == wanted[5])
        event, now = Reached(row["instance"], row["number"]), datetime.now(UTC)
        keep_aside(desk, "ear", event, kind=row["kind"], attempts=1, error="", at=now, next_at=now)
    ear.raises = {wanted[5]: [WantsNoMore("answered 410")]}

    def is_stopped() -> bool:
        with stores.desk() as desk:
            place = find_place(desk, "ear")
        return place is not None and place.stopped_because == "answered 410"

    async with telling(Sender(ear, lambda: stores, QUICK)) as sender:
        await until(is_stopped)
        with stores.desk() as desk:
            resume(desk, "ear")
        sender.wake()
        await until(lambda: len(ear.told) > len(wanted))
    assert ear.numbers == [wanted[5], *wanted]


async def test_another_book_is_told_from_its_first_record(stores: Stores, plant: Plant) -> None:
    """Under ids of its own: what was told of the one before proves nothing about it."""
    ear, wanted = Ear(), numbers_in(stores)
    async with telling(Sender(ear, lambda: stores, QUICK)):
        await until(lambda: len(ear.told) >= len(wanted))
        set_room(plant, "book", "instance = 'another'")
        await until(lambda: len(ear.told) >= 2 * len(wanted))
    assert ear.numbers == wanted * 2
    assert len({each.id for each in ear.told}) == 2 * len(wanted)
    assert ear.told[-1].id.startswith("another-")


async def test_a_book_from_before_what_was_told_is_not_gone_on_with(stores: Stores, plant: Plant) -> None:
    """It would give numbers twice, and with them ids; the sender says so and waits."""
    ear, wanted = Ear(), numbers_in(stores)
    async with telling(Sender(ear, lambda: stores, QUICK)) as sender:
        await until(lambda: sender.place is not None and sender.place.book.number >= wanted[-1])
        set_room(plant, "book", "commit_number = commit_number - 1")
        await until(lambda: "restored from a backup" in (sender.waits or ""))
    assert "Start the collector again, which makes the book" in (sender.waits or "")


def set_room(plant: Plant, room: str, change: str) -> None:
    # by the same library: two in one process undo each other's locks on a file
    engine = create_engine(f"sqlite:///{plant.address.folder}/{room}.sqlite", module=SQLITE)
    with engine.begin() as connection:
        connection.execute(text(f"UPDATE {room} SET {change}"))
    engine.dispose()


async def test_a_mistake_of_our_own_with_one_event_is_one_delivery(
    stores: Stores, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The others are told."""
    import api.push.sender as module

    wanted, made = numbers_in(stores), module.event_of

    def fails(row: Any) -> Any:
        if row["number"] == wanted[2]:
            raise OverflowError
        return made(row)

    monkeypatch.setattr(module, "event_of", fails)
    ear = Ear()
    async with telling(Sender(ear, lambda: stores, QUICK)):
        await until(lambda: len(ear.told) >= len(wanted) - 1)
        (waiting,) = put_aside(stores)
    assert "OverflowError" in waiting["last_error"]


async def test_a_store_that_can_not_be_had_is_waited_for(stores: Stores) -> None:
    """A sender never ends by itself."""
    ear, wanted, works = Ear(), numbers_in(stores), False
    broken = Stores(type(stores.address)(folder=stores.address.folder / "nowhere"))  # type: ignore[operator]
    async with telling(Sender(ear, lambda: stores if works else broken, QUICK)) as sender:
        await until(lambda: sender.waits is not None)
        works = True
        await until(lambda: len(ear.told) >= len(wanted) and sender.waits is None)
    broken.close()


# ---- how long it waits -------------------------------------------------------------------------------------


@given(st.integers(1, 10_000), st.floats(0, 1), st.none() | st.floats(0, 1e9))
def test_a_pause_is_never_longer_than_the_longest(failures: int, dice: float, asked_s: float | None) -> None:
    """But for the jitter; and never shorter than asked for, up to there."""
    pace = Pace()
    pause_s = pace.pause_s(failures, lambda: dice, asked_s)
    assert 0.75 * pace.first_pause_s <= pause_s <= 1.25 * pace.longest_pause_s
    assert pause_s >= min(asked_s or 0, pace.longest_pause_s)


def test_what_was_put_aside_is_sent_again_ever_more_seldom() -> None:
    """Down to once an hour, give or take a quarter."""
    waits = [Pace().again_in(attempts, lambda: 0.5) for attempts in range(1, 100)]
    assert waits == sorted(waits)
    assert waits[0] == timedelta(seconds=5)
    assert waits[-1] == timedelta(hours=1)
