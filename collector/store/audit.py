"""Counting the book again, from the ground: are the tallies what a full scan gives, is every number that a
controller counted stored or listed as missing, and not both, and does the controller's own count agree?

Unlike `reconciliation`, which believes the book and holds it against the controller, this reads every cycle.
"""

from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Connection,
    Select,
    except_,
    func,
    literal,
    select,
    type_coerce,
)

from collector.store.queries import Record, find_controllers
from collector.store.reconciliation import find_reconciliation
from collector.store.tables import cycle, gap, tally
from collector.store.tallies import BUCKET_US

Run = tuple[int, int]
"""Numbers of one epoch, bounds inclusive."""

MISTAKES_MOST = 20
"""Of one controller; the rest are only counted."""


def find_audit(connection: Connection, controller: Record) -> Record:
    """All that can be said of one controller, as `find_controllers` gives it.

    Returns: controller (its name), rows, totals, balanced, unknown (see `find_reconciliation`, over all
    mounts), `cycles` in the book, `epochs`, `mistakes` that counting again found, in sentences, `conflicts`.
    """
    found = find_reconciliation(connection, controller["name"], last=None)
    number = controller["controller_id"]
    epochs = _find_epochs(connection, number)
    wrong = list(_tallies_against_a_full_scan(connection, number))
    for epoch in epochs:
        here = controller["position_sequence"] if epoch == controller["position_epoch"] else None
        wrong += _numbers_of_an_epoch(connection, number, epoch, here)
    if len(wrong) > MISTAKES_MOST:
        wrong = [*wrong[:MISTAKES_MOST], f"and {len(wrong) - MISTAKES_MOST} more"]
    cycles = select(func.count()).select_from(cycle).where(cycle.c.controller_id == number)
    return {
        "controller": controller["name"],
        "rows": found.rows,
        "totals": found.totals,
        "balanced": found.balanced,
        "unknown": found.unknown,
        "cycles": connection.scalar(cycles) or 0,
        "epochs": epochs,
        "mistakes": wrong,
        "conflicts": [each["says"] for each in controller["conflicts"]],
    }


def find_audits(connection: Connection, name: str | None = None) -> Iterator[Record]:
    """Of all controllers, or of one. Raises: NotInBook: no controller of that name."""
    for each in find_controllers(connection, name):
        yield find_audit(connection, each)


def verdict(audits: Sequence[Record]) -> bool | None:
    """True: every equation holds and nothing is wrong; False: a remainder, or a mistake; None: neither, but
    of some controller it can't be stated."""
    if any(each["balanced"] is False or each["mistakes"] for each in audits):
        return False
    return None if not audits or any(each["balanced"] is None for each in audits) else True


# ---- the tallies -------------------------------------------------------------------------------------------


def _tallies_against_a_full_scan(connection: Connection, controller_id: int) -> Iterator[str]:
    kept, scanned = _kept(controller_id), _scanned(controller_id)
    for more, less, says in (
        (kept, scanned, "hold what a full scan of the cycles does not give"),
        (scanned, kept, "do not hold what a full scan of the cycles gives"),
    ):
        differing = except_(more, less).subquery()
        number = connection.scalar(select(func.count()).select_from(differing))
        if number:
            yield f"the tallies {says}: {number} quarters of an hour differ"


def _kept(controller_id: int) -> Select[Any]:
    by = (tally.c.tool_id, tally.c.mode, tally.c.band, tally.c.result, tally.c.completion)
    bucket = type_coerce(tally.c.bucket_at, BigInteger)
    return select(*by, bucket, tally.c.cycles).where(tally.c.controller_id == controller_id)


def _scanned(controller_id: int) -> Select[Any]:
    each = (  # apart, since databases do not see that an expression is the one that rows are grouped by
        select(
            cycle.c.tool_id,
            cycle.c.mode,
            func.coalesce(cycle.c.band, "").label("band"),
            cycle.c.result,
            cycle.c.completion,
            _bucket_of(type_coerce(cycle.c.ended_at, BigInteger)).label("bucket"),
        )
        .where(cycle.c.controller_id == controller_id)
        .subquery()
    )
    return select(*each.c, func.count()).group_by(*each.c)


def _bucket_of(at_us: ColumnElement[int]) -> ColumnElement[int]:
    """As `tallies.bucket_of`; the databases' remainder has the sign of the dividend."""
    width = literal(BUCKET_US, BigInteger)
    return at_us - (at_us % width + width) % width


# ---- the numbers -------------------------------------------------------------------------------------------


def _find_epochs(connection: Connection, controller_id: int) -> list[int]:
    found = [
        connection.scalars(select(table.c.epoch).where(table.c.controller_id == controller_id).distinct())
        for table in (cycle, gap)
    ]
    return sorted({epoch for epochs in found for epoch in epochs})


def _numbers_of_an_epoch(
    connection: Connection, controller_id: int, epoch: int, here: int | None
) -> Iterator[str]:
    """What is wrong with an epoch. `here`: the position, if it lies in this one."""
    stored = find_runs(connection, controller_id, epoch)
    rows = connection.execute(
        select(gap.c.first_sequence, gap.c.last_sequence)
        .where(
            gap.c.controller_id == controller_id,
            gap.c.epoch == epoch,
            gap.c.last_sequence.is_not(None),
            gap.c.closed_at.is_(None),
        )
        .order_by(gap.c.first_sequence)
    )
    missing = [(int(first), int(last)) for first, last in rows]
    for says, runs in check_numbers(stored, missing, here).items():
        for first, last in runs:
            numbers = f"{first}" if first == last else f"{first} to {last}"
            yield f"epoch {epoch}: {numbers}: {says}"


def find_runs(connection: Connection, controller_id: int, epoch: int) -> list[Run]:
    """The numbers that are stored, as runs without a hole, in order."""
    numbered = (
        select(
            cycle.c.sequence,
            (cycle.c.sequence - func.row_number().over(order_by=cycle.c.sequence)).label("run"),
        )
        .where(cycle.c.controller_id == controller_id, cycle.c.epoch == epoch)
        .subquery()
    )
    first, last = func.min(numbered.c.sequence), func.max(numbered.c.sequence)
    rows = connection.execute(select(first, last).group_by(numbered.c.run).order_by(first))
    return [(int(first), int(last)) for first, last in rows]


def check_numbers(stored: Sequence[Run], missing: Sequence[Run], here: int | None) -> dict[str, list[Run]]:
    """What is wrong with the numbers of an epoch, in words -> which ones. Pure.

    Args: stored: runs of stored cycles; missing: open gaps; both in order; here: the position, if it lies in
    this epoch.
    """
    wrong: dict[str, list[Run]] = {
        "neither stored nor in an open gap": [],
        "stored, and in an open gap": [],
        "in two open gaps": [],
        "beyond the position": [],
    }
    runs = sorted([*((run, "stored") for run in stored), *((run, "gap") for run in missing)])
    reached: tuple[int, str] | None = None
    for (first, last), what in runs:
        if reached is not None and first > reached[0] + 1:
            wrong["neither stored nor in an open gap"].append((reached[0] + 1, first - 1))
        if reached is not None and first <= reached[0]:
            both = "in two open gaps" if what == reached[1] else "stored, and in an open gap"
            wrong[both].append((first, min(last, reached[0])))
        if here is not None and last > here:
            wrong["beyond the position"].append((max(first, here + 1), last))
        if reached is None or last > reached[0]:
            reached = last, what
    if here is not None and reached is not None and reached[0] < here:
        wrong["neither stored nor in an open gap"].append((reached[0] + 1, here))
    return wrong
