"""Receipts: consumers tell up to where they have booked the statements, and who lags is seen."""

from datetime import UTC, datetime
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from sqlalchemy import update

import api.resources.receipts
from api.schemas import receipts
from collector.store.engine import open_book_writer, open_desk
from collector.store.tables import book as books
from collector.store.tokens import revoke_token
from tests.api.asking import bearer, make_token
from tests.api.plant import Plant, close_shifts, writing

NUMBER = 20
"""Statements of the plant."""


async def revisions(client: httpx.AsyncClient) -> list[dict[str, Any]]:
    """In order of commit."""
    return list((await client.get("/v1/statements?after=&last=1000")).json()["items"])


async def tell(client: httpx.AsyncClient, consumer: str, **body: Any) -> httpx.Response:
    return await client.put(f"/v1/receipts/{consumer}", json=body, headers=client.headers)


def name_of(statement: dict[str, Any]) -> dict[str, Any]:
    return {name: statement[name] for name in ("line", "plant_day", "shift", "revision")}


@pytest.fixture
def mes(plant: Plant) -> dict[str, str]:
    return bearer(make_token(plant.address, "mes", "integrate"))


async def test_a_consumer_that_books_page_by_page_lags_by_what_is_left(
    client: httpx.AsyncClient, mes: dict[str, str]
) -> None:
    """By how many revisions, and since when the oldest was closed; in the end by none."""
    client.headers.update(mes)
    all_of_them = await revisions(client)
    assert len(all_of_them) == NUMBER
    after, booked = "", 0
    while booked < NUMBER:
        body = (await client.get("/v1/statements", params={"after": after, "last": 7})).json()
        after, booked = body["next"], booked + len(body["items"])
        answer = await tell(client, "mes", statement=after)
        receipts.Receipt.model_validate_json(answer.content, strict=True)
        told = answer.json()
        assert (told["behind"], told["commit"]) == (NUMBER - booked, body["items"][-1]["commit"])
        since = all_of_them[booked]["closed_at"] if booked < NUMBER else None
        assert (told["behind_since"], told["unknown"]) == (since, {})
        assert told["told_by"] == "mes"
    (listed,) = (await client.get("/v1/receipts")).json()["items"]
    assert listed == told


async def test_what_is_closed_since_makes_a_consumer_lag(
    client: httpx.AsyncClient, plant: Plant, mes: dict[str, str]
) -> None:
    """Seen by whoever reads, without anything being told."""
    after = (await client.get("/v1/statements?after=&last=1000")).json()["next"]
    assert (await tell(client, "mes", statement=after)).json()["behind"] == 0
    async with writing(plant) as filling:
        await close_shifts(plant, filling.writer)
    (listed,) = (await client.get("/v1/receipts")).json()["items"]
    new = (await revisions(client))[NUMBER:]
    assert (listed["behind"], listed["behind_since"]) == (len(new), new[0]["closed_at"])
    assert new


async def test_a_revision_by_its_name_is_a_receipt_of_its_line(client: httpx.AsyncClient) -> None:
    """One for each line; a cursor stands for all of them, and either replaces the other."""
    found = await revisions(client)
    told = (await tell(client, "mes", **name_of(found[4]))).json()
    assert (told["line"], told["commit"], told["behind"]) == ("line-1", found[4]["commit"], NUMBER - 5)
    back = (await tell(client, "mes", **name_of(found[2]))).json()
    assert back["behind"] == NUMBER - 3
    after = (await client.get("/v1/statements?after=&last=6")).json()["next"]
    assert (await tell(client, "mes", statement=after)).json()["line"] is None
    (listed,) = (await client.get("/v1/receipts")).json()["items"]
    assert (listed["line"], listed["behind"]) == (None, NUMBER - 6)
    await tell(client, "mes", **name_of(found[4]))
    (listed,) = (await client.get("/v1/receipts")).json()["items"]
    assert listed["line"] == "line-1"


@pytest.mark.parametrize(
    ("body", "status", "says"),
    [
        ({}, 422, "the body must have either statement, or line, plant_day, shift and revision"),
        ({"statement": ""}, 422, "statement is not from this list"),
        ({"statement": "x", "line": "line-1"}, 422, "the body must have either"),
        ({"line": "line-1", "shift": "early", "revision": 1}, 422, "the body must have either"),
        ({"statement": "WyJhIiwiZmVlZCIsM10"}, 422, "statement is not from this list"),
        ({"statement": "x", "plant_day": {}}, 422, "plant_day must be a date"),
        (
            {"line": "line-1", "plant_day": "2026-03-28", "shift": "early", "revision": 9},
            404,
            "no revision 9",
        ),
        (
            {"line": "line-7", "plant_day": "2026-03-28", "shift": "early", "revision": 1},
            404,
            "line 'line-7'",
        ),
        (
            {"line": "line-1", "plant_day": "28.3.2026", "shift": "early", "revision": 1},
            422,
            "must be a date",
        ),
    ],
)
async def test_what_is_no_receipt_is_refused(
    client: httpx.AsyncClient, body: dict[str, Any], status: int, says: str
) -> None:
    """In a sentence; nothing is kept."""
    answer = await tell(client, "mes", **body)
    assert (answer.status_code, says in answer.json()["detail"]) == (status, True), answer.text
    assert (await client.get("/v1/receipts")).json()["items"] == []


@pytest.mark.parametrize("consumer", ["a b", "-a", "a" * 65, "%00"])
async def test_a_consumer_has_a_plain_name(client: httpx.AsyncClient, consumer: str) -> None:
    """Any that can be read aloud."""
    assert (await tell(client, consumer, statement="x")).status_code == 422


async def test_after_the_book_was_replaced_a_receipt_says_nothing_of_it(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """Null with the reason, never "up to date"; and the old cursor is refused."""
    after = (await client.get("/v1/statements?after=&last=1000")).json()["next"]
    await tell(client, "mes", statement=after)
    engine = open_book_writer(plant.address)
    with engine.begin() as connection:
        connection.execute(update(books).values(instance="another"))
    engine.dispose()
    (listed,) = (await client.get("/v1/receipts")).json()["items"]
    assert (listed["behind"], listed["behind_since"]) == (None, None)
    assert "it is of another book" in listed["unknown"]["behind"]
    refused = await tell(client, "mes", statement=after)
    assert (refused.status_code, refused.json()["type"]) == (410, "/problems/book-replaced")


async def test_a_cursor_from_further_ahead_than_the_book_is_refused(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """The book was restored under the same instance."""
    after = (await client.get("/v1/statements?after=&last=1000")).json()["next"]
    engine = open_book_writer(plant.address)
    with engine.begin() as connection:
        connection.execute(update(books).values(commit_number=5))
    engine.dispose()
    refused = await tell(client, "mes", statement=after)
    assert (refused.status_code, refused.json()["type"]) == (410, "/problems/book-replaced")


# ---- whose -------------------------------------------------------------------------------------------------


async def test_an_integrator_sees_its_own_receipt_and_whoever_reads_all(
    client: httpx.AsyncClient, plant: Plant, mes: dict[str, str]
) -> None:
    """And nobody tells another's."""
    erp, reader = (
        bearer(make_token(plant.address, name, scope))  # type: ignore[arg-type]
        for name, scope in (("erp", "integrate"), ("reader", "read"))
    )
    body = name_of((await revisions(client))[0])
    for name, who in (("mes", mes), ("erp", erp)):
        assert (await client.put(f"/v1/receipts/{name}", json=body, headers=who)).status_code == 200
    for who, seen in ((mes, ["mes"]), (erp, ["erp"]), (reader, ["erp", "mes"]), ({}, ["erp", "mes"])):
        listed = (await client.get("/v1/receipts", headers=who)).json()["items"]
        assert [each["consumer"] for each in listed] == seen
    for method in ("PUT", "DELETE"):
        for who in (erp, {}):
            more = {"json": body} if method == "PUT" else {}
            answer = await client.request(method, "/v1/receipts/mes", headers=who, **more)  # type: ignore[arg-type]
            assert (answer.status_code, answer.json()["type"]) == (403, "/problems/other-consumer")
    refused = await client.put("/v1/receipts/mes", json=body, headers=reader)
    assert (refused.status_code, refused.json()["type"]) == (403, "/problems/insufficient-scope")


async def test_the_next_token_goes_on_when_the_last_is_over(
    client: httpx.AsyncClient, plant: Plant, mes: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Under the same name; before, it is refused."""
    monkeypatch.setattr("api.access.tokens.FRESH_S", 0.0)
    body = name_of((await revisions(client))[0])
    await client.put("/v1/receipts/mes", json=body, headers=mes)
    following = bearer(make_token(plant.address, "mes-2028", "integrate"))
    assert (await client.put("/v1/receipts/mes", json=body, headers=following)).status_code == 403
    engine = open_desk(plant.address)
    with engine.begin() as connection:
        revoke_token(connection, "mes", datetime.now(UTC))
    engine.dispose()
    answer = await client.put("/v1/receipts/mes", json=body, headers=following)
    assert (answer.status_code, answer.json()["told_by"]) == (200, "mes-2028")


async def test_a_consumer_that_is_no_more_can_be_taken_off(
    client: httpx.AsyncClient, plant: Plant, mes: dict[str, str]
) -> None:
    """By itself or by the admin; then there is none."""
    office = bearer(make_token(plant.address, "office", "admin"))
    body = name_of((await revisions(client))[0])
    for who in (mes, office):
        await client.put("/v1/receipts/mes", json=body, headers=mes)
        assert (await client.delete("/v1/receipts/mes", headers=who)).status_code == 204
        assert (await client.get("/v1/receipts")).json()["items"] == []
    assert (await client.delete("/v1/receipts/mes", headers=mes)).status_code == 404


async def test_a_token_for_a_line_tells_of_its_line_and_sees_no_other(
    app: FastAPI, client: httpx.AsyncClient, plant: Plant
) -> None:
    """A receipt for all of its lines counts what was closed on these only."""
    own, reader, other = (
        bearer(make_token(plant.address, name, scope, lines=[line]))  # type: ignore[arg-type]
        for name, scope, line in (
            ("own", "integrate", "line-1"), ("reader", "read", "line-1"), ("other", "integrate", "line-2"),
        )
    )  # fmt: skip
    app.state.access.line_of = {"A-01": "line-1", "A-02": "line-2"}
    found = await revisions(client)
    after = (await client.get("/v1/statements?after=&last=5")).json()["next"]
    told = (await client.put("/v1/receipts/own", json={"statement": after}, headers=own)).json()
    assert (told["lines"], told["behind"]) == (["line-1"], NUMBER - 5)
    told = (await client.put("/v1/receipts/other", json={"statement": after}, headers=other)).json()
    assert (told["lines"], told["behind"]) == (["line-2"], 0)
    answer = await client.put("/v1/receipts/other", json=name_of(found[0]), headers=other)
    assert (answer.status_code, answer.json()["type"]) == (403, "/problems/other-line")
    listed = (await client.get("/v1/receipts", headers=reader)).json()["items"]
    assert [each["consumer"] for each in listed] == ["own"]


async def test_there_may_be_so_many(client: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """A consumer that is there goes on."""
    monkeypatch.setattr(api.resources.receipts, "MOST", 1)
    body = name_of((await revisions(client))[0])
    answers = [await tell(client, name, **body) for name in ("mes", "erp", "mes")]
    assert [each.status_code for each in answers] == [200, 507, 200]
    assert answers[1].json()["type"] == "/problems/no-room"
