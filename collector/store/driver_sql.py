"""Statements of the hot path as text for the driver: SQLAlchemy writes them once, and is not asked again.

Rows go in as tuples in the order of the parameters, instants as microseconds since 1970 (`plain`)."""

from collections.abc import Callable
from datetime import datetime
from functools import cache
from typing import Any, NamedTuple

from sqlalchemy import Dialect, Executable, Table, bindparam, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.dialects.postgresql.psycopg import PGDialect_psycopg
from sqlalchemy.dialects.sqlite.pysqlite import SQLiteDialect_pysqlite

from collector.store import tables
from collector.store.tables import to_us

INSERT: dict[str, Callable[[Table], Any]] = {"sqlite": sqlite.insert, "postgresql": postgresql.insert}
WITH_TUPLES: dict[str, tuple[Callable[..., Dialect], str]] = {
    "sqlite": (SQLiteDialect_pysqlite, "qmark"),
    "postgresql": (PGDialect_psycopg, "format"),
}

# FOR UPDATE on PostgreSQL: numbers are given out and become visible in one order
LAST_NUMBER = select(tables.book.c.commit_number).with_for_update()
POSITIONS = select(tables.position)
SET_LAST_NUMBER = tables.book.update().values(commit_number=bindparam("number"))


class Text(NamedTuple):
    sql: str
    names: tuple[str, ...]
    """Of the parameters, in their order."""

    def rows(self, rows: list[dict[str, Any]]) -> list[tuple[Any, ...]]:
        return [tuple(plain(row[name]) for name in self.names) for row in rows]


def plain(value: Any) -> Any:
    return to_us(value) if isinstance(value, datetime) else value


@cache
def text(dialect: str, statement: Executable) -> str:
    """One of the constants above, or an insert of whole rows."""
    return _text(dialect, statement, None).sql


@cache
def insert_text(dialect: str, table: Table) -> str:
    return _text(dialect, table.insert(), None).sql


@cache
def upsert(dialect: str, table: Table, columns: tuple[str, ...], key: str = "controller_id") -> Any:
    """Insert rows of these columns, or set them in the row with the same key."""
    insert = INSERT[dialect](table)
    return insert.on_conflict_do_update(
        index_elements=[key],
        set_={name: insert.excluded[name] for name in columns if name != key},
    )


@cache
def upsert_text(dialect: str, table: Table, columns: tuple[str, ...]) -> Text:
    return _text(dialect, upsert(dialect, table, columns), columns)


@cache
def add_to_tally_text(dialect: str) -> str:
    """Takes the columns of `tally` in their order."""
    insert = INSERT[dialect](tables.tally)
    adding = insert.on_conflict_do_update(
        index_elements=list(tables.tally.primary_key.columns),
        set_={"cycles": tables.tally.c.cycles + insert.excluded.cycles},
    )
    return _text(dialect, adding, None).sql


def _text(dialect: str, statement: Any, columns: tuple[str, ...] | None) -> Text:
    speaks, paramstyle = WITH_TUPLES[dialect]
    compiled = statement.compile(dialect=speaks(paramstyle=paramstyle), column_keys=columns)
    return Text(str(compiled), tuple(compiled.positiontup))
