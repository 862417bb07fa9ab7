"""Records of a text and their cells, and where among them the rows of numbers begin."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

from frametime.adapters.cells import CellKind, is_value, kind_of

WINDOW_ROWS: Final = 20
SAMPLE_ROWS: Final = 60


class Row(NamedTuple):
    """One record of the text: number of its first line, counted from 1, of the line after it, and its cells."""

    line: int
    next_line: int
    cells: tuple[str, ...]


def split_rows(
    lines: Sequence[str], delimiter: str, quote: str, *, spaced: bool = False, first_line: int = 1
) -> list[Row]:
    """Cells of each record that is not blank.

    A quote counts only where a cell begins with it: ``24" wide`` is a plain text.

    Examples
    --------
    >>> [row.cells for row in split_rows(['24" wide,1\\n', '\\n', '"a,b",2\\n'], ",", '"')]
    [('24" wide', '1'), ('a,b', '2')]
    """
    if delimiter == "":
        # A byte that no text holds: the reader then sees one cell in each line.
        delimiter = "\x1f"
    prepared: Iterable[str] = lines
    if delimiter == " ":
        prepared = (" ".join(line.split()) + "\n" for line in lines)
    reader = csv.reader(
        prepared,
        delimiter=delimiter,
        quotechar=quote or None,
        quoting=csv.QUOTE_MINIMAL if quote else csv.QUOTE_NONE,
        skipinitialspace=spaced,
    )
    rows = []
    before = 0
    try:
        for cells in reader:
            if any(cells) or len(cells) > 1:
                rows.append(Row(first_line + before, first_line + reader.line_num, tuple(cells)))
            before = reader.line_num
    except csv.Error:
        # A cell that is longer than any: what came before it still says how the text is laid out.
        return rows
    return rows


def modal_count(rows: Sequence[Row]) -> int:
    """The number of cells that most rows have."""
    return Counter(len(row.cells) for row in rows).most_common(1)[0][0]


def first_data_row(rows: Sequence[Row], limit: int = 1 << 30) -> int | None:
    """Index of the first row from which on rows have equal cell counts and the same columns of numbers."""
    kinds: dict[int, tuple[CellKind, ...]] = {}
    for index in range(min(len(rows), limit)):
        own = tuple(kind_of(cell) for cell in rows[index].cells)
        if not any(is_value(kind) for kind in own):
            continue
        kinds[index] = own
        window = range(index, min(index + WINDOW_ROWS, len(rows)))
        count = modal_count([rows[i] for i in window])
        if len(rows[index].cells) != count:
            continue
        fitting = [i for i in window if len(rows[i].cells) == count]
        if len(fitting) * 10 < len(window) * 8:
            continue
        for i in fitting:
            if i not in kinds:
                kinds[i] = tuple(kind_of(cell) for cell in rows[i].cells)
        if _is_data(kinds[index], [kinds[i] for i in fitting]):
            return index
    return None


def _is_data(first: Sequence[CellKind], window: Sequence[Sequence[CellKind]]) -> bool:
    numeric = 0
    for column, kind in enumerate(first):
        values = sum(is_value(kinds[column]) for kinds in window)
        missing = sum(kinds[column] is CellKind.MISSING for kinds in window)
        if values and (values + missing) * 10 >= len(window) * 8 and values * 2 >= len(window):
            if kind is CellKind.TEXT:
                return False
            numeric += is_value(kind)
    return numeric > 0


def filled_count(cells: Sequence[str]) -> int:
    """Number of cells up to the last one that is not empty."""
    count = len(cells)
    while count and not cells[count - 1].strip():
        count -= 1
    return count


def is_header(cells: Sequence[str]) -> bool:
    """Whether cells may be names: texts, and no value among them."""
    kinds = [kind_of(cell) for cell in cells]
    texts = sum(kind is CellKind.TEXT for kind in kinds)
    return texts > 0 and not any(is_value(kind) for kind in kinds)
