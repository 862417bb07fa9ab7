"""Rows to files: a journal that survives a stop, and tables as CSV, JSON lines or Parquet, written whole."""

from __future__ import annotations

import contextlib
import csv
import glob
import json
import os
import tempfile
from collections.abc import Iterator, Mapping
from itertools import islice
from pathlib import Path
from typing import IO, Final

from frametime.errors import OutputError

FORMATS: Final = (".csv", ".jsonl", ".ndjson", ".parquet")
_ROWS_A_GROUP: Final = 1000

Cell = str | int | float | None


class Journal:
    """Rows written one by one, each whole or not at all after a stop."""

    def __init__(self, stream: IO[bytes], path: Path) -> None:
        self._stream = stream
        self._path = path

    def add(self, row: Mapping[str, Cell]) -> None:
        """Write one row and hand it to the system.

        Raises
        ------
        OutputError
            If the disk is full, or the row cannot be written for another reason.
        """
        line = (json.dumps(row, ensure_ascii=True, allow_nan=False) + "\n").encode("ascii")
        try:
            # Not buffered: a line that could not be written must not be tried again when the file is closed.
            while line:
                line = line[self._stream.write(line) :]
        except OSError as error:
            raise OutputError.at(
                str(self._path.parent),
                f"no more rows can be written here ({error.strerror or error})",
                helps="the rows so far are kept: make room, and go on with --resume",
            ) from error


@contextlib.contextmanager
def open_journal(path: Path) -> Iterator[Journal]:
    """A new journal at ``path``.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    try:
        stream = path.open("wb", buffering=0)
    except OSError as error:
        raise OutputError.at(str(path.parent), f"cannot write here ({error.strerror})") from error
    with stream:
        yield Journal(stream, path)


def read_journal(path: Path) -> Iterator[dict[str, Cell]]:
    """Rows of a journal; a last line that was cut off is passed over."""
    with path.open(encoding="utf-8") as stream:
        for line in stream:
            if not line.endswith("\n"):
                return
            try:
                row = json.loads(line)
            except ValueError:
                return
            if isinstance(row, dict):
                yield row


def read_table(path: Path) -> Iterator[dict[str, Cell]]:
    """Rows of a table that `write_table` made.

    Raises
    ------
    OutputError
        If the file is not such a table.
    """
    try:
        if path.suffix.lower() == ".csv":
            with path.open(encoding="utf-8", newline="") as stream:
                for cells in csv.DictReader(stream):
                    yield {name: _cell(name, text) for name, text in cells.items()}
        elif path.suffix.lower() == ".parquet":
            import pyarrow.parquet as pq

            for batch in pq.ParquetFile(path).iter_batches(batch_size=_ROWS_A_GROUP):
                yield from batch.to_pylist()
        else:
            yield from read_journal(path)
    except (OSError, UnicodeDecodeError, csv.Error, ValueError) as error:
        raise OutputError.at(
            str(path), "this is not a table of an earlier batch", helps="name another --out, or use --force alone"
        ) from error


_TEXT: Final = frozenset(
    {"file", "status", "reason", "judgement", "judgement_reasons", "caveats", "sha256", "parameters"}
)
_WHOLE: Final = frozenset({"size_bytes", "rows_read", "rows_rejected", "n_frames"})


def _cell(name: str, text: str | None) -> Cell:
    """A cell of a CSV file as the value that was written."""
    if text is None or text == "":
        return None
    if name in _TEXT:
        return text
    if name in _WHOLE:
        return int(text)
    try:
        return float(text)
    except ValueError:
        return text


@contextlib.contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A temporary name beside ``path`` that takes its place when the block ends well, and goes away when not.

    Raises
    ------
    OutputError
        If the folder cannot be written or the file cannot be replaced.
    """
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    except OSError as error:
        raise OutputError.at(str(path.parent), f"cannot write here ({error.strerror})") from error
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        # A temporary file is private; the result gets the rights of any new file.
        mask = os.umask(0)
        os.umask(mask)
        temporary.chmod(0o666 & ~mask)
        temporary.replace(path)
    except PermissionError as error:
        raise OutputError.at(
            str(path), "cannot be replaced", helps="close it in the program that has it open, and try again"
        ) from error
    except OSError as error:
        raise OutputError.at(str(path), f"cannot be written ({error.strerror})") from error
    finally:
        temporary.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write a text file whole: UTF-8, line ends as they are.

    Raises
    ------
    OutputError
    """
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def write_table(journal: Path, out: Path, *, columns: tuple[str, ...], text_columns: frozenset[str]) -> None:
    """Turn a journal into the table ``out``.

    Raises
    ------
    OutputError
    """
    with replacing(out) as temporary:
        if out.suffix.lower() == ".parquet":
            _write_parquet(journal, temporary, columns, text_columns)
        elif out.suffix.lower() == ".csv":
            with temporary.open("w", encoding="utf-8", newline="") as stream:
                writer = csv.DictWriter(stream, columns, lineterminator="\n", extrasaction="ignore")
                writer.writeheader()
                writer.writerows(read_journal(journal))
        else:
            with temporary.open("w", encoding="utf-8", newline="\n") as stream:
                for row in read_journal(journal):
                    ordered = {name: row.get(name) for name in columns}
                    stream.write(json.dumps(ordered, ensure_ascii=True, allow_nan=False) + "\n")
    # What a run that was killed while it wrote this table has left; the name is that of ``replacing``.
    for left in out.parent.glob(f".{glob.escape(out.name)}.????????.part"):
        left.unlink(missing_ok=True)


def _write_parquet(journal: Path, path: Path, columns: tuple[str, ...], text_columns: frozenset[str]) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    def kind(name: str) -> pa.DataType:
        if name in text_columns:
            return pa.string()
        return pa.int64() if name in _WHOLE else pa.float64()

    schema = pa.schema([(name, kind(name)) for name in columns])
    rows = read_journal(journal)
    with pq.ParquetWriter(path, schema) as writer:
        while group := list(islice(rows, _ROWS_A_GROUP)):
            writer.write_table(pa.Table.from_pylist(group, schema=schema))
