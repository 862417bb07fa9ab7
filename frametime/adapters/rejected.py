"""Rows that were left out: counted, listed by line and reason, and held against the limit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from frametime.adapters.base import MAX_LISTED_ROWS, ReadOptions
from frametime.adapters.cells import INFINITE, MISSING, CellKind, kind_of
from frametime.capture import RejectedRow
from frametime.caveats import Caveat, Weight
from frametime.errors import ReadError, printable
from frametime.words import counted

if TYPE_CHECKING:
    from frametime.adapters.dialect import Dialect
    from frametime.adapters.row_scan import RowScan
    from frametime.adapters.table_reader import TextTable
    from frametime.adapters.text_source import TextSource


def reason_of(cell: str, unit: str = "") -> str:
    """Why a cell is no time in ``unit``.

    Examples
    --------
    >>> reason_of("NA"), reason_of("ERROR"), reason_of("0.5 s", "ms")
    ('no value', "'ERROR' is not a number", "'0.5 s' is in another unit than ms")
    """
    word = cell.strip().strip("\"'").strip()
    lowered = word.casefold()
    shown = f"'{printable(word, limit=40)}'"
    if lowered in MISSING:
        return "not a number (NaN)" if lowered.endswith("nan") else "no value"
    if lowered in INFINITE:
        return "the value is infinite"
    kind = kind_of(word)
    if kind is CellKind.WITH_UNIT and unit:
        return f"{shown} is in another unit than {unit}"
    return f"{shown} is out of range" if kind is CellKind.NUMBER else f"{shown} is not a number"


class RejectedRows:
    """Collects rejected rows while a log is read."""

    def __init__(self) -> None:
        self._by_record: list[tuple[int, str]] = []
        self._by_line: list[RejectedRow] = []
        self.count = 0
        self.not_rows = 0
        """How many of them are no rows of the table that was read (the header again)."""

    @property
    def count_rows(self) -> int:
        """How many of them are rows of the table that was read."""
        return self.count - self.not_rows

    def add(self, record: int, reason: str) -> None:
        """Count a record of the text."""
        self.count += 1
        if reason.startswith("the header"):
            self.not_rows += 1
        if len(self._by_record) < MAX_LISTED_ROWS:
            self._by_record.append((record, reason))

    def add_row(self, row: int, reason: str, line_of: Callable[[int], int]) -> None:
        """Count a row that was read, and whose line is asked for at once."""
        self.count += 1
        if len(self._by_line) < MAX_LISTED_ROWS:
            self._by_line.append(RejectedRow(line=line_of(row), reason=reason))

    def count_more(self, count: int) -> None:
        """Count rows that are not listed."""
        self.count += count

    def listed(self, lines_of: Callable[[Sequence[int]], list[int]]) -> tuple[RejectedRow, ...]:
        """The first rejected rows in the order of their lines."""
        ordered = sorted(self._by_record)
        lines = lines_of([record for record, _ in ordered])
        rows = [RejectedRow(line=line, reason=reason) for line, (_, reason) in zip(lines, ordered, strict=True)]
        return tuple(sorted([*rows, *self._by_line], key=lambda row: row.line)[:MAX_LISTED_ROWS])

    def check(self, name: str, total: int, options: ReadOptions, listed: Sequence[RejectedRow]) -> None:
        """Refuse a log with too many rejected rows.

        Raises
        ------
        ReadError
        """
        allowed = int(options.max_rejected_fraction * total)
        if options.max_rejected_fraction > 0:
            allowed = max(allowed, min(options.tolerated_rows, total // 10))
        if self.count <= allowed:
            return
        first = "; ".join(f"line {row.line}: {row.reason}" for row in listed[:3])
        raise ReadError.at(
            name,
            f"{self.count} of {total} rows cannot be used, more than the {allowed} allowed ({first})",
            helps="repair the file, or raise --max-rejected",
        )

    def caveats(self, listed: Sequence[RejectedRow], total: int) -> tuple[Caveat, ...]:
        """The caveat that counts them."""
        if not self.count:
            return ()
        first = "; ".join(f"line {row.line}: {row.reason}" for row in listed[:3])
        more = f"; and {self.count - 3} more" if self.count > 3 else ""
        return (
            Caveat(code="rejected-rows", message=f"{self.count} of {total} rows could not be used: {first}{more}."),
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
