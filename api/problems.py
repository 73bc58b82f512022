"""Every answer that is not what was asked for is a problem document (RFC 9457, application/problem+json).

`PROBLEMS` is the whole table: kind -> title, status, what to do. The kinds are served under /problems/, so
that a `type` can be followed. `KIND_OF` says which of our exceptions is which kind; the most specific class
wins. An error that is in neither is a fault of ours: 500, and nothing of its insides goes out.
"""

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.types import Scope

from api.access.askers import ASKER
from api.answers import answer
from api.stores import NoBookYet
from collector.errors import (
    AmbiguousModel,
    AmbiguousTool,
    ClampbookError,
    NotCorrectable,
    NotInBook,
    QueryError,
    StoreError,
    TookTooLong,
)

PROBLEM_JSON = "application/problem+json"
RETRY_AFTER_S = 5

logger = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Kind:
    title: str
    status: int
    advice: str


PROBLEMS: Mapping[str, Kind] = {
    "token-needed": Kind("A token is needed", 401, "Send it: Authorization: Bearer …"),
    "invalid-token": Kind(
        "The token is not valid", 401, "Ask whoever looks after clampbook for one: clampbook token create."
    ),
    "insufficient-scope": Kind(
        "The token may not do this", 403, "Ask with a token that has the scope which WWW-Authenticate names."
    ),
    "other-line": Kind(
        "The token is for other lines", 403, "Ask for its lines, or with a token that is for all."
    ),
    "other-consumer": Kind(
        "The receipt is another's", 403, "Take another name, or have the other token revoked."
    ),
    "not-encrypted": Kind("Asked without TLS", 403, "Ask through the proxy that does TLS."),
    "malformed-request": Kind("The request can't be read", 400, "Send what the OpenAPI document describes."),
    "no-such-resource": Kind("No such resource", 404, "See / for the resources there are."),
    "not-in-book": Kind(
        "Not in the book", 404, "Check the name; /v1/tools and /v1/controllers list what is known."
    ),
    "method-not-allowed": Kind(
        "Method not allowed", 405, "The header Allow lists the methods of this resource."
    ),
    "ambiguous-tool": Kind("Several tools share the serial number", 409, "Add ?maker= with one of `makers`."),
    "ambiguous-model": Kind(
        "Several models share the serial number", 409, "Add ?model= with one of `models`."
    ),
    "format-not-installed": Kind(
        "The format can't be written here",
        406,
        "Ask for another format, or install the extra: pip install 'clampbook[parquet]'.",
    ),
    "no-limits": Kind(
        "No specification limits are known",
        409,
        "Give lower, upper or both, or write them into limits of its [[tool_models]] in the site file.",
    ),
    "not-closed": Kind(
        "A shift is not closed yet",
        409,
        "`reasons` says which; ask again after Retry-After seconds. Without that header it never will be.",
    ),
    "not-complete": Kind(
        "Not complete",
        409,
        "`reasons` says what is missing; ask again when it was found, or without ?require=.",
    ),
    "exports-enough": Kind("The token has exports enough", 409, "Give some up with DELETE, then ask again."),
    "export-failed": Kind(
        "The export failed", 409, "`detail` says why; give it up with DELETE, and ask for another."
    ),
    "book-replaced": Kind(
        "The book was replaced",
        410,
        "It was restored from a backup, and is the instance `book` now. Lists: begin again without the "
        "cursor. Statements: pull every plant day that you have booked again, and replace what you booked of "
        "it, whatever its revision.",
    ),
    "desk-replaced": Kind(
        "The desk was replaced", 410, "The cursor is from another desk: go on with `next`."
    ),
    "not-correctable": Kind(
        "The record can't be corrected so", 409, "See the records; correct the one that stands."
    ),
    "too-slow": Kind("The body came too slowly", 408, "Send it at once."),
    "too-large": Kind("The body is too large", 413, "Send less."),
    "no-such-part": Kind("The file has no such part", 416, "Content-Range says how long it is."),
    "not-json": Kind("The body is not JSON", 415, "Send JSON with Content-Type: application/json."),
    "wrong-host": Kind(
        "Asked under a foreign name", 421, "Ask for 127.0.0.1, [::1], localhost, or one of [api] names."
    ),
    "invalid-request": Kind("The request has mistakes", 422, "`mistakes` lists all of them."),
    "too-many-failures": Kind(
        "Too many wrong tokens", 429, "Ask again after Retry-After seconds, with a token that is valid."
    ),
    "too-many-requests": Kind(
        "Too many requests", 429, "Ask again after Retry-After seconds; ask with If-None-Match, and in pages."
    ),
    "failed": Kind("The request failed on our side", 500, "See the log of the API for the cause."),
    "no-book-yet": Kind(
        "There is no book yet", 503, "Start the collector; ask again after Retry-After seconds."
    ),
    "store-unavailable": Kind("The store can't answer now", 503, "Ask again after Retry-After seconds."),
    "not-made-yet": Kind("The file is not made yet", 503, "Ask again after Retry-After seconds."),
    "too-busy": Kind("Too many requests at once", 503, "Ask again after Retry-After seconds."),
    "too-many-files": Kind(
        "Too many files at once", 503, "Ask again after Retry-After seconds, for one after the other."
    ),
    "took-too-long": Kind(
        "The answer took too long", 503, "Ask for less: a shorter interval, or a smaller page."
    ),
    "not-ready": Kind("Not ready", 503, "`reasons` lists what is missing."),
    "no-room": Kind(
        "No room for another", 507, "`detail` says for what; give some up with DELETE, or ask for more room."
    ),
}

KIND_OF: Mapping[type[ClampbookError], str] = {
    NotInBook: "not-in-book",
    AmbiguousTool: "ambiguous-tool",
    AmbiguousModel: "ambiguous-model",
    NotCorrectable: "not-correctable",
    QueryError: "invalid-request",
    NoBookYet: "no-book-yet",
    TookTooLong: "took-too-long",
    StoreError: "store-unavailable",
    ClampbookError: "failed",
}
MEMBERS_OF: Mapping[str, Sequence[str]] = {"ambiguous-tool": ["makers"], "ambiguous-model": ["models"]}
"""Attributes of the exception that become members of the document."""

KIND_OF_STATUS: Mapping[int, str] = {
    400: "malformed-request",
    404: "no-such-resource",
    405: "method-not-allowed",
}
"""What the framework says on its own."""


class Problem(Exception):
    """A problem that only the API knows, such as a cursor of another book; `members` go into the document."""

    def __init__(
        self, kind: str, detail: str, headers: Mapping[str, str] | None = None, **members: Any
    ) -> None:
        super().__init__(detail)
        self.kind = kind
        self.headers = headers
        self.members = members


def problem(
    scope: Scope, kind: str, detail: str, headers: Mapping[str, str] | None = None, **members: Any
) -> Response:
    """The document as a response. `instance` is the address that was asked for."""
    known = PROBLEMS[kind]
    if ASKER in scope:
        scope[ASKER].problem = kind
    body = {
        "type": f"/problems/{kind}",
        "title": known.title,
        "status": known.status,
        "detail": detail,
        "instance": _address(scope),
        **members,
    }
    more = dict(headers or {})
    if known.status == 503:
        more.setdefault("retry-after", str(RETRY_AFTER_S))
    return answer(body, status=known.status, headers=more, media_type=PROBLEM_JSON)


def answer_with_problems(app: FastAPI) -> None:
    """Hang the table into the application."""
    app.add_exception_handler(ClampbookError, _ours)
    app.add_exception_handler(Problem, _problem)
    app.add_exception_handler(RequestValidationError, _mistakes)
    app.add_exception_handler(HTTPException, _framework)
    app.add_exception_handler(Exception, _unexpected)


def _ours(request: Request, error: Exception) -> Response:
    kind = next(KIND_OF[each] for each in type(error).__mro__ if each in KIND_OF)
    if PROBLEMS[kind].status >= 500:
        logger.warning("%s %s: %s", request.method, request.url.path, error)
    if kind == "failed":
        return _unexpected(request, error)
    members = {name: getattr(error, name) for name in MEMBERS_OF.get(kind, ())}
    return problem(request.scope, kind, str(error), **members)


def _problem(request: Request, error: Exception) -> Response:
    assert isinstance(error, Problem)
    return problem(request.scope, error.kind, str(error), error.headers, **error.members)


def _framework(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    kind = KIND_OF_STATUS.get(
        error.status_code, "failed" if error.status_code >= 500 else "malformed-request"
    )
    details = {
        "no-such-resource": f"there is no resource {request.url.path}",
        "method-not-allowed": f"{request.method} is not possible on {request.url.path}",
    }
    headers = {name.lower(): value for name, value in (error.headers or {}).items()}
    if kind == "method-not-allowed":
        headers |= _allow(request)
    return problem(request.scope, kind, details.get(kind, str(error.detail)), headers)


def _allow(request: Request) -> dict[str, str]:
    """What can be done with this address (RFC 9110, section 15.5.6); the framework names the first only."""
    route = request.scope.get("route")
    operations = request.app.openapi()["paths"].get(getattr(route, "path_format", None), {})
    return {"allow": ", ".join(sorted(method.upper() for method in operations))} if operations else {}


def _unexpected(request: Request, error: Exception) -> Response:
    return problem(
        request.scope, "failed", "something unexpected happened; the log of the API has the details"
    )


# ---- mistakes in parameters and bodies ---------------------------------------------------------------------


def _mistakes(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    mistakes = [_mistake(each) for each in error.errors()]
    return invalid_request(request.scope, mistakes)


def invalid_request(scope: Scope, mistakes: Sequence[Mapping[str, str]]) -> Response:
    """422 with all mistakes; each has `where` (path, query, body), `name` there, `says` (a sentence)."""
    return problem(
        scope, "invalid-request", "; ".join(each["says"] for each in mistakes), mistakes=list(mistakes)
    )


SENTENCES = {
    "missing": "{name} is missing",
    "int_parsing": "{name} must be a whole number",
    "int_type": "{name} must be a whole number",
    "int_from_float": "{name} must be a whole number",
    "int_parsing_size": "{name} is too large",
    "greater_than_equal": "{name} must be at least {ge}",
    "less_than_equal": "{name} must be at most {le}",
    "literal_error": "{name} must be {expected}",
    "string_type": "{name} must be text",
    "string_too_short": "{name} must not be empty",
    "string_too_long": "{name} must not be longer than {max_length} characters",
    "value_error": "{name} {error}",
    "extra_forbidden": "{name} is not known here",
    "json_invalid": "the body is not JSON ({error})",
    "model_attributes_type": "{name} must be a JSON object",
    "dict_type": "{name} must be a JSON object",
}
"""Kind of mistake as the validation library calls it -> our sentence."""


def _mistake(found: Mapping[str, Any]) -> dict[str, str]:
    where, *path = (str(part) for part in found["loc"])
    is_json_error = found["type"] == "json_invalid"
    name = "the body" if is_json_error or not path else ".".join(path)
    sentence = SENTENCES.get(found["type"])
    facts = {"name": name, **{key: str(value) for key, value in (found.get("ctx") or {}).items()}}
    says = sentence.format(**facts) if sentence else f"{name}: {found['msg']}"
    return {"where": where, "name": "" if name == "the body" else name, "says": says}


def path_as_sent(scope: Scope) -> str:
    """The path still encoded: a URI reference that can be sent again."""
    raw = scope.get("raw_path") or quote(scope["path"]).encode("ascii")
    return bytes(raw).split(b"?")[0].decode("ascii", errors="backslashreplace")


def _address(scope: Scope) -> str:
    query = scope.get("query_string", b"").decode("ascii", errors="backslashreplace")
    return path_as_sent(scope) + (f"?{query}" if query else "")
