"""Exports on the desk: files that were asked for, of lists that are too long for one answer.

An export waits, is being built, and is then done or failed. That it is begun is noted first: what was under
way when the API died is found again, with how often that has happened. The files lie elsewhere.
"""

import json
import secrets
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, func, select

from collector.store.desk import take_turn
from collector.store.queries import Record, records
from collector.store.tables import export, token
from collector.store.tokens import ID_LETTERS

ID_LENGTH = 12


def ask_export(
    desk: Connection,
    *,
    token_id: str | None,
    lines: Sequence[str] | None,
    what: str,
    format: str,
    begins_at: datetime,
    ends_at: datetime,
    filters: Mapping[str, str],
    now: datetime,
) -> str:
    """Its id. The same that the same token asks for, and that is not over yet, is asked for once only: so a
    request whose answer was lost can be sent again."""
    take_turn(desk)
    asked = {
        "token_id": token_id,
        "lines": None if lines is None else json.dumps(list(lines)),
        "what": what,
        "format": format,
        "begins_at": begins_at,
        "ends_at": ends_at,
        "filters": json.dumps(filters, sort_keys=True),
    }
    same = [export.c[name].is_not_distinct_from(value) for name, value in asked.items()]
    there: str | None = desk.scalar(select(export.c.export_id).where(export.c.over_at.is_(None), *same))
    if there is not None:
        return there
    made = "".join(secrets.choice(ID_LETTERS) for _ in range(ID_LENGTH))
    desk.execute(export.insert().values(export_id=made, state="waiting", attempts=0, asked_at=now, **asked))
    return made


def find_export(desk: Connection, export_id: str) -> Record | None:
    """Columns of `export`, with `lines` and `filters` decoded, and `token_name`; None: there is none."""
    found = _exports(desk, export.c.export_id == export_id)
    return found[0] if found else None


def find_exports(desk: Connection) -> list[Record]:
    """All, the newest first; as `find_export` gives them."""
    return _exports(desk)


def count_exports(desk: Connection, token_id: str | None) -> tuple[int, int, int]:
    """How many there are, how many of them this token asked for, and the bytes of all files."""
    own = export.c.token_id.is_not_distinct_from(token_id)
    row = desk.execute(
        select(
            func.count(), func.count().filter(own), func.coalesce(func.sum(export.c.bytes), 0)
        ).select_from(export)
    ).one()
    return int(row[0]), int(row[1]), int(row[2])


def begin_next(desk: Connection) -> Record | None:
    """The one that has waited longest, which is being built from here on; None: none waits."""
    oldest = (
        select(export.c.export_id)
        .where(export.c.state == "waiting")
        .order_by(export.c.asked_at, export.c.export_id)
    )
    found: str | None = desk.scalar(oldest.limit(1))
    if found is None:
        return None
    _set(desk, found, state="building", attempts=export.c.attempts + 1)
    return find_export(desk, found)


def put_back(desk: Connection, export_id: str, *, counts: bool) -> None:
    """It waits again. Args: counts: whether that was an attempt of its own."""
    _set(desk, export_id, state="waiting", attempts=export.c.attempts - (0 if counts else 1))


def note_done(
    desk: Connection,
    export_id: str,
    *,
    book: str,
    commit_number: int,
    rows: int,
    size: int,
    sha256: str,
    now: datetime,
) -> bool:
    """False: it is not there any more."""
    return _set(
        desk,
        export_id,
        state="done",
        over_at=now,
        book=book,
        commit_number=commit_number,
        rows=rows,
        bytes=size,
        sha256=sha256,
    )


def note_failed(desk: Connection, export_id: str, says: str, now: datetime) -> None:
    """Its file, if there was one, counts no more."""
    _set(desk, export_id, state="failed", says=says, over_at=now, bytes=None)


def drop_export(desk: Connection, export_id: str) -> None:
    desk.execute(export.delete().where(export.c.export_id == export_id))


def find_over(desk: Connection, before: datetime) -> list[Record]:
    """Those that were over before an instant."""
    return _exports(desk, export.c.over_at < before)


def _exports(desk: Connection, *wanted: Any) -> list[Record]:
    named = select(export, token.c.name.label("token_name")).select_from(export.outerjoin(token))
    newest_first = named.where(*wanted).order_by(export.c.asked_at.desc(), export.c.export_id)
    found = records(desk.execute(newest_first))
    for each in found:
        each["lines"] = None if each["lines"] is None else json.loads(each["lines"])
        each["filters"] = json.loads(each["filters"])
    return found


def _set(desk: Connection, export_id: str, **values: Any) -> bool:
    """False: there is none any more."""
    return bool(
        desk.execute(export.update().where(export.c.export_id == export_id).values(**values)).rowcount
    )
