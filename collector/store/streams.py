"""Lists of any length, row by row: pages by key, so that no more than about a page is in memory. Newest
first, as the lists of `queries.py`; within one transaction all is of the same instant.
"""

from collections.abc import Callable, Collection, Iterator
from datetime import datetime, timedelta
from functools import partial
from heapq import merge
from typing import Any, TypeVar

from sqlalchemy import Connection

from collector.store.queries import (
    CycleKey,
    FaultKey,
    Record,
    find_controller_id,
    find_cycles,
    find_faults,
    find_gaps,
    named_controllers,
)

PAGE = 5000
"""Rows in memory, where there are not so many controllers that each has its smallest page."""
SMALLEST_PAGE = 100
MICROSECOND = timedelta(microseconds=1)

Key = TypeVar("Key")


def stream_cycles(
    connection: Connection,
    tool_id: int | None,
    *,
    since: datetime,
    until: datetime,
    controller: str | None = None,
    among: Collection[str] | None = None,
    result: str | None = None,
    completion: str | None = None,
) -> Iterator[Record]:
    """As `find_cycles` gives them. Those of all tools come from each controller by itself, in the order of
    its index, and are merged: there is no index of time alone. Raises: NotInBook."""
    find = partial(find_cycles, connection, tool_id, result=result, completion=completion)
    if tool_id is not None:
        yield from _cycles(partial(find, controller=controller, among=among), since, until, PAGE)
        return
    if controller is not None:
        find_controller_id(connection, controller)
    names = sorted(
        name
        for name in named_controllers(connection).values()
        if (controller in (None, name)) and (among is None or name in among)
    )
    page = max(PAGE // max(len(names), 1), SMALLEST_PAGE)
    each = [_cycles(partial(find, controller=name), since, until, page) for name in names]
    yield from merge(*each, key=cycle_key, reverse=True)


def stream_faults(
    connection: Connection, *, since: datetime, until: datetime, **wanted: Any
) -> Iterator[Record]:
    """As `find_faults` gives them. Raises: NotInBook."""

    def find(before: FaultKey | None) -> list[Record]:
        return find_faults(connection, last=PAGE, before=before, since=since, until=until, **wanted)

    return _pages(find, lambda row: FaultKey(row["raised_at"], row["commit_number"]))


def stream_gaps(connection: Connection, **wanted: Any) -> Iterator[Record]:
    """As `find_gaps` gives them. Raises: NotInBook."""

    def find(before: int | None) -> list[Record]:
        return find_gaps(connection, last=PAGE, before=before, **wanted)

    return _pages(find, lambda row: int(row["commit_number"]))


def cycle_key(row: Record) -> CycleKey:
    return CycleKey(row["ended_at"], row["controller_id"], row["epoch"], row["sequence"])


def _cycles(
    find: Callable[..., list[Record]], since: datetime, until: datetime, page: int
) -> Iterator[Record]:
    def from_page(before: CycleKey | None) -> list[Record]:
        # The key alone bounds no index: its first part, told apart, does.
        end = until if before is None else before.ended_at + MICROSECOND
        return find(last=page, before=before, since=since, until=min(until, end))

    return _pages(from_page, cycle_key)


def _pages(find: Callable[[Key | None], list[Record]], key_of: Callable[[Record], Key]) -> Iterator[Record]:
    before: Key | None = None
    while rows := find(before):
        yield from rows
        before = key_of(rows[-1])
