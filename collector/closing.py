"""The task of the collector that closes shifts: reads in a thread of its own, over a connection that
can't write, and hands the finished statements to the writer. It never holds up a poller, what it could not do
now it does a little later, and no mistake of it ends the collection.
"""

import asyncio
import logging
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

from sqlalchemy import Engine

from collector.config import Site
from collector.errors import StoreError
from collector.layouts.schema import Layout
from collector.statements import Draft
from collector.store.engine import open_book_reader, store_errors
from collector.store.statements import LineRules, Seen, prepare
from collector.store.writer import Writer

log = logging.getLogger(__name__)

PAUSE_S = 10.0
"""Between two passes: so long after a shift can be closed it may still be open."""
TRIES = 5
"""Of one pass, where what comes meanwhile belongs into the statement; then the next pass does it."""


def utc_now() -> datetime:
    return datetime.now(UTC)


async def close_shifts(
    site: Site,
    layouts: Mapping[str, Layout],
    writer: Writer,
    now: Callable[[], datetime] = utc_now,
    pause_s: float = PAUSE_S,
) -> None:
    """Close what can be closed and revise what has changed, line by line; only cancellation ends it."""
    rules = [rules_of(site, layouts, line) for line in site.lines]
    seen = {each.line: Seen() for each in rules}
    told: dict[str, str] = {}  # what is wrong with a line is said once, not at every pass
    with _reading(site) as engine:
        while True:
            for each in rules:
                try:
                    seen[each.line] = await close_line(engine, writer, each, seen[each.line], now)
                    told.pop(each.line, None)
                except Exception as error:
                    if told.get(each.line) != repr(error):
                        trace = None if isinstance(error, StoreError) else error
                        says = "statements of line %s could not be made, it is tried again: %s"
                        log.error(says, each.line, error, exc_info=trace)
                    told[each.line] = repr(error)
            await asyncio.sleep(pause_s)


async def close_line(
    engine: Engine, writer: Writer, rules: LineRules, seen: Seen, now: Callable[[], datetime] = utc_now
) -> Seen:
    """One pass over a line. Returns: what need not be looked at again. Raises: StoreError."""
    for _ in range(TRIES):
        drafts, looked_at = await asyncio.to_thread(_prepare, engine, rules, seen, now())
        if not drafts:
            return looked_at
        if await writer.close_shifts(drafts):
            for each in drafts:
                log.info("%s", _says(each))
            return looked_at
    return seen


def rules_of(site: Site, layouts: Mapping[str, Layout], line: str) -> LineRules:
    names = [each.name for each in site.controllers if each.line == line]
    fields = {name: layouts[name].history.find("total_count") for name in names}
    return LineRules(
        line=line,
        plan=site.plan(line),
        controllers=frozenset(names),
        moduli={name: field.modulus if field else None for name, field in fields.items()},
        grace=timedelta(minutes=site.statements.grace_min),
    )


def _prepare(engine: Engine, rules: LineRules, seen: Seen, now: datetime) -> tuple[list[Draft], Seen]:
    with store_errors(), engine.connect() as connection:
        return prepare(connection, rules, seen, now)


def _says(draft: Draft) -> str:
    at = draft.occurrence
    about = (
        "complete" if draft.content["complete"] else "not complete: " + "; ".join(draft.content["reasons"])
    )
    return f"line {draft.line}, {at.shift} of {at.plant_day}: closed, revision {draft.revision}, {about}"


@contextmanager
def _reading(site: Site) -> Iterator[Engine]:
    engine = open_book_reader(site.store_address)
    try:
        yield engine
    finally:
        engine.dispose()
