"""What the API says of receivers and of what they did not take."""

from collections.abc import Iterator
from contextlib import contextmanager

import httpx
import pytest
from fastapi import FastAPI

from api.schemas import push
from api.stores import NoBookYet, Stores
from collector.errors import StoreError
from tests.api.asking import asking, bearer, make_token
from tests.api.plant import Plant
from tests.api.receiving import with_a_delivery


async def test_a_dead_letter_is_listed_and_can_be_replayed(app: FastAPI, client: httpx.AsyncClient) -> None:
    """Then it waits, is due at once, and its sender is woken; asked again, the same."""
    sender = with_a_delivery(app)
    listed = await client.get("/v1/deliveries", params={"state": "dead", "receiver": "ear"})
    push.DeliveryPage.model_validate_json(listed.content, strict=True)
    (dead,) = listed.json()["items"]
    assert (dead["state"], dead["attempts"], dead["last_error"]) == ("dead", 2, "answered 500")
    assert dead["unknown"] == {"next_at": "it is sent again only when somebody asks"}
    for _ in range(2):
        replayed = await client.post(f"/v1/deliveries/{dead['id']}/replay", json={})
        assert replayed.status_code == 202
        push.Delivery.model_validate_json(replayed.content, strict=True)
        assert (replayed.json()["state"], replayed.json()["event"]) == ("waiting", dead["event"])
    assert sender._woken.is_set()
    assert (await client.get("/v1/deliveries", params={"state": "dead"})).json()["items"] == []


async def test_a_delivery_or_receiver_that_does_not_exist_is_a_404(client: httpx.AsyncClient) -> None:
    """One that was taken is no delivery any more; and the answer says so."""
    for address in ("/v1/deliveries/7/replay", "/v1/receivers/mes/resume"):
        answer = await client.post(address, json={})
        assert (answer.status_code, answer.json()["type"]) == (404, "/problems/no-such-resource")


async def test_deliveries_come_in_pages(app: FastAPI, client: httpx.AsyncClient) -> None:
    """By key, newest first."""
    with_a_delivery(app)
    first = (await client.get("/v1/deliveries", params={"last": 1})).json()
    assert (len(first["items"]), first["next"]) == (1, None)


async def test_a_receiver_that_was_not_told_anything_yet_says_so(
    app: FastAPI, client: httpx.AsyncClient
) -> None:
    """Null with the reason, never zero."""
    with_a_delivery(app)
    answer = await client.get("/v1/receivers")
    push.ReceiverPage.model_validate_json(answer.content, strict=True)
    (shown,) = answer.json()["items"]
    assert (shown["name"], shown["state"], shown["told_through"], shown["dead"]) == ("ear", "told", None, 1)
    assert set(shown["unknown"]) == {
        *("book", "told_through", "desk", "desk_told_through"),
        *("told_at", "commits_behind"),
    }
    resumed = await client.post("/v1/receivers/ear/resume", json={})
    push.Receiver.model_validate_json(resumed.content, strict=True)


@pytest.mark.parametrize(
    ("error", "status"), [(NoBookYet(), 200), (StoreError("the disk reports an error"), 503)]
)
async def test_a_receiver_that_is_resumed_is_tried_at_once_whatever_is_the_matter_with_the_book(
    app: FastAPI, client: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch, error: StoreError, status: int
) -> None:
    """What stands on the desk has to reach whoever goes by it."""
    sender = with_a_delivery(app)

    @contextmanager
    def no_book(_: Stores) -> Iterator[None]:
        raise error
        yield

    monkeypatch.setattr(Stores, "book", no_book)
    resumed = await client.post("/v1/receivers/ear/resume", json={})
    assert (resumed.status_code, sender._woken.is_set()) == (status, True)


async def test_a_replay_leaves_its_trace(app: FastAPI, plant: Plant) -> None:
    """Like every write: who, when, from where."""
    async with asking(app) as client:
        with_a_delivery(app)
        client.headers.update(bearer(make_token(plant.address, "it", "admin")))
        assert (await client.post("/v1/deliveries/1/replay", json={})).status_code == 202
        (done,) = (await client.get("/v1/audit-trail")).json()["items"]
    assert (done["path"], done["outcome"]) == ("/v1/deliveries/1/replay", "done")
