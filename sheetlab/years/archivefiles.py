"""The table of the years as a file for other programs, and back: CSV and Parquet, a row a result.

Rows are written and read one at a time, or some thousands; memory stays flat.
"""

from __future__ import annotations

import csv
import json
import math
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import chain, islice
from pathlib import Path
from typing import Any

from sheetlab.handling.tables import guarded, unguarded
from sheetlab.years.ledger import COLUMNS, NUMBER_COLUMNS, Cell, Row, flat, flat_numbers, typed

PARQUET = ".parquet"
NUMBERS = "numbers"
"""Last column: the numbers beside a row, whole, as JSON."""
GROUP = 5000
"""Rows that a Parquet file holds together."""


def wide(row: Row, beside: Sequence[str]) -> list[Cell]:
    """A row with the numbers beside it: a column each (``kind:id``), and all of them at the end."""
    extra = {f"{n.kind}:{n.id}": n.value for n in row.entry.numbers}
    whole = json.dumps([one[2:] for one in flat_numbers(row)], ensure_ascii=True)
    return [*flat(row), *map(extra.get, beside), whole]


def split(
    read: Callable[[], Iterable[Mapping[str, Any]]],
) -> tuple[Iterator[list[Cell]], Iterator[list[Cell]]]:
    """Flat records and flat numbers of what is read, which is done once for each of them."""

    def rows() -> Iterator[list[Cell]]:
        for record in read():
            yield typed([record[name] for name in COLUMNS], COLUMNS)

    def numbers() -> Iterator[list[Cell]]:
        for record in read():
            for position, one in enumerate(json.loads(record[NUMBERS])):
                yield typed([record["number"], position, *one], NUMBER_COLUMNS)

    return rows(), numbers()


def write_csv(target: Path, beside: Sequence[str], records: Iterable[Sequence[Cell]]) -> int:
    """Write a CSV file; returns the number of rows."""
    count = 0
    with target.open("w", encoding="utf-8-sig", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow([*COLUMNS, *beside, NUMBERS])
        for record in records:
            writer.writerow([guarded(v) if isinstance(v, str) else v for v in record])
            count += 1
        _safe(stream)
    return count


def read_csv(source: Path) -> Iterator[dict[str, Any]]:
    """Rows of a CSV file that ``write_csv`` wrote.

    Raises
    ------
    ValueError, KeyError, OSError
        If it is something else.
    """
    with source.open(encoding="utf-8-sig", newline="") as stream:
        for record in csv.DictReader(stream, strict=True):
            found: dict[str, Any] = {NUMBERS: unguarded(record[NUMBERS] or "")}
            for name, kind in COLUMNS.items():
                text = record[name] or ""
                found[name] = unguarded(text) if kind is str else _number(text)
            yield found


def _number(text: str) -> float | None:
    if not text:
        return None
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text[:20]} is no number")
    return number


def write_parquet(target: Path, beside: Sequence[str], records: Iterable[Sequence[Cell]]) -> int:
    """Write a Parquet file; returns the number of rows.

    Raises
    ------
    ImportError
        If its library is missing.
    """
    import pyarrow
    from pyarrow import parquet

    kinds = {str: pyarrow.string(), int: pyarrow.int64(), float: pyarrow.float64()}
    columns = {**COLUMNS, **dict.fromkeys(beside, float), NUMBERS: str}
    schema = pyarrow.schema([(name, kinds[kind]) for name, kind in columns.items()])
    count = 0
    rows = iter(records)
    with target.open("wb") as stream:
        with parquet.ParquetWriter(stream, schema, compression="zstd") as writer:
            while some := list(islice(rows, GROUP)):
                arrays = [
                    pyarrow.array(column, kinds[kind])
                    for column, kind in zip(zip(*some, strict=True), columns.values(), strict=True)
                ]
                writer.write_table(pyarrow.Table.from_arrays(arrays, schema=schema))
                count += len(some)
        _safe(stream)
    return count


def read_parquet(source: Path) -> Iterator[dict[str, Any]]:
    """Rows of a Parquet file that ``write_parquet`` wrote.

    Raises
    ------
    ImportError
        If its library is missing.
    ValueError, KeyError, OSError
        If it is something else.
    """
    from pyarrow import parquet

    names = [*COLUMNS, NUMBERS]
    with parquet.ParquetFile(source) as opened:
        batches = opened.iter_batches(GROUP, columns=names)
        yield from chain.from_iterable(batch.to_pylist() for batch in batches)


def _safe(stream: Any) -> None:
    stream.flush()
    os.fsync(stream.fileno())
