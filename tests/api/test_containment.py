"""Containment over REST: every cycle that may be of the changed state, as a list and as a file."""

import csv
import io
import json
from datetime import UTC

import httpx
import pytest

from api.csv_export import cell, format_for
from api.schemas import charts as schemas
from collector.rfc3339 import format_rfc3339, parse_rfc3339
from tests.api.worn_tool import (
    CYCLES,
    SERVICE_AT,
    SLOWED_AT,
    SWAPPED_AT,
    ask,
    cycles,
    ended_at,
    number_of,
)

SUSPECTS = "/v1/containment?tool=3001&measure=punch_velocity_m_s"
NOTICED_AT = 1300
"""A cycle."""
NOTICED = f"{SUSPECTS}&detected_at={format_rfc3339(ended_at(NOTICED_AT))}"


async def test_suspects_reach_from_the_earliest_plausible_start_to_the_detection(
    worn: httpx.AsyncClient,
) -> None:
    """Not one of the changed cycles is missing, and few others are among them; those made by hand or without
    the value are suspect like their neighbours."""
    shown = await ask(worn, f"{NOTICED}&last=1000")
    schemas.Containment.model_validate(shown)
    numbers = [number_of(each) for each in shown["items"]]
    assert numbers == list(range(NOTICED_AT, numbers[-1] - 1, -1))
    assert SLOWED_AT - 10 <= numbers[-1] <= SLOWED_AT
    assert SLOWED_AT <= number_of(shown["sure_from"]) <= SLOWED_AT + 10
    assert shown["suspects"] == len(numbers)
    assert (number_of(shown["first"]), number_of(shown["last"])) == (numbers[-1], NOTICED_AT)
    assert shown["corrected_by"] is None
    made = cycles()
    for each in shown["items"]:
        cycle = made[number_of(each)]
        assert (each["value"], each["mode"]) == (cycle.punch_velocity_m_s, cycle.mode)
        assert (each["part_id"], each["result"]) == (cycle.part_id, "ok")
    assert {each["mode"] for each in shown["items"]} == {"automatic", "manual"}
    assert None in [each["value"] for each in shown["items"]]
    assert shown["detection"]["source"] == "query"
    assert "cusum_low" in shown["detection"]["tests"]
    assert shown["cautions"]


async def test_without_an_instant_the_first_signal_of_the_charts_is_the_detection(
    worn: httpx.AsyncClient,
) -> None:
    """Since the last restart; the suspects end with it."""
    shown = await ask(worn, SUSPECTS)
    assert shown["detection"]["source"] == "chart"
    assert shown["detection"]["tests"]
    detected = number_of(shown["detection"]["cycle"])
    assert SLOWED_AT <= detected <= SLOWED_AT + 12
    assert number_of(shown["last"]) == detected
    assert number_of(shown["first"]) <= SLOWED_AT
    assert CYCLES - detected - 20 < shown["later_signals"] <= CYCLES - 1 - detected


async def test_a_service_ends_the_suspects_and_a_restart_begins_them(worn: httpx.AsyncClient) -> None:
    """What was noticed before the service is suspect until it, and not before the swap ahead of it."""
    at = format_rfc3339(ended_at(SERVICE_AT - 100))
    shown = await ask(worn, f"{SUSPECTS}&detected_at={at}&last=1000")
    assert number_of(shown["last"]) == SERVICE_AT - 1
    assert shown["corrected_by"]["reason"] == "service"
    assert number_of(shown["first"]) >= SWAPPED_AT
    assert number_of(shown["detection"]["cycle"]) == SERVICE_AT - 100
    early = await ask(worn, f"{SUSPECTS}&detected_at={format_rfc3339(ended_at(SWAPPED_AT + 5))}")
    assert number_of(early["first"]) == SWAPPED_AT
    assert "all cycles since the last restart are suspect" in early["says"]
    assert early["sure_from"] is None


async def test_pages_hold_what_one_page_holds(worn: httpx.AsyncClient) -> None:
    """In the same order, each once; also where the charts found the detection."""
    for address in (NOTICED, SUSPECTS):
        whole = await ask(worn, f"{address}&last=1000")
        size = whole["suspects"] // 2 + 1
        answer = await worn.get(f"{address}&last={size}")
        following = await worn.get(answer.links["next"]["url"])
        assert answer.json()["items"] + following.json()["items"] == whole["items"]
        assert following.json()["next"] is None
        for member in ("detection", "suspects", "later_signals", "says"):
            assert following.json()[member] == whole[member]


async def test_without_a_signal_there_are_no_suspects_and_the_answer_says_so(
    worn: httpx.AsyncClient,
) -> None:
    """Whether nothing signals or there is nothing to chart."""
    for measure, words in (
        ("set_torque_nm", "there is no chart that could signal: all values are equal"),
        ("peak_tension_n", "there is no chart that could signal: only 0 values"),
        ("take_up_ms", "no signal after the baseline since the last restart; give detected_at"),
    ):
        shown = await ask(worn, f"/v1/containment?tool=3001&measure={measure}")
        schemas.Containment.model_validate(shown)
        assert (shown["detection"], shown["items"], shown["suspects"], shown["first"]) == (None, [], 0, None)
        assert words in shown["says"]


@pytest.mark.parametrize(
    ("query", "status", "says"),
    [
        ("tool=3001&measure=velocity", 422, "measure must be one of punch_velocity_m_s, "),
        ("tool=3001", 422, "measure is missing"),
        ("measure=work_j", 422, "tool is missing"),
        ("tool=9&measure=work_j", 404, "tool '9' is not in the book"),
        (
            "tool=3001&measure=work_j&detected_at=2026-01-01T00:00:00Z",
            404,
            "no cycle of the tool ended between its last restart and detected_at",
        ),
        ("tool=3001&measure=work_j&format=xls", 422, "format must be 'json', 'csv', 'ndjson' or 'parquet'"),
        ("tool=3001&measure=work_j&cursor=abc", 422, "cursor is not from this list"),
    ],
)
async def test_what_can_t_be_asked_is_a_problem(
    worn: httpx.AsyncClient, query: str, status: int, says: str
) -> None:
    """With a sentence."""
    answer = await worn.get(f"/v1/containment?{query}")
    assert answer.status_code == status
    assert says in answer.json()["detail"]


# ---- as files ----------------------------------------------------------------------------------------------


async def test_a_file_holds_all_suspects(worn: httpx.AsyncClient) -> None:
    """CSV for spreadsheets: no byte order mark, CRLF, units in the header, UTC with Z, its length ahead."""
    listed = (await ask(worn, f"{NOTICED}&last=1000"))["items"]
    answer = await worn.get(f"{NOTICED}&format=csv")
    assert answer.headers["content-type"].startswith("text/csv; charset=utf-8")
    assert (
        answer.headers["content-disposition"] == 'attachment; filename="suspects-3001-punch_velocity_m_s.csv"'
    )
    assert int(answer.headers["content-length"]) == len(answer.content)
    assert answer.content.startswith(b"id,controller,epoch,sequence,ended_at,result,completion,mode,band,")
    assert answer.content.endswith(b"\r\n")
    assert answer.content.count(b"\n") == answer.content.count(b"\r\n") == len(listed) + 1
    rows = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8"), newline="")))
    assert [each["id"] for each in rows] == [each["id"] for each in listed]
    for row, item in zip(rows, listed, strict=True):
        assert row["sequence"] == item["sequence"]
        assert row["ended_at"].endswith("Z")
        assert parse_rfc3339(row["ended_at"]) == parse_rfc3339(item["ended_at"])
        value = row["punch_velocity_m_s"]
        assert (float(value) if value else None) == item["value"]
        assert row["part_id"] == ("'=1+1" if item["part_id"] == "=1+1" else item["part_id"])
    assert "'=1+1" in [each["part_id"] for each in rows]


async def test_a_line_of_ndjson_is_an_item(worn: httpx.AsyncClient) -> None:
    """By the parameter and by the header Accept."""
    listed = (await ask(worn, f"{NOTICED}&last=1000"))["items"]
    for answer in (
        await worn.get(f"{NOTICED}&format=ndjson"),
        await worn.get(NOTICED, headers={"accept": "application/x-ndjson"}),
    ):
        assert answer.headers["content-type"] == "application/x-ndjson"
        assert [json.loads(line) for line in answer.content.splitlines()] == listed


async def test_a_file_without_suspects_has_its_header(worn: httpx.AsyncClient) -> None:
    """And nothing else."""
    answer = await worn.get("/v1/containment?tool=3001&measure=set_torque_nm&format=csv")
    assert answer.content.endswith(b",part_id,set_torque_nm\r\n")
    assert answer.content.count(b"\r\n") == 1


@pytest.mark.parametrize(
    ("accept", "chosen"),
    [
        ("", "json"),
        ("*/*", "json"),
        ("text/csv", "csv"),
        ("text/html, text/csv;q=0.5, application/json;q=0.4", "csv"),
        ("text/csv;q=0.1, application/json", "json"),
        ("text/csv; q=0, */*;q=0.1", "json"),
        ("Application/X-NDJSON", "ndjson"),
        ("image/png", "json"),
        ("text/csv;q=many", "json"),
    ],
)
def test_the_header_accept_chooses_among_what_is_to_be_had(accept: str, chosen: str) -> None:
    """By weight; JSON where nothing else fits."""
    request = httpx.Request("GET", "http://x/", headers={"accept": accept})
    assert format_for(request, None) == chosen  # type: ignore[arg-type]
    assert format_for(request, "ndjson") == "ndjson"  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ("=SUM(A1)", "'=SUM(A1)"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@x", "'@x"),
        ("\t=1", "'\t=1"),
        ("\r=1", "'\r=1"),
        ("B-15", "B-15"),
        (-5, "-5"),
        (-0.25, "-0.25"),
        (1e-9, "1e-09"),
        (float("nan"), ""),
        (None, ""),
        (True, "true"),
        (ended_at(0).astimezone(UTC), "2026-06-01T06:00:00Z"),
    ],
)
def test_a_text_that_looks_like_a_formula_is_none(value: object, said: str) -> None:
    """Numbers and instants are left as they are."""
    assert cell(value) == said
