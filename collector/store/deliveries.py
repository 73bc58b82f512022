"""How far each receiver was told what is new, and what it did not take. Both lie on the desk.

The feed is durable and in the order of commit, so nothing is copied: a receiver is the numbers up to which it
was told, one of the book and one of the desk, and a row for each event that was put aside on the way there.
Numbers and rows are written in one transaction, so that a kill between the two can lose nothing.
"""

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

from sqlalchemy import Connection, func, select

from collector.store.feed import Reached
from collector.store.queries import Record, records
from collector.store.tables import Room, delivery, told

DeliveryState = Literal["waiting", "dead"]


@dataclass(frozen=True, slots=True)
class Place:
    """Up to where a receiver was told."""

    book: Reached
    desk: Reached
    told_at: datetime
    stopped_because: str | None = None
    """None: it is told what is new."""

    @property
    def commits(self) -> int:
        """Of both."""
        return self.book.number + self.desk.number

    def of(self, room: Room) -> Reached:
        return self.book if room == "book" else self.desk

    def at(self, room: Room, reached: Reached, now: datetime) -> "Place":
        """The place from which it is told on, when it has come so far in one of the two."""
        if room == "book":
            return replace(self, book=reached, told_at=now)
        return replace(self, desk=reached, told_at=now)


def find_place(desk: Connection, receiver: str) -> Place | None:
    """None: it is not known yet."""
    row = desk.execute(select(told).where(told.c.receiver == receiver)).first()
    if row is None:
        return None
    book, of_desk = Reached(row.book, row.book_number), Reached(row.desk, row.desk_number)
    return Place(book, of_desk, row.told_at, row.stopped_because)


def keep_place(desk: Connection, receiver: str, place: Place) -> None:
    """`stopped_at` is the place's own time, where it is stopped."""
    values = {
        "book": place.book.instance,
        "book_number": place.book.number,
        "desk": place.desk.instance,
        "desk_number": place.desk.number,
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
    event: Reached,
    *,
    kind: str,
    attempts: int,
    error: str,
    at: datetime,
    next_at: datetime,
) -> None:
    """Once: an event that is there already stays as it is. `event`: its number, and in which room."""
    same = (
        delivery.c.receiver == receiver,
        delivery.c.instance == event.instance,
        delivery.c.commit_number == event.number,
    )
    if desk.execute(select(delivery.c.delivery_id).where(*same)).first() is not None:
        return
    desk.execute(
        delivery.insert().values(
            receiver=receiver,
            instance=event.instance,
            commit_number=event.number,
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
