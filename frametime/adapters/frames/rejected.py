"""Rows that were left out: counted, listed by line and reason, and held against the limit."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from frametime.adapters.base import MAX_LISTED_ROWS, ReadOptions
from frametime.adapters.text.cell_kind import GROUPED, INFINITE, MISSING, CellKind, kind_of, matches, plain_word
from frametime.adapters.text.number_style import POINT, NumberStyle, exact_value
from frametime.capture import RejectedRow
from frametime.caveats import Caveat
from frametime.errors import ReadError, printable


def reason_of(cell: str, unit: str = "", style: NumberStyle = POINT) -> str:
    """Why a cell is no time in ``unit``, where numbers are written as ``style`` says.

    Examples
    --------
    >>> reason_of("NA"), reason_of("ERROR"), reason_of("0.5 s", "ms")
    ('no value', "'ERROR' is not a number", "'0.5 s' is in another unit than ms")
    >>> reason_of("10,12"), reason_of("1e300")
    ("'10,12' is written in another way than the other numbers", "'1e300' is out of range")
    """
    word = cell.strip().strip("\"'").strip()
    lowered = plain_word(word)
    shown = f"'{printable(word, limit=40)}'"
    if lowered in MISSING:
        return "not a number (NaN)" if lowered.endswith("nan") else "no value"
    if lowered in INFINITE:
        return "the value is infinite"
    kind = kind_of(word)
    if kind is CellKind.WITH_UNIT and unit:
        return f"{shown} is in another unit than {unit}"
    if kind is not CellKind.NUMBER:
        return f"{shown} is not a number"
    odd_groups = bool(style.thousands) and style.thousands in word and not matches(GROUPED, word)
    if odd_groups or exact_value(word, style) is None:
        return f"{shown} is written in another way than the other numbers"
    return f"{shown} is out of range"


class RejectedRows:
    """Collects rejected rows while a log is read."""

    def __init__(self) -> None:
        self._by_record: list[tuple[int, str]] = []
        self._by_line: list[RejectedRow] = []
        self.count = 0
        self.not_rows = 0
        """How many of them are no rows of the table that was read."""

    @property
    def count_rows(self) -> int:
        """How many of them are rows of the table that was read."""
        return self.count - self.not_rows

    def add(self, record: int, reason: str, *, is_row: bool = True) -> None:
        """Count a record of the text; ``is_row`` is false where it is no row of the table, such as the header again."""
        self.count += 1
        self.not_rows += not is_row
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
