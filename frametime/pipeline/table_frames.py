"""Rows to polars frames, and frames to CSV and Parquet: units, apostrophes before formulas, the same bytes always.

A spreadsheet takes a cell for a formula by its first sign, whether or not it is quoted, so that the name of a file can
become a command on the machine of whoever opens the table. The rule here is that of the page "CSV Injection" of the
OWASP Foundation (from memory): a text that begins with ``=``, ``+``, ``-``, ``@``, a tab or a line end, also in full
width, is written with an apostrophe in front. Beyond that page, blanks in front of the sign are looked through, and a
text that is nothing but a number is left alone: as a formula it would be that number.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final, Literal

from frametime.lab.order import Step
from frametime.replacing import write_bytes
from frametime.version import __version__

if TYPE_CHECKING:
    import polars as pl
    import pyarrow as pa

_FORMULA: Final = r"^(?:[\t\r\n]|[\s\x1c-\x1f]*[=+\-@＝＋－＠])"
_NUMBER: Final = r"^[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?$"
_ESCAPE: Final = "'"


@dataclass(frozen=True, kw_only=True)
class Column:
    """A column of a table.

    Attributes
    ----------
    name : str
    kind : 'text', 'whole', 'number' or 'truth'
    unit : str or None
        Code of UCUM, for numbers; it stands in the metadata of Parquet columns.
    """

    name: str
    kind: Literal["text", "whole", "number", "truth"]
    unit: str | None = None

    def dtype(self) -> pl.DataType:
        """The type of the column in a frame."""
        import polars as pl

        return {"text": pl.String(), "whole": pl.Int64(), "number": pl.Float64(), "truth": pl.Boolean()}[self.kind]


def frame_of(rows: Sequence[Mapping[str, object]], columns: Sequence[Column]) -> pl.DataFrame:
    """Rows as a frame; a cell that a row lacks is null."""
    import polars as pl

    return pl.DataFrame(
        [pl.Series(item.name, [_plain(row.get(item.name)) for row in rows], dtype=item.dtype()) for item in columns]
    )


def _plain(cell: object) -> object:
    """Half a pair of a text that is none cannot be written: it becomes an escape."""
    return cell.encode("utf-8", "backslashreplace").decode() if isinstance(cell, str) and not cell.isascii() else cell


def is_formula(text: pl.Expr) -> pl.Expr:
    """Whether a spreadsheet would take a text for a formula; null is none.

    Examples
    --------
    >>> import polars as pl
    >>> texts = pl.DataFrame({"text": ["=1+1", "  @sum", "-5", "-5 degrees", "harbor", None]})
    >>> texts.select(is_formula(pl.col("text")))["text"].to_list()
    [True, True, False, True, False, False]
    """
    return (text.str.contains(_FORMULA) & ~text.str.contains(_NUMBER)).fill_null(value=False)


def formula_count(frame: pl.DataFrame) -> int:
    """Cells of text that a spreadsheet would take for formulas."""
    import polars.selectors as cs

    found = frame.select(is_formula(cs.string()).sum())
    return sum(found.row(0)) if found.width else 0


def escaped(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame, with an apostrophe in front of each text that looks like a formula."""
    import polars as pl

    return frame.with_columns(
        pl.when(is_formula(pl.col(name))).then(pl.lit(_ESCAPE) + pl.col(name)).otherwise(pl.col(name)).alias(name)
        for name in _texts(frame)
    )


def unescaped(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame before `escaped`."""
    import polars as pl

    rest = {name: pl.col(name).str.strip_prefix(_ESCAPE) for name in _texts(frame)}
    return frame.with_columns(
        pl.when(is_formula(text)).then(text).otherwise(pl.col(name)).alias(name) for name, text in rest.items()
    )


def _texts(frame: pl.DataFrame) -> list[str]:
    import polars as pl

    return [name for name, kind in frame.schema.items() if kind == pl.String]


def write_csv(
    frame: pl.DataFrame, stream: IO[bytes], *, escape_formulas: bool = False, include_header: bool = True
) -> None:
    r"""Write a frame as CSV in UTF-8: full precision, ``\n`` after each row, an empty cell where there is no value."""
    import polars as pl

    # An empty text would be written as two quotes, and read back as no value all the same.
    plain = frame.with_columns(pl.col(name).replace("", None) for name in _texts(frame))
    (escaped(plain) if escape_formulas else plain).write_csv(stream, include_header=include_header)


def arrow_table(frame: pl.DataFrame, schema: pa.Schema) -> pa.Table:
    """The frame in Arrow's form, with the units and the origin that the schema says."""
    return frame.to_arrow().cast(schema)


def arrow_schema(columns: Iterable[Column], name: str) -> pa.Schema:
    """The schema of a Parquet file: the unit of each column of numbers, and what table of which version it is."""
    import pyarrow as pa

    kinds: dict[str, pa.DataType] = {
        "text": pa.string(),
        "whole": pa.int64(),
        "number": pa.float64(),
        "truth": pa.bool_(),
    }
    fields: list[pa.Field[Any]] = [
        pa.field(column.name, kinds[column.kind], metadata={"unit": column.unit} if column.unit is not None else None)
        for column in columns
    ]
    about: dict[bytes | str, bytes | str] = {"frametime": f'{{"schema": "{name}", "version": "{__version__}"}}'}
    return pa.schema(fields, metadata=about)


def write_order(steps: Iterable[Step], path: Path) -> None:
    """Write the order of runs as CSV, with an apostrophe before a text that is like a formula."""
    kinds: dict[str, Literal["text", "whole", "number"]] = {"stint": "whole", "start_min": "number"}
    columns = [Column(name=name, kind=kinds.get(name, "text")) for name in Step._fields]
    stream = io.BytesIO()
    write_csv(frame_of([step._asdict() for step in steps], columns), stream, escape_formulas=True)
    write_bytes(path, stream.getvalue())


def write_parquet(frames: Iterable[pl.DataFrame], path: Path, schema: pa.Schema) -> None:
    """Write one Parquet file, a group of rows for each frame."""
    import pyarrow.parquet as pq

    with pq.ParquetWriter(path, schema) as writer:
        for frame in frames:
            writer.write_table(arrow_table(frame, schema))
