"""A book that was put back, over REST: whoever asks or is told notices, and nobody more than has to."""

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from typing import Any

import httpx
import pytest

from api.push.receiver import NotTaken
from api.push.sender import Sender
from api.stores import Stores
from collector.store.engine import declare_restored, open_book_writer
from collector.store.instances import Lineage
from tests.api.plant import Plant
from tests.api.receiving import Ear
from tests.api.test_sender import QUICK, change, numbers_in, put_aside, telling, until

EARLY = "/v1/statements/line-1/2026-03-29/early"
SEEN = {"acknowledged_by": "Engineer 3", "remark": "punch ordered"}


def restored(plant: Plant) -> Lineage:
    engine = open_book_writer(plant.address)
    try:
        return declare_restored(engine)
    finally:
        engine.dispose()


async def get(client: httpx.AsyncClient, address: str, **headers: str) -> Any:
    answer = await client.get(address, headers=headers)
    assert answer.status_code == 200, answer.text
    return answer.json()


async def test_what_the_book_was_is_told_where_it_is_described(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """With since when, up to which commit, and why it is another one now."""
    before = await get(client, "/healthz")
    assert before["former_books"] == []
    now = restored(plant)
    for address in ("/healthz", "/v1/statements/status"):
        after = await get(client, address)
        (former,) = after["former_books"]
        assert (after["book"], former["book"]) == (now.instance, before["book"])
        assert (former["since"], former["until"]) == (before["book_since"], after["book_since"])
        assert former["last_commit"] == before["commit_number"]
        assert former["because"] == "a person said that it was restored"


async def test_every_cursor_and_tag_from_before_is_void(client: httpx.AsyncClient, plant: Plant) -> None:
    """410 with the instance that it is now, and what to do; 200 where there would have been 304."""
    after = (await get(client, "/v1/statements?after="))["next"]
    page = (await get(client, "/v1/tools/2042/cycles?last=1"))["next"]
    feed = (await get(client, "/v1/feed?limit=1"))["next"]
    behind = (await get(client, f"/v1/feed?after={feed}"))["items"]
    tag = (await client.get(EARLY)).headers["etag"]
    now = restored(plant)
    for address, advice in (
        (f"/v1/statements?after={after}", "pull every plant day that was booked again, by plant_day"),
        (f"/v1/tools/2042/cycles?last=1&cursor={page}", "begin again without it"),
        (f"/v1/feed?after={feed}", "then follow with `next`"),
    ):
        refused = await client.get(address)
        assert (refused.status_code, refused.json()["type"]) == (410, "/problems/book-replaced")
        assert refused.json()["book"] == now.instance
        assert advice in refused.json()["detail"]
    rest = await get(client, f"/v1/feed?after={refused.json()['next']}")
    assert rest["items"] == behind  # what both have in common is not told again
    again = await client.get(EARLY, headers={"if-none-match": tag})
    assert again.status_code == 200
    assert again.json()["book"] == now.former[0][0]


async def test_what_was_acknowledged_stays_acknowledged(client: httpx.AsyncClient, plant: Plant) -> None:
    """And is not acknowledged again by the same request."""
    address = f"/v1/findings/{plant.findings[1]}"
    before = (await client.post(f"{address}/acknowledgement", json=SEEN)).json()
    restored(plant)
    assert await get(client, address) == before
    assert (await client.post(f"{address}/acknowledgement", json=SEEN)).status_code == 200
    more = await client.post(f"{address}/acknowledgement", json=SEEN | {"remark": "punch replaced"})
    assert (more.status_code, len(more.json()["acknowledgements"])) == (201, 2)


# ---- whoever is told ---------------------------------------------------------------------------------------


@pytest.fixture
def stores(plant: Plant) -> Iterator[Stores]:
    made = Stores(plant.address)
    yield made
    made.close()


async def test_what_was_told_is_not_told_again(stores: Stores, plant: Plant) -> None:
    """A receiver has ten years of it; only what is new has a new id."""
    ear, wanted = Ear(), numbers_in(stores)
    async with telling(Sender(ear, lambda: stores, QUICK)):
        await until(lambda: len(ear.told) >= len(wanted))
        now = restored(plant)
        await change(plant)
        await until(lambda: len(ear.told) > len(wanted))
    assert ear.numbers == [*wanted, wanted[-1] + 1]
    assert {each.id.rpartition("-")[0] for each in ear.told[:-1]} == {now.former[0][0]}
    assert ear.told[-1].id == f"{now.instance}-{wanted[-1] + 1}"


async def test_what_came_after_the_backup_is_told_as_new(stores: Stores, plant: Plant) -> None:
    """Its numbers are given out again, and its ids are not: nobody takes it for a repeat."""
    ear, wanted, store = Ear(), numbers_in(stores), plant.address.folder
    assert store is not None
    stores.close()
    shutil.copytree(store, store.with_name("backup"))
    positions = dict(plant.positions)
    for torque_nm in (2.7, 2.8, 2.9):
        await change(plant, torque_nm)
    async with telling(Sender(ear, lambda: stores, QUICK)) as sender:
        await until(lambda: len(ear.told) >= len(wanted) + 3)
        sender.save()
    stores.close()
    shutil.copy(store.with_name("backup") / "book.sqlite", store / "book.sqlite")
    plant.positions = positions
    for torque_nm in (3.1, 3.2, 3.3, 3.4, 3.5):
        await change(plant, torque_nm)
    first, ear = ear, Ear()
    async with telling(Sender(ear, lambda: stores, QUICK)):
        await until(lambda: len(ear.told) >= 5)
    assert first.numbers[-3:] == ear.numbers[:3]
    assert len(ear.told) == 5
    assert not {each.id for each in first.told} & {each.id for each in ear.told}


async def test_what_was_put_aside_is_sent_again_under_its_id(stores: Stores, plant: Plant) -> None:
    """It is still in the book, under the number that the instance of then gave it."""
    ear, wanted = Ear(), numbers_in(stores)
    ear.raises = {wanted[5]: [NotTaken("answered 500")] * 100_000}
    async with telling(Sender(ear, lambda: stores, QUICK)):
        await until(lambda: len(ear.told) >= len(wanted) - 1)
    now = restored(plant)
    ear.raises = {}
    async with telling(Sender(ear, lambda: stores, QUICK)):
        await until(lambda: put_aside(stores) == [])
    assert ear.told[-1].id == f"{now.former[0][0]}-{wanted[5]}"


# ---- before the book ---------------------------------------------------------------------------------------

BEFORE = "the book began after it"


@pytest.mark.parametrize(
    ("address", "status"),
    [
        ("/v1/statements?plant_day=2026-03-20&require=closed", 409),
        ("/v1/statements/line-1/2026-03-20/early?require=closed", 409),
        ("/v1/statements/line-1/2026-03-20/early", 404),
        ("/v1/statements/line-1/2026-03-20/early/revisions", 404),
    ],
)
async def test_a_shift_before_the_book_is_never_closed(
    client: httpx.AsyncClient, address: str, status: int
) -> None:
    """So nobody is told to wait for it."""
    answer = await client.get(address)
    assert answer.status_code == status
    assert BEFORE in answer.json()["detail"]
    assert "closed yet" not in answer.json()["detail"]
    assert "retry-after" not in answer.headers


async def test_a_shift_before_the_book_is_unknown(client: httpx.AsyncClient) -> None:
    """In the list of its day, in the plan, and in counts: not complete, and why."""
    day = await get(client, "/v1/statements?plant_day=2026-03-20")
    assert (day["closed"], day["complete"], day["items"]) == (False, False, [])
    assert len(day["reasons"]) == 3
    assert all(BEFORE in each for each in day["reasons"])
    interval = "from=2026-03-20T06:00:00Z&to=2026-03-20T12:00:00Z"
    (shift,) = (await get(client, f"/v1/shifts?{interval}"))["items"]
    assert shift["state"] == "unknown"
    assert BEFORE in shift["says"]
    counted = await get(client, f"/v1/counts?{interval}&by=shift,tool")
    assert (counted["complete"], counted["items"]) == (False, [])
    assert all("was first read at" in each and "after it" in each for each in counted["reasons"])


# ---- the asker's clock -------------------------------------------------------------------------------------


@pytest.mark.parametrize("off_s", [0, 90, -3600, 400 * 86400])
async def test_the_status_says_how_far_off_the_askers_clock_is(client: httpx.AsyncClient, off_s: int) -> None:
    """By the header Date, which has whole seconds."""
    said = format_datetime(datetime.now(UTC) + timedelta(seconds=off_s), usegmt=True)
    body = await get(client, "/v1/statements/status", date=said)
    assert abs(body["clock_offset_s"] - off_s) <= 1
    assert body["unknown"] == {}


@pytest.mark.parametrize("form", ["%A, %d-%b-%y %H:%M:%S GMT", "%a %b %e %H:%M:%S %Y"])
async def test_a_date_in_an_obsolete_form_is_read(client: httpx.AsyncClient, form: str) -> None:
    """RFC 9110, section 5.6.7: a recipient must accept RFC 850's and asctime's."""
    body = await get(client, "/v1/statements/status", date=datetime.now(UTC).strftime(form))
    assert abs(body["clock_offset_s"]) <= 1


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (None, "the request has no header Date"),
        ("", "is no date such as"),
        ("soon", "is no date such as"),
        ("2026-10-24T20:10:00Z", "is no date such as"),
        ("Sat, 32 Oct 2026 20:10:00 GMT", "is no date such as"),
        ("Sat, 24 Oct 2026 20:10:00 +99999999999999999999", "is no date such as"),
        ("Sat, 24 Oct 2026 24:10:00 GMT", "is no date such as"),
    ],
)
async def test_a_clock_that_is_not_told_is_unknown(
    client: httpx.AsyncClient, said: str | None, why: str
) -> None:
    """Null with the reason, not zero."""
    body = await get(client, "/v1/statements/status", **({} if said is None else {"date": said}))
    assert body["clock_offset_s"] is None
    assert why in body["unknown"]["clock_offset_s"]
