"""The audit trail: no write without a trace, no refusal uncounted, and nothing that fills the disk."""

from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from hypothesis import given
from hypothesis import strategies as st
from starlette.datastructures import Headers

from api.access import trail as trail_rules
from api.access.askers import Asker, asker_of, network_of
from api.access.throttle import Allowance, Throttle
from api.access.trail import Trail
from api.stores import Stores
from collector.errors import StoreError
from collector.store.access_log import OTHERS, find_accesses
from collector.store.engine import StoreAddress
from tests.api.asking import asking, bearer, make_token
from tests.api.plant import Plant

SERVICE = "/v1/tools/2042/service"
DONE = {"done_by": "Fitter 7", "done_at": "2026-10-25T00:00:00Z"}


@pytest.fixture
def admin(plant: Plant) -> dict[str, str]:
    return bearer(make_token(plant.address, "office", "admin"))


async def trail(client: httpx.AsyncClient, admin: dict[str, str], query: str = "") -> list[dict[str, Any]]:
    answer = await client.get(f"/v1/audit-trail{query}", headers=admin)
    assert answer.status_code == 200
    return list(answer.json()["items"])


async def test_a_write_is_told_with_who_when_from_where_and_how_it_ended(
    client: httpx.AsyncClient, plant: Plant, admin: dict[str, str]
) -> None:
    """With the token's name, or why there is none."""
    shop = bearer(make_token(plant.address, "shop", "service"))
    assert (await client.post(f"{SERVICE}?maker=Sample%20Works", json=DONE, headers=shop)).status_code == 201
    assert (await client.post(SERVICE, json=DONE)).status_code == 200
    second, first = await trail(client, admin)
    assert first["token"]["name"] == "shop"
    assert (first["method"], first["path"], first["address"]) == ("POST", SERVICE, "127.0.0.1")
    assert (first["status"], first["outcome"], first["times"], first["problem"]) == (201, "done", "1", None)
    assert (second["status"], second["outcome"], second["token"]) == (200, "done", None)
    assert "token" in second["unknown"]


async def test_reading_leaves_no_trace(client: httpx.AsyncClient, admin: dict[str, str]) -> None:
    """It would drown what matters."""
    assert (await client.get("/v1/tools")).status_code == 200
    assert (await client.get("/v1/tools/9999")).status_code == 404
    assert await trail(client, admin) == []


async def test_refusals_are_counted_by_kind(
    client: httpx.AsyncClient, plant: Plant, admin: dict[str, str]
) -> None:
    """Of the same address, token and kind: one row, however often."""
    reader = bearer(make_token(plant.address, "reader", "read"))
    for _ in range(3):
        assert (await client.post(SERVICE, json=DONE, headers=reader)).status_code == 403
        assert (await client.get("/v1/tools", headers={"host": "evil.example"})).status_code == 421
        assert (await client.get("/v1/tokens")).status_code == 401
        assert (await client.post(SERVICE, json={})).status_code == 422
        assert (await client.post(SERVICE, content=b"x=1")).status_code == 415
    rows = await trail(client, admin, "?outcome=refused")
    told = {(row["problem"].removeprefix("/problems/"), row["status"], row["times"]) for row in rows}
    assert told == {
        ("insufficient-scope", 403, "3"),
        ("wrong-host", 421, "3"),
        ("token-needed", 401, "3"),
        ("invalid-request", 422, "3"),
        ("not-json", 415, "3"),
    }
    (scope,) = [row for row in rows if row["status"] == 403]
    assert scope["token"]["name"] == "reader"
    assert await trail(client, admin) == rows  # no write was let in


async def test_a_write_that_failed_on_our_side_stays_in_the_trail(
    app: FastAPI, admin: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It may have been done."""
    monkeypatch.setattr("api.resources.service.record_service", lambda *_, **__: 1 / 0)
    async with asking(app) as client:
        assert (await client.post(SERVICE, json=DONE)).status_code == 500
        (row,) = await trail(client, admin)
    assert (row["status"], row["outcome"]) == (500, "failed")


async def test_a_write_whose_end_is_not_known_says_so(
    app: FastAPI, admin: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As when the process was killed in between: null with the reason."""

    def gone(*_: object) -> None:
        raise StoreError("gone")

    monkeypatch.setattr(Trail, "finish", gone)
    async with asking(app) as client:
        assert (await client.post(SERVICE, json=DONE)).status_code == 201
        (row,) = await trail(client, admin)
    assert (row["status"], row["outcome"]) == (None, "unknown")
    assert "may be done or not" in row["unknown"]["status"]


async def test_what_can_not_be_noted_is_not_done(app: FastAPI, monkeypatch: pytest.MonkeyPatch) -> None:
    """No write without its trace."""

    def gone(*_: object) -> None:
        raise StoreError("the desk is away")

    async with asking(app) as client:
        with monkeypatch.context() as patch:
            patch.setattr(Trail, "begin", gone)
            assert (await client.post(SERVICE, json=DONE)).status_code == 503
        assert (await client.get(SERVICE)).json()["items"] == []


async def test_the_trail_is_paged(client: httpx.AsyncClient, admin: dict[str, str]) -> None:
    """A page of one at a time tells the same as one page."""
    for number in range(4):
        body = {"done_by": f"Fitter {number}"}
        assert (await client.post(SERVICE, json=body)).status_code == 201
    whole = await trail(client, admin)
    found, following = [], "/v1/audit-trail?last=1"
    while following:
        answer = await client.get(following, headers=admin)
        found += answer.json()["items"]
        following = answer.links["next"]["url"] if "next" in answer.links else ""
    assert found == whole
    assert len(whole) == 4
    answer = await client.get("/v1/audit-trail?cursor=nonsense", headers=admin)
    assert answer.status_code == 422


# ---- what is not told yet ----------------------------------------------------------------------------------


def stores_of(plant: Plant) -> Stores:
    return Stores(plant.address)


def knock(found: Trail, address: str) -> None:
    found.refused(Asker(address, is_local=False, problem="invalid-token"), "GET", "/v1/tools", 401)


def test_refusals_wait_while_the_desk_is_away(plant: Plant) -> None:
    """Nothing is forgotten, and nothing counted twice."""
    good, away = stores_of(plant), Stores(StoreAddress(url="postgresql+psycopg://nobody@127.0.0.1:1/none"))
    where = away
    found = Trail(lambda: where)
    for _ in range(2):
        knock(found, "192.0.2.1")
        with pytest.raises(StoreError):
            found.write_refusals()
    knock(found, "192.0.2.1")
    where = good
    found.write_refusals()
    found.write_refusals()
    with good.desk() as desk:
        (row,) = find_accesses(desk, last=10)
    assert (row["address"], row["times"]) == ("192.0.2.1", 3)
    good.close()
    away.close()


def test_a_flood_of_addresses_takes_no_more_memory(plant: Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond a bound they are counted together."""
    monkeypatch.setattr(trail_rules, "MOST_PENDING", 10)
    stores = stores_of(plant)
    found = Trail(lambda: stores)
    for number in range(100):
        knock(found, f"192.0.2.{number}")
    found.write_refusals()
    with stores.desk() as desk:
        rows = find_accesses(desk, last=100)
    assert {row["address"]: row["times"] for row in rows}[OTHERS] == 90
    assert len(rows) == 11
    stores.close()


# ---- from where --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("peer", "forwarded_for", "address"),
    [
        ("192.0.2.9", ["198.51.100.7"], "198.51.100.7"),
        ("192.0.2.9", ["10.9.9.9, 198.51.100.7"], "198.51.100.7"),  # the first is what the client claims
        ("192.0.2.9", ["10.9.9.9", "198.51.100.7"], "198.51.100.7"),
        ("192.0.2.9", ["nonsense"], "192.0.2.9"),
        ("192.0.2.9", [], "192.0.2.9"),
        ("198.51.100.7", ["10.9.9.9"], "198.51.100.7"),  # no proxy of ours
        ("::ffff:192.0.2.9", ["::ffff:198.51.100.7"], "198.51.100.7"),
        ("", ["10.9.9.9"], "unknown"),
    ],
)
def test_only_the_last_word_of_an_own_proxy_is_believed(
    peer: str, forwarded_for: list[str], address: str
) -> None:
    """What stands before it, and what others say, is the client's own claim."""
    headers = Headers(raw=[(b"x-forwarded-for", each.encode()) for each in forwarded_for])
    found = asker_of(peer, "clampbook.plant", headers, ("192.0.2.9",))
    assert (found.address, found.is_local) == (address, False)


@pytest.mark.parametrize("peer", ["127.0.0.1", "::1", "127.8.8.8", "::ffff:127.0.0.1"])
def test_the_loopback_is_known_in_every_form(peer: str) -> None:
    """Under its own names."""
    assert asker_of(peer, "localhost", Headers(), ()).is_local
    assert not asker_of(peer, "clampbook.plant", Headers(), ()).is_local


def test_one_customer_of_ipv6_is_one_address() -> None:
    """Else each guess would come from another of its 2^64."""
    assert network_of("2001:db8::1") == network_of("2001:db8::ffff:1") == "2001:db8::/64"
    assert network_of("2001:db8:0:1::1") != network_of("2001:db8::1")
    assert network_of("192.0.2.1") == "192.0.2.1"


# ---- the allowance -----------------------------------------------------------------------------------------


@given(
    st.integers(1, 20),
    st.floats(0.1, 60),
    st.lists(st.floats(0, 10), max_size=200),
)
def test_nobody_fails_more_often_than_burst_and_pace_allow(
    burst: int, every_s: float, pauses: list[float]
) -> None:
    """However the attempts are spread, and one who waits as told may always try."""
    throttle = Throttle(Allowance(burst, every_s), Allowance(10**6, 1e-6))
    now, failed = 0.0, 0
    for pause in pauses:
        now += pause
        if throttle.wait_s("a", now) == 0:
            throttle.failed("a", now)
            failed += 1
    assert failed <= burst + now / every_s + 1e-6
    assert throttle.wait_s("a", now + throttle.wait_s("a", now) + 1e-6) == 0


@given(st.integers(1, 50), st.integers(1, 200))
def test_the_memory_of_failures_is_bounded(most: int, addresses: int) -> None:
    """And what is failed from many addresses is rationed in all."""
    throttle = Throttle(Allowance(5, 10.0), Allowance(30, 10.0), most_addresses=most)
    let = 0
    for number in range(addresses):
        if throttle.wait_s(str(number), 0.0) == 0:
            throttle.failed(str(number), 0.0)
            let += 1
    assert len(throttle) <= most
    assert let == min(addresses, 30)


def test_who_has_the_whole_allowance_back_is_forgotten_first() -> None:
    """One who is still waiting is not let off by the failures of others."""
    throttle = Throttle(Allowance(2, 10.0), Allowance(10**6, 1e-6), most_addresses=2)
    throttle.failed("old", 0.0)
    for _ in range(2):
        throttle.failed("guesser", 15.0)
    throttle.failed("new", 15.0)
    assert len(throttle) == 2
    assert throttle.wait_s("guesser", 15.0) > 0
