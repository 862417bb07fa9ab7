"""Rows that were left out: counted, listed by line and reason, and held against the limit."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

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
    """Collects the records of rejected rows while a log is read."""

    def __init__(self) -> None:
        self._listed: list[tuple[int, str]] = []
        self.count = 0
        self.not_rows = 0
        """How many of them are no rows of the table that was read, such as the header again."""

    def add(self, records: NDArray[np.int64], reason: Callable[[int], str], *, are_rows: bool = True) -> None:
        """Count records of the text; ``reason`` gives that of each of them, by its place."""
        self.count += records.size
        self.not_rows += 0 if are_rows else records.size
        room = max(MAX_LISTED_ROWS - len(self._listed), 0)
        self._listed += [(record, reason(at)) for at, record in enumerate(records[:room].tolist())]

    def listed(self, lines_of: Callable[[Sequence[int]], list[int]]) -> tuple[RejectedRow, ...]:
        """The first rejected rows in the order of their lines."""
        ordered = sorted(self._listed)
        lines = lines_of([record for record, _ in ordered])
        return tuple(RejectedRow(line=line, reason=why) for line, (_, why) in zip(lines, ordered, strict=True))

    def told(self, name: str, total: int, options: ReadOptions, listed: Sequence[RejectedRow]) -> tuple[Caveat, ...]:
        """The caveat that counts them.

        Raises
        ------
        ReadError
            If there are too many.
        """
        allowed = int(options.max_rejected_fraction * total)
        if options.max_rejected_fraction > 0:
            allowed = max(allowed, min(options.tolerated_rows, total // 10))
        first = "; ".join(f"line {row.line}: {row.reason}" for row in listed[:3])
        if self.count > allowed:
            raise ReadError.at(
                name,
                f"{self.count} of {total} rows cannot be used, more than the {allowed} allowed ({first})",
                helps="repair the file, or raise --max-rejected",
            )
        more = f"; and {self.count - 3} more" if self.count > 3 else ""
        message = f"{self.count} of {total} rows could not be used: {first}{more}."
        return (Caveat(code="rejected-rows", message=message),) if self.count else ()
