"""The API's two documents against the specifications they name.

OpenAPI 3.1: the specification's own JSON Schema, which openapi-spec-validator carries, and its rules beyond
that (references lead somewhere, each parameter of a path is declared, defaults fit). Schemas and examples:
JSON Schema 2020-12, by jsonschema. AsyncAPI 3.0: the models of pydantic-asyncapi, written after the
specification by others; the specification's own JSON Schema is in no package for Python that we know, so what
these models leave open (patterns of keys, formats of addresses) is not held. That a payload without a schema
format is JSON Schema draft 7: AsyncAPI 3.0, "Message Object" and "Multi Format Schema Object" (from memory).
"""

from collections.abc import Iterator
from copy import deepcopy
from typing import Any

import pytest
from jsonschema import Draft7Validator, Draft202012Validator
from openapi_spec_validator import OpenAPIV31SpecValidator
from pydantic import BaseModel
from pydantic_asyncapi.v3 import AsyncAPI
from referencing.exceptions import Unresolvable

from api.app import create_app
from api.push.document import publishing_document
from collector.config import load_site
from collector.pushing import PublishPart
from tests.api.plant import write_site

SINCE_DRAFT_7 = {"$anchor", "$defs", "$dynamicRef", "dependentRequired", "dependentSchemas", "maxContains"}
SINCE_DRAFT_7 |= {"minContains", "prefixItems", "unevaluatedItems", "unevaluatedProperties"}
"""Keywords that a reader of draft 7 passes over (release notes of 2019-09 and 2020-12; from memory)."""
DATA = {"const", "default", "enum", "example", "examples"}
"""Members of a schema whose values are no schemas."""


@pytest.fixture(scope="module")
def openapi(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    site, _ = load_site(write_site(tmp_path_factory.mktemp("site")))
    return create_app(site).openapi()


def errors_of(document: dict[str, Any]) -> list[str]:
    try:
        return [each.message for each in OpenAPIV31SpecValidator(document).iter_errors()]
    except Unresolvable as error:
        return [f"there is no {error.ref}"]


def test_the_openapi_document_is_one(openapi: dict[str, Any]) -> None:
    """By the schema of OpenAPI 3.1 and its rules."""
    assert openapi["openapi"] == "3.1.0"
    assert errors_of(openapi) == []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("info",), {"title": "clampbook"}),
        (("paths", "/v1/tools/{serial}", "get", "parameters"), []),
        (("paths", "/v1/tools", "get", "responses"), {"99": {"description": "none"}}),
        (("components", "responses", "Problem404", "content", "x/y"), {"schema": {"$ref": "#/nowhere"}}),
        (("components", "schemas", "Tool", "type"), "text"),
    ],
    ids=["no version", "undeclared parameter", "no such status", "reference to nowhere", "no such type"],
)
def test_a_wrong_openapi_document_is_noticed(
    openapi: dict[str, Any], path: tuple[str, ...], value: object
) -> None:
    """The validator can say no."""
    document = part = deepcopy(openapi)
    for name in path[:-1]:
        part = part[name]
    part[path[-1]] = value
    assert errors_of(document)


def test_every_schema_is_one(openapi: dict[str, Any]) -> None:
    """By the meta-schema of JSON Schema 2020-12, the dialect of OpenAPI 3.1 (from memory)."""
    for schema in openapi["components"]["schemas"].values():
        Draft202012Validator.check_schema(schema)


def examples_in(value: Any, path: str = "#") -> Iterator[tuple[str, Any]]:
    """Where a schema with examples stands, and each of them."""
    if isinstance(value, dict):
        if isinstance(value.get("examples"), list):
            yield from ((path, example) for example in value["examples"])
        for name, inner in value.items():
            if name not in DATA:
                yield from examples_in(inner, f"{path}/{name.replace('~', '~0').replace('/', '~1')}")
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from examples_in(inner, f"{path}/{place}")


def test_every_example_is_what_its_schema_says(openapi: dict[str, Any]) -> None:
    """With its nulls, and all formats checked."""
    found = list(examples_in(openapi))
    assert len(found) > 30
    checker = Draft202012Validator.FORMAT_CHECKER
    for path, example in found:
        reader = Draft202012Validator({**openapi, "$ref": path}, format_checker=checker)
        assert [error.message for error in reader.iter_errors(example)] == [], path


PUBLISHED = [None, PublishPart(host="broker.plant.example", kinds=("cycle.stored", "statement.closed"))]


@pytest.mark.parametrize("publish", PUBLISHED, ids=["as it would be", "to a broker"])
def test_the_asyncapi_document_is_one(publish: PublishPart | None) -> None:
    """Read by models of AsyncAPI 3.0 and written again it is the same, without a member unknown to them."""
    document = publishing_document(publish)
    read = AsyncAPI.model_validate(document)
    assert read.model_dump(mode="json", by_alias=True, exclude_unset=True) == document
    assert list(unknown_members(read)) == []


def unknown_members(value: object) -> Iterator[str]:
    if isinstance(value, BaseModel):
        yield from value.model_extra or ()
        yield from unknown_members(dict(value))
    elif isinstance(value, dict):
        for inner in value.values():
            yield from unknown_members(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from unknown_members(inner)


def test_a_payload_means_the_same_to_readers_of_both_drafts() -> None:
    """AsyncAPI 3.0 reads draft 7 where no schema format is told; ours are made as 2020-12."""
    document = publishing_document(None)
    for message in document["components"]["messages"].values():
        schema = {"components": document["components"], **message["payload"]}
        for draft in (Draft7Validator, Draft202012Validator):
            draft.check_schema(schema)
            assert not draft(schema).is_valid({}), message["name"]
    assert not SINCE_DRAFT_7 & keywords_in(document["components"]["schemas"])


def keywords_in(value: Any) -> set[str]:
    if isinstance(value, dict):
        return set(value).union(*(keywords_in(each) for name, each in value.items() if name not in DATA))
    return set().union(*map(keywords_in, value)) if isinstance(value, list) else set()
