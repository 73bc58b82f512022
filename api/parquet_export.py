"""Lists in Apache Parquet: typed columns, a row group for each 100,000 rows, Zstandard.

Whole numbers are int64, instants microseconds in UTC, names that recur (serials, controllers) dictionaries.
The key-value metadata of the file tell `schema_version`, `list` and, in JSON, `units`: column -> unit.
pyarrow, which writes it, comes with the extra `parquet` only.
"""

import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from itertools import islice
from typing import Any, BinaryIO, Literal, NamedTuple

from api.problems import Problem

try:
    import pyarrow
    import pyarrow.parquet
except ImportError:
    pyarrow = None

SCHEMA_VERSION = "1"
"""Counts up when a column goes or changes its meaning; new ones come at the end without."""
ROW_GROUP = 100_000
BATCH = 5_000
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
    "_s": "s",
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


def require_parquet() -> None:
    """Raises: Problem: pyarrow is not installed here."""
    if pyarrow is None:
        raise Problem("format-not-installed", "Parquet can't be written here: pyarrow is not installed")


def write_parquet(
    columns: Sequence[Column], rows: Iterable[Mapping[str, Any]], about: Mapping[str, str]
) -> bytes:
    """Raises: Problem: pyarrow is not installed here."""
    file = io.BytesIO()
    write_parquet_to(file, columns, rows, about)
    return file.getvalue()


def write_parquet_to(
    file: BinaryIO, columns: Sequence[Column], rows: Iterable[Mapping[str, Any]], about: Mapping[str, str]
) -> None:
    """No more than `BATCH` rows are in memory as they came; those of a row group are, as columns.

    Raises: Problem: pyarrow is not installed here.
    """
    require_parquet()
    units = {column.name: column.unit for column in columns if column.unit}
    metadata = {"schema_version": SCHEMA_VERSION, **about, "units": json.dumps(units)}
    schema = pyarrow.schema([(column.name, _type_of(column.kind)) for column in columns], metadata)
    recurring = [column.name for column in columns if column.kind == "name"]
    with pyarrow.parquet.ParquetWriter(file, schema, compression="zstd", use_dictionary=recurring) as writer:
        remaining = iter(rows)
        while parts := list(_batches(islice(remaining, ROW_GROUP), columns, schema)):
            group = pyarrow.concat_tables(parts).unify_dictionaries()
            writer.write_table(group, row_group_size=ROW_GROUP)


def _batches(rows: Iterator[Mapping[str, Any]], columns: Sequence[Column], schema: Any) -> Iterator[Any]:
    while batch := list(islice(rows, BATCH)):
        yield pyarrow.Table.from_arrays([_array(column, batch) for column in columns], schema=schema)


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
