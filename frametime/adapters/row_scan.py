"""What a table reader passes over without a word: a quote that swallows the rows below it, and zero bytes."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from frametime.adapters.cells import is_value, kind_of
from frametime.adapters.dialect import Dialect
from frametime.adapters.log_stream import BLOCK_BYTES
from frametime.adapters.text_source import LINES, TextPart, TextSource
from frametime.errors import ReadError


class RowScan(NamedTuple):
    """Zero bytes among the rows: how many, and the line of the first, counted from 1 (0 where there is none)."""

    zero_bytes: int
    zero_line: int


def scan_rows(source: TextSource, dialect: Dialect) -> RowScan:
    """Look once over the bytes of the rows.

    Raises
    ------
    ReadError
        If a cell opens a quote and rows of the table lie between it and the next one: the message names the line.
    """
    zeros, first_zero = 0, None
    odd, carried, offset = False, 0, 0
    quote = dialect.quote.encode()
    part = TextPart(source.stream, dialect.data_start, source.end)
    while block := part.read(BLOCK_BYTES):
        if b"\0" in block:
            first_zero = offset + block.index(0) if first_zero is None else first_zero
            zeros += block.count(0)
        if quote and not odd and (carried or quote in block):
            odd, carried = _odd_lines(block, quote, dialect.delimiter.encode(), carried)
        offset += len(block)
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


def _lines(source: TextSource, dialect: Dialect) -> Iterator[str]:
    part = TextPart(source.stream, dialect.data_start, source.end)
    carried = b""
    while True:
        block = part.read(BLOCK_BYTES)
        whole = carried + block
        # A carriage return at the end may be half of a line end.
        cut = max(whole.rfind(b"\n"), whole.rfind(b"\r", 0, len(whole) - 1)) + 1 if block else len(whole)
        carried = whole[cut:]
        for line in re.findall(LINES, whole[:cut].decode("utf-8", "surrogateescape")):
            yield " ".join(line.split()) + "\n" if dialect.delimiter == " " else line
        if not block:
            return


def _swallowing_line(source: TextSource, dialect: Dialect) -> int | None:
    """Line of the first cell that holds whole rows; several lines of a text that look like no row are a text."""
    held: list[str] = []

    def lines() -> Iterator[str]:
        for line in _lines(source, dialect):
            held.append(line)
            yield line

    delimiter = dialect.delimiter or "\x1f"
    reader = csv.reader(lines(), delimiter=delimiter, quotechar=dialect.quote, skipinitialspace=dialect.spaced_quotes)
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
    delimiter = dialect.delimiter or "\x1f"
    inside = [line for cell in cells if "\n" in cell or "\r" in cell for line in re.findall(LINES, cell)]
    # A row that holds the closing quote is parted by it.
    inside += [line for line in lines[1:] if delimiter in line.partition(dialect.quote)[0]]
    for line in inside:
        parts = line.rstrip("\r\n").split(delimiter)
        if len(parts) >= dialect.n_columns and _values(parts[: dialect.n_columns]) >= least:
            return True
    return False


def _values(cells: Sequence[str]) -> int:
    return sum(is_value(kind_of(cell.strip("\"' "))) for cell in cells)


def _line_at(source: TextSource, dialect: Dialect, offset: int) -> int:
    feeds = returns = 0
    part = TextPart(source.stream, dialect.data_start, dialect.data_start + offset)
    while block := part.read(BLOCK_BYTES):
        feeds += block.count(b"\n")
        returns += block.count(b"\r")
    return dialect.first_data_line + (feeds or returns)
