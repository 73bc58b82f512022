"""The access log: what the audit trail is made of. It lies on the desk.

A write that was let in has a row of its own, made before it is carried out: where the process dies in
between, the row stays without a status. Refusals are counted: one row an address, token and kind of problem
on one UTC day, at most `ROWS_A_DAY` of them a day, kept for `DAYS_KEPT` days, so that whoever knocks can't
fill the disk.
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import Connection, delete, func, select

from collector.store.queries import records
from collector.store.tables import access_log, token

ROWS_A_DAY = 500
DAYS_KEPT = 90
OTHERS = "others"
"""In place of the address in the rows that count what came after `ROWS_A_DAY`."""


@dataclass(frozen=True, slots=True)
class Refusals:
    """What was refused `times` times: to one address and token, for one kind of problem."""

    first_at: datetime
    last_at: datetime
    times: int
    token_id: str | None
    address: str
    method: str
    path: str
    status: int
    problem: str

    @property
    def refused_on(self) -> str:
        return self.first_at.astimezone(UTC).date().isoformat()


def begin_write(
    connection: Connection, at: datetime, token_id: str | None, address: str, method: str, path: str
) -> int:
    """Its `access_id`, for `finish_write`."""
    made = connection.execute(
        access_log.insert()
        .values(
            first_at=at, last_at=at, times=1, token_id=token_id, address=address, method=method, path=path
        )
        .returning(access_log.c.access_id)
    )
    return int(made.scalar_one())


def finish_write(connection: Connection, access_id: int, status: int, problem: str | None) -> None:
    change = access_log.update().where(access_log.c.access_id == access_id)
    connection.execute(change.values(status=status, problem=problem))


def forget_write(connection: Connection, access_id: int) -> None:
    """It was refused after all, and is counted with the refusals."""
    connection.execute(delete(access_log).where(access_log.c.access_id == access_id))


def count_refusals(connection: Connection, refusals: Refusals) -> None:
    """Add them to the row of their day, or make it."""
    if _add(connection, refusals):
        return
    on_the_day = access_log.c.refused_on == refusals.refused_on
    rows = connection.scalar(select(func.count()).select_from(access_log).where(on_the_day)) or 0
    if rows == 0:
        oldest = (refusals.first_at - timedelta(days=DAYS_KEPT)).astimezone(UTC).date().isoformat()
        connection.execute(delete(access_log).where(access_log.c.refused_on < oldest))
    if rows >= ROWS_A_DAY:
        refusals = replace(refusals, address=OTHERS, token_id=None)
        if _add(connection, refusals):
            return
    values = {name: getattr(refusals, name) for name in Refusals.__slots__}
    connection.execute(access_log.insert().values(refused_on=refusals.refused_on, **values))


def find_accesses(
    connection: Connection, *, last: int, before: int | None = None, refused: bool | None = None
) -> list[dict[str, Any]]:
    """The columns of the log, and the token's name as `token_name`, the newest rows first.

    Args:
        before: only rows with a smaller `access_id`.
        refused: only refusals, or only writes that were let in.
    """
    wanted = select(access_log, token.c.name.label("token_name")).join_from(
        access_log, token, access_log.c.token_id == token.c.token_id, isouter=True
    )
    if before is not None:
        wanted = wanted.where(access_log.c.access_id < before)
    if refused is not None:
        is_refusal = access_log.c.refused_on
        wanted = wanted.where(is_refusal.is_not(None) if refused else is_refusal.is_(None))
    return records(connection.execute(wanted.order_by(access_log.c.access_id.desc()).limit(last)))


def _add(connection: Connection, refusals: Refusals) -> bool:
    """False: there is no row to add them to."""
    same = (
        access_log.c.refused_on == refusals.refused_on,
        access_log.c.address == refusals.address,
        access_log.c.problem == refusals.problem,
        access_log.c.token_id.is_not_distinct_from(refusals.token_id),
    )
    change = access_log.update().where(*same)
    times = access_log.c.times + refusals.times
    return connection.execute(change.values(times=times, last_at=refusals.last_at)).rowcount > 0
