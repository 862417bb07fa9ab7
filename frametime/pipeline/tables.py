"""Rows to tables as CSV, JSON lines or Parquet, written whole, and read back as they were."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from frametime.errors import OutputError
from frametime.pipeline.csv_cells import csv_writer, escaped, looks_like_formula, unescaped
from frametime.pipeline.journal import Cell, Row, read_journal
from frametime.replacing import replacing
from frametime.version import __version__

if TYPE_CHECKING:
    import pyarrow as pa

FORMATS: Final = (".csv", ".jsonl", ".ndjson", ".parquet")
_ROWS_A_GROUP: Final = 1000


@dataclass(frozen=True, kw_only=True)
class Column:
    """A column of a table.

    Attributes
    ----------
    name : str
    kind : 'text', 'whole' or 'number'
    unit : str or None
        Code of UCUM, for numbers; it stands in the metadata of Parquet columns.
    """

    name: str
    kind: Literal["text", "whole", "number"]
    unit: str | None = None


def write_table(rows: Iterable[Row], out: Path, *, columns: Sequence[Column], escape_formulas: bool = False) -> int:
    """Write the table ``out``; its ending says the format.

    Parameters
    ----------
    rows : iterable of Row
        Taken one after another, never held all at once.
    out : Path
    columns : sequence of Column
    escape_formulas : bool
        In CSV, write an apostrophe before text that a spreadsheet would take for a formula.

    Returns
    -------
    int
        Cells of a CSV file that look like formulas.

    Raises
    ------
    OutputError
    """
    n_formulas = 0
    with replacing(out) as temporary:
        if out.suffix.lower() == ".parquet":
            write_parquet(rows, temporary, columns)
        elif out.suffix.lower() == ".csv":
            n_formulas = _write_csv(rows, temporary, columns, escape_formulas=escape_formulas)
        else:
            with temporary.open("w", encoding="utf-8", newline="\n") as stream:
                for row in rows:
                    ordered = {column.name: row.get(column.name) for column in columns}
                    stream.write(json.dumps(ordered, ensure_ascii=True, allow_nan=False) + "\n")
    return n_formulas


def _write_csv(rows: Iterable[Row], path: Path, columns: Sequence[Column], *, escape_formulas: bool) -> int:
    n_formulas = 0
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv_writer(stream)
        writer.writerow([column.name for column in columns])
        for row in rows:
            cells = [row.get(column.name) for column in columns]
            formulas = [at for at, cell in enumerate(cells) if isinstance(cell, str) and looks_like_formula(cell)]
            n_formulas += len(formulas)
            if escape_formulas:
                for at in formulas:
                    cells[at] = escaped(str(cells[at]))
            writer.writerow(cells)
    return n_formulas


def write_parquet(rows: Iterable[Row], path: Path, columns: Sequence[Column]) -> None:
    """Write one Parquet file, a group of rows after another, with units in the metadata of its columns."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = arrow_schema(columns)
    stream = iter(rows)
    with pq.ParquetWriter(path, schema) as writer:
        while group := list(islice(stream, _ROWS_A_GROUP)):
            writer.write_table(pa.Table.from_pylist(group, schema=schema))


def arrow_schema(columns: Sequence[Column]) -> pa.Schema:
    """The Arrow schema of a table, with the unit of each column of numbers."""
    import pyarrow as pa

    kinds: dict[str, pa.DataType] = {"text": pa.string(), "whole": pa.int64(), "number": pa.float64()}
    fields: list[pa.Field[Any]] = [
        pa.field(column.name, kinds[column.kind], metadata={"unit": column.unit} if column.unit is not None else None)
        for column in columns
    ]
    about: dict[bytes | str, bytes | str] = {
        "frametime": f'{{"schema": "frametime.batch/1", "version": "{__version__}"}}'
    }
    return pa.schema(fields, metadata=about)


def is_batch_table(path: Path) -> bool:
    """Whether a batch has written the file, as far as its first line or its schema says."""
    from frametime.adapters.result_tables import writer_of_names, writer_of_schema, writer_of_text

    if path.suffix.lower() == ".parquet":
        import pyarrow as pa
        import pyarrow.parquet as pq

        try:
            schema = pq.read_schema(path)
        except (pa.ArrowException, OSError):
            return False
        return writer_of_schema(schema.metadata, schema.names) == "batch"
    with path.open("rb") as stream:
        head = stream.readline(1 << 20)
    if path.suffix.lower() == ".csv":
        return writer_of_text(head.decode("utf-8", "replace")) == "batch"
    try:
        first = json.loads(head)
    except ValueError:
        return False
    return isinstance(first, dict) and writer_of_names(first) == "batch"


def read_table(path: Path, *, columns: Sequence[Column]) -> Iterator[Row]:
    """Rows of a table that `write_table` made, or of a folder of Parquet files without what the folders' names say.

    Raises
    ------
    OutputError
        If it is not such a table.
    """
    try:
        if path.is_dir():
            for part in sorted(path.rglob("*.parquet")):
                yield from _read_parquet(part)
        elif path.suffix.lower() == ".csv":
            kinds = {column.name: column.kind for column in columns}
            with path.open(encoding="utf-8", newline="") as stream:
                for cells in csv.DictReader(stream):
                    yield _row(cells, kinds)
        elif path.suffix.lower() == ".parquet":
            yield from _read_parquet(path)
        else:
            yield from read_journal(path)
    except (OSError, UnicodeDecodeError, csv.Error, ValueError) as error:
        raise OutputError.at(
            str(path), "this is not a table of an earlier batch", helps="name another --out, or use --force alone"
        ) from error


def _read_parquet(path: Path) -> Iterator[Row]:
    import pyarrow.parquet as pq

    for batch in pq.ParquetFile(path).iter_batches(batch_size=_ROWS_A_GROUP):
        yield from batch.to_pylist()


def _row(cells: Mapping[str, str], kinds: Mapping[str, str]) -> Row:
    return {name: _cell(kinds.get(name, "text"), text) for name, text in cells.items()}


def _cell(kind: str, text: str | None) -> Cell:
    """A cell of a CSV file as the value that was written."""
    if text is None or text == "":
        return None
    if kind == "text":
        return unescaped(text)
    return int(text) if kind == "whole" else float(text)
