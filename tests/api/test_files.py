"""Lists as files: what a spreadsheet, a bulk loader and a warehouse read is what the book holds."""

import asyncio
import base64
import csv
import hashlib
import io
import json
import tracemalloc
from collections.abc import AsyncIterator, Iterator
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Any

import duckdb
import httpx
import pandas as pd
import pyarrow
import pyarrow.parquet as pq
import pytest
from fastapi import FastAPI
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select

from api import csv_export, parquet_export
from api.app import create_app
from api.resources import statements
from collector.config import load_site
from collector.model import BookedCycle, Cycle, Entry, MountChange, Position, ToolName
from collector.rfc3339 import parse_rfc3339
from collector.store.engine import StoreAddress, migrate_book, open_book_reader, open_book_writer
from collector.store.exports import find_export
from collector.store.tables import cycle as cycles_table
from collector.store.tables import to_us
from collector.store.writer import Writer
from tests.api.asking import asking
from tests.api.plant import AUTUMN, IDENTITIES, write_site
from tests.api.test_serving import serving
from tests.processes import eventually

NUMBER = 100_000
MADE_BY = ToolName("Sample Works", "C-4", "=2042")
FIRST = 2**53
"""More than a double can count."""
DAY = "from=2026-10-24T00:00:00Z&to=2026-10-25T06:00:00Z"
ROWS_OF = "/v1/tools/%3D2042/cycles?format="
LISTS = [
    "/v1/gaps",
    "/v1/counts?from=2026-10-24T00:00:00Z&to=2026-10-25T00:00:00Z&by=shift,tool,result,band",
    "/v1/statements?plant_day=2026-03-28",
    "/v1/statements?after=",
    "/v1/tools/2042/cycles?last=50",
    "/v1/cycles?from=2026-10-24T00:00:00Z&to=2026-10-25T00:00:00Z&last=7",
]


def made(number: int, random: Random) -> BookedCycle:
    """A cycle a second, with everything in it that a reader may stumble over."""
    said: dict[str, Any] = {
        "part_id": random.choice(["=1+1", "-3", "a,b", 'say "so"', "näh\nnaht", "", None]),
        "fault_code": random.choice(["E01", None]),
        "peak_tension_n": random.choice([random.gauss(1000, 40), -0.1, 1e-300, None]),
        "punch_velocity_m_s": random.uniform(1, 3),
        "extra": {"motor_current_a": random.random()} if number % 5 == 0 else {},
    }
    cycle = Cycle(
        sequence=FIRST + number, result=random.choice(["ok", "nok"]), completion="completed",
        mode="automatic", band=random.choice(["B12", None]), total_count=2**62 + number, raw=b"r", **said,
    )  # fmt: skip
    at = AUTUMN + timedelta(seconds=number, microseconds=number % 1_000_000)
    return BookedCycle(1, FIRST + number, at, 20.0, MADE_BY, cycle)


async def fill(address: StoreAddress) -> None:
    engine = open_book_writer(address)
    migrate_book(engine)
    random = Random(7)
    async with Writer(engine, lambda: AUTUMN) as writer:
        await writer.register(IDENTITIES)
        at: Position | None = None
        for begin in range(0, NUMBER, 5000):
            part = tuple(made(number, random) for number in range(begin, begin + 5000))
            to = Position(1, part[-1].sequence, part[-1].cycle.total_count, part[-1].ended_at)
            mounts = (MountChange(MADE_BY, AUTUMN),) if at is None else ()
            await writer.commit(Entry("A-01", at, to, cycles=part, mounts=mounts))
            at = to
    engine.dispose()


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> FastAPI:
    """An application over a book of `NUMBER` cycles."""
    folder = tmp_path_factory.mktemp("many")
    site, _ = load_site(write_site(folder))
    asyncio.run(fill(StoreAddress(folder=folder / "store")))
    return create_app(site)


@pytest.fixture
async def asked(many: FastAPI) -> AsyncIterator[httpx.AsyncClient]:
    async with asking(many) as client:
        yield client


@pytest.fixture(scope="module")
def stored(many: FastAPI) -> list[dict[str, Any]]:
    """What the store itself says, newest first."""
    engine = open_book_reader(many.state.site.store_address)
    with engine.connect() as connection:
        rows = connection.execute(select(cycles_table).order_by(cycles_table.c.ended_at.desc())).mappings()
        found = [dict(row) for row in rows]
    engine.dispose()
    assert len(found) == NUMBER
    return found


# ---- a hundred thousand cycles -----------------------------------------------------------------------------

COMPARED = (
    "sequence", "ended_at", "result", "part_id", "band", "fault_code", "peak_tension_n",
    "punch_velocity_m_s", "total_count", "time_uncertainty_ms", "commit_number", "supply_pressure_kpa",
)  # fmt: skip


def truth(stored: list[dict[str, Any]], *names: str) -> list[tuple[Any, ...]]:
    return [tuple(row[name] for name in names or COMPARED) for row in stored]


def with_pyarrow(content: bytes) -> Iterator[tuple[Any, ...]]:
    table = pq.read_table(io.BytesIO(content))
    return zip(*(table[name].to_pylist() for name in COMPARED), strict=True)


def with_duckdb(content: bytes, folder: Path) -> list[tuple[Any, ...]]:
    path = folder / "cycles.parquet"
    path.write_bytes(content)
    instants = ", ".join(f"epoch_us({name})" if name == "ended_at" else name for name in COMPARED)
    with duckdb.connect() as connection:
        found = connection.execute(f"SELECT {instants} FROM read_parquet('{path}')").fetchall()
    return [tuple(row) for row in found]


def with_pandas(content: bytes) -> list[tuple[Any, ...]]:
    frame = pd.read_parquet(io.BytesIO(content), engine="pyarrow")[list(COMPARED)]
    columns = [[None if pd.isna(each) else each for each in frame[name]] for name in COMPARED]
    return list(zip(*columns, strict=True))


async def test_parquet_read_by_three_readers_is_the_store(
    asked: httpx.AsyncClient, stored: list[dict[str, Any]], tmp_path: Path
) -> None:
    """Every value of every cycle, to the last bit, in pyarrow, DuckDB and pandas."""
    content = (await asked.get(f"{ROWS_OF}parquet")).content
    wanted = truth(stored)
    assert list(with_pyarrow(content)) == wanted
    assert with_pandas(content) == wanted
    in_us = [(*row[:1], to_us(row[1]), *row[2:]) for row in wanted]
    assert with_duckdb(content, tmp_path) == in_us


async def test_parquet_is_typed_and_says_its_units(asked: httpx.AsyncClient) -> None:
    """int64, microseconds in UTC, dictionaries of names, Zstandard, 100,000 rows a group."""
    answer = await asked.get(f"/v1/cycles?{DAY}&format=parquet")
    file = pq.ParquetFile(io.BytesIO(answer.content))
    assert answer.headers["content-type"] == "application/vnd.apache.parquet"
    types = {field.name: str(field.type) for field in file.schema_arrow}
    assert (types["sequence"], types["total_count"], types["peak_tension_n"]) == ("int64", "int64", "double")
    assert types["ended_at"] == "timestamp[us, tz=UTC]"
    assert types["tool"].startswith("dictionary<values=string")
    assert [file.metadata.row_group(n).num_rows for n in range(file.num_row_groups)] == [NUMBER]
    assert file.metadata.row_group(0).column(0).compression == "ZSTD"
    said = {key.decode(): value.decode() for key, value in file.metadata.metadata.items()}
    assert (said["schema_version"], said["list"]) == ("1", "cycles")
    units = json.loads(said["units"])
    assert units["peak_tension_n"] == "N"
    assert units["punch_velocity_m_s"] == "m/s"
    assert units["tension_speed_mm_s"] == "mm/s"
    assert units["set_torque_nm"] == "N.m"


async def test_a_row_group_is_full_before_the_next_begins() -> None:
    """Whatever the list is long."""
    rows = ({"cycles": number} for number in range(250_000))
    content = parquet_export.write_parquet(parquet_export.columns_of(integer="cycles"), rows, {})
    file = pq.ParquetFile(io.BytesIO(content))
    groups = [file.metadata.row_group(n).num_rows for n in range(file.num_row_groups)]
    assert groups == [100_000, 100_000, 50_000]
    assert file.read()["cycles"].to_pylist() == list(range(250_000))


def unquoted(text: str) -> str | None:
    """As a reader of our CSV has it: without the apostrophe of a formula; nothing is what is not there."""
    return (text[1:] if text.startswith("'") else text) or None


async def test_csv_read_back_is_the_store(
    asked: httpx.AsyncClient, stored: list[dict[str, Any]], tmp_path: Path
) -> None:
    """By the standard library and by DuckDB's loader; an empty text and an unknown one look alike in CSV."""
    content = (await asked.get(f"{ROWS_OF}csv")).content
    rows = list(csv.DictReader(io.StringIO(content.decode("utf-8"), newline="")))
    assert [
        (int(row["sequence"]), parse_rfc3339(row["ended_at"]), unquoted(row["part_id"]), row["result"])
        for row in rows
    ] == [(row["sequence"], row["ended_at"], row["part_id"] or None, row["result"]) for row in stored]
    tensions = [float(row["peak_tension_n"]) if row["peak_tension_n"] else None for row in rows]
    assert tensions == [row["peak_tension_n"] for row in stored]
    assert {row["tool"] for row in rows} == {"'=2042"}
    path = tmp_path / "cycles.csv"
    path.write_bytes(content)
    columns = "sequence, epoch_us(ended_at::TIMESTAMPTZ), peak_tension_n::DOUBLE, total_count"
    with duckdb.connect() as connection:
        loaded = connection.execute(f"SELECT {columns} FROM read_csv('{path}', sample_size = -1)").fetchall()
    assert loaded == [
        (row["sequence"], to_us(row["ended_at"]), row["peak_tension_n"], row["total_count"]) for row in stored
    ]


async def test_ndjson_read_back_is_the_store(asked: httpx.AsyncClient, stored: list[dict[str, Any]]) -> None:
    """An item a line, as the pages of JSON have it."""
    content = (await asked.get(f"{ROWS_OF}ndjson")).content
    items = [json.loads(line) for line in content.splitlines()]
    assert [(int(each["sequence"]), each["part_id"], each["peak_tension_n"]) for each in items] == truth(
        stored, "sequence", "part_id", "peak_tension_n"
    )
    assert items[:100] == (await asked.get("/v1/tools/%3D2042/cycles")).json()["items"]


# ---- the same as an export ---------------------------------------------------------------------------------


async def exported(client: httpx.AsyncClient, wanted: str) -> bytes:
    asked = {"what": "cycles", "from": "2026-10-01T00:00:00Z", "to": "2026-11-01T00:00:00Z", "format": wanted}
    answer = await client.post("/v1/exports", json=asked)
    assert answer.status_code == 202, answer.text
    address = answer.json()["file"]

    async def is_made() -> bool:
        return (await client.get(address, headers={"range": "bytes=0-0"})).status_code == 206

    await eventually(is_made, "the export is made", 120)
    return (await client.get(address)).content


async def test_an_export_read_by_three_readers_is_the_store(
    asked: httpx.AsyncClient, stored: list[dict[str, Any]], tmp_path: Path
) -> None:
    """Every value of every cycle, to the last bit, in pyarrow, DuckDB and pandas; full row groups."""
    content = await exported(asked, "parquet")
    wanted = truth(stored)
    assert list(with_pyarrow(content)) == wanted
    assert with_pandas(content) == wanted
    assert with_duckdb(content, tmp_path) == [(*row[:1], to_us(row[1]), *row[2:]) for row in wanted]
    file = pq.ParquetFile(io.BytesIO(content))
    assert [file.metadata.row_group(n).num_rows for n in range(file.num_row_groups)] == [NUMBER]
    assert file.schema_arrow.equals(
        pq.read_schema(io.BytesIO((await asked.get(f"{ROWS_OF}parquet&last=1")).content))
    )


@pytest.mark.parametrize(("wanted", "rows"), [("csv", 20_000), ("ndjson", NUMBER), ("parquet", 20_000)])
async def test_an_export_takes_no_more_memory_than_a_page(
    many: FastAPI, tmp_path: Path, wanted: str, rows: int
) -> None:
    """However many rows there are; as rows, 20,000 at once would take some 60 MB."""
    many.state.exporter._ending.clear()
    asked = {
        "export_id": "m" * 12, "what": "cycles", "format": wanted, "filters": {}, "lines": None,
        "begins_at": AUTUMN, "ends_at": AUTUMN + timedelta(seconds=rows),
    }  # fmt: skip
    tracemalloc.start()
    try:
        made = await asyncio.to_thread(many.state.exporter._build, asked, tmp_path / "file")
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
        many.state.stores.close()
    assert made["rows"] == pytest.approx(rows, abs=1)
    assert peak < 25_000_000
    assert pyarrow.default_memory_pool().max_memory() < 100_000_000


async def test_an_export_is_made_though_the_api_is_killed_over_it(many: FastAPI) -> None:
    """The next one begins it again; what comes is whole, and nothing of the first attempt is left."""
    site = many.state.site.path
    whole = {"from": "2026-10-10T00:00:00Z", "to": "2026-11-01T00:00:00Z"}
    async with serving(site) as (process, address), httpx.AsyncClient(base_url=address) as client:
        answer = await client.post("/v1/exports", json={"what": "cycles", "format": "csv", **whole})
        where = answer.headers["location"]

        async def is_under_way() -> bool:
            return bool((await client.get(where)).json()["rows"])

        await eventually(is_under_way, "the export is under way")
        process.kill()
        await process.wait()
    export_id = where.split("/")[-1]
    with many.state.stores.desk() as desk:
        left = find_export(desk, export_id)
    many.state.stores.close()
    assert left is not None
    assert (left["state"], left["attempts"]) == ("building", 1)
    folder = many.state.site.exports_folder
    assert (folder / f"{export_id}.part").stat().st_size > 0
    async with serving(site) as (_, address), httpx.AsyncClient(base_url=address, timeout=60) as client:

        async def is_made() -> bool:
            return (await client.get(where)).status_code == 303

        await eventually(is_made, "the export is made", 60)
        export = (await client.get(where)).json()
        content = (await client.get(export["file"])).content
        direct = await client.get("/v1/cycles", params={**whole, "format": "csv"})
    assert export["rows"] == NUMBER
    assert content == direct.content
    assert [path.name for path in folder.iterdir() if export_id in path.name] == [f"{export_id}.csv"]


# ---- every list --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("address", LISTS)
@pytest.mark.parametrize("wanted", ["csv", "ndjson", "parquet"])
async def test_a_file_proves_that_it_is_whole(client: httpx.AsyncClient, address: str, wanted: str) -> None:
    """Its length, its digest and a strong tag go ahead; asked again it is the same bytes, or 304."""
    separator = "&" if "?" in address else "?"
    answer = await client.get(f"{address}{separator}format={wanted}")
    assert answer.status_code == 200, answer.text
    assert int(answer.headers["content-length"]) == len(answer.content) > 0
    digest = base64.b64encode(hashlib.sha256(answer.content).digest()).decode()
    assert answer.headers["repr-digest"] == f"sha-256=:{digest}:"
    assert answer.headers["content-disposition"].endswith(f'.{wanted}"')
    tag = answer.headers["etag"]
    assert tag.startswith(f'"{wanted}-')
    again = await client.get(answer.url, headers={"if-none-match": tag})  # type: ignore[arg-type]
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    in_json = await client.get(address)
    assert in_json.headers.get("etag") != tag
    for each in (answer, again, in_json):
        assert "accept" in each.headers["vary"]


@pytest.mark.parametrize("address", LISTS)
async def test_the_formats_say_the_same(client: httpx.AsyncClient, address: str) -> None:
    """NDJSON what JSON says; CSV and Parquet the same rows, with the same columns."""
    items = (await client.get(address)).json()["items"]
    assert items
    found = {
        media_type: (await client.get(address, headers={"accept": media_type})).content
        for media_type in (csv_export.CSV, csv_export.NDJSON, csv_export.PARQUET)
    }
    assert [json.loads(line) for line in found[csv_export.NDJSON].splitlines()] == items
    header, *rows = csv.reader(io.StringIO(found[csv_export.CSV].decode("utf-8"), newline=""))
    table = pq.read_table(io.BytesIO(found[csv_export.PARQUET]))
    assert table.column_names == header
    assert [[csv_export.cell(each) for each in row.values()] for row in table.to_pylist()] == rows


async def test_a_row_of_a_file_is_a_row_of_a_statement(client: httpx.AsyncClient) -> None:
    """Sums over the file are sums over the statements; a shift without cycles has a row with zero."""
    items = (await client.get("/v1/statements?last=1000")).json()["items"]
    content = (await client.get("/v1/statements?format=csv")).content
    rows = list(csv.DictReader(io.StringIO(content.decode("utf-8"), newline="")))
    key = ("line", "plant_day", "shift", "revision")
    assert {tuple(row[name] for name in key) for row in rows} == {
        tuple(str(item[name]) for name in key) for item in items
    }
    in_rows = [row for item in items for row in item["rows"]]
    assert sum(int(row["cycles"]) for row in rows) == sum(row["cycles"] for row in in_rows) > 100
    assert sum(int(row["result_nok"]) for row in rows) == sum(row["by_result"]["nok"] for row in in_rows) > 0
    empty = sum(not item["rows"] for item in items)
    assert [(row["cycles"], row["tool"]) for row in rows].count(("0", "")) == empty > 0


async def test_a_file_of_one_statement_is_named_for_it(client: httpx.AsyncClient) -> None:
    """With its plant day and revision; it leads to the others, and a revision may be kept for ever."""
    address = "/v1/statements/line-1/2026-03-28/early"
    latest = await client.get(f"{address}?format=csv")
    named = 'attachment; filename="statement-line-1-2026-03-28-early-r1.csv"'
    assert latest.headers["content-disposition"] == named
    assert latest.links["version-history"]["url"] == f"{address}/revisions"
    kept = await client.get(f"{address}/revisions/1?format=csv")
    assert kept.content == latest.content
    assert kept.headers["cache-control"] == "private, max-age=31536000, immutable"
    item = (await client.get(address)).json()
    rows = list(csv.DictReader(io.StringIO(kept.text, newline="")))
    assert [int(row["cycles"]) for row in rows] == [row["cycles"] for row in item["rows"]]
    assert {row["hash"] for row in rows} == {item["hash"]}


async def test_files_follow_the_cursor_of_revisions(client: httpx.AsyncClient) -> None:
    """The Link has the `next` that JSON has in its body; also where nothing is new."""
    first = await client.get("/v1/statements?after=&last=7&format=csv")
    same = (await client.get("/v1/statements?after=&last=7")).json()["next"]
    assert f"after={same}" in first.links["next"]["url"]
    address, commits = "/v1/statements?after=&last=7&format=ndjson", []
    while True:
        answer = await client.get(address)
        page = [json.loads(line)["commit"] for line in answer.content.splitlines()]
        commits += page
        if not page:
            break
        address = answer.links["next"]["url"]
    assert len(commits) == len(set(commits)) == 20


async def test_a_page_of_a_file_goes_on_in_the_next(client: httpx.AsyncClient) -> None:
    """With `last`; all pages together are all cycles, each once."""
    address, ids = "/v1/tools/2042/cycles?format=ndjson&last=100", []
    while address:
        answer = await client.get(address)
        ids += [json.loads(line)["id"] for line in answer.content.splitlines()]
        address = answer.links["next"]["url"] if "next" in answer.links else ""
    whole = (await client.get("/v1/tools/2042/cycles?format=ndjson")).content.splitlines()
    assert ids == [json.loads(line)["id"] for line in whole]
    assert len(set(ids)) == len(ids) > 100


async def test_a_spreadsheet_gets_its_mark_on_request(client: httpx.AsyncClient) -> None:
    """And nobody else; it is another representation, with another tag."""
    plain = await client.get("/v1/gaps?format=csv")
    marked = await client.get("/v1/gaps?format=csv&bom=1")
    assert plain.content.startswith(b"commit_number,controller,")
    assert marked.content == b"\xef\xbb\xbf" + plain.content
    assert marked.headers["etag"] != plain.headers["etag"]


async def test_what_is_not_closed_fails_as_a_file_too(client: httpx.AsyncClient) -> None:
    """With the same problem as in JSON."""
    answer = await client.get("/v1/statements?plant_day=2999-03-29&require=closed&format=csv")
    assert (answer.status_code, answer.json()["type"]) == (409, "/problems/not-closed")


async def test_counts_say_in_each_row_whether_they_are_complete(client: httpx.AsyncClient) -> None:
    """A file has no envelope."""
    for query, complete in (
        ("from=2026-10-24T00:00:00Z&to=2026-10-25T00:00:00Z", "true"),
        ("from=2026-03-29T09:00:00Z&to=2026-03-29T12:00:00Z", "false"),
    ):
        content = (await client.get(f"/v1/counts?{query}&format=csv")).text
        rows = list(csv.DictReader(io.StringIO(content, newline="")))
        assert {row["complete"] for row in rows} == {complete}


# ---- what can't be had -------------------------------------------------------------------------------------


async def test_a_file_is_never_cut_silently(
    client: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where all is too much, it says what to do."""
    monkeypatch.setattr(statements, "MOST_IN_FILE", 19)
    answer = await client.get("/v1/statements?format=csv")
    assert answer.status_code == 422
    assert "page by page with last" in answer.json()["detail"]
    paged = await client.get("/v1/statements?format=csv&last=19")
    assert "next" in paged.links


@pytest.mark.parametrize(
    ("address", "says"),
    [
        ("/v1/gaps?last=1001", "last must be at most 1000"),
        ("/v1/statements?last=1001", "last must be at most 1000"),
        ("/v1/statements?last=5001&format=csv", "last must be at most 5000"),
        ("/v1/tools/2042/cycles?last=200001&format=csv", "last must be at most 200000"),
        ("/v1/gaps?bom=yes", "bom must be '0' or '1'"),
        ("/v1/cycles?from=2026-01-01T00:00:00Z&to=2026-03-01T00:00:00Z", "to must not be more than 31 days"),
        ("/v1/cycles?to=2026-03-01T00:00:00Z", "from is missing"),
    ],
)
async def test_sizes_are_bounded(client: httpx.AsyncClient, address: str, says: str) -> None:
    """And the bound is said."""
    answer = await client.get(address)
    assert answer.status_code == 422
    assert says in answer.json()["detail"]


async def test_without_its_library_parquet_is_refused(
    client: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a sentence that says what to install; the other formats stay."""
    monkeypatch.setattr(parquet_export, "pyarrow", None)
    answer = await client.get("/v1/gaps?format=parquet")
    assert (answer.status_code, answer.json()["type"]) == (406, "/problems/format-not-installed")
    meaning = (await client.get(answer.json()["type"])).json()
    assert "clampbook[parquet]" in meaning["advice"]
    assert (await client.get("/v1/gaps?format=csv")).status_code == 200


@pytest.mark.parametrize(
    ("value", "kind"), [("=1", "text"), ("\t1", "text"), ("@a", "name"), (-1, "integer"), (-0.5, "number")]
)
def test_only_texts_are_kept_from_being_formulas(value: object, kind: str) -> None:
    """A negative number stays one."""
    columns = parquet_export.columns_of(**{kind: "it"})
    written = csv_export.write_csv(columns, [{"it": value}]).decode().split("\r\n")[1]
    assert written.strip('"').startswith("'") == isinstance(value, str)


@given(
    st.lists(
        st.tuples(
            st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0'")),
            st.integers(-(2**63), 2**63 - 1),
            st.floats(allow_nan=False, allow_infinity=False),
        )
    )
)
def test_whatever_is_written_is_read_back(made: list[tuple[str, int, float]]) -> None:
    """Text of any kind, 64-bit numbers, every finite double: the same in CSV and in Parquet."""
    columns = parquet_export.columns_of(text="part_id", integer="sequence", number="peak_tension_n")
    names = [column.name for column in columns]
    rows = [dict(zip(names, each, strict=True)) for each in made]
    table = pq.read_table(io.BytesIO(parquet_export.write_parquet(columns, rows, {})))
    assert table.to_pylist() == rows
    written = csv_export.write_csv(columns, rows).decode("utf-8")
    header, *read = csv.reader(io.StringIO(written, newline=""))
    assert header == names
    assert [(text.removeprefix("'"), int(n), float(x)) for text, n, x in read] == made
