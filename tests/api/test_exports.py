"""Exports: files of any length, made beside the answers, whole or not at all, and for their asker only."""

import asyncio
import base64
import csv
import hashlib
import io
import json
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pyarrow.parquet as pq
import pytest
from fastapi import FastAPI
from sqlalchemy import Connection, text

import api.csv_export
import api.exporting
import api.resources.exports
from api import parquet_export
from api.exporting import EXPORTED
from api.schemas import exports
from api.stores import Stores
from collector.errors import StoreError
from collector.model import FaultRaised
from collector.store import streams
from collector.store.exports import ask_export, find_export
from collector.store.tables import export as export_table
from tests.api import exported
from tests.api.asking import asking, bearer, make_token
from tests.api.plant import LATEST, MOVED, Plant, id_of, writing
from tests.processes import eventually

ALL = {"from": "2026-03-01T00:00:00Z", "to": "2026-11-30T00:00:00Z"}
CYCLES = {"what": "cycles", "format": "ndjson", **ALL}
LONG = text(
    "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 100000000) "
    "SELECT count(*) FROM n"
)


def shown(answer: httpx.Response) -> dict[str, Any]:
    exports.Export.model_validate_json(answer.content, strict=True)
    return dict(answer.json())


async def made(client: httpx.AsyncClient, **asked: Any) -> httpx.Response:
    """The file, as a client gets it that asks, waits and follows."""
    answer = await client.post("/v1/exports", json=CYCLES | asked)
    assert answer.status_code == 202, answer.text
    address = answer.headers["location"]
    assert shown(answer)["file"] == f"{address}/file"
    async with asyncio.timeout(60):
        while True:
            answer = await client.get(address)
            if answer.status_code == 303:
                return await client.get(answer.headers["location"])
            assert shown(answer)["state"] in ("waiting", "building"), answer.text
            assert int(answer.headers["retry-after"]) > 0
            await asyncio.sleep(0.02)


async def is_over(client: httpx.AsyncClient, address: str) -> dict[str, Any]:
    """Done or failed."""

    async def over() -> bool:
        return (await client.get(address)).json()["state"] in ("done", "failed")

    await eventually(over, "the export is over")
    return shown(await client.get(address))


def items(answer: httpx.Response) -> list[dict[str, Any]]:
    return [json.loads(line) for line in answer.content.splitlines()]


@pytest.fixture
def held(monkeypatch: pytest.MonkeyPatch) -> Iterator["Held"]:
    """Exports stop behind their first row until it lets them go on."""
    held = Held()
    real = EXPORTED["cycles"].rows

    def rows(*given: Any) -> Iterator[Any]:
        for number, row in enumerate(real(*given)):
            if number == 1:
                held.hold()
            yield row

    monkeypatch.setattr(api.exporting, "ROWS_BETWEEN_LOOKS", 1)
    monkeypatch.setattr(
        api.exporting,
        "EXPORTED",
        {**EXPORTED, "cycles": api.exporting.Exported(EXPORTED["cycles"].columns, frozenset(), rows)},
    )
    yield held
    held.go_on.set()


class Held:
    def __init__(self) -> None:
        self.go_on = threading.Event()
        self.is_held = threading.Event()
        self.times = 0

    def hold(self) -> None:
        self.times += 1
        self.is_held.set()
        assert self.go_on.wait(30)

    async def reached(self) -> None:
        assert await asyncio.to_thread(self.is_held.wait, 30)
        self.is_held.clear()


# ---- what is in it -----------------------------------------------------------------------------------------


async def test_an_export_is_the_list(client: httpx.AsyncClient, plant: Plant) -> None:
    """Every cycle once, newest first, each as `/v1/cycles` shows it, across all pages."""
    answer = await made(client)
    found = items(answer)
    ids = [each["id"] for each in found]
    assert sorted(ids) == sorted(id_of(name, each) for name, each in plant.cycles)
    assert [each["ended_at"] for each in found] == sorted((each["ended_at"] for each in found), reverse=True)
    interval = "from=2026-10-24T00:00:00Z&to=2026-10-27T00:00:00Z"
    listed = (await client.get(f"/v1/cycles?{interval}&last=1000")).json()["items"]
    assert found[: len(listed)] == listed != []


@pytest.mark.parametrize("page", [1, 7])
async def test_pages_of_any_size_make_the_same_file(
    client: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch, page: int
) -> None:
    """Cycles that ended in the same microsecond, on one controller and on two, too."""
    whole = (await made(client)).content
    monkeypatch.setattr(streams, "PAGE", page)
    monkeypatch.setattr(streams, "SMALLEST_PAGE", page)
    assert (await made(client)).content == whole
    of_tool = (await made(client, filters={"tool": "2042"})).content
    monkeypatch.undo()
    assert (await made(client, filters={"tool": "2042"})).content == of_tool != whole


@pytest.mark.parametrize(
    ("asked", "address"),
    [
        ({"what": "gaps"}, "/v1/gaps?from=2026-03-01T00:00:00Z&to=2026-11-30T00:00:00Z"),
        (
            {"what": "gaps", "filters": {"controller": "A-01", "state": "open"}},
            "/v1/gaps?controller=A-01&state=open",
        ),
        ({"what": "faults"}, "/v1/faults"),
        (
            {"what": "faults", "filters": {"category": "hardware", "tool": "2042"}},
            "/v1/faults?category=hardware",
        ),
        ({"filters": {"result": "nok", "tool": "2042"}}, "/v1/tools/2042/cycles?result=nok&last=1000"),
        (
            {"filters": {"controller": "A-02", "completion": "aborted"}, "from": "2026-10-24T00:00:00Z"},
            "/v1/cycles?from=2026-10-24T00:00:00Z&to=2026-11-01T00:00:00Z&controller=A-02&completion=aborted",
        ),
    ],
)  # fmt: skip
async def test_filters_are_those_of_the_list(
    client: httpx.AsyncClient, asked: dict[str, Any], address: str
) -> None:
    """And the items too."""
    listed = (await client.get(address)).json()["items"]
    found = items(await made(client, **asked))
    assert [{name: each[name] for name in listed[0]} for each in found] == listed != []


@pytest.mark.parametrize("what", ["cycles", "gaps", "faults"])
async def test_csv_and_parquet_have_the_columns_of_the_lists_own_files(
    client: httpx.AsyncClient, what: str
) -> None:
    """The same bytes, where there are such files; and both formats say the same."""
    content = (await made(client, what=what, format="csv")).content
    header, *rows = csv.reader(io.StringIO(content.decode("utf-8"), newline=""))
    assert header == [column.name for column in EXPORTED[what].columns]
    table = pq.read_table(io.BytesIO((await made(client, what=what, format="parquet")).content))
    assert table.column_names == header
    cell = api.csv_export.cell
    assert [[cell(each) for each in row.values()] for row in table.to_pylist()] == rows != []
    if what == "cycles":
        own = await client.get("/v1/cycles?from=2026-10-24T00:00:00Z&to=2026-10-27T00:00:00Z&format=csv")
        assert content.startswith(own.content)
    if what == "gaps":
        assert content == (await client.get("/v1/gaps?format=csv")).content


async def test_an_export_of_nothing_is_a_file(client: httpx.AsyncClient) -> None:
    """With its header, or its schema."""
    never = {"from": "2030-01-01T00:00:00Z", "to": "2030-02-01T00:00:00Z"}
    assert (await made(client, **never)).content == b""
    assert (await made(client, **never, format="csv")).content.startswith(b"id,maker,model,tool,")
    assert pq.read_table(io.BytesIO((await made(client, **never, format="parquet")).content)).num_rows == 0


async def test_a_file_is_of_one_instant(
    app: FastAPI, client: httpx.AsyncClient, plant: Plant, held: Held
) -> None:
    """What is committed while it is made is in none of it; `commit` says what it has."""
    asked = await client.post("/v1/exports", json=CYCLES)
    await held.reached()
    async with writing(plant) as filling:
        await filling.work("A-02", MOVED, LATEST, LATEST + timedelta(hours=6), epoch=2, seed=9)
    held.go_on.set()
    address = asked.headers["location"]
    before = await is_over(client, address)
    assert before["rows"] < len(plant.cycles)
    later = await made(client)
    found = items(await client.get(before["file"]))
    assert len(items(later)) == len(plant.cycles) > len(found) == before["rows"]
    assert max(int(each["commit_number"]) for each in found) <= int(before["commit"])


async def test_only_texts_are_kept_from_being_formulas(client: httpx.AsyncClient, plant: Plant) -> None:
    """As in every other file."""
    raised = FaultRaised("=1+1", "+cmd", "process", MOVED, LATEST, LATEST)
    async with writing(plant) as filling:
        await filling.commit("A-02", faults=(raised,))
    rows = list(
        csv.DictReader(io.StringIO((await made(client, what="faults", format="csv")).text, newline=""))
    )
    assert (rows[0]["code"], rows[0]["text"], rows[0]["duration_s"]) == ("'=1+1", "'+cmd", "")


# ---- the file ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("wanted", ["csv", "ndjson", "parquet"])
async def test_a_file_proves_that_it_is_whole(client: httpx.AsyncClient, wanted: str) -> None:
    """Length, digest and tag; asked again it is the same, or 304; a part of it can be had."""
    answer = await made(client, format=wanted)
    content = answer.content
    assert int(answer.headers["content-length"]) == len(content) > 0
    digest = base64.b64encode(hashlib.sha256(content).digest()).decode()
    assert answer.headers["repr-digest"] == f"sha-256=:{digest}:"
    assert answer.headers["content-disposition"].endswith(f'.{wanted}"')
    assert answer.headers["cache-control"] == "private, no-cache"
    tag, address = answer.headers["etag"], str(answer.url)
    again = await client.get(address, headers={"if-none-match": tag})
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    (export,) = (await client.get("/v1/exports")).json()["items"]
    assert (export["bytes"], export["repr_digest"]) == (len(content), answer.headers["repr-digest"])
    rest = await client.get(address, headers={"range": f"bytes={len(content) // 2}-", "if-range": tag})
    assert (rest.status_code, content[: len(content) // 2] + rest.content) == (206, content)
    changed = await client.get(address, headers={"range": "bytes=5-", "if-range": '"other"'})
    assert (changed.status_code, changed.content) == (200, content)


@pytest.mark.parametrize(
    "asked", ["bytes=9-3", "bytes=a-", "bytes=0-1,4-5", "lines=0-1", "bytes=", "bytes=-5"]
)
async def test_a_strange_range_is_passed_over(client: httpx.AsyncClient, asked: str) -> None:
    """The whole file is sent; a part behind its end is a problem with the length."""
    exported.with_exports(client._transport.app)  # type: ignore[attr-defined]
    address = f"/v1/exports/{exported.DONE}/file"
    answer = await client.get(address, headers={"range": asked})
    assert (answer.status_code, answer.content) == (200, exported.CONTENT)
    size = len(exported.CONTENT)
    behind = await client.get(address, headers={"range": f"bytes={size}-"})
    assert (behind.status_code, behind.json()["type"]) == (416, "/problems/no-such-part")
    assert behind.headers["content-range"] == f"bytes */{size}"


async def test_a_file_that_is_not_made_yet_is_waited_for(client: httpx.AsyncClient, held: Held) -> None:
    """503 with Retry-After, by which a client waits that tries again; nothing of it can be had before."""
    asked = await client.post("/v1/exports", json=CYCLES)
    await held.reached()
    state = shown(await client.get(asked.headers["location"]))
    assert (state["state"], state["rows"], state["bytes"]) == ("building", 1, None)
    assert state["unknown"]["bytes"] == "it is not made yet"
    answer = await client.get(state["file"])
    assert (answer.status_code, answer.json()["type"]) == (503, "/problems/not-made-yet")
    assert int(answer.headers["retry-after"]) > 0
    held.go_on.set()
    assert (await is_over(client, asked.headers["location"]))["state"] == "done"
    assert (await client.get(state["file"])).status_code == 200


async def test_a_file_that_goes_away_is_told_or_shows_by_its_length(
    app: FastAPI, client: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Gone before it is looked at, it is a problem; after that what comes is shorter than was said."""
    exported.with_exports(app)
    folder, address = app.state.exporter.folder, f"/v1/exports/{exported.DONE}/file"
    real = api.resources.exports.file_headers

    def gone_meanwhile(*given: Any) -> dict[str, str]:
        (folder / f"{exported.DONE}.csv").unlink()
        return real(*given)

    with monkeypatch.context() as patch:
        patch.setattr(api.resources.exports, "file_headers", gone_meanwhile)
        cut = await client.get(address)
    assert (cut.status_code, cut.content) == (200, b"")
    assert int(cut.headers["content-length"]) == len(exported.CONTENT)
    answer = await client.get(address)
    assert (answer.status_code, answer.json()["type"]) == (409, "/problems/export-failed")
    assert "is gone; ask anew" in answer.json()["detail"]


async def test_whoever_looks_waits_for_nobody_who_records(app: FastAPI, client: httpx.AsyncClient) -> None:
    """List, state and file are answered while somebody else has the desk's turn to write."""
    exported.with_exports(app)
    address = f"/v1/exports/{exported.DONE}"
    with app.state.stores.desk():
        statuses = [
            (await client.get(each)).status_code for each in ("/v1/exports", address, f"{address}/file")
        ]
    assert statuses == [200, 303, 200]


# ---- who ---------------------------------------------------------------------------------------------------


async def test_two_askers_at_once_get_a_file_each_and_see_their_own(
    app: FastAPI, client: httpx.AsyncClient, plant: Plant
) -> None:
    """One after the other is made; whoever did not ask is told that there is none, but for the admin."""
    mes, bi, office = (
        bearer(make_token(plant.address, name, scope))  # type: ignore[arg-type]
        for name, scope in (("mes", "integrate"), ("bi", "read"), ("office", "admin"))
    )
    asked = await asyncio.gather(
        *(client.post("/v1/exports", json=CYCLES | {"format": wanted}, headers=who)
          for who, wanted in ((mes, "csv"), (bi, "parquet")))
    )  # fmt: skip
    addresses = [each.headers["location"] for each in asked]
    office_client = httpx.AsyncClient(transport=client._transport, base_url=client.base_url, headers=office)
    for address in addresses:
        assert (await is_over(office_client, address))["state"] == "done"
    for who, own, other in ((mes, *addresses), (bi, *addresses[::-1])):
        assert (await client.get(f"{own}/file", headers=who)).status_code == 200
        for method, address in (("GET", other), ("GET", f"{other}/file"), ("DELETE", other)):
            answer = await client.request(method, address, headers=who)
            assert (answer.status_code, answer.json()["type"]) == (404, "/problems/no-such-resource")
        listed = (await client.get("/v1/exports", headers=who)).json()["items"]
        assert [f"/v1/exports/{each['id']}" for each in listed] == [own]
    assert (await client.get(addresses[0])).status_code == 404  # on this machine, without a token
    listed = (await client.get("/v1/exports", headers=office)).json()["items"]
    assert {each["asked_by"] for each in listed} == {"mes", "bi"}
    assert (await client.get(f"{addresses[0]}/file", headers=office)).status_code == 200


async def test_an_export_is_for_whoever_may_ask_for_its_list(client: httpx.AsyncClient, plant: Plant) -> None:
    """An integrator may not ask for the list of faults."""
    mes = bearer(make_token(plant.address, "mes", "integrate"))
    for what, status in (("cycles", 202), ("gaps", 202), ("faults", 403)):
        answer = await client.post("/v1/exports", json=CYCLES | {"what": what}, headers=mes)
        assert answer.status_code == status
    assert 'scope="read"' in answer.headers["www-authenticate"]


async def test_a_token_for_a_line_gets_what_is_of_its_line(
    app: FastAPI, client: httpx.AsyncClient, plant: Plant
) -> None:
    """Named or not; the export says so, and the admin of another line does not see it."""
    line_of = {"A-01": "line-1", "A-02": "line-2"}
    app.state.access.line_of = line_of
    site = app.state.exporter._site
    parts = [each.model_copy(update={"line": line_of[each.name]}) for each in site.controllers]
    app.state.exporter._site = site.model_copy(update={"controllers": tuple(parts)})
    try:
        own, other, above = (
            bearer(make_token(plant.address, f"{scope}-{line}", scope, lines=[line]))  # type: ignore[arg-type]
            for scope, line in (("integrate", "line-2"), ("admin", "line-1"), ("admin", "line-2"))
        )
        client.headers.update(own)
        for wanted in ("ndjson", "csv"):
            answer = await made(client, format=wanted)
            assert answer.headers["token-lines"] == "line-2"
            (export,) = [
                each for each in (await client.get("/v1/exports")).json()["items"] if each["format"] == wanted
            ]
            assert export["lines"] == ["line-2"]
            mine = [id_of(name, each) for name, each in plant.cycles if name == "A-02"]
            assert export["rows"] == len(mine)
        assert sorted(each["id"] for each in items(await made(client))) == sorted(mine)
        refused = await client.post("/v1/exports", json=CYCLES | {"filters": {"controller": "A-01"}})
        assert (refused.status_code, refused.json()["type"]) == (403, "/problems/other-line")
        for who, status in ((other, 404), (above, 200)):
            assert (await client.get(f"/v1/exports/{export['id']}/file", headers=who)).status_code == status
    finally:
        app.state.exporter._site = site


# ---- what can't be asked -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "status", "says"),
    [
        ({"what": "curves"}, 422, "what must be"),
        ({"format": "json"}, 422, "format must be"),
        ({"to": "2026-02-01T00:00:00Z"}, 422, "to must not be before from"),
        ({"from": "2026-02-01"}, 422, "from"),
        ({"filters": {"state": "open"}}, 422, "filters.state is no filter of cycles; there are completion, "),
        ({"what": "gaps", "filters": {"result": "nok"}}, 422, "filters.result is no filter of gaps"),
        ({"what": "gaps", "filters": {"state": "cleared"}}, 422, "filters.state of gaps is open or closed"),
        ({"filters": {"maker": "Sample Works"}}, 422, "filters.tool is missing"),
        ({"filters": {"colour": "red"}}, 422, "filters.colour is not known here"),
        ({"filters": {"controller": "B-07"}}, 404, "controller 'B-07' is not in the book"),
        ({"filters": {"tool": "9999"}}, 404, "tool '9999' is not in the book"),
        ({"filters": {"tool": "2041"}}, 409, "serial 2041 is known from 2 makers"),
    ],
)
async def test_what_can_not_be_made_is_refused_at_once(
    client: httpx.AsyncClient, asked: dict[str, Any], status: int, says: str
) -> None:
    """In a sentence, with nothing on the list."""
    answer = await client.post("/v1/exports", json=CYCLES | asked)
    assert (answer.status_code, says in answer.json()["detail"]) == (status, True), answer.text
    assert (await client.get("/v1/exports")).json()["items"] == []


async def test_without_its_library_parquet_is_refused_at_once(
    client: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """406, and not an export that fails."""
    monkeypatch.setattr(parquet_export, "pyarrow", None)
    answer = await client.post("/v1/exports", json=CYCLES | {"format": "parquet"})
    assert (answer.status_code, answer.json()["type"]) == (406, "/problems/format-not-installed")


async def test_the_same_asked_again_is_the_same_export(client: httpx.AsyncClient, held: Held) -> None:
    """Until it is made: an answer that was lost costs nothing; what is asked afterwards is made anew."""
    first, again, other = [
        await client.post("/v1/exports", json=CYCLES | more) for more in ({}, {}, {"format": "csv"})
    ]
    assert first.headers["location"] == again.headers["location"] != other.headers["location"]
    held.go_on.set()
    await is_over(client, first.headers["location"])
    later = await client.post("/v1/exports", json=CYCLES)
    assert later.headers["location"] != first.headers["location"]


async def test_there_is_room_for_so_many(
    app: FastAPI, client: httpx.AsyncClient, plant: Plant, held: Held, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of one asker (409), in all, and on the disk (507); both say for what; what is given up makes some."""
    monkeypatch.setattr(api.resources.exports, "MOST_EACH", 2)
    monkeypatch.setattr(api.resources.exports, "MOST", 3)
    mes = bearer(make_token(plant.address, "mes", "integrate"))

    async def asked(number: int, **headers: str) -> httpx.Response:
        to = f"2026-11-{number:02}T00:00:00Z"
        return await client.post("/v1/exports", json=CYCLES | {"to": to}, headers=headers)

    answers = [await asked(number) for number in (1, 2, 3)]
    assert [each.status_code for each in answers] == [202, 202, 409]
    assert answers[-1].json()["type"] == "/problems/exports-enough"
    assert "there are 2 exports of yours, and may be 2" in answers[-1].json()["detail"]
    answers = [await asked(number, **mes) for number in (1, 2)]
    assert [each.status_code for each in answers] == [202, 507]
    assert "there are 3 exports in all" in answers[-1].json()["detail"]
    location = (await asked(1)).headers["location"]  # the same as the first
    assert (await client.delete(location)).status_code == 204
    assert (await client.get(location)).status_code == 404
    monkeypatch.setattr(api.exporting, "LEAVE_FREE_BYTES", 2**62)
    full = await asked(3)
    assert (full.status_code, "are free on the disk" in full.json()["detail"]) == (507, True)
    monkeypatch.undo()
    assert (await asked(3)).status_code == 202


async def test_an_export_that_outgrows_its_room_fails_and_leaves_nothing(
    app: FastAPI, client: httpx.AsyncClient, held: Held, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the reason, and nothing of it on the disk."""
    asked = await client.post("/v1/exports", json=CYCLES)
    await held.reached()
    monkeypatch.setattr(api.exporting, "LEAVE_FREE_BYTES", 2**62)
    held.go_on.set()
    export = await is_over(client, asked.headers["location"])
    assert export["state"] == "failed"
    assert "are free on the disk" in export["says"]
    assert export["unknown"]["bytes"] == "it failed"
    answer = await client.get(export["file"])
    assert (answer.status_code, answer.json()["type"]) == (409, "/problems/export-failed")
    assert list(app.state.exporter.folder.iterdir()) == []


async def test_an_export_that_takes_too_long_fails_however_many_statements_it_is(
    app: FastAPI, client: httpx.AsyncClient, held: Held, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each of them quick, as with the time of PostgreSQL, which is that of a statement."""
    asked = await client.post("/v1/exports", json=CYCLES)
    await held.reached()
    monkeypatch.setattr(api.exporting, "LONGEST_BUILD_S", 0.0)  # the database was told another time
    held.go_on.set()
    export = await is_over(client, asked.headers["location"])
    assert (export["state"], export["says"]) == ("failed", "it took more than 0 minutes; ask for less")
    assert list(app.state.exporter.folder.iterdir()) == []


async def test_all_exports_together_have_a_size(app: FastAPI, client: httpx.AsyncClient) -> None:
    """That of the site file."""
    await made(client)
    exporter, most = app.state.exporter, app.state.exporter._site.api
    small = most.model_copy(update={"exports_most_gb": 1e-9})
    site = exporter._site
    exporter._site = site.model_copy(update={"api": small})
    try:
        answer = await client.post("/v1/exports", json=CYCLES)
    finally:
        exporter._site = site
    assert (answer.status_code, "exports_most_gb" in answer.json()["detail"]) == (507, True)


# ---- given up, forgotten, interrupted ----------------------------------------------------------------------


async def test_one_that_is_being_made_can_be_given_up(
    app: FastAPI, client: httpx.AsyncClient, held: Held
) -> None:
    """It ends, leaves no file, and the next is made."""
    first = await client.post("/v1/exports", json=CYCLES)
    await held.reached()
    second = await client.post("/v1/exports", json=CYCLES | {"what": "gaps"})
    assert (await client.delete(first.headers["location"])).status_code == 204
    held.go_on.set()
    assert (await is_over(client, second.headers["location"]))["state"] == "done"
    assert (await client.get(first.headers["location"])).status_code == 404
    assert [path.suffix for path in app.state.exporter.folder.iterdir()] == [".ndjson"]


async def test_after_its_days_an_export_is_forgotten(app: FastAPI, client: httpx.AsyncClient) -> None:
    """Row and file; it says until when it is kept."""
    await made(client)
    (export,) = (await client.get("/v1/exports")).json()["items"]
    kept = datetime.fromisoformat(export["kept_until"]) - datetime.fromisoformat(export["over_at"])
    assert kept == timedelta(days=7)
    long_ago = datetime.now(UTC) - timedelta(days=7, seconds=1)
    with app.state.stores.desk() as desk:
        desk.execute(export_table.update().values(over_at=long_ago))
    await made(client, what="gaps")
    assert (await client.get(f"/v1/exports/{export['id']}")).status_code == 404
    assert len(list(app.state.exporter.folder.iterdir())) == 1


async def test_what_is_under_way_when_the_api_stops_is_made_by_the_next(
    app: FastAPI, plant: Plant, held: Held
) -> None:
    """The stop waits for no export, and counts as no attempt."""
    async with asking(app) as client:
        asked = await client.post("/v1/exports", json=CYCLES)
        await held.reached()
        app.state.exporter._ending.set()
        held.go_on.set()
    with app.state.stores.desk() as desk:
        row = find_export(desk, asked.headers["location"].split("/")[-1])
    assert row is not None
    assert (row["state"], row["attempts"]) == ("waiting", 0)
    assert list(app.state.exporter.folder.iterdir()) == []
    async with asking(app) as client:
        assert (await is_over(client, asked.headers["location"]))["state"] == "done"


@pytest.mark.parametrize("during", ["query", "digest"])
async def test_the_stop_waits_neither_for_a_row_nor_for_the_digest(
    app: FastAPI, plant: Plant, monkeypatch: pytest.MonkeyPatch, during: str
) -> None:
    """Within 5 s, and it counts as no attempt."""
    reached = threading.Event()

    def rows(connection: Connection, _asked: Any) -> Iterator[Any]:
        """No row for half a minute; or the last one when the stop has begun."""
        if during == "query":
            reached.set()
            connection.execute(LONG)
        yield {}
        if during == "digest":
            reached.set()
            assert app.state.exporter._ending.wait(30)

    monkeypatch.setattr(
        api.exporting, "EXPORTED", {**EXPORTED, "cycles": api.exporting.Exported([], frozenset(), rows)}
    )
    async with asking(app) as client:
        asked = await client.post("/v1/exports", json=CYCLES)
        assert await asyncio.to_thread(reached.wait, 30)
        began = time.monotonic()
    assert time.monotonic() - began < 5
    with app.state.stores.desk() as desk:
        row = find_export(desk, asked.headers["location"].split("/")[-1])
    assert row is not None
    assert (row["state"], row["attempts"]) == ("waiting", 0)
    assert list(app.state.exporter.folder.iterdir()) == []


async def test_what_a_dead_process_left_is_taken_up(app: FastAPI, plant: Plant) -> None:
    """Begun again, but not for ever; a file that is gone, or that nobody knows, is noticed."""
    async with asking(app) as client:
        exported.with_exports(app)
        lost = app.state.exporter.folder / f"{exported.SPARE}.csv"
        lost.unlink()
        ids = [(await client.post("/v1/exports", json=CYCLES | {"what": "gaps", "format": each})).json()["id"]
               for each in ("csv", "ndjson")]  # fmt: skip
        for each in ids:
            await is_over(client, f"/v1/exports/{each}")
    left = {"state": "building", "over_at": None, "bytes": None}
    with app.state.stores.desk() as desk:
        for each, attempts in zip(ids, (1, api.exporting.ATTEMPTS), strict=True):
            desk.execute(
                export_table.update()
                .where(export_table.c.export_id == each)
                .values(attempts=attempts, **left)
            )
    folder = app.state.exporter.folder
    strange = [folder / "dddddddddddd.csv", folder / f"{ids[0]}.part"]
    other = folder / "notes.txt"
    for path in (*strange, other):
        path.write_text("half a file")
    async with asking(app) as client:
        again = await is_over(client, f"/v1/exports/{ids[0]}")
        given_up = await is_over(client, f"/v1/exports/{ids[1]}")
        spare = await is_over(client, f"/v1/exports/{exported.SPARE}")
        kept = await client.get(f"/v1/exports/{exported.DONE}/file")
    assert (again["state"], given_up["state"], spare["state"]) == ("done", "failed", "failed")
    assert f"ended {api.exporting.ATTEMPTS} times" in given_up["says"]
    assert "its file is gone" in spare["says"]
    assert (kept.status_code, kept.content) == (200, exported.CONTENT)
    assert [path.exists() for path in (*strange, other)] == [False, False, True]


async def test_a_store_that_is_away_for_a_moment_costs_no_export(
    client: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is made when the store is back; where it stays away, the export fails with the reason."""
    monkeypatch.setattr(api.exporting, "AGAIN_AFTER_S", 0.0)
    fails = [StoreError("the database is locked")] * 2
    real = Stores.book

    def book(stores: Stores) -> Any:
        if fails and stores._longest_read_s == api.exporting.LONGEST_BUILD_S:
            raise fails.pop()
        return real(stores)

    monkeypatch.setattr(Stores, "book", book)
    assert len(items(await made(client))) > 100
    fails += [StoreError("the database is locked")] * api.exporting.ATTEMPTS
    asked = await client.post("/v1/exports", json=CYCLES)
    export = await is_over(client, asked.headers["location"])
    assert (export["state"], export["says"]) == ("failed", "the database is locked")


async def test_a_folder_that_can_not_be_written_costs_no_later_export(
    app: FastAPI, client: httpx.AsyncClient, plant: Plant
) -> None:
    """What is asked for meanwhile fails with what, where and what to do."""
    exporter = app.state.exporter
    assert plant.address.folder is not None
    good, exporter.folder = exporter.folder, plant.address.folder / "book.sqlite" / "exports"
    asked = await client.post("/v1/exports", json=CYCLES)
    export = await is_over(client, asked.headers["location"])
    assert export["state"] == "failed"
    assert f"the folder {exporter.folder} of the exports can't be used; check" in export["says"]
    exporter.folder = good
    assert len(items(await made(client))) > 100


async def test_a_folder_that_can_not_be_looked_at_costs_no_later_export(
    app: FastAPI, plant: Plant, caplog: pytest.LogCaptureFixture
) -> None:
    """Nothing is asked for meanwhile (507), what waits fails, and both say why; what is done is kept, and the
    folder looked at again later."""
    exporter = app.state.exporter
    async with asking(app):
        exported.with_exports(app)
    good, exporter.folder = exporter.folder, exporter.folder / ("x" * 300)  # longer than a name may be
    strange = good / "dddddddddddd.csv"
    strange.write_text("half a file")
    with app.state.stores.desk() as desk:
        now = datetime.now(UTC)
        waiting = ask_export(
            desk, token_id=None, lines=None, what="gaps", format="csv", begins_at=now, ends_at=now,
            filters={}, now=now,
        )  # fmt: skip
    says = f"the folder {exporter.folder} of the exports can't be used; check"
    async with asking(app) as client:
        export = await is_over(client, f"/v1/exports/{waiting}")
        assert (export["state"], says in export["says"]) == ("failed", True)
        answer = await client.post("/v1/exports", json=CYCLES)
        assert (answer.status_code, says in answer.json()["detail"]) == (507, True)
        assert "the files of the exports are looked at again later" in caplog.text
        exporter.folder = good
        assert len(items(await made(client))) > 100
        assert (await client.get(f"/v1/exports/{exported.DONE}/file")).content == exported.CONTENT
    assert not strange.exists()


async def test_a_mistake_of_ours_fails_one_export_and_no_other(
    client: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Nothing of its insides goes out."""
    with monkeypatch.context() as patch:
        patch.setattr(api.exporting, "write_ndjson_to", lambda *_: 1 / 0)
        asked = await client.post("/v1/exports", json=CYCLES)
        export = await is_over(client, asked.headers["location"])
    assert export["state"] == "failed"
    assert export["says"] == "something unexpected happened; the log of the API has the details"
    assert "ZeroDivisionError" in caplog.text
    assert len(items(await made(client))) > 100
