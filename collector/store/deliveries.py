"""How far each receiver was told what is new, and what it did not take. Both lie on the desk.

The feed is durable and in the order of commit, so nothing is copied: a receiver is a number up to which it
was told, and a row for each event that was put aside on the way there. Number and rows are written in one
transaction, so that a kill between the two can lose nothing.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from sqlalchemy import Connection, func, select

from collector.store.queries import Record, records
from collector.store.tables import delivery, told

DeliveryState = Literal["waiting", "dead"]


@dataclass(frozen=True, slots=True)
class Place:
    """Up to where a receiver was told."""

    book: str
    """Instance."""
    number: int
    told_at: datetime
    stopped_because: str | None = None
    """None: it is told what is new."""


def find_place(desk: Connection, receiver: str) -> Place | None:
    """None: it is not known yet."""
    wanted = select(told.c.book, told.c.commit_number, told.c.told_at, told.c.stopped_because)
    row = desk.execute(wanted.where(told.c.receiver == receiver)).first()
    return None if row is None else Place(*row)


def keep_place(desk: Connection, receiver: str, place: Place) -> None:
    """`stopped_at` is the place's own time, where it is stopped."""
    values = {
        "book": place.book,
        "commit_number": place.number,
        "told_at": place.told_at,
        "stopped_at": None if place.stopped_because is None else place.told_at,
        "stopped_because": place.stopped_because,
    }
    changed = desk.execute(told.update().where(told.c.receiver == receiver).values(values))
    if not changed.rowcount:
        desk.execute(told.insert().values(receiver=receiver, **values))


def resume(desk: Connection, receiver: str) -> None:
    """It is told again, from where it was."""
    desk.execute(
        told.update().where(told.c.receiver == receiver).values(stopped_at=None, stopped_because=None)
    )


def put_aside(
    desk: Connection,
    receiver: str,
    book: str,
    number: int,
    *,
    kind: str,
    attempts: int,
    error: str,
    at: datetime,
    next_at: datetime,
) -> None:
    """Once: an event that is there already stays as it is."""
    same = (
        delivery.c.receiver == receiver,
        delivery.c.book == book,
        delivery.c.commit_number == number,
    )
    if desk.execute(select(delivery.c.delivery_id).where(*same)).first() is not None:
        return
    desk.execute(
        delivery.insert().values(
            receiver=receiver,
            book=book,
            commit_number=number,
            kind=kind,
            state="waiting",
            attempts=attempts,
            since=at,
            next_at=next_at,
            last_error=error,
            last_error_at=at,
        )
    )


def find_due(desk: Connection, receiver: str, now: datetime, *, last: int) -> list[Record]:
    """At most `last` that are to be sent again, those that wait longest first."""
    wanted = (
        select(delivery)
        .where(delivery.c.state == "waiting", delivery.c.receiver == receiver, delivery.c.next_at <= now)
        .order_by(delivery.c.next_at, delivery.c.delivery_id)
        .limit(last)
    )
    return records(desk.execute(wanted))


def next_due_at(desk: Connection, receiver: str) -> datetime | None:
    """None: nothing waits."""
    of_receiver = (delivery.c.state == "waiting", delivery.c.receiver == receiver)
    wanted = select(delivery.c.next_at).where(*of_receiver).order_by(delivery.c.next_at).limit(1)
    found: datetime | None = desk.scalar(wanted)
    return found


def note_attempt(
    desk: Connection, delivery_id: int, *, error: str, at: datetime, next_at: datetime | None
) -> None:
    """It was not taken again. `next_at`: None, it is dead."""
    desk.execute(
        delivery.update()
        .where(delivery.c.delivery_id == delivery_id)
        .values(
            attempts=delivery.c.attempts + 1,
            last_error=error,
            last_error_at=at,
            next_at=next_at,
            state="dead" if next_at is None else "waiting",
        )
    )


def note_taken(desk: Connection, delivery_id: int) -> None:
    desk.execute(delivery.delete().where(delivery.c.delivery_id == delivery_id))


def find_deliveries(
    desk: Connection,
    *,
    last: int,
    before: int | None = None,
    state: DeliveryState | None = None,
    receiver: str | None = None,
) -> list[Record]:
    """What was not taken, newest first; `before`: only those with a smaller id."""
    wanted = select(delivery).order_by(delivery.c.delivery_id.desc()).limit(last)
    if before is not None:
        wanted = wanted.where(delivery.c.delivery_id < before)
    if state is not None:
        wanted = wanted.where(delivery.c.state == state)
    if receiver is not None:
        wanted = wanted.where(delivery.c.receiver == receiver)
    return records(desk.execute(wanted))


def count_deliveries(desk: Connection) -> dict[tuple[str, str], int]:
    """(receiver, state) -> how many."""
    of_each = (delivery.c.receiver, delivery.c.state)
    rows = desk.execute(select(*of_each, func.count()).group_by(*of_each))
    return {(receiver, state): int(number) for receiver, state, number in rows}


def send_again(desk: Connection, delivery_id: int, now: datetime) -> Record | None:
    """It is due at once, and given up only as long after now as one that was just put aside.

    Returns: the row as it is now; None: nothing of that number was put aside, or it was taken since.
    """
    this = delivery.c.delivery_id == delivery_id
    desk.execute(delivery.update().where(this).values(state="waiting", since=now, next_at=now))
    found = records(desk.execute(select(delivery).where(this)))
    return found[0] if found else None
