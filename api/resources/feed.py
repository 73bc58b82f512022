"""The feed: everything new in the book and on the desk, each in order of commit, for machines that follow it.

A cursor says up to which commit number its bearer has everything, of the book and of the desk. It never
expires while they keep their records; one of another instance of one of them, or from further ahead than it
has come, shows that it was restored. What people recorded comes first: it is little, and a backlog of cycles
must not hold it up.
"""

import asyncio
import time
from collections.abc import Callable, Collection, Mapping
from dataclasses import astuple, dataclass, replace
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from api.access.askers import ASKER
from api.access.sight import Sight, sight_of
from api.answers import answer, text_of
from api.cautions import CAUTIONS
from api.paging import MOST, AfterText, Row, make_cursor, number, read_cursor, word
from api.parameters import listed, mistake
from api.problems import Problem
from api.resources import cycles, faults, findings, gaps, histories, service, settings, statements
from api.schemas import feed as schemas
from api.stores import Stores
from collector.errors import StoreError
from collector.store.feed import KINDS, SOURCES, Kind, News, Reached, find_first_news, find_head
from collector.store.instances import find_lineage
from collector.store.measures import before_and_after
from collector.store.queries import cycles_in, of_cycle
from collector.store.tables import Room
from collector.store.tokens import Scope

router = APIRouter(prefix="/v1/feed", tags=["feed"])

LOOK_EVERY_S = 0.5
WAIT_MOST_S = 60
WAITING_MOST = 50
"""Requests that may wait at once; one more is answered as if it had asked without `wait`."""

READERS_ONLY = ("setting.", "finding.")
"""Beginnings of the kinds that whoever only integrates does not see."""
CURSORS = "book and desk"
"""What the cursors are of."""
NOT_SEEN = Reached("", 0)
"""Of a desk that could not be read yet."""
REPLACED = (
    "the cursor is from another {room}, or from further ahead than this one has come: it was restored from a "
    "backup or begun anew; pull anew what may be missing, then follow with `next`: of the {room} it begins "
    "behind what both have in common, and goes on in the other where the cursor was"
)

After = Annotated[
    AfterText | None,
    Query(description="`next` of the answer before. Empty, or without it: from the first records on."),
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
    sight = sight_of(request)
    waiting: asyncio.Semaphore = request.app.state.waiting

    async def look(after: str | None) -> dict[str, Any]:
        return await run_in_threadpool(_look, stores, after, wanted, limit, sight)

    until = time.monotonic() + wait
    body = await look(after)
    if wait and not body["items"] and not waiting.locked():
        async with waiting:
            while not body["items"] and (left_s := until - time.monotonic()) > 0:
                if await request.is_disconnected():
                    break
                if not body["more"]:
                    await asyncio.sleep(min(LOOK_EVERY_S, left_s))
                body = await look(body["next"])
    return answer(body, headers={"cache-control": "no-store"})


def _kinds(said: str | None, scopes: Collection[Scope]) -> tuple[Kind, ...]:
    """What was asked for; without it, all that the asker may see."""
    seen = tuple(kind for kind in KINDS if "read" in scopes or not kind.startswith(READERS_ONLY))
    names = seen if said is None else tuple(each.strip() for each in said.split(","))
    unknown = [each for each in names if each not in seen]
    if unknown:
        raise mistake("kinds", f"{', '.join(unknown)}: no such kind here; there are {', '.join(seen)}")
    return tuple(kind for kind in seen if kind in names)


@dataclass(frozen=True, slots=True)
class Cursor:
    """What a cursor says."""

    book: Reached
    desk: Reached

    @classmethod
    def read(cls, cursor: str | None) -> "Cursor | None":
        """None: there is none. Raises: Problem: no cursor of the feed."""
        key = read_cursor(cursor or None, CURSORS, "feed", (word, number, word, number), "after")
        return None if key is None else cls(Reached(*key[:2]), Reached(*key[2:]))

    def text(self) -> str:
        key = (self.book.instance, self.book.number, self.desk.instance, self.desk.number)
        return make_cursor(CURSORS, "feed", key)


def _look(
    stores: Stores, after: str | None, kinds: tuple[Kind, ...], limit: int, sight: Sight
) -> dict[str, Any]:
    """What the asker does not see is left out of a page, and the page not filled up: a look is bounded."""
    with stores.book() as connection:
        head = find_head(connection, "book")
        place = Cursor.read(after) or Cursor(Reached(head.instance, 0), NOT_SEEN)
        _require_same(place, "book", head, find_lineage(connection).shared(*astuple(place.book)))
        desk, unknown = _look_at_desk(stores, place, kinds, limit)
        most = limit - len(desk.rows)
        book = find_first_news(connection, "book", head, place.book.number, most=most, kinds=kinds)
    return {
        "book": head.instance,
        "desk": None if unknown else desk.reached.instance,
        "lines": sight.lines,
        "items": [event(row) for row in (*desk.rows, *book.rows) if _sees(sight, row)],
        "next": Cursor(book.reached, desk.reached).text(),
        "more": desk.more or book.more,
        "unknown": unknown,
        "cautions": CAUTIONS,
    }


def _sees(sight: Sight, row: Row) -> bool:
    return sight.sees_controller(row["controller"]) or ("line" in row and sight.sees_line(row["line"]))


def _look_at_desk(
    stores: Stores, place: Cursor, kinds: tuple[Kind, ...], limit: int
) -> tuple[News, dict[str, str]]:
    """The book is followed even while the desk can't be read; what is there comes later, and nothing is
    passed over."""
    try:
        with stores.reading_desk() as connection:
            head = find_head(connection, "desk")
            if place.desk != NOT_SEEN:
                _require_same(place, "desk", head, 0)
            return find_first_news(connection, "desk", head, place.desk.number, most=limit, kinds=kinds), {}
    except StoreError as error:
        return News([], place.desk, False), {"desk": str(error)}


def _require_same(place: Cursor, room: Room, head: Reached, shared: int) -> None:
    """Raises: Problem: the place is of another book or desk, or in this one's future. `shared`: up to there
    it has all that this one has."""
    reached = place.book if room == "book" else place.desk
    if reached.instance == head.instance and reached.number <= head.number:
        return
    begin = shared if shared <= head.number else 0
    anew = replace(place, **{room: replace(head, number=begin)})
    members = {room: head.instance, "next": anew.text()}
    raise Problem(f"{room}-replaced", REPLACED.format(room=room), None, **members)


def event_id(instance: str, number: int) -> str:
    """Of nothing else, ever. Args: instance: of the book, or of the desk."""
    return f"{instance}-{number}"


def event(row: Row) -> dict[str, Any]:
    """As it is told, here and to whoever is told without asking."""
    return {
        "id": event_id(row["instance"], row["number"]),
        "number": text_of(row["number"]),
        "kind": row["kind"],
        "controller": row["controller"],
        "data": SHOWN[SOURCES[row["kind"]].table.name](row),
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


def _service(row: Row) -> dict[str, Any]:
    return service.shown(row) | {"tool": cycles.named(row)}


def _acknowledgement(row: Row) -> dict[str, Any]:
    as_stored = ("book", "acknowledged_by", "acknowledged_at", "remark")
    return {name: row[name] for name in as_stored} | {"finding": text_of(row["finding"])}


SHOWN: Mapping[str, Callable[[Row], dict[str, Any]]] = {
    "cycle": _cycle,
    "fault": faults.shown,
    "gap": _gap,
    "setting_change": _setting,
    "finding": _finding,
    "statement": _statement,
    "mount": histories.mount,
    "count_change": histories.count_change,
    "clock_change": histories.clock_change,
    "service": _service,
    "acknowledgement": _acknowledgement,
}
"""Table -> how the feed shows a row of it."""
