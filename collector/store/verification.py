"""Statements held against the book, from the ground: is the chain unbroken, is each text the one that was
hashed, and does every count in it follow from the cycles as they stood when it was made?

Cycles are never changed or taken away, and a commit number says when each came: so not only the newest but
every revision can be counted again. Reads the cycles of every statement.
"""

import json
from collections.abc import Iterator
from typing import Any, get_args

from sqlalchemy import Connection, func, select

from collector.canonical_json import canonical
from collector.model import Completion, Result
from collector.statements import hash_of
from collector.store.instances import Lineage, find_lineage
from collector.store.queries import Record, find_tool_names
from collector.store.statements import find_events, find_latest
from collector.store.tables import controller, cycle, statement

MISTAKES_MOST = 20


def find_verification(connection: Connection) -> Record:
    """`statements` (how many revisions), `lines`, `head` (hash of the last; None: there is none), `mistakes`
    and `pending` (what came since and makes revisions when the collector runs), in sentences, and `verified`:
    None: there is nothing to verify.
    """
    wrong: list[str] = []
    number, lines, previous = 0, set(), None
    tools = {tuple(name.values()): tool_id for tool_id, name in find_tool_names(connection).items()}
    ids = {
        row.name: row.controller_id
        for row in connection.execute(select(controller.c.name, controller.c.controller_id))
    }
    lineage = find_lineage(connection)
    revisions: dict[tuple[str, str, str], int] = {}
    for row in connection.execute(select(statement).order_by(statement.c.commit_number)):
        number += 1
        lines.add(row.line)
        name = f"{row.line}, {row.plant_day}, {row.shift}, revision {row.revision}"
        key = (row.line, row.plant_day, row.shift)
        if row.revision != revisions.get(key, 0) + 1:
            wrong.append(f"{name}: revision {revisions.get(key, 0) + 1} is not there")
        revisions[key] = row.revision
        wrong += [f"{name}: {says}" for says in _chained(row, previous, lineage)]
        wrong += [f"{name}: {says}" for says in _counted(connection, row, tools, ids)]
        previous = row.hash
    if len(wrong) > MISTAKES_MOST:
        wrong = [*wrong[:MISTAKES_MOST], f"and {len(wrong) - MISTAKES_MOST} more"]
    return {
        "statements": number,
        "lines": sorted(lines),
        "head": previous,
        "mistakes": wrong,
        "pending": list(_pending(connection, ids)),
        "verified": None if number == 0 else not wrong,
    }


def _chained(row: Any, previous: str | None, lineage: Lineage) -> Iterator[str]:
    if hash_of(row.body) != row.hash:
        yield "its text is not the one that was hashed"
    if row.previous_hash != previous:
        yield "it does not follow the statement before it; one was taken out, put in or changed"
    try:
        body = json.loads(row.body)
        text = canonical(body)
    except ValueError:
        yield "its text is no JSON that can be hashed"
        return
    if text != row.body:
        yield "its text is not canonical"
    told = {
        "line": row.line,
        "plant_day": row.plant_day,
        "shift": row.shift,
        "revision": row.revision,
        "book": lineage.instance_of(row.commit_number),
        "commit": str(row.commit_number),
        "as_of": str(row.as_of),
        "complete": row.complete,
        "previous_hash": row.previous_hash,
    }
    for name, value in told.items():
        if body.get(name) != value:
            yield f"its {name} is {value!r} in the book and {body.get(name)!r} in its text"


def _counted(connection: Connection, row: Any, tools: dict[Any, int], ids: dict[str, int]) -> Iterator[str]:
    """Every count again, from the cycles that were there when it was made."""
    body = json.loads(row.body)
    by = (
        cycle.c.tool_id,
        cycle.c.controller_id,
        func.coalesce(cycle.c.band, "").label("band"),
        cycle.c.mode,
        cycle.c.result,
        cycle.c.completion,
    )
    each = (
        select(*by)
        .where(
            cycle.c.controller_id.in_([ids[name] for name in body["controllers"] if name in ids]),
            cycle.c.ended_at >= row.begins_at,
            cycle.c.ended_at < row.ends_at,
            cycle.c.commit_number <= row.as_of,
        )
        .subquery()
    )
    counts: dict[tuple[Any, ...], dict[str, dict[str, int]]] = {}
    for found in connection.execute(select(*each.c, func.count().label("cycles")).group_by(*each.c)):
        key = (found.tool_id, found.controller_id, found.band, found.mode)
        sums = counts.setdefault(key, {"by_result": {}, "by_completion": {}})
        for axis, value in (("by_result", found.result), ("by_completion", found.completion)):
            sums[axis][value] = sums[axis].get(value, 0) + found.cycles
    for told in body["rows"]:
        tool_id = tools.get((told["tool"]["maker"], told["tool"]["model"], told["tool"]["serial"]))
        key = (tool_id, ids.get(told["controller"]), told["band"] or "", told["mode"])
        sums = counts.pop(key, {"by_result": {}, "by_completion": {}})
        what = f"tool {told['tool']['serial']} on {told['controller']}, band {told['band']}, {told['mode']}"
        for axis, words in (("by_result", get_args(Result)), ("by_completion", get_args(Completion))):
            again = {word: sums[axis].get(word, 0) for word in words}
            if again != told[axis] or sum(again.values()) != told["cycles"]:
                yield f"{what}: it says {told[axis]}, the cycles give {again}"
    for key, sums in counts.items():
        made = sum(sums["by_result"].values())
        yield f"{made} cycles of tool {key[0]} on controller {key[1]} are in no row of it"


def _pending(connection: Connection, ids: dict[str, int]) -> Iterator[str]:
    for row in find_latest(connection):
        body = select(statement.c.body).where(statement.c.commit_number == row["commit_number"])
        named = json.loads(connection.scalars(body).one())["controllers"]
        numbers = [ids[name] for name in named if name in ids]
        events = find_events(connection, numbers, row["as_of"], row["ends_at"])
        if any(each.reaches(row["begins_at"], row["ends_at"]) for each in events):
            name = f"{row['line']}, {row['plant_day']}, {row['shift']}"
            yield f"{name}: something came since revision {row['revision']}; the collector makes another"
