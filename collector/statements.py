"""Statements: the closed, numbered, hashed result of one shift of one line. Pure: no I/O, no clock.

When. A shift is closed when every controller of its line was read through beyond its end: then all that ended
in it is in the book, or in a listed gap. Or when the grace time after its end is over; then the statement is
not complete and says which controller was not read. Shifts of a line close in the order of time.

What. Attribution is frozen: the end of a cycle, its tool and its band as they were stored decide. A late
cycle, a gap that was closed or noticed late, a controller that came back: each makes a revision, with what
changed and why; the one before stays.

How it is proved. A statement's hash is the SHA-256 of its canonical JSON (RFC 8785) without the hash itself;
in it is the hash of the statement that was written before it, of whatever line: one chain for the whole book,
so that one noted hash vouches for all statements up to it, and none can be taken out.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from hashlib import sha256
from typing import Any, Literal

from collector.canonical_json import canonical
from collector.completeness import Reading
from collector.rfc3339 import format_rfc3339
from collector.shifts import Occurrence, ShiftPlan

Basis = Literal["read_through", "grace"]
"""Why a shift was closed: all was read, or the grace time was over."""

Json = dict[str, Any]
Key = tuple[date, str]
"""Plant day and shift, of one line."""

CONTENT = ("controllers", "not_read_through", "complete", "rows", "reconciliation", "gaps")
"""What a revision is made for if it changes; `reasons` tell the same in words, with times that go on."""
COUNTED = ("counter_difference", "cleared", "stored", "in_gaps", "unexplained")
ITSELF = "counted again"


@dataclass(frozen=True, slots=True)
class Draft:
    """A statement before it has its number and its place in the chain."""

    line: str
    occurrence: Occurrence
    zone: str
    revision: int
    basis: Basis
    content: Json
    """`CONTENT` and `reasons`, as they stand in the statement."""
    changes: list[Json]
    as_of: int
    """Last commit of the book that it takes into account."""
    controller_ids: Sequence[int]


def due(plan: ShiftPlan, after: datetime, stated: Sequence[Key], now: datetime) -> Iterator[Occurrence]:
    """What is over and has no statement yet, in order, from `after` on: where the last one ended.

    Where the plan was changed without a date, its shifts do not fit to what was stated. What is stated stays;
    the rest of a shift that has begun before goes by a name of its own, so that no time is stated twice or
    not at all.
    """
    taken = set(stated)
    for each in plan.occurrences(after, now):
        if each.ends_at > now:
            return
        begins_at = max(each.begins_at, after)
        if begins_at != each.begins_at or (each.plant_day, each.shift) in taken:
            yield replace(each, shift=f"replanned-{begins_at:%Y%m%dT%H%MZ}", begins_at=begins_at)
        else:
            yield each


def basis_of(ends_at: datetime, readings: Sequence[Reading], now: datetime, grace: timedelta) -> Basis | None:
    """Whether a shift can be closed now; None: not yet. `readings`: of the controllers that are expected."""
    if now < ends_at:
        return None
    if all(each.is_through(ends_at) for each in readings):
        return "read_through"
    return "grace" if now >= ends_at + grace else None


# ---- what changed ------------------------------------------------------------------------------------------


def is_changed(before: Json, after: Json) -> bool:
    """Where nothing was counted, it does not matter at which number."""
    return _told(before) != _told(after)


def _told(content: Json) -> Json:
    counted = [row for row in content["reconciliation"] if row["begin"] != row["end"] or row["count_changes"]]
    return {name: content[name] for name in CONTENT} | {"reconciliation": counted}


def changes(before: Json, after: Json, causes: Mapping[str, Sequence[str]]) -> list[Json]:
    """Number by number, what another revision says, and why.

    Args: causes: controller -> what happened with it since.
    """
    return list(_changes(before, after, causes))


def _changes(before: Json, after: Json, causes: Mapping[str, Sequence[str]]) -> Iterator[Json]:
    old, new = _numbers(before), _numbers(after)
    for key in [*old, *(key for key in new if key not in old)]:
        was, became = old.get(key, {}), new.get(key, {})
        controller, of = key[0], dict(key[1:])
        for field in [*was, *(name for name in became if name not in was)]:
            if was.get(field) != became.get(field):
                cause = "; ".join(causes.get(controller, ())) or ITSELF
                yield {"controller": controller, **of, "field": field} | {
                    "from": was.get(field),
                    "to": became.get(field),
                    "cause": cause,
                }
    every = "; ".join(sorted({each for known in causes.values() for each in known})) or ITSELF
    if before["gaps"] != after["gaps"]:
        yield {"field": "gaps", "from": len(before["gaps"]), "to": len(after["gaps"]), "cause": every}
    if before["complete"] != after["complete"]:
        yield {"field": "complete", "from": before["complete"], "to": after["complete"], "cause": every}


def _numbers(content: Json) -> dict[Any, dict[str, Any]]:
    """Controller and what else a number is of -> its name -> the number."""
    found: dict[Any, dict[str, Any]] = {}
    for row in content["rows"]:
        of = ("tool", row["tool"]["serial"]), ("maker", row["tool"]["maker"]), ("model", row["tool"]["model"])
        key = (row["controller"], *of, ("band", row["band"]), ("mode", row["mode"]))
        ended = {name: row["by_completion"][name] for name in ("aborted", "failed")}
        found[key] = {"cycles": row["cycles"], **row["by_result"], **ended}
    for row in content["reconciliation"]:
        sums = found.setdefault((row["controller"],), dict.fromkeys(COUNTED, 0))
        for name in COUNTED:
            known = sums[name] is not None and row[name] is not None
            sums[name] = sums[name] + row[name] if known else None
    return found


# ---- the chain ---------------------------------------------------------------------------------------------


def seal(
    draft: Draft, *, book: str, commit: int, closed_at: datetime, previous_hash: str | None
) -> tuple[str, str]:
    """The statement as canonical JSON, and its hash."""
    at = draft.occurrence
    body = canonical(
        {
            "line": draft.line,
            "plant_day": at.plant_day.isoformat(),
            "shift": at.shift,
            "outside": at.is_outside,
            "begins_at": format_rfc3339(at.begins_at),
            "ends_at": format_rfc3339(at.ends_at),
            "hours": at.hours,
            "zone": draft.zone,
            "plan_version": at.plan_version,
            "state": "closed",
            "revision": draft.revision,
            "closed_at": format_rfc3339(closed_at),
            "basis": draft.basis,
            "book": book,
            "commit": str(commit),
            "as_of": str(draft.as_of),
            **draft.content,
            "changes": draft.changes,
            "previous_hash": previous_hash,
        }
    )
    return body, hash_of(body)


def hash_of(body: str) -> str:
    """SHA-256 of a statement's canonical JSON, in hexadecimal."""
    return sha256(body.encode("utf-8")).hexdigest()
