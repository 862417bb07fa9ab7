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
from frametime.adapters.log_stream import BLOCK_BYTES
from frametime.adapters.text.cell_kind import CellKind, is_value, kind_of
from frametime.adapters.text.table_reader import TextTable, lines_of_records, lines_of_rows
from frametime.adapters.text.text_rows import NO_DELIMITER, Dialect
from frametime.adapters.text.text_source import NotUtf8Error, TextSource, lines_of
from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError, printable
from frametime.words import counted


class RowScan(NamedTuple):
    """Zero bytes among the rows: how many, and the line of the first, counted from 1 (0 where there is none)."""

    zero_bytes: int
    zero_line: int


def scan_rows(source: TextSource, dialect: Dialect) -> RowScan:
    """Look once over the bytes of the rows.

    Raises
    ------
    NotUtf8Error
    ReadError
        If a cell opens a quote and rows of the table lie between it and the next one: the message names the line.
    """
    zeros, first_zero = 0, None
    odd, carried, offset = False, 0, 0
    quote = dialect.marks.quote.encode()
    decoder = codecs.getincrementaldecoder("utf-8")("strict")
    part = source.part(dialect.data_start, source.end)
    while block := part.read(BLOCK_BYTES):
        if not block.isascii() or decoder.getstate()[0]:
            _refuse_other_bytes(decoder, block, source.name)
        if b"\0" in block:
            first_zero = offset + block.index(0) if first_zero is None else first_zero
            zeros += block.count(0)
        if quote and not odd and (carried or quote in block):
            odd, carried = _odd_lines(block, quote, dialect.marks.delimiter.encode(), carried)
        offset += len(block)
    _refuse_other_bytes(decoder, b"", source.name, final=True)
    if odd or carried or dialect.multiline_cells:
        # Only now is it worth a look at every cell.
        line = _swallowing_line(source, dialect)
        if line is not None:
            raise ReadError.at(
                source.name,
                "a cell opens a quote that is not closed before the next row",
                line=line,
                helps='repair that line, or give quote = "none" in a layout if quotes mean nothing in this log',
            )
    return RowScan(zeros, 0 if first_zero is None else _line_at(source, dialect, first_zero))


def _refuse_other_bytes(decoder: codecs.IncrementalDecoder, block: bytes, name: str, *, final: bool = False) -> None:
    try:
        decoder.decode(block, final)
    except UnicodeDecodeError:
        raise NotUtf8Error.of(name) from None


def _odd_lines(block: bytes, quote: bytes, delimiter: bytes, carried: int) -> tuple[bool, int]:
    """Whether a line that ends in the block holds an odd number of quotes, and the parity of the line it breaks off."""
    raw = np.frombuffer(block, dtype=np.uint8)
    marks = np.flatnonzero(raw == ord(quote))
    before = raw[np.maximum(marks - 1, 0)]
    begins = (marks == 0) | np.isin(before, np.frombuffer(b"\r\n \t" + delimiter, dtype=np.uint8))
    if not carried and not begins.any():
        return False, 0  # a quote within a text counts as text
    ends = np.flatnonzero((raw == 10) | (raw == 13))
    if not ends.size:
        return False, (carried + marks.size) % 2
    counts = np.diff(np.searchsorted(marks, ends), prepend=-carried)
    return bool((counts % 2).any()), int(marks.size - np.searchsorted(marks, ends[-1])) % 2


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


def _line_at(source: TextSource, dialect: Dialect, offset: int) -> int:
    feeds = returns = 0
    part = source.part(dialect.data_start, dialect.data_start + offset)
    while block := part.read(BLOCK_BYTES):
        feeds += block.count(b"\n")
        returns += block.count(b"\r")
    return dialect.first_data_line + (feeds or returns)


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


def caveats_of_text(table: TextTable, after: int) -> tuple[Caveat, ...]:
    """Caveats of rows with surplus cells, and of a second table."""
    caveats = []
    if table.long:
        count = len(table.long)
        caveats.append(
            Caveat(
                code="surplus-cells",
                message=f"{counted(count, 'row has', 'rows have')} more cells than the header; "
                "the surplus was ignored.",
            )
        )
    if after:
        caveats.append(
            Caveat(
                code="second-table",
                message=f"Another table with a header of its own follows the frames; its {after} rows were ignored.",
            )
        )
    return tuple(caveats)


def source_caveats(source: TextSource, dialect: Dialect, scan: RowScan) -> tuple[Caveat, ...]:
    """Caveats of the text itself: padding, zero bytes among the rows, a footer, a cut last line."""
    caveats = []
    if scan.zero_bytes:
        caveats.append(
            Caveat(
                code="zero-bytes-inside",
                message=f"{counted(scan.zero_bytes, 'zero byte stands', 'zero bytes stand')} among the rows, from line "
                f"{scan.zero_line} on, as after a loss of power: rows may be missing there.",
            )
        )
    if source.nul_bytes:
        caveats.append(
            Caveat(
                code="zero-bytes-at-end",
                message=f"The file ends in {source.nul_bytes} zero bytes, as after a loss of power; they were ignored.",
            )
        )
    if dialect.cut_last_line is not None:
        caveats.append(
            Caveat(
                code="cut-last-line",
                message=f"The last line ('{printable(dialect.cut_last_line, limit=40)}') has no line end, so it may be "
                "cut off, and is left out.",
                weight=Weight.NOTE,
            )
        )
    if dialect.footer:
        count = len(dialect.footer)
        caveats.append(
            Caveat(
                code="footer",
                message=f"{counted(count, 'line')} after the frames "
                f"{'are' if count != 1 else 'is'} no frames and left out, "
                f"from '{printable(dialect.footer[0], limit=40)}' on.",
                weight=Weight.NOTE,
            )
        )
    return tuple(caveats)


def sensor_text_caveats(source: TextSource, dialect: Dialect, table: TextTable, scan: RowScan) -> list[Caveat]:
    """Caveats of surplus cells, a footer, a cut last line and zero bytes."""
    caveats = []
    if table.long:
        (line,) = lines_of_records(source, dialect, [table.long[0][0]])
        rows = counted(len(table.long), "row of the sensor log has", "rows of the sensor log have")
        caveats.append(
            Caveat(
                code="sensor-surplus-cells",
                message=f"{rows} more cells than the header, first in line {line}; the surplus was ignored. Does a "
                "decimal comma part a number there?",
            )
        )
    if dialect.footer:
        lines = counted(len(dialect.footer), "line after the samples is", "lines after the samples are")
        caveats.append(
            Caveat(
                code="sensor-footer",
                message=f"{lines} no samples and left out, from '{printable(dialect.footer[0], limit=40)}' on.",
                weight=Weight.NOTE,
            )
        )
    if dialect.cut_last_line is not None:
        message = "The last line of the sensor log has no line end, so it may be cut off, and is left out."
        caveats.append(Caveat(code="sensor-last-line-cut", message=message, weight=Weight.NOTE))
    if source.nul_bytes:
        message = f"The sensor log ends in {source.nul_bytes} zero bytes, as after a loss of power; they were ignored."
        caveats.append(Caveat(code="sensor-zero-bytes", message=message))
    if scan.zero_bytes:
        bytes_stand = counted(scan.zero_bytes, "zero byte stands", "zero bytes stand")
        caveats.append(
            Caveat(
                code="sensor-zero-bytes",
                message=f"{bytes_stand} among the rows of the sensor log, from line {scan.zero_line} on, as after a "
                "loss of power: rows may be missing there.",
            )
        )
    return caveats
