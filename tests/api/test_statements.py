"""Statements over REST: the same question gets the same bytes, what changed since is one request, and what is
not final says so or fails on request."""

from datetime import datetime, timedelta
from hashlib import sha256
from typing import Any

import httpx
import pytest

from collector.canonical_json import canonical
from collector.model import BookedCycle, Cycle, LateCycle, LateEntry
from collector.store.engine import open_book_writer
from collector.store.tables import book
from tests.api.plant import MOVED, Plant, close_shifts, writing

EARLY = "/v1/statements/line-1/2026-03-29/early"
GAP_BEGAN = datetime.fromisoformat("2026-03-29T10:00:00Z")


async def get(client: httpx.AsyncClient, address: str, **headers: str) -> httpx.Response:
    answer = await client.get(address, headers=headers)
    assert answer.status_code == 200, answer.text
    return answer


async def fill_a_gap(plant: Plant) -> None:
    """A log file brings one of the five cycles that A-01 lost during the early shift of 29 March."""
    async with writing(plant) as filling:
        last = next(each for name, each in reversed(plant.cycles) if name == "A-01")
        sequence, ended_at = last.sequence + 2, GAP_BEGAN + timedelta(minutes=20)
        cycle = Cycle(
            sequence, controller_time=ended_at, tool_serial=MOVED.serial, result="ok", completion="completed",
            mode="automatic", total_count=(last.cycle.total_count or 0) + 2, raw=b"from the log",
        )  # fmt: skip
        late = (LateCycle(cycle, ended_at, 100.0),)
        entry = LateEntry(
            "A-01",
            late,
            2**32,
            MOVED.maker,
            MOVED.model,
            "log file A-01.csv",
            from_log=True,
            shortest_cycle=timedelta(milliseconds=20),
        )
        assert (await filling.writer.take_late(entry)).stored == 1
        plant.cycles.append(("A-01", BookedCycle(1, sequence, ended_at, 100.0, MOVED, cycle)))
        await close_shifts(plant, filling.writer)


async def test_the_statements_of_a_day_are_its_shifts(client: httpx.AsyncClient, plant: Plant) -> None:
    """In order, and their rows add up to the day's cycles."""
    body = (await get(client, "/v1/statements?plant_day=2026-03-28")).json()
    assert [(each["shift"], each["revision"]) for each in body["items"]] == [
        ("early", 1),
        ("late", 1),
        ("outside-1", 1),
    ]
    assert sum(each["hours"] for each in body["items"]) == pytest.approx(23)
    begin, end = body["items"][0]["begins_at"], body["items"][-1]["ends_at"]
    made = [
        each
        for _, each in plant.cycles
        if datetime.fromisoformat(begin) <= each.ended_at < datetime.fromisoformat(end)
    ]
    assert sum(row["cycles"] for each in body["items"] for row in each["rows"]) == len(made) > 20
    assert (body["closed"], body["complete"], body["reasons"], body["next"]) == (True, True, [], None)


async def test_a_statement_can_be_checked_by_anybody(client: httpx.AsyncClient) -> None:
    """Its hash is that of all other members, and names the statement before it."""
    items = (await get(client, "/v1/statements?after=")).json()["items"]
    assert len(items) == 20
    previous = None
    for each in items:
        own = each.pop("hash")
        assert each["previous_hash"] == previous
        assert sha256(canonical(each).encode()).hexdigest() == own
        previous = own


async def test_asked_again_it_is_the_same_and_costs_nothing(client: httpx.AsyncClient) -> None:
    """The same bytes, and 304 for who has them; of lists too."""
    for address in (
        EARLY,
        "/v1/statements?plant_day=2026-03-28",
        "/v1/statements?after=",
        f"{EARLY}/revisions/1",
    ):
        first = await get(client, address)
        again = await get(client, address)
        assert first.content == again.content
        unchanged = await client.get(address, headers={"if-none-match": first.headers["etag"]})
        assert (unchanged.status_code, unchanged.content) == (304, b"")
        assert unchanged.headers["etag"] == first.headers["etag"]


async def test_a_revision_never_changes_and_leads_to_the_others(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """The latest says what changed; the one before stays, and may be kept for ever."""
    first = await get(client, EARLY)
    assert (first.json()["complete"], [each["cycles"] for each in first.json()["gaps"]]) == (False, [5])
    await fill_a_gap(plant)
    second = await get(client, EARLY)
    assert second.json()["revision"] == 2
    assert second.headers["etag"] != first.headers["etag"]
    assert ("cycles", "gap filled: log file A-01.csv") in {
        (each["field"], cause) for each in second.json()["changes"] for cause in each["cause"].split("; ")
    }
    assert second.links["predecessor-version"]["url"] == f"{EARLY}/revisions/1"
    kept = await get(client, second.links["predecessor-version"]["url"])
    assert kept.json() == first.json()
    assert kept.headers["cache-control"] == "private, max-age=31536000, immutable"
    history = (await get(client, second.links["version-history"]["url"])).json()["items"]
    assert [each["revision"] for each in history] == [2, 1]
    assert (await get(client, history[1]["address"])).content == kept.content
    assert (await client.get(EARLY, headers={"if-none-match": first.headers["etag"]})).status_code == 200


async def test_what_changed_since_is_one_request(client: httpx.AsyncClient, plant: Plant) -> None:
    """Every revision once, in order of commit, page by page; `next` is always there, and stays while nothing
    happens."""
    seen: list[dict[str, Any]] = []
    following = ""
    while True:
        body = (await get(client, f"/v1/statements?after={following}&last=7")).json()
        seen += body["items"]
        if not body["items"]:
            assert body["next"] == following
            break
        following = body["next"]
    assert len(seen) == 20
    await fill_a_gap(plant)
    body = (await get(client, f"/v1/statements?after={following}&last=1")).json()
    assert [(each["shift"], each["revision"]) for each in body["items"]] == [("early", 2)]
    commits = [int(each["commit"]) for each in seen + body["items"]]
    assert commits == sorted(commits)
    newest = {(each["plant_day"], each["shift"]): each for each in seen + body["items"]}
    listed = (await get(client, "/v1/statements?last=20")).json()["items"]
    assert [newest[each["plant_day"], each["shift"]] for each in listed] == listed


async def test_pages_of_one_hold_what_one_page_holds(client: httpx.AsyncClient) -> None:
    """In the same order, each once."""
    whole = (await get(client, "/v1/statements?last=20")).json()["items"]
    items, following = [], "/v1/statements?last=1"
    while len(items) < 20:
        answer = await get(client, following)
        items += answer.json()["items"]
        following = answer.links["next"]["url"] if "next" in answer.links else ""
        if not following:
            break
    assert items == whole


@pytest.mark.parametrize(
    ("address", "kind", "reason"),
    [
        (f"{EARLY}?require=complete", "not-complete", "5 cycles of controller A-01 are missing"),
        ("/v1/statements?plant_day=2026-03-29&require=complete", "not-complete", "5 cycles of controller"),
        ("/v1/statements?plant_day=2999-03-29&require=closed", "not-closed", "early: it is not over"),
        ("/v1/statements?plant_day=2026-10-20&require=complete", "not-closed", "it is not closed"),
        ("/v1/statements/line-1/2999-03-29/early?require=closed", "not-closed", "early of 2999-03-29"),
        ("/v1/statements?require=closed", "not-closed", "it is not closed"),
    ],
)
async def test_an_answer_that_is_not_final_fails_on_request(
    client: httpx.AsyncClient, address: str, kind: str, reason: str
) -> None:
    """With the reasons, and when to ask again; `curl -f` sees it."""
    answer = await client.get(address)
    assert (answer.status_code, answer.json()["type"]) == (409, f"/problems/{kind}")
    assert any(reason in each for each in answer.json()["reasons"])
    assert 60 <= int(answer.headers["retry-after"]) <= 3600


@pytest.mark.parametrize(
    "address",
    [
        f"{EARLY}?require=closed",
        "/v1/statements/line-1/2026-03-28/early?require=complete",
        "/v1/statements?plant_day=2026-03-28&require=complete",
        "/v1/statements?plant_day=2026-03-29&require=closed",
    ],
)
async def test_an_answer_that_is_final_does_not_fail(client: httpx.AsyncClient, address: str) -> None:
    """Closed is not the same as complete."""
    assert (await client.get(address)).status_code == 200


@pytest.mark.parametrize(
    ("address", "status", "says"),
    [
        ("/v1/statements/line-2/2026-03-28/early", 404, "there is no line 'line-2'; there are line-1"),
        ("/v1/statements/line-1/2026-03-28/noon", 404, "no shift 'noon'; it has early, late, outside-1"),
        ("/v1/statements/line-1/2999-03-28/early", 404, "early of 2999-03-28 on line 'line-1' is not closed"),
        (f"{EARLY}/revisions/9", 404, "there is no revision 9 of early of 2026-03-29"),
        ("/v1/statements?plant_day=2026-03-28&after=", 422, "after goes without plant_day and cursor"),
        ("/v1/statements?after=abc", 422, "after is not from this list"),
        ("/v1/statements?cursor=abc", 422, "cursor is not from this list"),
        ("/v1/statements?line=line-2", 404, "there is no line 'line-2'"),
        ("/v1/statements/line-1/20260328/early", 422, "plant_day must be a date such as 2026-11-24"),
    ],
)
async def test_a_wrong_question_gets_one_clear_sentence(
    client: httpx.AsyncClient, address: str, status: int, says: str
) -> None:
    """What is wrong, and what there is."""
    answer = await client.get(address)
    assert answer.status_code == status
    assert says in answer.json()["detail"]


async def test_a_cursor_of_another_book_is_refused(client: httpx.AsyncClient, plant: Plant) -> None:
    """After a backup was restored, what it would skip may never have been given."""
    following = (await get(client, "/v1/statements?after=")).json()["next"]
    engine = open_book_writer(plant.address)
    with engine.begin() as connection:
        connection.execute(book.update().values(instance="restored"))
    engine.dispose()
    answer = await client.get(f"/v1/statements?after={following}")
    assert (answer.status_code, answer.json()["type"]) == (410, "/problems/book-replaced")
    assert answer.json()["book"] == "restored"


async def test_a_cursor_from_further_ahead_than_the_book_is_refused(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """The book was restored under the same instance: else nothing would be new for a long time."""
    following = (await get(client, "/v1/statements?after=")).json()["next"]
    engine = open_book_writer(plant.address)
    with engine.begin() as connection:
        connection.execute(book.update().values(commit_number=5))
    engine.dispose()
    answer = await client.get(f"/v1/statements?after={following}")
    assert (answer.status_code, answer.json()["type"]) == (410, "/problems/book-replaced")
    assert "pull every plant day that was booked again" in answer.json()["detail"]


async def test_a_shift_that_is_stated_is_closed_in_the_plan(client: httpx.AsyncClient) -> None:
    """And one that is over and is not, is closing."""
    found = (await get(client, "/v1/shifts?from=2026-03-28T12:00:00Z&to=2026-03-28T13:00:00Z")).json()[
        "items"
    ]
    assert [each["state"] for each in found] == ["closed"]
    later = (await get(client, "/v1/shifts?from=2026-10-20T12:00:00Z&to=2026-10-20T13:00:00Z")).json()[
        "items"
    ]
    assert {each["state"] for each in later} == {"closing"}


async def test_the_status_tells_how_far_the_statements_have_come(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """Of each line the newest closed shift, and the oldest that is not, which controllers it waits for, and
    why; it moves on with the next pass."""
    before = (await get(client, "/v1/statements/status")).json()
    (line,) = before["items"]
    every = (await get(client, "/v1/statements?after=")).json()["items"]
    newest = max(every, key=lambda each: each["ends_at"])
    assert line["newest_closed"]["address"].endswith(f"{newest['shift']}/revisions/1")
    assert line["newest_closed"]["commit"] == newest["commit"]
    assert (await get(client, line["newest_closed"]["address"])).json() == newest
    assert line["oldest_not_closed"]["begins_at"] == newest["ends_at"]
    assert line["oldest_not_closed"]["state"] == "closing"
    assert before["book"] == newest["book"]
    assert "it is not closed" in line["says"]
    async with writing(plant) as filling:
        await close_shifts(plant, filling.writer)
    after = (await get(client, "/v1/statements/status")).json()
    assert int(after["commit"]) > int(before["commit"])
    assert after["items"][0]["newest_closed"]["ends_at"] > newest["ends_at"]


async def test_the_status_names_the_controllers_that_are_waited_for(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """When a shift is over and can't be closed."""
    async with writing(plant) as filling:
        for _ in range(60):
            await close_shifts(plant, filling.writer)
    (line,) = (await get(client, "/v1/statements/status?line=line-1")).json()["items"]
    assert line["waits_for"] == ["A-01", "A-02"]
    assert line["says"].endswith("it is not closed; it waits for A-01, A-02")
