"""Faults of a text that a table reader passes over: quotes that swallow rows, zero bytes, rows that are no frames."""

from __future__ import annotations

import codecs
import csv
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

import numpy as np

from frametime.adapters.arrow.arrow_columns import compute, numpy_of
from frametime.adapters.clocks.time_values import clean_texts
from frametime.adapters.columns.column_facts import ColumnUse
from frametime.adapters.columns.header_words import Meaning, header_meaning
from frametime.adapters.text.cell_kind import CellKind, is_value, kind_of
from frametime.adapters.text.table_reader import TextTable, lines_of_records, lines_of_rows
from frametime.adapters.text.text_rows import NO_DELIMITER, Dialect
from frametime.adapters.text.text_source import NotUtf8Error, TextSource, lines_of
from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError, printable
from frametime.words import counted

_SCANNED_BYTES: Final = 1 << 16
"""How much of the rows is looked at together: it stays in the processor's cache."""


def scan_rows(source: TextSource, dialect: Dialect) -> tuple[Caveat, ...]:
    """Look once over the bytes of the rows, and tell of zero bytes among them.

    Raises
    ------
    NotUtf8Error
    ReadError
        If a cell opens a quote and rows of the table lie between it and the next one: the message names the line.
    """
    zeros, odd, unended = 0, False, b""
    quote = dialect.marks.quote.encode()
    decoder = codecs.getincrementaldecoder("utf-8")("strict")
    part = source.part(dialect.data_start, source.end)
    while block := part.read(_SCANNED_BYTES):
        if not block.isascii() or decoder.getstate()[0]:
            _refuse_other_bytes(decoder, block, source.name)
        if 0 in block:
            zeros += block.count(0)
        if quote and not odd and (unended or quote in block):
            *lines, unended = (unended + block).splitlines(keepends=True)
            if unended.endswith((b"\n", b"\r")) or quote not in unended:
                lines, unended = [*lines, unended], b""
            odd = any(line.count(quote) % 2 for line in lines)
    _refuse_other_bytes(decoder, b"", source.name, final=True)
    if odd or unended.count(quote) % 2 or dialect.multiline_cells:
        # Only now is it worth a look at every cell.
        line = _swallowing_line(source, dialect)
        if line is not None:
            raise ReadError.at(
                source.name,
                "a cell opens a quote that is not closed before the next row",
                line=line,
                helps='repair that line, or give quote = "none" in a layout if quotes mean nothing in this log',
            )
    if not zeros:
        return ()
    first, part = dialect.first_data_line, source.part(dialect.data_start, source.end)
    while block := part.read(_SCANNED_BYTES):
        before = block.partition(b"\0")[0]  # a line of zeros may be of any length: it is not held
        first += before.count(b"\n") or before.count(b"\r")
        if len(before) < len(block):
            break
    bytes_stand = counted(zeros, "zero byte stands", "zero bytes stand")
    message = (
        f"{bytes_stand} among the rows, from line {first} on, as after a loss of power: rows may be missing there."
    )
    return (Caveat(code="zero-bytes-inside", message=message),)


def _refuse_other_bytes(decoder: codecs.IncrementalDecoder, block: bytes, name: str, *, final: bool = False) -> None:
    try:
        decoder.decode(block, final)
    except UnicodeDecodeError:
        raise NotUtf8Error.of(name) from None


def _swallowing_line(source: TextSource, dialect: Dialect) -> int | None:
    """Line of the first cell that holds whole rows; several lines of a text that look like no row are a text."""
    held: list[str] = []

    def lines() -> Iterator[str]:
        for line in lines_of_rows(source, dialect):
            held.append(line)
            yield " ".join(line.split()) + "\n" if dialect.marks.delimiter == " " else line

    delimiter, quote, spaced = dialect.marks
    reader = csv.reader(lines(), delimiter=delimiter or NO_DELIMITER, quotechar=quote, skipinitialspace=spaced)
    usual = Counter(_values(row.cells) for row in dialect.sample if len(row.cells) == dialect.n_columns)
    least = max(1, usual.most_common(1)[0][0]) if usual else 1
    before = 0
    try:
        for cells in reader:
            if len(held) > 1 and _holds_rows(cells, held, dialect, least):
                return dialect.first_data_line + before
            before += len(held)
            held.clear()
    except csv.Error:
        return dialect.first_data_line + before  # a cell longer than any
    return None


def _holds_rows(cells: Sequence[str], lines: Sequence[str], dialect: Dialect, least: int) -> bool:
    """Whether a row of the table stands inside a quoted cell, or begins there."""
    delimiter = dialect.marks.delimiter or NO_DELIMITER
    inside = [line for cell in cells if "\n" in cell or "\r" in cell for line in lines_of(cell)]
    # A row that holds the closing quote is parted by it.
    inside += [line for line in lines[1:] if delimiter in line.partition(dialect.marks.quote)[0]]
    for line in inside:
        parts = line.rstrip("\r\n").split(delimiter)
        if len(parts) >= dialect.n_columns and _values(parts[: dialect.n_columns]) >= least:
            return True
    return False


def _values(cells: Sequence[str]) -> int:
    return sum(is_value(kind_of(cell.strip("\"' "))) for cell in cells)


_LOOKED_AT: Final = 1000


class RowsOfNoFrames(NamedTuple):
    """Rows that repeat the header, and the row at which another table begins."""

    headers: tuple[int, ...]
    second_table: int | None


def rows_of_no_frames(table: TextTable, dialect: Dialect, uses: Sequence[ColumnUse]) -> RowsOfNoFrames:
    """Look at the rows whose time cells begin with a letter.

    Parameters
    ----------
    table : TextTable
    dialect : Dialect
    uses : sequence of ColumnUse
        The time columns.
    """
    import pyarrow as pa

    pc = compute()
    headers: list[int] = []
    columns = [clean_texts(table.columns[use.position]) for use in uses]
    starts_with_letter = pc.cast(pc.match_substring_regex(columns[0], r"^\p{L}"), pa.uint8())
    for row in np.flatnonzero(numpy_of(starts_with_letter))[:_LOOKED_AT].tolist():
        cells = [str(column[row].as_py()) for column in columns]
        names = [dialect.names[use.position].strip() if dialect.names else "" for use in uses]
        if cells == names:
            headers.append(row)
        elif all(kind_of(cell) is CellKind.TEXT for cell in cells) and _names_something(cells):
            return RowsOfNoFrames(headers=tuple(headers), second_table=row)
    return RowsOfNoFrames(headers=tuple(headers), second_table=None)


def _names_something(cells: Sequence[str]) -> bool:
    said = [header_meaning(cell) for cell in cells]
    return any(
        one.meaning not in (Meaning.OTHER, Meaning.STREAM, Meaning.STATISTIC) or one.other_unit is not None
        for one in said
    )


def source_caveats(source: TextSource, dialect: Dialect) -> tuple[Caveat, ...]:
    """Caveats of the end of a text: padding, a footer, a cut last line."""
    caveats = []
    if source.nul_bytes:
        message = f"The file ends in {source.nul_bytes} zero bytes, as after a loss of power; they were ignored."
        caveats.append(Caveat(code="zero-bytes-at-end", message=message))
    if dialect.cut_last_line is not None:
        shown = printable(dialect.cut_last_line, limit=40)
        message = f"The last line ('{shown}') has no line end, so it may be cut off, and is left out."
        caveats.append(Caveat(code="cut-last-line", message=message, weight=Weight.NOTE))
    if dialect.footer:
        lines = counted(
            len(dialect.footer), "line after the rows is none of them", "lines after the rows are none of them"
        )
        message = f"{lines} and left out, from '{printable(dialect.footer[0], limit=40)}' on."
        caveats.append(Caveat(code="footer", message=message, weight=Weight.NOTE))
    return tuple(caveats)


def surplus_caveats(source: TextSource, dialect: Dialect, table: TextTable) -> tuple[Caveat, ...]:
    """A caveat of rows with more cells than the others."""
    if not table.long:
        return ()
    (line,) = lines_of_records(source, dialect, [table.long[0][0]])
    message = (
        f"{counted(len(table.long), 'row has', 'rows have')} more cells than the header, first in line {line}; the "
        "surplus was ignored. Does a decimal comma part a number there?"
    )
    return (Caveat(code="surplus-cells", message=message),)
