"""Whatever is asked, the answer is what was asked for or a problem document, never a failure on our side."""

import asyncio
from typing import Any
from urllib.parse import quote

import httpx
import pytest
from fastapi import FastAPI
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from api.guards import LARGEST_BODY
from api.problems import PROBLEMS
from tests.api.asking import BASE, asking


def is_problem(answer: httpx.Response) -> bool:
    """RFC 9457: the media type, the five members, the status twice the same."""
    body = answer.json()
    return (
        answer.headers["content-type"] == "application/problem+json"
        and body["status"] == answer.status_code
        and body["type"].removeprefix("/problems/") in PROBLEMS
        and all(
            isinstance(body[name], str) and body[name] for name in ("type", "title", "detail", "instance")
        )
    )


WORDS = st.one_of(
    st.sampled_from(["2042", "2041", "A-02", "A-02.2.7", "", " ", "..", "*", "%", "/", "\0", "'", "é"]),
    st.sampled_from(["-1", "0", "1", "500", "1e3", "1_0", str(2**63), "9" * 400, "2026-10-25", "2026-02-30"]),
    st.sampled_from(["2026-10-25T00:00:00Z", "2026-10-25T00:00:00", "9999-12-31T23:59:59-23:59"]),
    st.text(max_size=20),
)  # fmt: skip
PATHS = st.sampled_from(
    [
        "/v1/tools/{}/cycles", "/v1/tools/{}/curves", "/v1/tools/{}/counts", "/v1/tools/{}/service",
        "/v1/tools/{}", "/v1/tools", "/v1/controllers", "/v1/controllers/{}", "/v1/cycles/{}",
        "/v1/cycles/{}/curve", "/v1/faults", "/v1/gaps", "/v1/quarantine", "/problems/{}", "/v1/{}", "/{}",
        "/v1/controllers/{}/mounts", "/v1/controllers/{}/counter", "/v1/controllers/{}/clock",
        "/v1/controllers/{}/reconciliation", "/healthz", "/readyz", "/v1/openapi.json",
    ]
)  # fmt: skip
NAMES = st.one_of(
    st.sampled_from(
        [
            "last", "cursor", "since", "until", "result", "completion", "controller", "maker", "model",
            "from", "to", "tool", "category", "state", "limit",
        ]
    ),
    st.text(max_size=5),
)  # fmt: skip
QUERIES = st.lists(st.tuples(NAMES, WORDS), max_size=3)
METHODS = st.sampled_from(["GET", "GET", "GET", "GET", "POST", "PUT", "DELETE", "HEAD"])


@given(method=METHODS, path=PATHS, word=WORDS, query=QUERIES)
@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_question_brings_the_api_down(
    app: FastAPI, method: str, path: str, word: str, query: list[tuple[str, str]]
) -> None:
    """Any method, path and parameters: the answer, or a problem; no 5xx while the store is well."""
    address = path.format(quote(word, safe=""))
    answer = asyncio.run(ask(app, method, address, query))
    assert answer.status_code < 500, answer.text
    if answer.status_code >= 400:
        assert method == "HEAD" or is_problem(answer)


async def ask(app: FastAPI, method: str, address: str, query: list[tuple[str, str]]) -> httpx.Response:
    """On the store that the fixture opened; the application's lifespan would cost more than the question."""
    transport = httpx.ASGITransport(app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url=BASE) as client:
        return await client.request(method, address, params=query)


@pytest.mark.parametrize(
    ("address", "status", "kind", "detail"),
    [
        ("/v1/nothing", 404, "no-such-resource", "there is no resource /v1/nothing"),
        ("/v1/tools/2042/", 404, "not-in-book", "tool '2042/' is not in the book"),
        ("/v1/tools/9999", 404, "not-in-book", "tool '9999' is not in the book"),
        ("/v1/tools/2042?maker=X", 404, "not-in-book", "tool '2042' of maker 'X' is not in the book"),
        ("/v1/controllers/B-01", 404, "not-in-book", "controller 'B-01' is not in the book"),
        ("/v1/gaps?controller=B-01", 404, "not-in-book", "controller 'B-01' is not in the book"),
        ("/v1/faults?since=2026-11-24T06:00:00", 422, "invalid-request",
         "since must carry a UTC offset, such as 2026-11-24T06:00:00Z"),
        ("/v1/faults?since=2026-11-24T06:00:00+01:00", 422, "invalid-request",
         "since must not have a blank in it; in an address, + is written %2B"),
        ("/v1/faults?since=2026-11-24T06:00:00Z&until=2026-11-23T06:00:00Z", 422, "invalid-request",
         "until must not be before since"),
        ("/v1/faults?last=x", 422, "invalid-request", "last must be a whole number"),
        ("/v1/faults?last=0", 422, "invalid-request", "last must be at least 1"),
        ("/v1/faults?last=1001", 422, "invalid-request", "last must be at most 1000"),
        ("/v1/faults?state=old", 422, "invalid-request", "state must be 'open' or 'cleared'"),
        ("/v1/faults?last=1&last=2", 422, "invalid-request", "last is there twice"),
        ("/v1/faults?sins=1", 422, "invalid-request", "sins is not known here; did you mean since?"),
        ("/v1/tools/2042/cycles?results=ok", 422, "invalid-request",
         "results is not known here; did you mean result?"),
        ("/v1/controllers?x=1", 422, "invalid-request", "x is not known here; known: no parameters at all"),
        ("/v1/faults?controller=%00", 422, "invalid-request", "controller must not have a NUL in it"),
    ],
)  # fmt: skip
async def test_each_mistake_gets_one_clear_sentence(
    client: httpx.AsyncClient, address: str, status: int, kind: str, detail: str
) -> None:
    """What is wrong, and what to do where that can be told."""
    answer = await client.get(address)
    assert is_problem(answer)
    assert (answer.status_code, answer.json()["type"], answer.json()["detail"]) == (
        status,
        f"/problems/{kind}",
        detail,
    )
    assert answer.json()["instance"] == address


async def test_all_mistakes_are_listed_at_once(client: httpx.AsyncClient) -> None:
    """Not the first only."""
    answer = await client.get("/v1/faults?last=0&since=yesterday&state=old")
    assert [each["name"] for each in answer.json()["mistakes"]] == ["last", "since", "state"]


async def test_a_method_that_is_not_possible_says_which_are(client: httpx.AsyncClient) -> None:
    """The header Allow, as RFC 9110 has it."""
    answer = await client.delete("/v1/tools/2042/service")
    assert is_problem(answer)
    assert (answer.status_code, answer.headers["allow"]) == (405, "GET, POST")


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "10.0.0.1", "", "[::1", "localhost@evil"]
)
async def test_a_foreign_name_is_not_served(client: httpx.AsyncClient, host: str) -> None:
    """A page whose name was made to point here (DNS rebinding) reads nothing."""
    answer = await client.get("/v1/controllers", headers={"host": host})
    assert is_problem(answer)
    assert answer.status_code == 421


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.1:8470", "localhost:8470", "[::1]:8470", "LOCALHOST"])
async def test_the_loopback_is_served_under_its_names(client: httpx.AsyncClient, host: str) -> None:
    """With or without the port."""
    assert (await client.get("/healthz", headers={"host": host})).status_code == 200


@pytest.mark.parametrize(
    "media_type", [None, "text/plain", "application/x-www-form-urlencoded", "multipart/form-data"]
)
async def test_what_a_foreign_form_can_send_is_refused(
    client: httpx.AsyncClient, media_type: str | None
) -> None:
    """Only JSON, which a browser does not send to another origin without asking first."""
    headers = {"content-type": media_type} if media_type else {}
    answer = await client.post("/v1/tools/2042/service", content=b'{"done_by": "x"}', headers=headers)
    assert is_problem(answer)
    assert answer.status_code == 415


async def test_a_body_beyond_all_reason_is_refused(client: httpx.AsyncClient) -> None:
    """Without reading it to its end."""
    sent = 0

    async def endless() -> Any:
        nonlocal sent
        while sent < 100 * LARGEST_BODY:
            sent += 1024
            yield b" " * 1024

    headers = {"content-type": "application/json"}
    answer = await client.post("/v1/tools/2042/service", content=endless(), headers=headers)
    assert is_problem(answer)
    assert answer.status_code == 413
    assert sent < 2 * LARGEST_BODY


async def test_an_unexpected_error_shows_nothing_of_its_insides(
    app: FastAPI, monkeypatch: pytest.MonkeyPatch
) -> None:
    """500, with a sentence that helps to find the cause in the log."""

    def broken(*_: object) -> None:
        raise RuntimeError("the secret")

    monkeypatch.setattr("api.resources.controllers.find_controllers", broken)
    async with asking(app) as client:
        answer = await client.get("/v1/controllers")
    assert is_problem(answer)
    assert (answer.status_code, answer.json()["type"]) == (500, "/problems/failed")
    assert "secret" not in answer.text


async def test_the_type_of_a_problem_can_be_followed(client: httpx.AsyncClient) -> None:
    """To what it means and what to do."""
    for kind, known in PROBLEMS.items():
        answer = await client.get(f"/problems/{kind}")
        assert answer.json() == {
            "type": f"/problems/{kind}",
            "title": known.title,
            "status": known.status,
            "advice": known.advice,
        }
