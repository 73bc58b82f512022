"""Receipts on the desk: up to where consumers of statements have booked them.

A receipt is a commit number of one book: of all lines that the consumer's token is for, or of one. A consumer
tells it in one of the two ways; the other is forgotten.
"""

import json
from collections.abc import Collection, Sequence
from datetime import datetime
from typing import NamedTuple

from sqlalchemy import Connection, func, select

from collector.store.desk import take_turn
from collector.store.queries import Record, records
from collector.store.tables import receipt, statement, token

ALL_LINES = ""


class Lag(NamedTuple):
    """Revisions that are not booked."""

    revisions: int
    since: datetime | None
    """When the oldest of them was closed; None: there is none."""


def keep_receipt(
    desk: Connection,
    consumer: str,
    *,
    token_id: str | None,
    lines: Sequence[str] | None,
    line: str | None,
    book: str,
    commit_number: int,
    now: datetime,
) -> None:
    """In place of what it told before. Args: lines: of the token; line: only of that, None: of all."""
    take_turn(desk)
    this = receipt.c.consumer == consumer
    is_all = receipt.c.line == ALL_LINES
    replaced = this if line is None else this & (is_all | (receipt.c.line == line))
    desk.execute(receipt.delete().where(replaced))
    desk.execute(
        receipt.insert().values(
            consumer=consumer,
            line=ALL_LINES if line is None else line,
            token_id=token_id,
            lines=None if lines is None else json.dumps(list(lines)),
            book=book,
            commit_number=commit_number,
            told_at=now,
        )
    )


def find_receipts(desk: Connection, consumer: str | None = None) -> list[Record]:
    """By consumer and line, of all or of one: columns of `receipt` with `line` None for all and `lines`
    decoded, and of the token that told it: `token_name`, `token_expires_at`, `token_revoked_at`."""
    of_token = (token.c.name, token.c.expires_at, token.c.revoked_at)
    wanted = select(receipt, *(each.label(f"token_{each.name}") for each in of_token))
    wanted = wanted.select_from(receipt.outerjoin(token)).order_by(receipt.c.consumer, receipt.c.line)
    if consumer is not None:
        wanted = wanted.where(receipt.c.consumer == consumer)
    found = records(desk.execute(wanted))
    for each in found:
        each["line"] = each["line"] or None
        each["lines"] = None if each["lines"] is None else json.loads(each["lines"])
    return found


def count_receipts(desk: Connection) -> int:
    return int(desk.scalar(select(func.count()).select_from(receipt)) or 0)


def drop_receipts(desk: Connection, consumer: str) -> bool:
    """False: there was none."""
    return bool(desk.execute(receipt.delete().where(receipt.c.consumer == consumer)).rowcount)


def find_lag(book: Connection, commit_number: int, lines: Collection[str] | None) -> Lag:
    """What was closed behind a commit number, on all lines or these."""
    wanted = select(func.count(), func.min(statement.c.closed_at)).where(
        statement.c.commit_number > commit_number
    )
    if lines is not None:
        wanted = wanted.where(statement.c.line.in_(lines))
    revisions, since = book.execute(wanted).one()
    return Lag(int(revisions), since)
