"""What the book is asked about statements: plain rows, with `body` as it was hashed."""

from collections.abc import Collection, Sequence
from datetime import datetime

from sqlalchemy import ColumnElement, Connection, and_, func, select, tuple_

from collector.errors import NotInBook
from collector.store.queries import Record, records
from collector.store.tables import statement

KEY = (statement.c.plant_day, statement.c.line, statement.c.begins_at)
"""Order of a list."""


def find_statements(
    connection: Connection,
    *,
    plant_day: str | None = None,
    lines: Collection[str] | None = None,
    last: int = 100,
    after: tuple[str, str, datetime] | None = None,
) -> list[Record]:
    """The newest revision of each, in order of plant day, line and time.

    Args: plant_day, lines: only of that day, of these lines; after: only those behind that key.
    """
    newer = statement.alias()
    replaced = select(newer.c.revision).where(
        newer.c.line == statement.c.line,
        newer.c.plant_day == statement.c.plant_day,
        newer.c.shift == statement.c.shift,
        newer.c.revision > statement.c.revision,
    )
    wanted = select(statement).where(~replaced.exists())
    if plant_day is not None:
        wanted = wanted.where(statement.c.plant_day == plant_day)
    if lines is not None:
        wanted = wanted.where(statement.c.line.in_(lines))
    if after is not None:
        wanted = wanted.where(tuple_(*KEY) > tuple_(*after, types=[column.type for column in KEY]))
    return records(connection.execute(wanted.order_by(*KEY).limit(last)))


def find_statements_since(
    connection: Connection, after: int, *, lines: Collection[str] | None = None, last: int = 100
) -> list[Record]:
    """Every revision behind a commit number, in order of commit."""
    wanted = select(statement).where(statement.c.commit_number > after)
    if lines is not None:
        wanted = wanted.where(statement.c.line.in_(lines))
    return records(connection.execute(wanted.order_by(statement.c.commit_number).limit(last)))


def find_revisions(connection: Connection, line: str, plant_day: str, shift: str) -> list[Record]:
    """All revisions of a statement, the newest first; nothing: it is not closed."""
    wanted = select(statement).where(*_is(line, plant_day, shift))
    return records(connection.execute(wanted.order_by(statement.c.revision.desc())))


def find_statement(connection: Connection, line: str, plant_day: str, shift: str, revision: int) -> Record:
    """Raises: NotInBook: no such revision."""
    wanted = select(statement).where(*_is(line, plant_day, shift), statement.c.revision == revision)
    found = records(connection.execute(wanted))
    if not found:
        raise NotInBook(f"there is no revision {revision} of {shift} of {plant_day} on line {line!r}")
    return found[0]


def find_stated(connection: Connection, begin: datetime, end: datetime) -> set[tuple[str, str, str]]:
    """Line, plant day and shift of all that is stated and reaches into [begin, end)."""
    wanted = select(statement.c.line, statement.c.plant_day, statement.c.shift).where(
        and_(statement.c.ends_at > begin, statement.c.begins_at < end)
    )
    return {(row.line, row.plant_day, row.shift) for row in connection.execute(wanted)}


def find_last_closed(connection: Connection) -> dict[str, Record]:
    """Line -> the newest revision of the shift that ends last of all that are stated."""
    ends = select(statement.c.line, func.max(statement.c.ends_at)).group_by(statement.c.line)
    wanted = select(statement).where(tuple_(statement.c.line, statement.c.ends_at).in_(ends))
    rows = records(connection.execute(wanted.order_by(statement.c.revision)))
    return {row["line"]: row for row in rows}


def find_stated_spans(connection: Connection) -> dict[str, tuple[datetime, datetime]]:
    """Line -> from when to when it is stated, without a hole."""
    ends = (func.min(statement.c.begins_at), func.max(statement.c.ends_at))
    rows = connection.execute(select(statement.c.line, *ends).group_by(statement.c.line))
    return {row[0]: (row[1], row[2]) for row in rows}


def _is(line: str, plant_day: str, shift: str) -> Sequence[ColumnElement[bool]]:
    return (statement.c.line == line, statement.c.plant_day == plant_day, statement.c.shift == shift)
