"""Who may ask: every operation against every kind of asker, and what tells them apart."""

import asyncio
import json
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import APIRouter, FastAPI
from sqlalchemy import text

import api.app
from api.access import tokens as token_rules
from api.access.gate import Access
from api.access.rights import (
    ADMIN,
    ANYBODY,
    BOOKING,
    CARE,
    COUNTS,
    HEALTH,
    LEAVING,
    READ,
    RIGHTS,
    SERVICE,
    require_decisions,
)
from api.access.throttle import Allowance, Throttle
from api.access.tokens import Tokens
from api.app import create_app
from api.stores import Stores
from collector.config import load_site
from collector.listening import ApiPart
from collector.store.engine import StoreAddress, open_desk
from collector.store.tokens import revoke_token
from tests.api import exported
from tests.api.asking import BASE, asking, bearer, make_token
from tests.api.plant import IDENTITIES, SITE, Plant, make_plant, write_site
from tests.api.receiving import with_a_delivery
from tests.api.test_document import ADDRESSES

DONE = {"done_by": "Fitter 7", "done_at": "2026-10-25T00:00:00Z"}
SEEN = {"acknowledged_by": "Fitter 7", "remark": "seen"}
GAPS = {"what": "gaps", "from": "2026-03-27T00:00:00Z", "to": "2026-04-03T00:00:00Z", "format": "csv"}
BOOKED = {"line": "line-1", "plant_day": "2026-03-28", "shift": "early", "revision": 1}
WRITES: dict[str, tuple[str, dict[str, Any] | None]] = {
    "POST /v1/tools/{serial}/service": ("/v1/tools/2042/service", DONE),
    "POST /v1/findings/{commit_number}/acknowledgement": (
        "/v1/findings/{open_finding}/acknowledgement",
        SEEN,
    ),
    "POST /v1/receivers/{name}/resume": ("/v1/receivers/ear/resume", {}),
    "POST /v1/deliveries/{id}/replay": ("/v1/deliveries/1/replay", {}),
    "POST /v1/exports": ("/v1/exports", GAPS),
    "DELETE /v1/exports/{id}": (f"/v1/exports/{exported.SPARE}", None),
    "PUT /v1/receipts/{consumer}": ("/v1/receipts/mes", BOOKED),
    "DELETE /v1/receipts/{consumer}": (f"/v1/receipts/{exported.LEFT}", None),
}
"""Operation -> an address of that kind, and a body."""
DOCUMENT = "/v1/openapi.json"


def set_rules(app: FastAPI, **rules: Any) -> Access:
    """The application under other rules of [api]."""
    access = app.state.access = Access(app.state.site, lambda: app.state.stores)
    access.api = ApiPart.model_validate(rules)
    access.names = {*access.api.names}
    return access


@pytest.fixture
def closed(app: FastAPI) -> FastAPI:
    """On the loopback too nobody may ask without a token."""
    set_rules(app, tokens="required")
    return app


@pytest.fixture
async def client(closed: FastAPI) -> AsyncIterator[httpx.AsyncClient]:
    async with asking(closed) as client:
        yield client


def from_elsewhere(app: FastAPI, peer: str = "192.0.2.41") -> httpx.AsyncClient:
    transport = httpx.ASGITransport(app, raise_app_exceptions=False, client=(peer, 50000))
    return httpx.AsyncClient(transport=transport, base_url=BASE)


def kind_of(answer: httpx.Response) -> str:
    assert answer.headers["content-type"] == "application/problem+json"
    return str(answer.json()["type"]).removeprefix("/problems/")


# ---- the matrix --------------------------------------------------------------------------------------------


def operations(app: FastAPI) -> Iterator[tuple[str, str, str, dict[str, Any] | None]]:
    """Name, method, address and body of every operation that the application has."""
    for path, methods in app.openapi()["paths"].items():
        for method in methods:
            name = f"{method.upper()} {path}"
            address, body = (ADDRESSES[path], None) if method == "get" else WRITES[name]
            yield name, method.upper(), address, body


EXPECTED = {
    ANYBODY.scopes: {"read", "integrate", "service", "admin"},
    READ.scopes: {"read", "service", "admin"},
    COUNTS.scopes: {"integrate", "read", "service", "admin"},
    SERVICE.scopes: {"service"},
    ADMIN.scopes: {"admin"},
    CARE.scopes: {"service", "admin"},
    BOOKING.scopes: {"integrate"},
    LEAVING.scopes: {"integrate", "admin"},
}
"""A second statement of who gets in, without the rules that make it."""


def expected(name: str) -> set[str]:
    return EXPECTED[RIGHTS[name].scopes]


ASKERS = ("none", "wrong", "unknown", "expired", "revoked", "read", "integrate", "service", "admin")


@pytest.mark.parametrize("asker", ASKERS)
async def test_every_operation_lets_in_whom_it_must_and_nobody_else(
    closed: FastAPI, plant: Plant, asker: str
) -> None:
    """Each method of each path the application itself names, under each kind of token."""
    headers = headers_of(plant, asker)
    async with asking(closed) as client:
        with_a_delivery(closed)
        token_id = headers.get("authorization", "").removeprefix("Bearer ").split(".")[0]
        exported.with_exports(
            closed, token_id if asker in ("read", "integrate", "service", "admin") else None
        )
        seen = 0
        for name, method, address, body in operations(closed):
            closed.state.access.tokens = Tokens(lambda: closed.state.stores)  # with a whole allowance
            address = address.format(open_finding=plant.findings[-1])
            answer = await client.request(method, address, json=body, headers=headers)
            seen += 1
            if asker in expected(name) or (name in ("GET /healthz", "GET /readyz") and asker == "none"):
                assert answer.status_code in (200, 201, 202, 204), (name, answer.text)
            elif asker == "none":
                assert (answer.status_code, kind_of(answer)) == (401, "token-needed"), name
                assert answer.headers["www-authenticate"] == 'Bearer realm="clampbook"'
            elif asker in ("wrong", "unknown", "expired", "revoked"):
                assert (answer.status_code, kind_of(answer)) == (401, "invalid-token"), name
                assert 'error="invalid_token"' in answer.headers["www-authenticate"]
            else:
                assert (answer.status_code, kind_of(answer)) == (403, "insufficient-scope"), name
                needed = f'error="insufficient_scope", scope="{RIGHTS[name].scopes[0]}"'
                assert answer.headers["www-authenticate"].endswith(needed)
        assert seen == len(RIGHTS)
        document = await client.get(DOCUMENT, headers=headers)
        assert document.status_code == (200 if asker in {"read", "integrate", "service", "admin"} else 401)
        nowhere = await client.get("/v1/nothing", headers=headers)
        assert nowhere.status_code == (404 if document.status_code == 200 else 401)


def headers_of(plant: Plant, asker: str) -> dict[str, str]:
    if asker == "none":
        return {}
    if asker == "unknown":
        return bearer("cb_abcdefgh." + "A" * 43)
    if asker == "wrong":
        return bearer(make_token(plant.address, "good", "admin").split(".")[0] + "." + "A" * 43)
    if asker == "expired":
        return bearer(make_token(plant.address, "old", "admin", "service", lasts=-timedelta(seconds=1)))
    if asker == "revoked":
        made = make_token(plant.address, "lost", "admin", "service")
        revoke(plant, "lost")
        return bearer(made)
    return bearer(make_token(plant.address, asker, asker))  # type: ignore[arg-type]


def revoke(plant: Plant, name: str) -> None:
    engine = open_desk(plant.address)
    with engine.begin() as connection:
        revoke_token(connection, name, datetime.now(UTC))
    engine.dispose()


def test_the_document_says_who_may_ask(app: FastAPI) -> None:
    """Each operation lists the scopes of which one is needed; those of health need none on this machine."""
    document = app.openapi()
    assert document["components"]["securitySchemes"]["token"]["scheme"] == "bearer"
    for name, right in RIGHTS.items():
        method, path = name.split(" ")
        told = document["paths"][path][method.lower()]["security"]
        without: list[dict[str, Any]] = [{}] if path in HEALTH else []
        assert told == [{"token": [scope]} for scope in right.scopes] + without


OWN = {
    "POST /v1/exports",
    "DELETE /v1/exports/{id}",
    "PUT /v1/receipts/{consumer}",
    "DELETE /v1/receipts/{consumer}",
}
"""Writes that change nothing but what the asker's own token has asked for, or told."""
OWN_READS = {"GET /v1/exports", "GET /v1/exports/{id}", "GET /v1/exports/{id}/file", "GET /v1/receipts"}
INTEGRATED = {"cycles", "counts", "gaps", "reconciliation", "feed", "shifts", "statements", "status"}


def test_each_operation_that_integrates_is_one_that_counts() -> None:
    """No curve, no setting, no finding for whoever pulls counts."""
    for name, right in RIGHTS.items():
        if "integrate" in right.scopes and right is not ANYBODY and name not in OWN | OWN_READS:
            last = name.removeprefix("GET /v1/").split("/{line}")[0].split("/")[-1]
            assert last in INTEGRATED, name


def test_a_write_is_for_nobody_who_only_reads() -> None:
    """Whatever is not GET needs a scope that says so; that of the admin does for looking after receivers."""
    for name, right in RIGHTS.items():
        if not name.startswith("GET ") and name not in OWN:
            forbidden = {"read", "integrate"} if right is CARE else {"read", "integrate", "admin"}
            assert not forbidden & set(right.scopes), name


def test_an_operation_that_nobody_decided_about_stops_the_start(
    plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And so does a decision about an operation that is not there."""
    router = APIRouter()
    router.add_api_route("/v1/new", lambda: None, methods=["PUT"])
    added = type("added", (), {"router": router})
    monkeypatch.setattr(api.app, "RESOURCES", (*api.app.RESOURCES, added))
    assert plant.address.folder is not None
    site, _ = load_site(write_site(plant.address.folder.parent))
    with pytest.raises(LookupError, match="who may ask PUT /v1/new"):
        create_app(site)
    with pytest.raises(LookupError, match=r"no operation .*GET /, GET /healthz"):
        require_decisions({"paths": {}})


# ---- on this machine, and from elsewhere -------------------------------------------------------------------


async def test_on_this_machine_nobody_needs_a_token_unless_the_site_says_so(app: FastAPI) -> None:
    """All but what shows what others did; that needs a token here too."""
    async with asking(app) as client:
        assert (await client.get("/v1/tools")).status_code == 200
        assert (await client.post("/v1/tools/2042/service", json=DONE)).status_code == 201
        for address in ("/v1/audit-trail", "/v1/tokens"):
            answer = await client.get(address)
            assert (answer.status_code, kind_of(answer)) == (401, "token-needed")
        answer = await client.get("/v1/tools", headers=bearer("wrong"))
        assert (answer.status_code, kind_of(answer)) == (401, "invalid-token")


@pytest.mark.parametrize(
    "headers",
    [
        {"forwarded": "for=127.0.0.1"},
        {"x-forwarded-for": "127.0.0.1"},
        {"x-forwarded-host": "localhost"},
        {"X-Forwarded-Proto": "https"},
        {"x-real-ip": "127.0.0.1"},
        {"via": "1.1 proxy"},
    ],
)
async def test_what_a_proxy_passes_on_is_never_of_this_machine(app: FastAPI, headers: dict[str, str]) -> None:
    """Though it comes over the loopback, and whatever it claims; not even for health."""
    async with asking(app) as client:
        for address in ("/v1/tools", "/healthz"):
            answer = await client.get(address, headers=headers)
            assert (answer.status_code, kind_of(answer)) == (401, "token-needed")


async def test_a_proxy_of_the_site_on_this_machine_closes_the_loopback(app: FastAPI, plant: Plant) -> None:
    """Even where it adds no header at all: behind it may be anybody."""
    set_rules(app, proxies=("127.0.0.1",))
    async with asking(app) as client:
        assert (await client.get("/v1/tools")).status_code == 401
        good = bearer(make_token(plant.address, "mes", "read"))
        assert (await client.get("/v1/tools", headers=good)).status_code == 200
        assert (await client.get("/healthz")).status_code == 200


async def test_from_elsewhere_a_token_is_needed_and_tls(app: FastAPI, plant: Plant) -> None:
    """Without TLS only the site's own proxy is served, also with a good token."""
    good = bearer(make_token(plant.address, "mes", "read"))
    set_rules(app, host="0.0.0.0", names=("clampbook.plant",), proxies=("192.0.2.9",))
    async with asking(app):
        async with from_elsewhere(app) as plain:
            answer = await plain.get("/v1/tools", headers=good)
            assert (answer.status_code, kind_of(answer)) == (403, "not-encrypted")
        async with from_elsewhere(app, "192.0.2.9") as proxy:
            assert (await proxy.get("/v1/tools")).status_code == 401
            assert (await proxy.get("/healthz")).status_code == 401
            assert (await proxy.get("/v1/tools", headers=good)).status_code == 200
        async with from_elsewhere(app, "not an address") as nobody:
            assert (await nobody.get("/v1/tools", headers=good)).status_code == 403
        set_rules(app, host="0.0.0.0", names=("clampbook.plant",), tls_certificate="c", tls_key="k")
        async with from_elsewhere(app) as encrypted:
            assert (await encrypted.get("/v1/tools")).status_code == 401
            assert (await encrypted.get("/v1/tools", headers=good)).status_code == 200


async def test_only_names_of_the_site_are_served(app: FastAPI) -> None:
    """Under a foreign name nothing is told, and a name of the site is no loopback."""
    set_rules(app, names=("clampbook.plant",))
    async with asking(app) as client:
        for host, status in (
            ("evil.example", 421), ("clampbook.plant.evil.example", 421), ("clampbook.plant:8470", 401),
            ("CLAMPBOOK.plant", 401), ("localhost", 200),
        ):  # fmt: skip
            answer = await client.get("/v1/tools", headers={"host": host})
            assert answer.status_code == status, host


# ---- how a token is given ----------------------------------------------------------------------------------


async def test_a_token_is_taken_from_the_header_only(client: httpx.AsyncClient, plant: Plant) -> None:
    """In an address it would stand in logs and histories."""
    made = make_token(plant.address, "mes", "read")
    assert (await client.get(f"/v1/tools?access_token={made}")).status_code == 401
    good = {"authorization": f"bearer   {made}"}
    assert (await client.get("/v1/tools", headers=good)).status_code == 200
    answer = await client.get(f"/v1/tools?access_token={made}", headers=good)
    assert (answer.status_code, kind_of(answer)) == (422, "invalid-request")


@pytest.mark.parametrize("given", ["Basic bWVzOm1lcw==", "Bearer", "Token abc", ""])
async def test_another_scheme_is_no_token(client: httpx.AsyncClient, given: str) -> None:
    """The challenge says which is wanted, and no error."""
    answer = await client.get("/v1/tools", headers={"authorization": given})
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"].startswith('Bearer realm="clampbook"')


async def test_two_authorizations_are_a_mistake(client: httpx.AsyncClient, plant: Plant) -> None:
    """Nobody picks the one that suits."""
    made = make_token(plant.address, "mes", "read")
    twice = [("authorization", f"Bearer {made}"), ("authorization", "Bearer other")]
    assert (await client.get("/v1/tools", headers=twice)).status_code == 400


@pytest.mark.parametrize("presented", ["\xff\xfe", "cb_abcdefgh.", "." * 1000, "A" * 60_000, "cb_abcdefgh.é"])
async def test_no_token_is_too_strange_to_be_refused(client: httpx.AsyncClient, presented: str) -> None:
    """With the same answer as any wrong one."""
    given = {"authorization": f"Bearer {presented}".encode("latin-1")}
    answer = await client.get("/v1/tools", headers=[(b"authorization", given["authorization"])])
    assert (answer.status_code, kind_of(answer)) == (401, "invalid-token")


# ---- a token's life ----------------------------------------------------------------------------------------


async def test_a_token_made_while_the_api_runs_is_good_at_once(
    client: httpx.AsyncClient, plant: Plant
) -> None:
    """Though the table was read a moment ago."""
    assert (await client.get("/v1/tools", headers=bearer("wrong"))).status_code == 401
    made = make_token(plant.address, "mes", "read")
    assert (await client.get("/v1/tools", headers=bearer(made))).status_code == 200


async def test_a_revoked_token_ends_when_the_table_is_looked_at_again(
    client: httpx.AsyncClient, plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Though it was verified before; the others go on."""
    lost, kept = make_token(plant.address, "lost", "read"), make_token(plant.address, "kept", "read")
    for made in (lost, kept):
        assert (await client.get("/v1/tools", headers=bearer(made))).status_code == 200
    revoke(plant, "lost")
    assert token_rules.FRESH_S <= 5
    monkeypatch.setattr(token_rules, "FRESH_S", 0.0)
    answer = await client.get("/v1/tools", headers=bearer(lost))
    assert (answer.status_code, answer.json()["detail"]) == (401, "the token is revoked")
    assert (await client.get("/v1/tools", headers=bearer(kept))).status_code == 200


async def test_the_hash_is_computed_once_a_token(
    client: httpx.AsyncClient, plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also for requests that come together; a wrong secret is never remembered as good."""
    computed: list[str] = []
    real = token_rules.is_of
    monkeypatch.setattr(token_rules, "is_of", lambda *both: computed.append(both[0]) or real(*both))
    made = make_token(plant.address, "mes", "read")
    asked = [client.get("/v1/tools", headers=bearer(made)) for _ in range(20)]
    answers = await asyncio.gather(*asked)
    assert {answer.status_code for answer in answers} == {200}
    assert len(computed) == 1
    for _ in range(2):
        wrong = made[:-2] + ("aa" if made[-2:] != "aa" else "bb")
        assert (await client.get("/v1/tools", headers=bearer(wrong))).status_code == 401
    assert len(computed) == 3


async def test_thirty_days_before_its_end_a_token_says_so(client: httpx.AsyncClient, plant: Plant) -> None:
    """In a header of each answer; not earlier."""
    soon = make_token(plant.address, "soon", "read", lasts=timedelta(days=29))
    later = make_token(plant.address, "later", "read", lasts=timedelta(days=31))
    warned = (await client.get("/v1/tools", headers=bearer(soon))).headers["token-expires-at"]
    assert abs(datetime.fromisoformat(warned) - datetime.now(UTC) - timedelta(days=29)) < timedelta(minutes=1)
    assert "token-expires-at" not in (await client.get("/v1/tools", headers=bearer(later))).headers


async def test_the_last_use_is_shown_to_the_admin(client: httpx.AsyncClient, plant: Plant) -> None:
    """With from where; a token that was never used has none, and no secret is ever shown."""
    used, unused = make_token(plant.address, "used", "read"), make_token(plant.address, "unused", "read")
    office = make_token(plant.address, "office", "admin")
    await client.get("/v1/tools", headers=bearer(used))
    answer = await client.get("/v1/tokens", headers=bearer(office))
    shown = {each["name"]: each for each in answer.json()["items"]}
    assert shown["used"]["last_used_from"] == "127.0.0.1"
    assert shown["used"]["last_used_at"] is not None
    assert shown["unused"]["last_used_at"] is None
    for made in (used, unused, office):
        assert made.split(".")[1] not in answer.text


async def test_the_last_use_survives_the_stop(closed: FastAPI, plant: Plant) -> None:
    """What was not written yet is written then."""
    made = make_token(plant.address, "used", "read")
    async with asking(closed) as client:
        await client.get("/v1/tools", headers=bearer(made))
    with closed.state.stores.desk() as desk:
        assert desk.scalar(text("SELECT count(*) FROM token WHERE last_used_at IS NOT NULL")) == 1


async def test_while_the_desk_is_away_known_tokens_are_believed_for_a_while(
    client: httpx.AsyncClient, closed: FastAPI, plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Then nobody is: a token that can't be looked up is answered with 503."""
    made = make_token(plant.address, "mes", "read")
    assert (await client.get("/v1/tools", headers=bearer(made))).status_code == 200
    assert plant.address.folder is not None
    closed.state.stores.close()
    (plant.address.folder / "desk.sqlite").write_bytes(b"no database at all, though a file" * 100)
    monkeypatch.setattr(token_rules, "FRESH_S", 0.0)
    assert (await client.get("/v1/tools", headers=bearer(made))).status_code == 200
    monkeypatch.setattr(token_rules, "STALE_S", -1.0)
    answer = await client.get("/v1/tools", headers=bearer(made))
    assert (answer.status_code, kind_of(answer)) == (503, "store-unavailable")
    assert (await client.get("/healthz")).status_code == 200


# ---- lines -------------------------------------------------------------------------------------------------

LINES = {"A-01": "line-1", "A-02": "line-2"}
"""Controller -> the line on which it stands in `two_lines`."""
WEEK = "from=2026-03-27T00:00:00Z&to=2026-04-03T00:00:00Z"
CUT = {
    "GET /v1/cycles": f"/v1/cycles?{WEEK}&last=1000",
    "GET /v1/faults": "/v1/faults",
    "GET /v1/gaps": "/v1/gaps",
    "GET /v1/feed": "/v1/feed?limit=1000",
    "GET /v1/shifts": f"/v1/shifts?{WEEK}",
    "GET /v1/counts": f"/v1/counts?{WEEK}&by=controller,result",
    "GET /v1/statements/status": "/v1/statements/status",
    "GET /v1/statements": "/v1/statements?last=1000",
}
"""Lists that have only what is of a token's lines."""
CUT_ELSEWHERE = OWN | OWN_READS
"""See test_exports.py and test_receipts.py."""


@pytest.fixture(scope="session")
def two_lines_folder(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Plant]:
    """The plant, with A-02 on a line of its own."""
    folder = tmp_path_factory.mktemp("two-lines")
    text = SITE.replace('name = "A-02"\nline = "line-1"', 'name = "A-02"\nline = "line-2"')
    (folder / "site.toml").write_text(text, encoding="utf-8")
    identities = [replace(each, line=LINES[each.name]) for each in IDENTITIES]
    return folder, asyncio.run(make_plant(StoreAddress(folder=folder / "store"), identities))


@dataclass(frozen=True)
class TwoLines:
    """Asks of the plant with two lines, under one of several tokens."""

    client: httpx.AsyncClient
    tokens: dict[str, str]

    async def ask(self, name: str, address: str, **headers: str) -> httpx.Response:
        return await self.client.get(address, headers=bearer(self.tokens[name]) | headers)


@pytest.fixture
async def two_lines(built_app: FastAPI, two_lines_folder: tuple[Path, Plant]) -> AsyncIterator[TwoLines]:
    """With tokens for `line-1`, `line-2`, `both`, `all` lines, and a `strange` one."""
    folder, plant = two_lines_folder
    (folder / "store" / "desk.sqlite").unlink(missing_ok=True)
    usual = built_app.state.site
    built_app.state.site = load_site(folder / "site.toml")[0]
    built_app.state.stores = Stores(plant.address)
    set_rules(built_app, tokens="required")
    lines = {
        "line-1": ["line-1"], "line-2": ["line-2"], "both": ["line-2", "line-1"], "all": None,
        "strange": ["line-9"],
    }  # fmt: skip
    async with asking(built_app) as client:
        tokens = {
            name: make_token(plant.address, name, "integrate", "read", lines=of) for name, of in lines.items()
        }
        yield TwoLines(client, tokens)
    built_app.state.site = usual
    built_app.state.stores.close()


def line_in(item: dict[str, Any]) -> str | None:
    """Of an item of any list; None: of none."""
    if "controller" in item and item["controller"] is not None:
        return LINES[item["controller"]]
    line = item.get("line", item.get("data", {}).get("line"))
    return None if line is None else str(line)


def keys(items: list[dict[str, Any]]) -> list[str]:
    return sorted(json.dumps(item, sort_keys=True) for item in items)


def test_the_matrix_of_lines_has_every_list_that_is_cut() -> None:
    """One that is added without a row here is noticed."""
    assert {name for name, right in RIGHTS.items() if right.is_cut} == set(CUT) | CUT_ELSEWHERE


@pytest.mark.parametrize("name", CUT)
async def test_a_list_has_what_is_of_the_lines_of_the_token(two_lines: TwoLines, name: str) -> None:
    """The parts of both lines make the whole, but for what is of no line; the answer says what it is of."""
    answers = {who: await two_lines.ask(who, CUT[name]) for who in ("line-1", "line-2", "both", "all")}
    items = {}
    for who, answer in answers.items():
        assert answer.status_code == 200, answer.text
        assert answer.json()["lines"] == {"all": None, "both": ["line-1", "line-2"]}.get(who, [who])
        assert answer.headers.get("token-lines") == {"all": None, "both": "line-1, line-2"}.get(who, who)
        assert "authorization" in answer.headers["vary"].lower()
        items[who] = answer.json()["items"]
    for line in ("line-1", "line-2"):
        assert {line_in(item) for item in items[line]} <= {line}
    whole = [item for item in items["all"] if line_in(item) is not None]
    assert keys(items["both"]) == keys(items["line-1"] + items["line-2"]) == keys(whole) != []


@pytest.mark.parametrize("name", CUT)
async def test_whoever_names_a_line_must_be_for_it(two_lines: TwoLines, name: str) -> None:
    """Named, another line is refused, also beside the own; so is a token for lines that are nowhere."""
    right = RIGHTS[name]
    if right.by is not None:
        mine, other = {"line": ("line-1", "line-2"), "controller": ("A-01", "A-02")}[right.by]
        for named, status in ((mine, 200), (other, 403), ("X-99", 403), ("", 403)):
            joined = f"{CUT[name]}{'&' if '?' in CUT[name] else '?'}{right.by}={named}"
            assert (await two_lines.ask("line-1", joined)).status_code == status, joined
        twice = f"{CUT[name]}{'&' if '?' in CUT[name] else '?'}{right.by}={mine}&{right.by}={other}"
        assert (await two_lines.ask("line-1", twice)).status_code == 403
    answer = await two_lines.ask("strange", CUT[name])
    assert (answer.status_code, kind_of(answer)) == (403, "other-line")
    assert "the site file has no controller there" in answer.json()["detail"]
    assert 'error="insufficient_scope"' in answer.headers["www-authenticate"]


@pytest.mark.parametrize("name", ["GET /v1/cycles", "GET /v1/gaps", "GET /v1/counts", "GET /v1/statements"])
@pytest.mark.parametrize("wanted", ["json", "csv"])
async def test_tags_differ_by_what_the_asker_sees(two_lines: TwoLines, name: str, wanted: str) -> None:
    """Whoever brings the tag of another's answer gets its own, and no 304."""
    address = f"{CUT[name]}{'&' if '?' in CUT[name] else '?'}format={wanted}"
    answers = {who: await two_lines.ask(who, address) for who in ("line-1", "line-2", "all")}
    tags = {who: answer.headers.get("etag") for who, answer in answers.items()}
    if tags["all"] is None:
        assert wanted == "json"
        return
    assert len(set(tags.values())) == 3
    for who, tag in tags.items():
        for asker in tags:
            again = await two_lines.ask(asker, address, **{"if-none-match": str(tag)})
            assert again.status_code == (304 if asker == who else 200)


async def test_a_line_without_a_statement_is_missing_for_its_own_token_only(
    two_lines: TwoLines,
) -> None:
    """`closed` and `complete` are of what the asker sees."""
    reasons = {
        who: (await two_lines.ask(who, "/v1/statements?last=1000")).json()["reasons"]
        for who in ("line-1", "line-2", "all")
    }
    for line in ("line-1", "line-2"):
        assert reasons[line]
        assert all(says.startswith(f"{line},") for says in reasons[line])
    assert sorted(reasons["all"]) == sorted(reasons["line-1"] + reasons["line-2"])


async def test_one_by_its_name_is_for_a_token_of_its_line(two_lines: TwoLines) -> None:
    """A cycle's line is that of the controller in its id."""
    for address in ("/v1/cycles/A-02.2.7", "/v1/controllers/A-02/reconciliation"):
        assert (await two_lines.ask("line-2", address)).status_code == 200
        answer = await two_lines.ask("line-1", address)
        assert (answer.status_code, kind_of(answer)) == (403, "other-line")
    for address in ("/v1/cycles/nonsense", "/v1/cycles/A-02.2.7/curve"):
        assert (await two_lines.ask("line-1", address)).status_code == 403


async def test_what_does_not_tell_lines_apart_is_for_no_token_of_a_line(two_lines: TwoLines) -> None:
    """It gets nothing rather than too much; what is of no line is for anybody."""
    for address in ("/v1/tools", "/v1/tools/2042/counts", "/v1/controllers", "/v1/quarantine"):
        assert (await two_lines.ask("both", address)).status_code == 403, address
    for address in ("/", "/problems/other-line", "/healthz", "/readyz"):
        assert (await two_lines.ask("both", address)).status_code == 200


async def test_who_waits_at_the_feed_looks_on_behind_what_it_does_not_see(
    two_lines: TwoLines,
) -> None:
    """A page of another line's records is no news, and no end."""
    address = "/v1/feed?kinds=fault.raised&limit=1&wait=20"
    assert (await two_lines.ask("line-2", address)).json()["items"]
    one = (await two_lines.ask("line-1", "/v1/feed?limit=1")).json()
    assert one["more"]
    found = await two_lines.ask("line-1", "/v1/feed?kinds=statement.closed&limit=1&wait=20")
    assert [item["data"]["line"] for item in found.json()["items"]] == ["line-1"]


# ---- failures are rationed ---------------------------------------------------------------------------------


async def test_who_fails_too_often_has_to_wait_and_others_do_not(
    app: FastAPI, plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """429 with the seconds; a token that was verified before goes on, also from the same address."""
    access = set_rules(app, host="192.0.2.1", tls_certificate="c", tls_key="k")
    throttle = Throttle(Allowance(3, 60.0), Allowance(100, 1.0))
    access.tokens = Tokens(lambda: app.state.stores, throttle)
    good, late = (bearer(make_token(plant.address, name, "read")) for name in ("good", "late"))
    async with asking(app), from_elsewhere(app, "192.0.2.41") as client:
        assert (await client.get("/v1/tools", headers=good)).status_code == 200
        answers = [await client.get("/v1/tools", headers=bearer(f"guess-{n}")) for n in range(5)]
        assert [answer.status_code for answer in answers] == [401, 401, 401, 429, 429]
        assert kind_of(answers[-1]) == "too-many-failures"
        assert 0 < int(answers[-1].headers["retry-after"]) <= 60
        assert (await client.get("/v1/tools", headers=good)).status_code == 200
        assert (await client.get("/v1/tools", headers=late)).status_code == 429
        async with from_elsewhere(app, "192.0.2.42") as neighbour:
            assert (await neighbour.get("/v1/tools", headers=late)).status_code == 200


async def test_asking_without_a_token_is_no_failed_attempt(app: FastAPI, plant: Plant) -> None:
    """A monitor that was set up wrongly locks nobody out."""
    set_rules(app, tokens="required")
    async with asking(app) as client:
        for _ in range(30):
            assert (await client.get("/v1/tools")).status_code == 401
        good = bearer(make_token(plant.address, "mes", "read"))
        assert (await client.get("/v1/tools", headers=good)).status_code == 200
