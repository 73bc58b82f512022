"""The OpenAPI document tells the truth: each resource has a sample here, which is as the document says."""

import json
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from jsonschema import Draft202012Validator
from pydantic import BaseModel

from api.problems import PROBLEMS, problem
from api.resources.service import NewService
from api.schemas import (
    access,
    charts,
    common,
    counts,
    exports,
    fault_rates,
    features,
    feed,
    findings,
    forecast,
    push,
    receipts,
    records,
    settings,
    setups,
    shifts,
    statements,
    tolerance,
)
from tests.api import exported
from tests.api.asking import bearer, make_token
from tests.api.plant import Plant

SAMPLES: dict[str, tuple[str, type[BaseModel]]] = {
    "/": ("/", records.Index),
    "/problems/{kind}": ("/problems/not-ready", common.ProblemKind),
    "/healthz": ("/healthz", records.Alive),
    "/readyz": ("/readyz", records.Ready),
    "/v1/controllers": ("/v1/controllers", common.Page[records.Controller]),
    "/v1/controllers/{name}": ("/v1/controllers/A-02", records.Controller),
    "/v1/controllers/{name}/mounts": ("/v1/controllers/A-01/mounts", common.Page[records.MountOn]),
    "/v1/controllers/{name}/counter": ("/v1/controllers/A-02/counter", records.CountChangePage),
    "/v1/controllers/{name}/clock": ("/v1/controllers/A-02/clock", records.ClockChangePage),
    "/v1/controllers/{name}/reconciliation": (
        "/v1/controllers/A-02/reconciliation",
        records.ReconciliationPage,
    ),
    "/v1/tools": ("/v1/tools?last=2", common.Page[records.ListedTool]),
    "/v1/tools/{serial}": ("/v1/tools/2042", records.ToolDetail),
    "/v1/tools/{serial}/cycles": ("/v1/tools/2042/cycles", common.ToolPage[records.ListedCycle]),
    "/v1/tools/{serial}/curves": ("/v1/tools/2042/curves", common.ToolPage[features.CurveWithFeatures]),
    "/v1/tools/{serial}/counts": ("/v1/tools/2042/counts?from=2026-03-20&to=2026-11-01", records.ToolCounts),
    "/v1/tools/{serial}/service": ("/v1/tools/2042/service", records.Service),
    "/v1/tools/{serial}/forecast": ("/v1/tools/2042/forecast", forecast.ToolForecast),
    "/v1/tools/{serial}/causes": ("/v1/tools/2042/causes?at=2026-10-25T12:00:00Z", findings.Causes),
    "/v1/tools/{serial}/charts/{measure}": ("/v1/tools/2042/charts/peak_tension_n?last=300", charts.Charts),
    "/v1/tools/{serial}/capability/{measure}": (
        "/v1/tools/2042/capability/peak_tension_n?lower=850&upper=1150",
        charts.Capability,
    ),
    "/v1/tools/{serial}/change-point/{measure}": (
        "/v1/tools/2042/change-point/peak_tension_n?since=2026-03-01T00:00:00Z",
        charts.ChangePoint,
    ),
    "/v1/containment": (
        "/v1/containment?tool=2042&measure=peak_tension_n&detected_at=2026-10-25T00:00:00Z",
        charts.Containment,
    ),
    "/v1/cycles": (
        "/v1/cycles?from=2026-10-24T00:00:00Z&to=2026-10-25T00:00:00Z",
        common.LinesPage[records.CycleOfTool],
    ),
    "/v1/cycles/{id}": ("/v1/cycles/A-02.2.7", records.Cycle),
    "/v1/cycles/{id}/curve": ("/v1/cycles/A-02.2.7/curve", records.Curve),
    "/v1/cycles/{id}/features": ("/v1/cycles/A-02.2.7/features", features.CycleFeatures),
    "/v1/tools/{serial}/tolerance": ("/v1/tools/2042/tolerance", tolerance.ToolTolerance),
    "/v1/cycles/{id}/tolerance": ("/v1/cycles/A-02.2.7/tolerance", tolerance.CycleTolerance),
    "/v1/setups": ("/v1/setups", common.Page[setups.Setup]),
    "/v1/controllers/{name}/setup": ("/v1/controllers/A-02/setup", setups.Setup),
    "/v1/settings/changes": ("/v1/settings/changes", settings.SettingChangePage),
    "/v1/settings/changes/before": (
        "/v1/settings/changes/before?tool=2042&at=2026-10-25T12:00:00Z&measure=punch_velocity_m_s&ratio=0.9",
        settings.ChangesBefore,
    ),
    "/v1/faults": ("/v1/faults", records.FaultPage),
    "/v1/faults/summary": (
        "/v1/faults/summary?from=2026-10-01T00:00:00Z&to=2026-11-01T00:00:00Z&by=station",
        fault_rates.FaultSummary,
    ),
    "/v1/faults/comparison": (
        "/v1/faults/comparison?from=2026-10-24T00:00:00Z&to=2026-10-25T00:00:00Z"
        "&second_from=2026-10-25T00:00:00Z&second_to=2026-10-27T00:00:00Z",
        fault_rates.FaultComparison,
    ),
    "/v1/faults/life": (
        "/v1/faults/life?from=2026-10-01T00:00:00Z&to=2026-11-01T00:00:00Z",
        fault_rates.FaultLife,
    ),
    "/v1/findings": ("/v1/findings", findings.FindingPage),
    "/v1/findings/{commit_number}": ("/v1/findings/{open_finding}", findings.ShownFinding),
    "/v1/gaps": ("/v1/gaps", common.LinesPage[records.Gap]),
    "/v1/feed": ("/v1/feed?limit=3", feed.Feed),
    "/v1/quarantine": ("/v1/quarantine", common.Page[records.Quarantined]),
    "/v1/counts": (
        "/v1/counts?from=2026-10-23T00:00:00Z&to=2026-10-26T00:00:00Z&by=shift,tool,result,band",
        counts.CountPage,
    ),
    "/v1/statements": ("/v1/statements?plant_day=2026-03-28", statements.StatementPage),
    "/v1/statements/status": ("/v1/statements/status", statements.StatementStatus),
    "/v1/statements/{line}/{plant_day}/{shift}": (
        "/v1/statements/line-1/2026-03-28/early",
        statements.Statement,
    ),
    "/v1/statements/{line}/{plant_day}/{shift}/revisions": (
        "/v1/statements/line-1/2026-03-28/early/revisions",
        common.Page[statements.StatementRevision],
    ),
    "/v1/statements/{line}/{plant_day}/{shift}/revisions/{revision}": (
        "/v1/statements/line-1/2026-03-28/early/revisions/1",
        statements.Statement,
    ),
    "/v1/shifts": ("/v1/shifts?from=2026-10-23T00:00:00Z&to=2026-10-26T00:00:00Z", shifts.ShiftPage),
    "/v1/exports": ("/v1/exports", exports.ExportPage),
    "/v1/exports/{id}": (f"/v1/exports/{exported.FAILED}", exports.Export),
    "/v1/receipts": ("/v1/receipts", receipts.ReceiptPage),
    "/v1/receivers": ("/v1/receivers", push.ReceiverPage),
    "/v1/deliveries": ("/v1/deliveries", push.DeliveryPage),
    "/v1/asyncapi.json": ("/v1/asyncapi.json", push.PublishingDocument),
    "/v1/tokens": ("/v1/tokens", common.Page[access.ListedToken]),
    "/v1/audit-trail": ("/v1/audit-trail", access.AuditTrail),
}
"""Path in the document -> an address of that kind, and the model that it must answer with."""
FILES = {"/v1/exports/{id}/file": f"/v1/exports/{exported.DONE}/file"}
"""… that answer with no JSON."""
ADDRESSES = {path: address for path, (address, _) in SAMPLES.items()} | FILES

DONE = {"done_by": "Fitter 7", "done_at": "2026-10-25T00:00:00Z"}


@pytest.fixture
async def client(app: FastAPI, client: httpx.AsyncClient, plant: Plant) -> httpx.AsyncClient:
    """With a token that may ask for everything, beside one that is refused: both leave a trace to show."""
    exported.with_exports(app)
    await client.get("/v1/tools", headers=bearer("wrong"))
    client.headers.update(bearer(make_token(plant.address, "office", "admin", "service")))
    return client


@pytest.fixture
def addresses(plant: Plant) -> dict[str, str]:
    """Path in the document -> its sample's address."""
    return {path: address.format(open_finding=plant.findings[-1]) for path, (address, _) in SAMPLES.items()}


@pytest.fixture
async def document(client: httpx.AsyncClient) -> dict[str, Any]:
    return dict((await client.get("/v1/openapi.json")).json())


def test_every_resource_has_a_sample(document: dict[str, Any]) -> None:
    """A resource that is added without one is noticed."""
    assert {path for path, operations in document["paths"].items() if "get" in operations} == set(ADDRESSES)
    assert document["openapi"].startswith("3.1")


@pytest.mark.parametrize("path", SAMPLES)
async def test_an_answer_is_as_the_document_says(
    client: httpx.AsyncClient, document: dict[str, Any], addresses: dict[str, str], path: str
) -> None:
    """No member more, none less, none of another type."""
    model = SAMPLES[path][1]
    answer = await client.get(addresses[path])
    assert answer.status_code == 200
    model.model_validate_json(answer.content, strict=True)
    assert _model_of(document, path, "get", "200") == model.__name__


async def test_a_tool_with_a_service_is_as_the_document_says(client: httpx.AsyncClient) -> None:
    """The members that are null without one have their type with one."""
    made = await client.post("/v1/tools/2042/service", json=DONE)
    records.RecordedService.model_validate_json(made.content, strict=True)
    for path in ("/v1/tools/{serial}", "/v1/tools/{serial}/service", "/v1/tools/{serial}/counts"):
        address, model = SAMPLES[path]
        model.model_validate_json((await client.get(address)).content, strict=True)
    tool = (await client.get("/v1/tools/2042")).json()
    assert tool["last_service"]["done_by"] == "Fitter 7"


def test_every_operation_says_with_which_problems_it_may_answer(document: dict[str, Any]) -> None:
    """Each error status by itself, and no `default` that would cover what nobody has thought of."""
    for path, operations in document["paths"].items():
        for operation in operations.values():
            errors = {status: each for status, each in operation["responses"].items() if status >= "400"}
            assert errors.keys() >= {"400", "401", "403", "421", "422", "429", "500", "503"}, path
            for status, told in errors.items():
                assert told == {"$ref": f"#/components/responses/Problem{status}"}, path


@pytest.mark.parametrize("kind", [kind for kind, known in PROBLEMS.items() if known.status != 405])
def test_every_kind_of_problem_is_as_the_document_says(document: dict[str, Any], kind: str) -> None:
    """Under its status, which no other kind can have, and in the media type of problems alone. 405 is no
    operation's answer, but that of an address."""
    name = f"Problem{PROBLEMS[kind].status}"
    answer = problem({"type": "http", "path": "/v1/tools"}, kind, "what happened here")
    (media_type,) = document["components"]["responses"][name]["content"]
    assert media_type == answer.media_type == "application/problem+json"
    body, place = (
        json.loads(answer.body),
        f"#/components/responses/{name}/content/{media_type.replace('/', '~1')}",
    )
    reader = Draft202012Validator({**document, "$ref": f"{place}/schema"})
    assert list(reader.iter_errors(body)) == []
    assert not reader.is_valid(body | {"type": "/problems/method-not-allowed"})


async def test_a_problem_is_as_the_document_says(client: httpx.AsyncClient) -> None:
    """With the members of its kind."""
    for address in ("/v1/tools/2041", "/v1/faults?last=0", "/v1/nothing"):
        found = common.Problem.model_validate_json((await client.get(address)).content, strict=True)
        assert found.status >= 400
        assert not found.model_extra


@pytest.mark.parametrize("model", [charts.Charts, charts.Capability, charts.ChangePoint, charts.Containment])
def test_an_example_is_as_the_document_says(document: dict[str, Any], model: type[BaseModel]) -> None:
    """It is an answer that could be; the document has it."""
    extra = model.model_config["json_schema_extra"]
    assert isinstance(extra, dict)
    (example,) = extra["examples"]  # type: ignore[misc]
    model.model_validate_json(json.dumps(example), strict=True)
    (shown,) = document["components"]["schemas"][model.__name__]["examples"]
    assert shown == example


@pytest.mark.parametrize("model", [feed.Feed, records.RecordedService, push.Receiver, push.Delivery])
def test_an_example_could_be_an_answer(model: type[BaseModel]) -> None:
    """Whoever builds on it is not led astray."""
    extra = model.model_config["json_schema_extra"]
    assert isinstance(extra, dict)
    for example in extra["examples"]:  # type: ignore[union-attr]
        model.model_validate_json(json.dumps(example), strict=True)


async def test_the_examples_of_a_service_are_taken(client: httpx.AsyncClient) -> None:
    """One by one: recorded, corrected, withdrawn."""
    examples = NewService.model_config["json_schema_extra"]["examples"]  # type: ignore[index]
    for number, example in enumerate(examples):  # type: ignore[arg-type]
        body = example | ({"corrects": str(number)} if number else {})
        body |= {"done_at": "2026-07-01T05:10:00Z"} if "done_at" in example else {}
        assert (await client.post("/v1/tools/2042/service", json=body)).status_code == 201


async def test_the_index_leads_to_every_list(client: httpx.AsyncClient) -> None:
    """Its links without a place to fill in can be followed."""
    links = (await client.get("/")).json()["links"]
    for link in links.values():
        if "{" not in link:
            assert (await client.get(link)).status_code == 200, link
    assert {link.split("?")[0] for link in links.values()} >= set(ADDRESSES) - {"/", "/problems/{kind}"}


async def test_no_page_asks_the_internet_for_anything(client: httpx.AsyncClient) -> None:
    """The pages that the framework would bring load scripts from elsewhere; a line PC has no elsewhere."""
    for path in ("/docs", "/redoc", "/v1/docs"):
        assert (await client.get(path)).status_code == 404


def _model_of(document: dict[str, Any], path: str, method: str, status: str) -> str:
    schema = document["paths"][path][method]["responses"][status]["content"]["application/json"]["schema"]
    name = str(schema["$ref"]).removeprefix("#/components/schemas/")
    return str(document["components"]["schemas"][name].get("title", name))
