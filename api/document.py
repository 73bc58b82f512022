"""What the OpenAPI document says beyond what the framework can know: who may ask, which problems may come,
with which headers, and how a list of words stands in an address.

Which problems an operation may answer with follows from what it takes; one that has more of them says so in
its own `responses`. The statuses of an operation are all that it has: there is no `default`.
"""

from collections.abc import Iterable
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from api.access.rights import HEALTH, RIGHTS
from api.answers import SECONDS
from api.problems import PROBLEM_JSON, PROBLEMS
from api.schemas.common import Problem

Operation = dict[str, Any]

TOKEN_SCHEME = {
    "type": "http",
    "scheme": "bearer",
    "description": "A token with one of the scopes that the operation lists. On the machine itself none is "
    "needed, unless the site file says so, but for the operations that list `admin` alone.",
}
UNCHANGED = "304"
NOT_OF_AN_OPERATION = frozenset({405})
"""Whoever asks with a method that the document has not got."""
ALWAYS = frozenset({400, 401, 403, 421, 422, 429, 500, 503})
OF_A_BODY = frozenset({408, 413, 415})
OF_A_PARAMETER = {
    404: frozenset({"controller", "tool", "second_tool", "line"}),
    406: frozenset({"format"}),
    409: frozenset({"maker", "model", "require"}),
    410: frozenset({"cursor", "after"}),
}
"""Status -> the parameters, one of which brings it. Every parameter of a path brings 404."""
HEADERS: dict[int, dict[str, Any]] = {
    401: {"WWW-Authenticate": {"required": True, "schema": {"type": "string", "pattern": "^Bearer "}}},
    403: {"WWW-Authenticate": {"schema": {"type": "string", "pattern": "^Bearer "}}},
    409: {"Retry-After": SECONDS},
    416: {"Content-Range": {"schema": {"type": "string", "pattern": "^bytes [*]/[0-9]+$"}}},
    429: {"Retry-After": SECONDS | {"required": True}},
    503: {"Retry-After": SECONDS | {"required": True}},
}
LINK = {"description": "The next page (RFC 8288), where there is one.", "schema": {"type": "string"}}
IF_NONE_MATCH = {
    "name": "If-None-Match",
    "in": "header",
    "required": False,
    "schema": {"type": "string"},
    "description": "Entity tags of what the asker has, or *: 304 without a body where that is still so.",
}


def complete(document: dict[str, Any], models: Iterable[type[BaseModel]]) -> None:
    """Write it all into the document that the framework has made. `models`: those of the answers."""
    for name, examples in _examples_of(models).items():
        document["components"]["schemas"][name]["examples"] = examples
    document["components"]["securitySchemes"] = {"token": TOKEN_SCHEME}
    document["components"]["responses"] = {
        _name_of(status): _problems_of(status)
        for status in sorted({kind.status for kind in PROBLEMS.values()} - NOT_OF_AN_OPERATION)
    }
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            for parameter in operation.get("parameters", ()):
                _as_in_an_address(parameter)
            _say_who_may_ask(operation, method, path)
            _say_what_may_come(operation)
            if UNCHANGED in operation["responses"]:
                operation.setdefault("parameters", []).append(IF_NONE_MATCH)


def _examples_of(models: Iterable[type[BaseModel]]) -> dict[str, Any]:
    """Name of a schema -> its examples, with their nulls: the framework leaves these out of the document."""
    _, schemas = models_json_schema([(each, "serialization") for each in models])
    return {name: each["examples"] for name, each in schemas["$defs"].items() if "examples" in each}


def _as_in_an_address(parameter: dict[str, Any]) -> None:
    """There is no null in an address, and a list is one text with commas."""
    schema = parameter["schema"]
    others = [each for each in schema.get("anyOf", ()) if each != {"type": "null"}]
    if len(others) == 1:
        del schema["anyOf"]
        schema |= others[0]
    if schema.get("type") == "array":
        parameter |= {"style": "form", "explode": False}
        if "default" in schema:
            schema["default"] = schema["default"].split(",")


def _say_who_may_ask(operation: Operation, method: str, path: str) -> None:
    if right := RIGHTS.get(f"{method.upper()} {path}"):
        anybody: list[dict[str, list[str]]] = [{}] if path in HEALTH else []
        operation["security"] = [{"token": [scope]} for scope in right.scopes] + anybody


def _say_what_may_come(operation: Operation) -> None:
    responses = operation["responses"]
    responses.pop("default", None)
    if OF_A_PARAMETER[410] & _names_of(operation):
        responses["200"].setdefault("headers", {})["Link"] = LINK
    for status in sorted(statuses_of(operation)):
        responses[str(status)] = {"$ref": f"#/components/responses/{_name_of(status)}"}


def statuses_of(operation: Operation) -> set[int]:
    """Of the problems that what it takes may bring, and of those that its own responses name."""
    named = _names_of(operation)
    own = {int(status) for status in operation["responses"] if int(status) >= 400}
    brought = {status for status, parameters in OF_A_PARAMETER.items() if parameters & named}
    of_path = {404 for each in operation.get("parameters", ()) if each["in"] == "path"}
    of_body = OF_A_BODY if "requestBody" in operation else frozenset()
    return own | brought | of_path | of_body | ALWAYS


def _names_of(operation: Operation) -> set[str]:
    return {each["name"] for each in operation.get("parameters", ())}


def _name_of(status: int) -> str:
    return f"{Problem.__name__}{status}"


def _problems_of(status: int) -> dict[str, Any]:
    """All kinds of problems that have this status."""
    kinds = {name: kind for name, kind in PROBLEMS.items() if kind.status == status}
    own = {"type": {"enum": [f"/problems/{name}" for name in kinds]}, "status": {"const": status}}
    schema = {"allOf": [{"$ref": f"#/components/schemas/{Problem.__name__}"}, {"properties": own}]}
    return {
        "description": "A problem (RFC 9457). " + "; ".join(kind.title for kind in kinds.values()) + ".",
        "content": {PROBLEM_JSON: {"schema": schema}},
    } | ({"headers": HEADERS[status]} if status in HEADERS else {})
