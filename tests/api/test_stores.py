"""The two rooms: the book, which the API can't change, and the desk; both may come after the API."""

import shutil
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI
from sqlalchemy import delete, insert, text

from api.access.gate import Access
from api.stores import Stores
from collector.errors import StoreError
from collector.store.engine import SQLITE, SQLITE_VERSION
from collector.store.tables import cycle, tool
from tests.api.asking import asking, bearer, make_token
from tests.api.plant import MOVED, Plant


@pytest.mark.parametrize(
    "statement",
    [
        delete(cycle),
        insert(tool).values(maker="x", model="x", serial="x", first_seen_at=None),
        text("UPDATE book SET commit_number = 0"),
        text("DROP TABLE curve"),
        text("CREATE TABLE more (id INTEGER)"),
    ],
    ids=str,
)
def test_the_api_can_not_change_the_book(plant: Plant, statement: object) -> None:
    """Its connection refuses, whatever the statement."""
    stores = Stores(plant.address)
    with pytest.raises(StoreError, match="read-only"), stores.book() as connection:
        connection.execute(statement)  # type: ignore[call-overload]
    with stores.book() as connection:
        assert connection.scalar(text("SELECT count(*) FROM cycle")) == len(plant.cycles)
    stores.close()


async def test_before_the_book_is_made_the_api_says_so_and_goes_on_when_it_is(
    app: FastAPI, plant: Plant, tmp_path: Path
) -> None:
    """Nothing has to be started again."""
    assert plant.address.folder is not None
    later = tmp_path / "later"
    shutil.move(plant.address.folder, later)
    async with asking(app) as client:
        await _expect_no_book(client)
        for file in later.iterdir():
            shutil.move(file, plant.address.folder / file.name)
        answer = await client.get("/v1/tools/2042/cycles", params={"last": 1000})
        assert len(answer.json()["items"]) == len(plant.of(MOVED))
        assert (await client.get("/readyz")).json() == {"status": "ready"}


async def _expect_no_book(client: httpx.AsyncClient) -> None:
    for address in ("/v1/controllers", "/v1/tools/2042/cycles", "/v1/cycles/A-02.2.7", "/v1/faults"):
        answer = await client.get(address)
        assert (answer.status_code, answer.json()["type"]) == (503, "/problems/no-book-yet")
        assert "the collector has not made the book yet" in answer.json()["detail"]
        assert int(answer.headers["retry-after"]) > 0
    alive = await client.get("/healthz")
    assert (alive.status_code, alive.json()["book"]) == (200, None)
    assert "not made the book yet" in alive.json()["unknown"]["book"]
    ready = await client.get("/readyz")
    assert (ready.status_code, ready.json()["type"]) == (503, "/problems/not-ready")
    assert len(ready.json()["reasons"]) == 1


@pytest.mark.parametrize(
    "address",
    [
        "/v1/receivers",
        "/v1/deliveries",
        "/v1/receipts",
        "/v1/findings",
        "/v1/tools/2042",
        "/v1/tools/2042/service",
        "/v1/tools/2042/tolerance",
        "/v1/tools/2042/charts/punch_velocity_m_s",
        "/v1/settings/changes/before?tool=2042&at=2026-10-25T00:00:00Z",
        "/v1/tokens",
        "/v1/audit-trail",
    ],
)
async def test_whoever_reads_waits_for_nobody_who_records(
    app: FastAPI, plant: Plant, client: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch, address: str
) -> None:
    """The answer is the same while somebody has the desk's turn to write."""
    monkeypatch.setattr(Access, "write", lambda *_, **__: None)  # what is not written now is told later
    office = bearer(make_token(plant.address, "office", "admin"))
    before = await client.get(address, headers=office)
    assert before.status_code == 200, before.text
    with app.state.stores.desk():
        meanwhile = await client.get(address, headers=office)
    assert (meanwhile.status_code, meanwhile.json()) == (200, before.json())


async def test_a_book_of_another_revision_is_not_read(app: FastAPI, plant: Plant) -> None:
    """A collector of another version may keep it otherwise than this API reads it."""
    assert plant.address.folder is not None
    connection = SQLITE.connect(plant.address.folder / "book.sqlite")
    connection.execute("UPDATE alembic_version SET version_num = 'other'")
    connection.commit()
    connection.close()
    async with asking(app) as client:
        assert (await client.get("/readyz")).status_code == 503
        assert (await client.get("/v1/tools")).status_code == 503


async def test_health_names_the_book_and_the_database(client: httpx.AsyncClient) -> None:
    """What a person needs to report a fault."""
    shown = (await client.get("/healthz")).json()
    assert shown["store"] == f"SQLite {SQLITE_VERSION}"
    assert int(shown["commit_number"]) > 900
    assert shown["unknown"] == {}
    assert 0 <= shown["uptime_s"] < 600
