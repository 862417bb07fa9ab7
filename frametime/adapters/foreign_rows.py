"""Rows in the midst of a table that are none of its own: its header once more, or the header of another table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from frametime.adapters.arrow_columns import compute, numpy_of
from frametime.adapters.cells import CellKind, kind_of
from frametime.adapters.column_choice import ColumnUse
from frametime.adapters.dialect import Dialect
from frametime.adapters.header_words import Meaning, header_meaning
from frametime.adapters.numbers import clean_texts
from frametime.adapters.table_reader import TextTable

_LOOKED_AT: Final = 1000


class ForeignRows(NamedTuple):
    """Rows that repeat the header, and the row at which another table begins."""

    headers: tuple[int, ...]
    second_table: int | None


def foreign_rows(table: TextTable, dialect: Dialect, uses: Sequence[ColumnUse]) -> ForeignRows:
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
            return ForeignRows(headers=tuple(headers), second_table=row)
    return ForeignRows(headers=tuple(headers), second_table=None)


def _names_something(cells: Sequence[str]) -> bool:
    said = [header_meaning(cell) for cell in cells]
    return any(one.meaning not in (Meaning.OTHER, Meaning.STREAM) or one.other_unit is not None for one in said)
