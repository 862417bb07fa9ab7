"""Tables as CSV, JSON lines, Parquet, or Parquet in folders: written whole, read as they were.

The rows of a batch are first written to a journal, one by one as they come, which a run that was stopped goes on from.

Parted tables lie in folders that are named for what their rows share: ``card=brae-41/scene=harbor/part-0.parquet``.
This is the layout of Apache Hive, which engines that read Parquet know: the columns by which rows are parted stand in
the names of folders and not in the files, signs other than letters, digits and ``-._~`` as ``%`` and two digits.
"""

from __future__ import annotations

import contextlib
import functools
import json
import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import islice
from pathlib import Path
from typing import IO, TYPE_CHECKING, Final, Literal, TypeAlias

import pyarrow as pa

from frametime.errors import EndingError, FrametimeError, OutputError
from frametime.lab.sessions import Step
from frametime.render.data_output import Column, arrow_schema, csv_bytes, formula_count, frame_of, unescaped
from frametime.replacing import refuse_existing, refuse_strangers, replacing, replacing_folder, write_bytes

if TYPE_CHECKING:
    import polars as pl


def write_order(steps: Iterable[Step], path: Path) -> None:
    """Write the order of runs as CSV, with an apostrophe before a text that is like a formula."""
    kinds: dict[str, Literal["text", "whole", "number"]] = {"stint": "whole", "start_min": "number"}
    columns = [Column(name=name, kind=kinds.get(name, "text")) for name in Step._fields]
    write_bytes(path, csv_bytes(frame_of([step._asdict() for step in steps], columns), escape_formulas=True))


Cell: TypeAlias = str | int | float | None
Row: TypeAlias = dict[str, Cell]
AddRow: TypeAlias = Callable[[Mapping[str, Cell]], int]
"""Adds a row to a journal, and says at which byte it lies."""


def _add(stream: IO[bytes], folder: Path, row: Mapping[str, Cell]) -> int:
    line = (json.dumps(row, ensure_ascii=True, allow_nan=False) + "\n").encode("ascii")
    place = stream.seek(0, os.SEEK_END)
    try:
        # Not buffered: a line that could not be written must not be tried again when the file is closed.
        while line:
            line = line[stream.write(line) :]
    except OSError as error:
        found = f"no more rows can be written here ({error.strerror or error})"
        helps = "the rows so far are kept: make room, and go on with --resume"
        raise OutputError.at(str(folder), found, helps=helps) from error
    return place


@contextlib.contextmanager
def open_journal(path: Path, *, call: Row, keep: bool = False) -> Iterator[AddRow]:
    """What adds a row to the journal at ``path``: to a new one, or with ``keep`` to the one that lies there.

    Each row is handed to the system at once, whole or not at all after a stop. The first is ``call``, what was asked
    for: only a journal of the same call is kept.

    Raises
    ------
    OutputError
        If it cannot be written, or is of another call.
    """
    first = next((row for _, row in journal_rows(path)), None) if keep and path.exists() else None
    if first is not None and first != call:
        found = "the rows of an unfinished batch of other captures or parameters lie here"
        helps = "go on with its own options, begin anew with --force and without --resume, or name another --out"
        raise OutputError.at(str(path), found, helps=helps)
    keep = first is not None
    try:
        stream = path.open("r+b" if keep else "wb", buffering=0)
    except OSError as error:
        raise OutputError.at(str(path.parent), f"cannot write here ({error.strerror})") from error
    with stream:
        if keep:
            stream.seek(-1, os.SEEK_END)
            if stream.read(1) != b"\n":  # a line that a stop has cut off ends here, and is passed over
                stream.write(b"\n")
        add = functools.partial(_add, stream, path.parent)
        if not keep:
            add(call)
        yield add


def journal_rows(path: Path) -> Iterator[tuple[int, Row]]:
    """Rows of a journal with the bytes at which they lie; a line that is damaged or cut off is passed over."""
    place = 0
    with path.open("rb") as stream:
        for line in stream:
            with contextlib.suppress(ValueError):
                row = json.loads(line)
                if isinstance(row, dict):
                    yield place, row
            place += len(line)


def row_at(stream: IO[bytes], place: int) -> Row:
    """The row that was added at ``place`` of the file that the stream reads."""
    stream.seek(place)
    row: Row = json.loads(stream.readline())
    return row


FORMATS: Final = (".csv", ".jsonl", ".ndjson", ".parquet")
SCHEMA: Final = "frametime.batch/1"
_ROWS_AT_ONCE: Final = 1000
_NO_VALUE: Final = "__HIVE_DEFAULT_PARTITION__"
_PART: Final = re.compile(r"(?:[^/]*=[^/]*/)*part-[0-9]+\.parquet")


def _frames_of(rows: Iterable[Row], columns: Sequence[Column]) -> Iterator[pl.DataFrame]:
    """Rows as frames, a part of them after another: never all at once."""
    stream = iter(rows)
    while part := list(islice(stream, _ROWS_AT_ONCE)):
        yield frame_of(part, columns)


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
    import pyarrow.parquet as pq

    n_formulas = 0
    frames = _frames_of(rows, columns)
    with replacing(out) as temporary:
        if out.suffix.lower() == ".parquet":
            schema = arrow_schema(columns, SCHEMA)
            with pq.ParquetWriter(temporary, schema) as writer:
                for frame in frames:
                    writer.write_table(frame.to_arrow().cast(schema))
            return 0
        with temporary.open("wb") as stream:
            if out.suffix.lower() != ".csv":
                for frame in frames:
                    frame.write_ndjson(stream)
                return 0
            stream.write(csv_bytes(frame_of([], columns)))
            for frame in frames:
                n_formulas += formula_count(frame)
                stream.write(csv_bytes(frame, escape_formulas=escape_formulas, include_header=False))
    return n_formulas


def write_partitions(rows: Iterable[Row], out: Path, *, columns: Sequence[Column], partition_by: Sequence[str]) -> None:
    """Write the folder ``out`` whole, one Parquet file for each set of values of ``partition_by``.

    Rows that share them follow one another: one file after another is open, for each takes megabytes while it is.

    Raises
    ------
    OutputError
        Also where a value is the very word that stands for no value.
    """
    import pyarrow.dataset as ds

    _refuse_strangers(out)
    schema = arrow_schema(columns, SCHEMA)

    def batches() -> Iterator[pa.RecordBatch]:
        for frame in _frames_of(rows, columns):
            for name in partition_by:
                if (frame[name] == _NO_VALUE).any():
                    raise OutputError(f"{name} '{_NO_VALUE}' would be read back as no value; rename it")
            yield from frame.to_arrow().cast(schema).to_batches()

    with replacing_folder(out) as making:
        ds.write_dataset(
            batches(),
            making,
            schema=schema,
            format="parquet",
            partitioning=ds.partitioning(pa.schema([schema.field(name) for name in partition_by]), flavor="hive"),
            basename_template="part-{i}.parquet",
            min_rows_per_group=_ROWS_AT_ONCE,
            max_rows_per_group=_ROWS_AT_ONCE,
            max_open_files=1,
            use_threads=False,  # the order of the rows, and with it the bytes, stay the same
        )


def check_output(out: Path, *, force: bool, partition_by: Sequence[str] = ()) -> None:
    """Refuse an output that exists, is of the wrong kind, or has an ending that names no format.

    Raises
    ------
    OutputError
    """
    is_table = out.suffix.lower() in FORMATS
    if partition_by and is_table:
        wrong = f"--partition-by writes a folder of Parquet files, not a {out.suffix} file"
        raise EndingError.at(str(out), wrong, helps="name a folder, such as runs/")
    if partition_by and out.name in {"", ".."}:
        raise OutputError.at(str(out), "this names no folder of its own", helps="name one, such as runs/")
    if partition_by:
        _refuse_strangers(out)
    elif not is_table:
        wrong = f"the ending {out.suffix or '(none)'!r} names no format"
        helps = f"use one of {', '.join(FORMATS)}, or --partition-by for a folder"
        raise EndingError.at(str(out), wrong, helps=helps)
    helps = "--force replaces it, --resume goes on with it"
    refuse_existing([out], force=force, helps=helps, are_folders=bool(partition_by))


def _refuse_strangers(out: Path) -> None:
    """Replace nothing but what `write_partitions` could have written."""
    refuse_strangers(out, lambda name: _PART.fullmatch(name) is not None, writer="batch")


def is_batch_table(path: Path) -> bool:
    """Whether a batch has written the file, as far as its beginning says."""
    from frametime.adapters.file_kind import classify_file, writer_of_names

    if path.suffix.lower() not in {".jsonl", ".ndjson"}:
        return classify_file(path).command == "batch"
    # Also what has no value names a column here.
    return writer_of_names(next((row for _, row in journal_rows(path)), {})) == "batch"


def read_table(path: Path, *, columns: Sequence[Column]) -> Iterator[Row]:
    """Rows of a table that `write_table` made, or of a folder of Parquet files without what the folders' names say.

    Raises
    ------
    OutputError
        If it is not such a table.
    """
    import polars as pl
    import pyarrow.parquet as pq

    try:
        if path.is_dir() or path.suffix.lower() == ".parquet":
            for part in sorted(path.rglob("*.parquet")) if path.is_dir() else [path]:
                for batch in pq.ParquetFile(part).iter_batches(batch_size=_ROWS_AT_ONCE):
                    yield from batch.to_pylist()
        elif path.suffix.lower() in {".jsonl", ".ndjson"}:
            yield from (row for _, row in journal_rows(path))
        else:
            table = pl.scan_csv(path, infer_schema=False)
            names = table.collect_schema().names()
            types = {column.name: column.dtype() for column in columns if column.name in names}
            for frame in table.collect_batches(chunk_size=_ROWS_AT_ONCE, maintain_order=True):
                yield from unescaped(frame).cast(types).iter_rows(named=True)  # type: ignore[arg-type]  # a mapping of instances
    except (OSError, UnicodeDecodeError, ValueError, pl.exceptions.PolarsError) as error:
        raise _no_batch_table(path) from error


def refuse_other_table(path: Path) -> None:
    """Refuse to go on with a file that no batch has written: its content would be lost.

    Raises
    ------
    OutputError
    """
    if path.is_file() and not is_batch_table(path):
        raise _no_batch_table(path)


def _no_batch_table(path: Path) -> FrametimeError:
    return OutputError.at(
        str(path), "this is not a table of an earlier batch", helps="name another --out, or use --force alone"
    )
