"""Lists in Apache Parquet: typed columns, a row group for each 100,000 rows, Zstandard.

Whole numbers are int64, instants microseconds in UTC, names that recur (serials, controllers) dictionaries.
The key-value metadata of the file tell `schema_version`, `list` and, in JSON, `units`: column -> unit.
pyarrow, which writes it, comes with the extra `parquet` only.
"""

import io
import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from itertools import islice
from typing import Any, Literal, NamedTuple

from api.problems import Problem

try:
    import pyarrow
    import pyarrow.parquet
except ImportError:
    pyarrow = None

SCHEMA_VERSION = "1"
"""Counts up when a column goes or changes its meaning; new ones come at the end without."""
ROW_GROUP = 100_000
UNIT_OF_SUFFIX = {
    "_mm_s": "mm/s",
    "_m_s": "m/s",
    "_ms": "ms",
    "_nm": "N.m",
    "_n": "N",
    "_kpa": "kPa",
    "_mm": "mm",
    "_j": "J",
    "_us": "us",
    "hours": "h",
}
"""The longer ones first."""

Kind = Literal["integer", "number", "flag", "instant", "day", "text", "name"]


class Column(NamedTuple):
    name: str
    kind: Kind
    """`name`: text that recurs; `day`: a date, also as ISO 8601 text."""

    @property
    def unit(self) -> str | None:
        found = (unit for suffix, unit in UNIT_OF_SUFFIX.items() if self.name.endswith(suffix))
        return next(found, None) if self.kind in ("number", "integer") else None


def columns_of(**names: str) -> list[Column]:
    """Of each kind, the names separated by blanks: `columns_of(name="tool controller", integer="cycles")`."""
    return [Column(name, kind) for kind, group in names.items() for name in group.split()]  # type: ignore[arg-type]


def write_parquet(
    columns: Sequence[Column], rows: Iterable[Mapping[str, Any]], about: Mapping[str, str]
) -> bytes:
    """Raises: Problem: pyarrow is not installed here."""
    if pyarrow is None:
        raise Problem("format-not-installed", "Parquet can't be written here: pyarrow is not installed")
    units = {column.name: column.unit for column in columns if column.unit}
    metadata = {"schema_version": SCHEMA_VERSION, **about, "units": json.dumps(units)}
    schema = pyarrow.schema([(column.name, _type_of(column.kind)) for column in columns], metadata)
    recurring = [column.name for column in columns if column.kind == "name"]
    file = io.BytesIO()
    with pyarrow.parquet.ParquetWriter(file, schema, compression="zstd", use_dictionary=recurring) as writer:
        remaining = iter(rows)
        while group := list(islice(remaining, ROW_GROUP)):
            arrays = [_array(column, group) for column in columns]
            writer.write_table(pyarrow.Table.from_arrays(arrays, schema=schema), row_group_size=ROW_GROUP)
    return file.getvalue()


def _array(column: Column, group: Sequence[Mapping[str, Any]]) -> Any:
    values = [row[column.name] for row in group]
    if column.kind == "day":
        values = [date.fromisoformat(each) if isinstance(each, str) else each for each in values]
    return pyarrow.array(values, _type_of(column.kind))


def _type_of(kind: Kind) -> Any:
    match kind:
        case "integer":
            return pyarrow.int64()
        case "number":
            return pyarrow.float64()
        case "flag":
            return pyarrow.bool_()
        case "instant":
            return pyarrow.timestamp("us", "UTC")
        case "day":
            return pyarrow.date32()
        case "text":
            return pyarrow.string()
        case "name":
            return pyarrow.dictionary(pyarrow.int32(), pyarrow.string())
