"""What the analysis found in curves, as it was stored beside them (`collector.analysis.features`)."""

import json
from collections.abc import Iterable

from sqlalchemy import Connection, select, tuple_

from collector.errors import NotInBook
from collector.store.queries import CycleId, Record, find_cycle, records
from collector.store.tables import curve_feature

KEY = (curve_feature.c.controller_id, curve_feature.c.epoch, curve_feature.c.sequence)
PlainKey = tuple[int, int, int]
"""Controller id, epoch, sequence."""


def find_features(connection: Connection, cycle_id: CycleId) -> Record:
    """Of one cycle: `id`, commit_number, and the `features` of its curve.

    Raises: NotInBook: no such cycle, or the book has no curve of it.
    """
    owner = find_cycle(connection, cycle_id)
    key = (owner["controller_id"], owner["epoch"], owner["sequence"])
    found = find_features_of(connection, [key])
    if not found:
        raise NotInBook(
            f"the book has no curve of cycle {cycle_id}; a controller may give that of its last cycle only"
        )
    return {"id": owner["id"], "commit_number": owner["commit_number"], "features": found[key]}


def find_features_of(connection: Connection, keys: Iterable[PlainKey]) -> dict[PlainKey, Record]:
    """Key of a cycle -> features of its curve, columns of `curve_feature` after the key, `notes` decoded; one
    without a curve is left out."""
    rows = records(connection.execute(select(curve_feature).where(tuple_(*KEY).in_(list(keys)))))
    return {
        (each.pop("controller_id"), each.pop("epoch"), each.pop("sequence")): each
        | {"notes": json.loads(each["notes"])}
        for each in rows
    }
