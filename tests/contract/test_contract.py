"""Whatever is asked, valid or not, the API answers as its OpenAPI document says."""

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from tests.contract.proving import prove
from tests.contract.served import Served, served

EXAMPLES = 8
"""Made at random for an operation, beside the bounds of everything it takes; by hand: 200 and more."""
CHECKS = {
    "allow_header_conformance",
    "content_type_conformance",
    "ensure_resource_availability",
    "ignored_auth",
    "missing_required_header",
    "negative_data_rejection",
    "not_a_server_error",
    "object_level_authorization",
    "positive_data_acceptance",
    "response_headers_conformance",
    "response_schema_conformance",
    "status_code_conformance",
    "unsupported_method",
    "use_after_free",
}
"""All that the tester has, but for the time that an answer takes."""


@pytest.fixture
async def api(tmp_path: Path) -> AsyncIterator[Served]:
    (tmp_path / "site").mkdir()
    (tmp_path / "left").mkdir()
    async with served(tmp_path / "site") as api:
        yield api


def operations(api: Served) -> set[str]:
    paths = api.app.openapi()["paths"]
    return {f"{method.upper()} {path}" for path, methods in paths.items() for method in methods}


@pytest.mark.timeout(600)
async def test_the_api_answers_as_its_document_says(api: Served, tmp_path: Path) -> None:
    """Every operation, under every check: samples, bounds of all that it takes, random values, sequences. Of
    each some cases are answered with what was asked for; else there would be little to check."""
    proof = await prove(api, tmp_path / "left", examples=EXAMPLES)
    assert (proof.failed, proof.failures, proof.errors) == ({}, 0, 0), proof.says
    assert proof.statuses.keys() == operations(api)
    assert proof.checks.keys() == CHECKS
    assert proof.never_accepted == []


def tell_lies(document: dict[str, Any]) -> dict[str, list[str]]:
    """A lie of each kind; operation -> the check that must fail."""
    paths, schemas = document["paths"], document["components"]["schemas"]
    schemas["ListedTool"]["properties"]["mounted_on"]["type"] = "string"
    del paths["/v1/tools/{serial}"]["get"]["responses"]["404"]
    paths["/healthz"]["get"]["security"].remove({})
    last = next(each for each in paths["/v1/faults"]["get"]["parameters"] if each["name"] == "last")
    last["schema"]["maximum"] += 1
    last = next(each for each in paths["/v1/quarantine"]["get"]["parameters"] if each["name"] == "last")
    last["schema"]["maximum"] -= 1
    answer = paths["/v1/controllers"]["get"]["responses"]["200"]
    answer["headers"] = {"X-Count": {"required": True, "schema": {"type": "integer"}}}
    answer = paths["/v1/setups"]["get"]["responses"]["200"]
    answer["content"] = {"text/csv": {"schema": {"type": "string"}}}
    return {
        "GET /v1/tools": ["response_schema_conformance"],
        "GET /v1/tools/{serial}": ["status_code_conformance"],
        "GET /healthz": ["ignored_auth", "missing_required_header"],
        "GET /v1/faults": ["positive_data_acceptance"],
        "GET /v1/quarantine": ["negative_data_rejection"],
        "GET /v1/controllers": ["response_headers_conformance"],
        "GET /v1/setups": ["content_type_conformance"],
    }


@pytest.mark.timeout(300)
async def test_a_document_that_lies_is_noticed(api: Served, tmp_path: Path) -> None:
    """Each lie by the check that is for it, and nothing else."""
    lies = tell_lies(api.app.openapi())
    asked = [part for name in lies for part in ("--include-name", name)]
    proof = await prove(api, tmp_path / "left", *asked, examples=2, phases=("coverage", "fuzzing"))
    assert proof.failed == lies, proof.says
