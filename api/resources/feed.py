"""The feed: everything new in the book, in order of commit, for machines that follow it.

A cursor says up to which commit number its bearer has everything. It never expires while the book keeps its
records; one of another book, or from further ahead than the book has come, shows that the book was restored.
"""

import asyncio
from collections.abc import Callable, Collection, Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from api.access.askers import ASKER
from api.answers import answer, text_of
from api.cautions import CAUTIONS
from api.paging import MOST, CursorText, Row, make_cursor, number, read_cursor
from api.parameters import listed, mistake
from api.problems import Problem
from api.resources import cycles, faults, findings, gaps, histories, settings, statements
from api.schemas import feed as schemas
from api.stores import Stores
from collector.store.feed import KINDS, Kind, find_news
from collector.store.measures import before_and_after
from collector.store.queries import cycles_in, find_book, of_cycle
from collector.store.tokens import Scope

router = APIRouter(prefix="/v1/feed", tags=["feed"])

LOOK_EVERY_S = 0.5
WAIT_MOST_S = 60
WAITING_MOST = 50
"""Requests that may wait at once; one more is answered as if it had asked without `wait`."""

READERS_ONLY = ("setting.", "finding.")
"""Beginnings of the kinds that whoever only integrates does not see."""
RESTORED = (
    "the cursor is from further ahead than the book has come: it was restored from a backup; pull anew what "
    "may be missing, then follow without a cursor"
)

After = Annotated[
    CursorText | None,
    Query(description="`next` of the answer before; without it, from the book's first record."),
]
Wait = Annotated[
    int, Query(ge=0, le=WAIT_MOST_S, description="Seconds to wait for news where there is none yet.")
]
Kinds = Annotated[
    Annotated[str, listed(KINDS)] | None, Query(description="Only these, with commas between them.")
]


@router.get("", response_model=schemas.Feed)
async def follow(
    request: Request,
    after: After = None,
    wait: Wait = 0,
    kinds: Kinds = None,
    limit: Annotated[int, Query(ge=1, le=MOST, description="How many, oldest first.")] = 100,
) -> Response:
    """What was committed after a cursor, oldest first. At least once: whoever asks again with the same cursor
    gets the same again, so store `next` together with what was made of the items. With `wait`, an answer
    comes as soon as there is something, or empty when the time is over."""
    stores: Stores = request.app.state.stores
    wanted = _kinds(kinds, request.scope[ASKER].scopes)
    waiting = _Waiting.of(request)
    until = asyncio.get_running_loop().time() + (wait if waiting.may_wait() else 0)
    with waiting:
        while True:
            body = await run_in_threadpool(_look, stores, after, wanted, limit)
            left_s = until - asyncio.get_running_loop().time()
            if body["items"] or left_s <= 0 or await request.is_disconnected():
                return answer(body, headers={"cache-control": "no-store"})
            after = body["next"]
            await asyncio.sleep(min(LOOK_EVERY_S, left_s))


class _Waiting:
    """How many wait in this application."""

    def __init__(self) -> None:
        self._now = 0

    @classmethod
    def of(cls, request: Request) -> "_Waiting":
        state = request.app.state
        if not hasattr(state, "waiting"):
            state.waiting = cls()
        waiting: _Waiting = state.waiting
        return waiting

    def may_wait(self) -> bool:
        return self._now < WAITING_MOST

    def __enter__(self) -> None:
        self._now += 1

    def __exit__(self, *_: object) -> None:
        self._now -= 1


def _kinds(said: str | None, scopes: Collection[Scope]) -> tuple[Kind, ...]:
    """What was asked for; without it, all that the asker may see."""
    seen = tuple(kind for kind in KINDS if "read" in scopes or not kind.startswith(READERS_ONLY))
    names = seen if said is None else tuple(each.strip() for each in said.split(","))
    unknown = [each for each in names if each not in seen]
    if unknown:
        raise mistake("kinds", f"{', '.join(unknown)}: no such kind here; there are {', '.join(seen)}")
    return tuple(kind for kind in seen if kind in names)


def _look(stores: Stores, after: str | None, kinds: tuple[Kind, ...], limit: int) -> dict[str, Any]:
    with stores.book() as connection:
        book = find_book(connection)
        (begin,) = read_cursor(after, book["instance"], "feed", (number,), "after") or (0,)
        if begin > book["commit_number"]:
            raise Problem("book-replaced", RESTORED, book=book["instance"])
        rows = find_news(connection, begin, last=limit + 1, kinds=kinds)
    more, rows = len(rows) > limit, rows[:limit]
    reached = rows[-1]["number"] if more else book["commit_number"]
    return {
        "book": book["instance"],
        "items": [event(row) for row in rows],
        "next": make_cursor(book["instance"], "feed", [reached]),
        "more": more,
        "cautions": CAUTIONS,
    }


def event(row: Row) -> dict[str, Any]:
    """As it is told, here and to whoever is told without asking."""
    return {
        "number": text_of(row["number"]),
        "kind": row["kind"],
        "controller": row["controller"],
        "data": SHOWN[row["kind"].split(".")[0]](row),
    }


def _cycle(row: Row) -> dict[str, Any]:
    return cycles.listed(row | of_cycle(row)) | {"tool": cycles.named(row)}


def _gap(row: Row) -> dict[str, Any]:
    state = "open" if row["closed_at"] is None else "closed"
    return gaps.shown(row | {"cycles": cycles_in(row), "state": state})


def _setting(row: Row) -> dict[str, Any]:
    return settings.shown(row | before_and_after(row))


def _finding(row: Row) -> dict[str, Any]:
    as_stored = ("ended_at", "ended_because")
    tool = None if row["serial"] is None else cycles.named(row)
    shown = findings.open_finding(row) | {name: row[name] for name in as_stored}
    return shown | {"tool": tool, "address": f"/v1/findings/{row['commit_number']}"}


def _statement(row: Row) -> dict[str, Any]:
    as_stored = ("line", "plant_day", "shift", "revision", "closed_at", "complete", "hash")
    return {name: row[name] for name in as_stored} | {"address": statements.address(row)}


SHOWN: Mapping[str, Callable[[Row], dict[str, Any]]] = {
    "cycle": _cycle,
    "fault": faults.shown,
    "gap": _gap,
    "setting": _setting,
    "finding": _finding,
    "statement": _statement,
    "tool": histories.mount,
    "count": histories.count_change,
    "clock": histories.clock_change,
}
