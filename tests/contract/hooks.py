"""What the tester is told beside the document: the samples that the other tests ask for, as examples; and, in
`IN_WORDS`, what the document says in words only, since OpenAPI 3.1 can't say what parameters mean together.

A rule changes cases that are meant to be valid, and none that is meant to be wrong.
"""

import json
import os
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any
from urllib.parse import parse_qsl, unquote, urlsplit

import httpx
import schemathesis
import schemathesis.cli
from schemathesis import Case, GenerationMode, HookContext
from schemathesis.cli.commands.run.handlers.base import EventHandler
from schemathesis.engine import Status
from schemathesis.engine.events import ScenarioFinished
from schemathesis.generation.meta import TestPhase

from api.exporting import EXPORTED
from api.parameters import LAST_YEAR
from collector.rfc3339 import format_rfc3339, parse_rfc3339
from tests.api.plant import BEGAN, LATEST, MOVED
from tests.api.test_access import WRITES
from tests.api.test_document import ADDRESSES

API = httpx.Client(
    base_url=os.environ["CONTRACT_URL"], headers=json.loads(os.environ["CONTRACT_HEADERS"]), timeout=60
)
NAMES = json.loads(os.environ["CONTRACT_NAMES"])
"""What stands in braces in a sample."""
KNOWN_SHARE = 0.8
"""Of the cases, so many ask for what is in the book."""
KNOWN = {
    "controller": "A-02",
    "line": "line-1",
    "tool": MOVED.serial,
    "second_tool": MOVED.serial,
    "maker": MOVED.maker,
    "second_maker": MOVED.maker,
    "model": MOVED.model,
    "second_model": MOVED.model,
}
LONGEST = timedelta(days=31)
LAST = datetime(LAST_YEAR, 12, 30, tzinfo=UTC)
Query = dict[str, Any]


# ---- the samples as examples -------------------------------------------------------------------------------


def sample(method: str, path: str) -> tuple[dict[str, str], dict[str, str]]:
    """What the sample of an operation has in its path and its query."""
    address = ADDRESSES[path] if method == "get" else WRITES[f"{method.upper()} {path}"][0]
    parts = urlsplit(address.format(**NAMES))
    of_path = {
        name[1:-1]: unquote(value)
        for name, value in zip(path.split("/"), parts.path.split("/"), strict=True)
        if name.startswith("{")
    }
    return of_path, dict(parse_qsl(parts.query))


def as_schema_has_it(value: str, schema: Mapping[str, Any]) -> Any:
    match schema.get("type"):
        case "array":
            return value.split(",")
        case "integer":
            return int(value)
        case "number":
            return float(value)
    return value


@schemathesis.hook
def before_load_schema(context: HookContext, raw_schema: dict[str, Any]) -> None:
    for path, operations in raw_schema["paths"].items():
        for method, operation in operations.items():
            of_path, of_query = sample(method, path)
            for parameter in operation.get("parameters", ()):
                values = of_path if parameter["in"] == "path" else of_query
                if parameter["name"] in values:
                    parameter["example"] = as_schema_has_it(values[parameter["name"]], parameter["schema"])


def places(case: Case, random: Random) -> Query:
    """Most ask for what there is; in a sequence, for what an answer has named. The index names places to fill
    in."""
    of_path, _ = sample(case.operation.method.lower(), case.path)
    made = case.path_parameters
    assert case.meta is not None
    if case.meta.phase.name is TestPhase.STATEFUL:
        return made | {name: value for name, value in of_path.items() if "{" in str(made.get(name))}
    return made | (of_path if random.random() < KNOWN_SHARE else {})


# ---- what the document says in words -----------------------------------------------------------------------


def cursors(case: Case, query: Query, random: Random) -> None:
    """A cursor is from a page before of the same list."""
    name = "cursor" if "cursor" in query else "after"
    if name not in query:
        return
    del query[name]
    short = {"last": 1, "limit": 1, "format": "json"}
    if case.path == "/v1/statements" and name == "after":
        short["after"] = ""
    asked = query | {each: value for each, value in short.items() if each in _names(case)}
    following = next_of(case.formatted_path, asked)
    if following is not None:
        query[name] = following


def next_of(path: str, query: Query) -> str | None:
    """The cursor of the next page; None where there is none, or no such list."""
    page = API.get(path, params=_as_sent(query))
    following: str | None = page.json().get("next") if page.status_code == 200 else None
    return following


def _as_sent(query: Query) -> dict[str, str]:
    return {name: ",".join(value) if isinstance(value, list) else str(value) for name, value in query.items()}


def names(case: Case, query: Query, random: Random) -> None:
    """Most ask for what there is: a name that is not known is answered with 404."""
    for name in KNOWN.keys() & query.keys():
        if random.random() < KNOWN_SHARE:
            query[name] = KNOWN[name]


BOUNDS = ("before_from", "before_to", "after_from", "after_to")
PAIRS = (("from", "to"), ("since", "until"), ("second_from", "second_to"))


def intervals(case: Case, query: Query, random: Random) -> None:
    """An interval ends after it begins, no longer than an answer can be; most lie where cycles are."""
    for begin, end in PAIRS:
        if not {begin, end} & query.keys():
            continue
        said = query.get(begin, query.get(end))
        is_known = random.random() < KNOWN_SHARE
        at = BEGAN + random.random() * (LATEST - BEGAN) if is_known else _begin(said)
        until = at + max(random.random(), 0.01) * LONGEST
        if "counts" in case.path and "serial" in case.path:
            query[begin], query[end] = at.date().isoformat(), (until.date() + timedelta(days=1)).isoformat()
        else:
            query[begin], query[end] = format_rfc3339(at), format_rfc3339(until)


def _begin(said: str) -> datetime:
    """What was made, but for the last days that there are: the end has to come behind it."""
    return min(parse_rfc3339(said if "T" in said.upper() else f"{said}T00:00:00Z"), LAST - LONGEST)


def one_way(case: Case, query: Query, random: Random) -> None:
    """Of two ways to ask one is taken; what goes with another goes with it."""
    match case.path.split("/")[2:]:
        case ["settings", "changes", "before"]:
            query.pop("controller", None)
            query |= {"tool": MOVED.serial} | ({"measure": "peak_tension_n"} if "ratio" in query else {})
            query.pop("not_before", None)
        case ["faults", "comparison"]:
            query["second_from"] = format_rfc3339(BEGAN - 2 * LONGEST)
            query["second_to"] = format_rfc3339(BEGAN - LONGEST)
        case ["statements"] if "after" in query:
            query.pop("plant_day", None)
            query.pop("cursor", None)
        case ["tools", _, "causes"] if random.random() < 0.5:
            query.pop("at", None)
            query |= {name: format_rfc3339(BEGAN + number * LONGEST) for number, name in enumerate(BOUNDS)}
        case ["tools", _, "causes"]:
            for name in BOUNDS:
                query.pop(name, None)
            query["at"] = format_rfc3339(BEGAN + random.random() * (LATEST - BEGAN))
        case ["tools", _, "capability", _] if {"lower", "upper"} <= query.keys():
            lower, upper = sorted(map(float, (query["lower"], query["upper"])))
            query |= {"lower": lower, "upper": upper + (1 if upper == lower else 0)}


def pages(case: Case, query: Query, random: Random) -> None:
    """A list in JSON has shorter pages than a file."""
    if "format" in _names(case) and query.get("format", "json") == "json" and "last" in query:
        query["last"] = min(int(query["last"]), 1000)


def _names(case: Case) -> set[str]:
    return {each.name for each in case.operation.query}


def patience(case: Case, query: Query, random: Random) -> None:
    """As long as the API would wait, this run can't."""
    if "wait" in query:
        query["wait"] = 0


IN_WORDS: tuple[Callable[[Case, Query, Random], None], ...] = (
    names,
    intervals,
    one_way,
    pages,
    patience,
    cursors,
)


@schemathesis.hook
def map_case(context: HookContext, case: Case) -> Case:
    if case.meta is None or case.meta.generation.mode is not GenerationMode.POSITIVE:
        return case
    random = Random(repr((case.path_parameters, case.query)))
    case.path_parameters = places(case, random)
    query = dict(case.query)
    for rule in IN_WORDS:
        rule(case, query, random)
    case.query = query
    case.body = body_of(case)
    return case


@schemathesis.hook
def before_add_examples(context: HookContext, examples: list[Case]) -> None:
    """An example of a body has a cursor that no book has given."""
    for case in examples:
        case.body = body_of(case)


def body_of(case: Case) -> Any:
    """What the members of a body mean together."""
    body = case.body
    if not isinstance(body, dict):
        return body
    match case.path.split("/")[2:]:
        case ["tools", _, "service"] if body.get("done_at") is not None:
            is_ahead = parse_rfc3339(body["done_at"]) > datetime.now(UTC)
            return body | ({"done_at": format_rfc3339(BEGAN)} if is_ahead else {})
        case ["exports"]:
            begins_at = _begin(body["from"])
            ends_at = max(begins_at, parse_rfc3339(body["to"]))
            between = {"from": format_rfc3339(begins_at), "to": format_rfc3339(ends_at)}
            return body | between | {"filters": filters_of(body["what"], body.get("filters", {}))}
        case ["receipts", _] if body.get("statement") is not None:
            return body | {"statement": next_of("/v1/statements", {"after": "", "last": 1})}
    return body


def filters_of(what: str, filters: Query) -> Query:
    """Each list has its own; maker and model only say which tool it is."""
    known = EXPORTED[what].filters - ({"maker", "model"} if filters.get("tool") is None else set())
    state = {"faults": "cleared", "gaps": "closed"}.get(what)
    return {name: state if name == "state" else value for name, value in filters.items() if name in known}


# ---- figures -----------------------------------------------------------------------------------------------


@schemathesis.cli.handler()
class Tally(EventHandler):
    """Counts the cases of each operation, by what they are meant to be and how they are answered; checks."""

    def __init__(self, *args: object, **more: object) -> None:
        self.statuses: defaultdict[str, defaultdict[str, Counter[int]]] = defaultdict(
            lambda: defaultdict(Counter)
        )
        self.checks: Counter[str] = Counter()
        self.failed: defaultdict[str, set[str]] = defaultdict(set)

    def handle_event(self, ctx: object, event: object) -> None:
        if not isinstance(event, ScenarioFinished):
            return
        for case_id, node in event.recorder.cases.items():
            case, seen = node.value, event.recorder.interactions.get(case_id)
            if seen is None or seen.response is None:
                continue
            mode = "other" if case.meta is None else case.meta.generation.mode.value
            self.statuses[case.operation.label][mode][seen.response.status_code] += 1
            checks = event.recorder.checks.get(case_id, ())
            self.checks.update(each.name for each in checks)
            self.failed[case.operation.label] |= {
                each.name for each in checks if each.status is Status.FAILURE
            }

    def shutdown(self, ctx: object) -> None:
        failed = {operation: sorted(checks) for operation, checks in self.failed.items() if checks}
        told = json.dumps({"statuses": self.statuses, "checks": self.checks, "failed": failed})
        Path(os.environ["CONTRACT_TALLY"]).write_text(told, encoding="utf-8")
