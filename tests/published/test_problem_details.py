"""Problem details against RFC 9457.

The example is that of the RFC's section 3 (published; read in many public copies). The rules are from
memory of sections 3.1 and 3.2 and 4.2.1: `status`, if there, equals the status of the response; `type` is a
URI reference, `about:blank` where it is missing, and then the title should be the phrase of the status;
unknown members are ignored.
"""

from typing import Any
from urllib.parse import urljoin, urlsplit

import orjson
import pytest

from api.problems import PROBLEM_JSON, PROBLEMS, problem
from api.schemas import common

EXAMPLE = {
    "type": "https://example.com/probs/out-of-credit",
    "title": "You do not have enough credit.",
    "detail": "Your current balance is 30, but that costs 50.",
    "instance": "/account/12345/msgs/abc",
    "balance": 30,
    "accounts": ["/account/12345", "/account/67890"],
}
SCOPE: dict[str, Any] = {
    "type": "http",
    "method": "GET",
    "path": "/v1/tools/a b",
    "raw_path": b"/v1/tools/a%20b",
    "query_string": b"last=0",
    "headers": [],
}


def test_the_media_type_is_that_of_the_registry() -> None:
    """RFC 9457, section 3: application/problem+json."""
    assert PROBLEM_JSON == "application/problem+json"


def test_the_example_of_rfc_9457_has_the_members_that_ours_have() -> None:
    """Its own extensions beside them, which a reader ignores where it does not know them."""
    read = common.Problem.model_validate(EXAMPLE | {"status": 403})
    assert read.model_extra == {"balance": 30, "accounts": ["/account/12345", "/account/67890"]}
    assert set(EXAMPLE) - set(read.model_extra) | {"status"} == {
        "type",
        "title",
        "status",
        "detail",
        "instance",
    }


@pytest.mark.parametrize("kind", PROBLEMS)
def test_each_kind_makes_a_document_by_the_rules(kind: str) -> None:
    """Status twice the same, `type` and `instance` URI references, the title the same for all of a kind."""
    answer = problem(SCOPE, kind, "what happened here", makers=["a", "b"])
    body = orjson.loads(answer.body)
    assert answer.media_type == PROBLEM_JSON
    assert answer.headers["content-type"] == PROBLEM_JSON
    assert body["status"] == answer.status_code == PROBLEMS[kind].status
    assert body["type"] != "about:blank"
    assert urljoin("http://127.0.0.1:8470/v1/tools", body["type"]) == f"http://127.0.0.1:8470/problems/{kind}"
    assert body["title"] == PROBLEMS[kind].title
    assert body["detail"] == "what happened here"
    assert urlsplit(body["instance"]).path == "/v1/tools/a%20b"
    assert body["instance"] == "/v1/tools/a%20b?last=0"
    assert body["makers"] == ["a", "b"]


@pytest.mark.parametrize("kind", [kind for kind, known in PROBLEMS.items() if known.status == 503])
def test_an_outage_says_when_to_ask_again(kind: str) -> None:
    """RFC 9110, section 10.2.3: Retry-After in whole seconds (from memory)."""
    assert problem(SCOPE, kind, "x").headers["retry-after"].isdecimal()


def test_every_kind_has_an_error_status() -> None:
    """RFC 9110, sections 15.5 and 15.6: 4xx is the asker's side, 5xx is ours (from memory)."""
    assert {known.status // 100 for known in PROBLEMS.values()} == {4, 5}
    assert len({known.title for known in PROBLEMS.values()}) == len(PROBLEMS)
